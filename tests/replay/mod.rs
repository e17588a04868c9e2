//! Years of charting from files: the same numbers as the slow reading and as the service, whatever the order of the
//! lines, the split of the files and the threads.

mod bad_input;
mod compare;
mod compared;
pub(crate) mod export;
mod orders;
mod same_numbers;

use std::path::{Path, PathBuf};

use terce::care::time::Instant;
use terce::replay::{Replay, Setup, Summary, replay};

/// By what everything here is counted.
fn setup() -> Setup {
    Setup {
        config: Some("[site]\nzone = \"America/New_York\"\naway = [\"theatre\"]\n".to_owned()),
        ..Setup::default()
    }
}

/// A replay of `inputs` into `out`.
pub(crate) fn asked(inputs: &[PathBuf], out: &Path) -> Replay {
    Replay {
        inputs: inputs.to_vec(),
        out: out.to_owned(),
        setup: setup(),
        until: Some(export::until()),
        now: export::until(),
        threads: 2,
        memory: 64 << 20,
        opportunities: true,
        strict: false,
        thorough: false,
    }
}

pub(crate) fn run(asked: &Replay) -> Summary {
    replay(asked, &|_| {}).unwrap()
}

/// Writes `lines` into a file of `folder`.
pub(crate) fn file(folder: &Path, name: &str, lines: &[String]) -> PathBuf {
    let path = folder.join(name);
    std::fs::write(&path, lines.concat()).unwrap();
    path
}

/// All files of a folder of output, by name; but for what names files and lines of input.
fn files(folder: &Path) -> Vec<(String, String)> {
    let mut out: Vec<(String, String)> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .map(|p| {
            let name = p.file_name().unwrap().to_string_lossy().into_owned();
            (name, std::fs::read_to_string(&p).unwrap())
        })
        .filter(|(name, _)| name != "rejected.ndjson")
        .collect();
    out.sort();
    out
}

fn instant(text: &str) -> Instant {
    Instant::from(text.parse::<chrono::DateTime<chrono::Utc>>().unwrap())
}
