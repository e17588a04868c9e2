//! The populations of reports, counted again by a database that is not ours.

use std::process::Command;

use crate::replay::{asked, export, file, run};

#[test]
fn the_populations_of_two_thousand_stays_are_what_another_database_counts() {
    let folder = tempfile::tempdir().unwrap();
    let lines: Vec<String> = export::stays(2_000).iter().flat_map(|s| s.lines.clone()).collect();
    let (input, out) = (file(folder.path(), "all.ndjson", &lines), folder.path().join("out"));
    run(&asked(&[input], &out));
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/outside/populations.py");
    let packages = super::folder("populations");
    let output = Command::new("python3").arg(script).arg(&out).env("PYTHONPATH", packages).output().unwrap();
    let (said, errors) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{said}{errors}");
    let numbers: Vec<u64> = said.split(' ').filter_map(|word| word.parse().ok()).collect();
    // stays with something counted, opportunities, measures, counts
    assert!(numbers[0] > 1_800 && numbers[1] > 20_000 && numbers[2] == 6 && numbers[3] > 300, "{said}");
}
