//! Lines that cannot be read are told with file, line and reason, and do not stop the rest.

use terce::replay::{Replay, replay};

use super::{asked, export, file, files, run};

#[test]
fn bad_lines_are_told_with_their_place_and_change_nothing() {
    let lines: Vec<String> = export::stays(3).into_iter().flat_map(|s| s.lines).collect();
    let folder = tempfile::tempdir().unwrap();
    let clean = asked(&[file(folder.path(), "clean.ndjson", &lines)], &folder.path().join("clean"));
    run(&clean);
    let bad = [
        "[1, 2]\n",
        "{\"resourceType\":\"Procedure\",\"id\":\"half\n",
        "{\"resourceType\":\"Encounter\",\"id\":\"x\",\"status\":\"sleeping\"}\n",
        "{\"resourceType\":\"Patient\"}\n",
    ];
    let mut mixed: Vec<String> = vec!["\u{feff}".to_owned() + &lines[0]];
    for (n, line) in lines[1..].iter().enumerate() {
        mixed.extend(bad.get(n).map(|b| (*b).to_owned()));
        mixed.push(line.clone());
    }
    let input = file(folder.path(), "mixed.ndjson", &mixed);
    let out = folder.path().join("mixed");
    let summary = run(&asked(std::slice::from_ref(&input), &out));
    let places: Vec<(String, u64)> = summary.bad_lines.iter().map(|b| (b.file.clone(), b.line)).collect();
    let name = input.display().to_string();
    assert_eq!(places, [2, 4, 6, 8].map(|line| (name.clone(), line)));
    assert!(summary.bad_lines[0].why.contains("one JSON object"), "{:?}", summary.bad_lines[0]);
    assert!(summary.bad_lines[2].why.contains("status"), "{:?}", summary.bad_lines[2]);
    assert_eq!(files(&clean.out), files(&out));

    let strict = Replay { strict: true, ..asked(&[input], &folder.path().join("strict")) };
    let error = replay(&strict, &|_| {}).unwrap_err().to_string();
    assert!(error.contains("mixed.ndjson:2: "), "{error}");
}

#[test]
fn lines_are_numbered_across_blocks() {
    let folder = tempfile::tempdir().unwrap();
    let long =
        format!("{{\"resourceType\":\"Patient\",\"id\":\"p\",\"language\":\"{}\"}}\n", "x".repeat(1000));
    let mut lines = vec![long; 5_000];
    lines[4_321] = "nothing\n".to_owned();
    let summary = run(&asked(&[file(folder.path(), "a.ndjson", &lines)], &folder.path().join("out")));
    let places: Vec<u64> = summary.bad_lines.iter().map(|b| b.line).collect();
    assert_eq!(places, [4_322]);
    assert_eq!(summary.lines, 5_000);
}

#[test]
fn what_changes_the_meaning_of_the_rest_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let line = "{\"resourceType\":\"Procedure\",\"id\":\"a\",\"status\":\"completed\",\"subject\":{\"reference\":\"Patient/p\"},\
        \"modifierExtension\":[{\"url\":\"urn:x\",\"valueBoolean\":true}],\
        \"code\":{\"coding\":[{\"system\":\"https://terce.example/fhir/CodeSystem/activity\",\"code\":\"oral-cleansing\"}]}}\n";
    let input = file(folder.path(), "a.ndjson", &[line.to_owned()]);
    let summary = run(&asked(&[input], &folder.path().join("out")));
    assert_eq!(summary.rejected, 1);
    assert!(summary.bad_lines[0].why.contains("modifierExtension"), "{:?}", summary.bad_lines[0]);
}

#[test]
fn a_name_that_is_written_twice_is_refused_wherever_it_says_something() {
    let folder = tempfile::tempdir().unwrap();
    let charted = |more: &str| {
        format!(
            "{{\"resourceType\":\"Procedure\",\"id\":\"a\",\"status\":\"completed\",\"subject\":{{\"reference\":\"Patient/p\"}},{more},\
            \"code\":{{\"coding\":[{{\"system\":\"https://terce.example/fhir/CodeSystem/activity\",\"code\":\"oral-cleansing\"}}]}}}}\n"
        )
    };
    let lines: Vec<String> = [
        "\"status\":\"stopped\"",
        "\"stat\\u0075s\":\"stopped\"",
        "\"subject\":{\"reference\":\"Patient/q\"}",
        "\"encounter\":{\"reference\":\"Encounter/e\",\"reference\":\"Encounter/f\"}",
        "\"performedPeriod\":{\"start\":\"2026-03-01T08:00:00Z\",\"start\":\"2026-03-01T09:00:00Z\"}",
    ]
    .map(charted)
    .to_vec();
    let summary = run(&asked(&[file(folder.path(), "a.ndjson", &lines)], &folder.path().join("out")));
    assert_eq!(summary.rejected, 5, "{:?}", summary.bad_lines);
}
