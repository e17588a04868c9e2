//! Two small folders made by hand, side by side; all numbers are reckoned by hand.

use std::fs;
use std::path::Path;

use tempfile::TempDir;
use terce::replay::{Comparison, Row, compare};

const HEADER: &str = "unit,date,shift,requirement,met,missed,excused,late_charted,at_risk_seconds,\
covered_seconds,unverified_seconds";

/// Two units, of which the second asks for something else. Patient-days: in the first 12 h by day and 12 h by night, in
/// the second 12 h by day; together 1.5.
const TALLIES_A: &str = "\
\"ICU 1, north\",2026-03-01,day,brush,2,2,0,0,21600,10800.5,0
\"ICU 1, north\",2026-03-01,day,clean,6,1,0,0,43200,32400,7200
\"ICU 1, north\",2026-03-01,night,clean,3,0,1,0,43200,43200,0
ICU 2,2026-03-01,day,moisten,1,1,0,0,43200,21600,0
";
const TASKS_A: [(&str, &str); 3] =
    [("day", r#""brush","clean""#), ("day", r#""clean""#), ("night", r#""clean""#)];

/// One unit: 12 h by day, in two rows, and 12 h by night.
const TALLIES_B: &str = "\
\"ICU 1, north\",2026-03-01,day,clean,2,3,0,0,21600.25,10800,0
\"ICU 1, north\",2026-03-01,day,swab,0,0,0,0,0,0,0
\"ICU 1, north\",2026-03-01,night,clean,1,3,0,0,43200,21600,0
\"ICU 1, north\",2026-03-02,day,clean,0,1,0,0,21599.75,10800,0
";

fn folder(protocol: &str, tallies: &str, tasks: &[(&str, &str)], issues: &[(&str, &str)]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, text: String| fs::write(folder.path().join(name), text).unwrap();
    write("tallies.csv", format!("{HEADER}\n{tallies}"));
    write("patient_days.csv", "unit,date,requirement,complete,of\n".into());
    write("census.csv", "unit,date,patients,ventilated\n".into());
    write("delays.csv", "unit,date,shift,delay_minutes,count\n".into());
    write(
        "replay.json",
        format!(
            r#"{{"terce":"0.1.0","until":"2026-03-03T00:00:00Z","zone":"Europe/Vienna",
                "protocol":"{protocol}","stays":2,"open":0,"setup":{{}}}}"#
        ),
    );
    let task = |(shift, asked): &(&str, &str)| {
        format!(
            r#"{{"stay":"e","patient":"p","unit":"ICU 1, north","shift":"{shift}","id":"t","round":"2026-03-01T06:00:00Z","opened":"2026-03-01T06:00:00Z","how":"open","requirements":[{asked}]}}"#
        ) + "\n"
    };
    write("tasks.ndjson", tasks.iter().map(task).collect());
    let issue = |(shift, requirement): &(&str, &str)| {
        format!(
            r#"{{"stay":"e","patient":"p","requirement":"{requirement}","unit":"ICU 1, north","shift":"{shift}","from":"2026-03-01T06:00:00Z","announced":"2026-03-01T07:00:00Z","id":"i","status":"final"}}"#
        ) + "\n"
    };
    write("issues.ndjson", issues.iter().map(issue).collect());
    folder
}

