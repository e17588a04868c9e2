//! The walls of the house: who may use whom, and what is absent.

use std::fs;
use std::path::{Path, PathBuf};

/// For each module of `src/`: the modules of the crate that it may use.
const MAY_USE: &[(&str, &[&str])] = &[
    ("care", &["care"]),
    ("translate", &["care", "translate"]),
    ("store", &["store"]),
    ("site", &["care", "translate", "site", "config"]),
    ("stays", &["care", "translate", "store", "stays", "site", "config", "feed"]),
    ("access", &["access", "store"]),
    // files to files: no store, no clock, no HTTP
    ("replay", &["care", "translate", "replay", "site", "config"]),
    (
        "reconcile",
        &["care", "translate", "store", "stays", "reconcile", "config", "clock", "feed", "telemetry"],
    ),
    ("reports", &["care", "translate", "store", "stays", "site", "reports", "config", "clock"]),
    ("feed", &["access", "care", "translate", "store", "feed", "config", "clock", "outward"]),
    (
        "rest",
        &[
            "access",
            "care",
            "translate",
            "store",
            "stays",
            "site",
            "rest",
            "config",
            "clock",
            "feed",
            "telemetry",
            "outward",
        ],
    ),
    (
        "deliver",
        &["access", "care", "translate", "store", "deliver", "config", "clock", "telemetry", "outward"],
    ),
    ("outward", &["outward"]),
    ("config", &["access", "care", "translate", "config", "outward"]),
    (
        "console",
        &[
            "access",
            "care",
            "translate",
            "store",
            "stays",
            "site",
            "console",
            "config",
            "clock",
            "feed",
            "telemetry",
        ],
    ),
    ("clock", &["care", "clock"]),
    ("telemetry", &["telemetry"]),
];

/// Crates that a module must not know.
const MUST_NOT_USE: &[(&str, &[&str])] = &[
    (
        "care",
        &[
            "fhir_models",
            "serde",
            "serde_json",
            "tokio",
            "tracing",
            "axum",
            "rusqlite",
            "uuid",
            "lru",
            "std::collections::HashMap",
            "std::fs",
            "std::time",
            "async ",
        ],
    ),
    ("translate", &["tokio", "axum", "rusqlite", "async fn", "std::fs", "std::time"]),
    ("store", &["axum", "fhir_models", "chrono_tz"]),
];

/// A file longer than this is split where a reader would split it.
const LONGEST_FILE: usize = 500;

fn rust_files(below: &Path) -> Vec<PathBuf> {
    let mut out = Vec::new();
    for entry in fs::read_dir(below).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            out.extend(rust_files(&path));
        } else if path.extension().is_some_and(|e| e == "rs") {
            out.push(path);
        }
    }
    out.sort();
    out
}

fn files_of(module: &str) -> Vec<PathBuf> {
    let mut out = Vec::new();
    let (folder, file) = (PathBuf::from("src").join(module), PathBuf::from(format!("src/{module}.rs")));
    if folder.exists() {
        out.extend(rust_files(&folder));
    }
    if file.exists() {
        out.push(file);
    }
    assert!(!out.is_empty(), "there is no module {module}");
    out
}

/// The code of a file without its comments.
fn code(path: &Path) -> String {
    let text = fs::read_to_string(path).unwrap();
    text.lines().filter(|l| !l.trim_start().starts_with("//")).collect::<Vec<_>>().join("\n")
}

#[test]
fn each_module_uses_only_what_it_may() {
    let mut wrong = Vec::new();
    for (module, may) in MAY_USE {
        for file in files_of(module) {
            for (number, line) in code(&file).lines().enumerate() {
                for used in line.split("crate::").skip(1) {
                    let name: String =
                        used.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                    if !name.is_empty()
                        && name.chars().all(|c| c.is_lowercase() || c == '_')
                        && !may.contains(&name.as_str())
                    {
                        wrong.push(format!("{}:{}: {module} uses {name}", file.display(), number + 1));
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_core_knows_no_fhir_no_clock_and_no_io() {
    let mut wrong = Vec::new();
    for (module, banned) in MUST_NOT_USE {
        for file in files_of(module) {
            let code = code(&file);
            wrong.extend(
                banned.iter().filter(|b| code.contains(**b)).map(|b| format!("{}: {b}", file.display())),
            );
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn only_the_clock_asks_the_time_and_only_config_reads_the_environment() {
    let mut wrong = Vec::new();
    for file in rust_files(Path::new("src")) {
        let code = code(&file);
        let name = file.display().to_string();
        if code.contains("SystemTime::now") && name != "src/clock.rs" {
            wrong.push(format!("{name} asks the time"));
        }
        if code.contains("env::var") && !name.starts_with("src/config") {
            wrong.push(format!("{name} reads the environment"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn files_are_short_enough_to_read() {
    let mut wrong = Vec::new();
    for below in ["src", "fhir-models/src", "demo/src", "tests", "fhir-models/tests"] {
        for file in rust_files(Path::new(below)) {
            let lines = fs::read_to_string(&file).unwrap().lines().count();
            // the elements of one resource type stay together, however many it has
            if lines > LONGEST_FILE && !file.starts_with("fhir-models/src/resources") {
                wrong.push(format!("{}: {lines} lines", file.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}
