//! Two outputs side by side.

use std::collections::BTreeMap;
use std::path::Path;

use terce::replay::{Replay, Row, compare};

use super::{asked, export, file, run, setup};

fn row<'a>(rows: &'a [Row], requirement: Option<&str>, shift: Option<&str>) -> &'a Row {
    rows.iter().find(|r| r.requirement.as_deref() == requirement && r.shift.as_deref() == shift).unwrap()
}

#[test]
fn two_protocols_over_the_same_files_are_compared_by_requirement_and_shift() {
    let lines: Vec<String> = export::stays(30).into_iter().flat_map(|s| s.lines).collect();
    let folder = tempfile::tempdir().unwrap();
    let input = file(folder.path(), "all.ndjson", &lines);
    let out = |name: &str| folder.path().join(name);
    let by = |protocol: &str| {
        let mut counting = setup();
        counting.protocol = Some(protocol.to_owned());
        run(&Replay { setup: counting, ..asked(std::slice::from_ref(&input), &out(protocol)) })
    };
    let (adult, minimal) = (by("adult"), by("minimal"));
    let comparison = compare(&out("adult"), &out("minimal")).unwrap();
    let whole = row(&comparison.rows, None, None);
    for (side, summary) in [&adult, &minimal].into_iter().enumerate() {
        let cells = summary.tally.by_requirement();
        let (met, missed): (u32, u32) = cells.values().fold((0, 0), |(a, b), c| (a + c.met, b + c.missed));
        let share = f64::from(met) / f64::from(met + missed);
        assert!((whole.shares()[side].unwrap() - share).abs() < 1e-12);
        assert_eq!(whole.tasks[side], summary.written["tasks.ndjson"]);
        assert_eq!(whole.issues[side], summary.written["issues.ndjson"]);
    }
    // what only one of them asks for has no change
    let only: BTreeMap<bool, usize> = comparison.rows.iter().fold(BTreeMap::new(), |mut all, row| {
        *all.entry(row.change().is_some()).or_default() += 1;
        all
    });
    assert!(only[&true] > 3 && only[&false] > 3, "{only:?}");
    let text = comparison.to_text();
    assert!(text.lines().all(|l| l.chars().count() <= 100), "{text}");
    let mut csv = Vec::new();
    comparison.write_csv(&mut csv).unwrap();
    assert_eq!(String::from_utf8(csv).unwrap().lines().count(), comparison.rows.len() + 1);
}

#[test]
fn the_same_output_twice_differs_by_nothing() {
    let lines: Vec<String> = export::stays(6).into_iter().flat_map(|s| s.lines).collect();
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    run(&asked(&[file(folder.path(), "all.ndjson", &lines)], &out));
    let comparison = compare(&out, &out).unwrap();
    for row in &comparison.rows {
        if let Some((change, low, high)) = row.change() {
            assert!(change == 0.0 && low < 0.0 && high > 0.0, "{row:?}");
        }
    }
}

#[test]
fn a_folder_that_no_replay_has_finished_is_told() {
    let error = compare(Path::new("tests"), Path::new("tests")).unwrap_err().to_string();
    assert!(error.contains("not a folder that terce replay has written"), "{error}");
}