fn folders() -> [TempDir; 2] {
    [
        folder("adult 0.1.0", TALLIES_A, &TASKS_A, &[("day", "clean")]),
        folder("minimal 0.1.0", TALLIES_B, &[("day", r#""clean""#)], &[("day", "clean"), ("night", "clean")]),
    ]
}

fn compared() -> Comparison {
    let [a, b] = folders();
    compare(a.path(), b.path()).unwrap()
}

fn row<'a>(rows: &'a [Row], requirement: &str, shift: &str) -> &'a Row {
    let named = |row: &Row| {
        row.requirement.as_deref().unwrap_or("all") == requirement
            && row.shift.as_deref().unwrap_or_default() == shift
    };
    rows.iter().find(|r| named(r)).unwrap()
}

/// The cells of the line that begins with these words, in each of the two tables.
fn lines(text: &str, names: &[&str]) -> [String; 2] {
    let cells = text.lines().map(|l| l.split_whitespace().collect::<Vec<_>>());
    let number = |cell: &&str| *cell == "-" || cell.parse::<f64>().is_ok();
    let found: Vec<String> = cells
        .filter(|c| c.starts_with(names) && c.get(names.len()).is_some_and(number))
        .map(|c| c[names.len()..].join(" "))
        .collect();
    found.try_into().unwrap()
}

#[test]
fn all_then_each_requirement_then_each_by_shift() {
    let comparison = compared();
    let names: Vec<(&str, &str)> = comparison
        .rows
        .iter()
        .map(|r| (r.requirement.as_deref().unwrap_or("all"), r.shift.as_deref().unwrap_or_default()))
        .collect();
    let whole = [("all", ""), ("brush", ""), ("clean", ""), ("moisten", ""), ("swab", "")];
    let shifts =
        [("brush", "day"), ("clean", "day"), ("clean", "night"), ("moisten", "day"), ("swab", "day")];
    assert_eq!(names, [whole, shifts].concat());
}

/// 9 of 10 and 3 of 10 are a row of Newcombe's table: 0.6 (0.1705 to 0.8090), here the other way round.
#[test]
fn shares_and_their_change_are_shown_with_its_interval() {
    let text = compared().to_text();
    let shares = |names: &[&str]| lines(&text, names)[0].clone();
    assert_eq!(shares(&["clean"]), "9 1 90.0 3 7 30.0 -60.0 -80.9 to -17.1");
    assert!(shares(&["all"]).starts_with("12 4 75.0 3 7 30.0 -45.0 "), "{text}");
    assert!(shares(&["clean", "day"]).starts_with("6 1 85.7 2 4 33.3 -52.4 "), "{text}");
    assert!(shares(&["clean", "night"]).starts_with("3 0 100.0 1 3 25.0 -75.0 "), "{text}");
}

#[test]
fn what_only_one_asks_for_has_a_dash_for_the_other() {
    let text = compared().to_text();
    assert_eq!(lines(&text, &["brush"]), ["2 2 50.0 - - - - -", "50.0 - - 0.67 - - 0.00 - -"]);
    // nothing counted and no time at risk: no share, but there were Tasks to be had
    assert_eq!(lines(&text, &["swab"]), ["- - - 0 0 - - -", "- - - - 0.00 - - 0.00 -"]);
}

#[test]
fn patient_days_are_of_the_longest_at_risk_in_each_unit_and_shift() {
    let comparison = compared();
    for (requirement, shift, days) in [
        ("all", "", [1.5, 1.0]),
        ("moisten", "", [1.5, 1.0]),
        ("clean", "day", [1.0, 0.5]),
        ("clean", "night", [0.5, 0.5]),
    ] {
        let found = row(&comparison.rows, requirement, shift).days;
        assert!(
            found.iter().zip(days).all(|(f, d)| (f - d).abs() < 1e-12),
            "{requirement} {shift}: {found:?}"
        );
    }
}

#[test]
fn covered_time_tasks_and_issues_are_shown_with_their_differences() {
    let text = compared().to_text();
    let rates = |names: &[&str]| lines(&text, names)[1].clone();
    // covered: 97 200 + 10 800.5 of 151 200 s, and 43 200 of 86 400 s
    assert_eq!(rates(&["all"]), "71.4 50.0 -21.4 2.00 1.00 -1.00 0.67 2.00 +1.33");
    assert_eq!(rates(&["clean"]), "87.5 50.0 -37.5 2.00 1.00 -1.00 0.67 2.00 +1.33");
    assert_eq!(rates(&["clean", "day"]), "75.0 50.0 -25.0 2.00 2.00 0.00 1.00 2.00 +1.00");
    assert_eq!(rates(&["clean", "night"]), "100.0 50.0 -50.0 2.00 0.00 -2.00 0.00 2.00 +2.00");
}

#[test]
fn the_text_says_what_it_compares_and_fits_in_100_columns() {
    let text = compared().to_text();
    for said in [
        "A: adult 0.1.0, 2 stays, 1.5 patient-days,\n   up to 2026-03-03T00:00:00Z in Europe/Vienna",
        "B: minimal 0.1.0, 2 stays, 1.0 patient-days,",
        "takes A and B as independent",
        "Charted care is not care",
    ] {
        assert!(text.contains(said), "{said} is not in\n{text}");
    }
    assert!(text.lines().all(|l| l.chars().count() <= 100), "{text}");
}

#[test]
fn long_names_and_large_counts_fit_too() {
    let long = "a-requirement-that-a-site-has-given-a-name-of-64-characters-long";
    let tallies = format!("u,2026-03-01,the-long-night,{long},9999999,9999999,0,0,86400,86400,0\n");
    let (a, b) = (folder("p", &tallies, &[], &[]), folder("p", &tallies, &[], &[]));
    let text = compare(a.path(), b.path()).unwrap().to_text();
    assert!(text.lines().all(|l| l.chars().count() <= 100), "{text}");
    assert!(text.contains(&format!("{long} the-long-night\n")), "{text}");
}

#[test]
fn the_csv_has_all_counts_and_nothing_where_there_is_nothing() {
    let mut bytes = Vec::new();
    compared().write_csv(&mut bytes).unwrap();
    let mut reader = csv::Reader::from_reader(bytes.as_slice());
    let columns = reader.headers().unwrap().clone();
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!(rows.len(), 10);
    let cell = |row: usize, column: &str| &rows[row][columns.iter().position(|c| c == column).unwrap()];
    for (column, expected) in [
        ("requirement", "clean"),
        ("shift", ""),
        ("met_a", "9"),
        ("missed_b", "7"),
        ("share_a_percent", "90.000000"),
        ("share_difference_points", "-60.000000"),
        ("covered_a_percent", "87.500000"),
        ("covered_difference_points", "-37.500000"),
        ("patient_days_a", "1.500000"),
        ("tasks_a", "3"),
        ("tasks_difference_per_patient_day", "-1.000000"),
        ("issues_b", "2"),
        ("issues_a_per_patient_day", "0.666667"),
    ] {
        assert_eq!(cell(2, column), expected, "{column}");
    }
    for column in ["met_b", "missed_b", "share_b_percent", "low_points", "covered_b_percent", "tasks_b"] {
        assert_eq!(cell(1, column), "", "{column} of what only A asks for");
    }
}

#[test]
fn what_cannot_be_read_is_told_with_file_and_line() {
    let row = |numbers: &str| format!("{HEADER}\nu,2026-03-01,day,clean,1,1,0,0,1,1,0\nu,{numbers}\n");
    for (file, text, told) in [
        ("tallies.csv", row("2026-03-01,day,clean,x,1,0,0,1,1,0"), "tallies.csv:3: \"x\""),
        ("tallies.csv", row("2026-03-32,day,clean,1,1,0,0,1,1,0"), "tallies.csv:3: \"2026-03-32\""),
        ("tallies.csv", row("2026-03-01,day,clean,1,1,0,0,1.1234567,1,0"), "tallies.csv:3: \"1.1234567\""),
        ("tallies.csv", row("2026-03-01,day,clean,1,1,0,0,-1,1,0"), "tallies.csv:3: \"-1\""),
        ("tallies.csv", row("2026-03-01,day,clean,1,1,0,0,9999999999999,1,0"), "too many seconds"),
        ("tallies.csv", row("2026-03-01,day"), "tallies.csv:3: "),
        ("tallies.csv", "unit,day\n".into(), "tallies.csv:1: expected the header unit,date,"),
        ("census.csv", String::new(), "census.csv:1: "),
        ("delays.csv", String::new(), "delays.csv:1: "),
        ("tasks.ndjson", "{\"shift\":\"day\",\"requirements\":[]}\n{\n".into(), "tasks.ndjson:2: "),
        ("issues.ndjson", "{\"shift\":\"day\"}\n".into(), "issues.ndjson:1: missing field `requirement`"),
        ("replay.json", "{}".into(), "replay.json: missing field"),
    ] {
        let [a, b] = folders();
        fs::write(b.path().join(file), text).unwrap();
        let error = format!("{:#}", compare(a.path(), b.path()).unwrap_err());
        assert!(error.contains(told), "{error}, expected {told}");
    }
    let [a, b] = folders();
    fs::remove_file(b.path().join("tasks.ndjson")).unwrap();
    assert!(format!("{:#}", compare(a.path(), b.path()).unwrap_err()).contains("tasks.ndjson"));
    assert!(compare(Path::new("no-such-folder"), a.path()).is_err());
}
