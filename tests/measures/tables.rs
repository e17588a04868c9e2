//! A report and its table show the same numbers.

use std::collections::BTreeMap;

use fhir_models::MeasureReport;
use serde_json::Value;
use terce::care::surveillance::denominators::Watched;
use terce::care::tally::Tally;
use terce::care::totals::Totals;
use terce::translate::measures::{Beside, COLUMNS, MEASURES, Other, Scope, Step, evaluate_beside, rows};

use super::beside::{find, json, series};
use super::reports::{cell, day, key, now, rules, tally};

/// The columns of a row that are about numbers, those that say something.
fn told(row: &[String]) -> BTreeMap<String, String> {
    let numbers = |column: &&str| !["stratum_title", "group_title"].contains(column);
    let from = COLUMNS.iter().position(|c| *c == "group").unwrap();
    let columns = COLUMNS.iter().zip(row).skip(from);
    columns.filter(|(c, v)| numbers(c) && !v.is_empty()).map(|(c, v)| ((*c).to_owned(), plain(v))).collect()
}

/// A number without the zeros at its end, which JSON read by others loses.
fn plain(text: &str) -> String {
    text.parse::<f64>().map_or(text.to_owned(), |number| number.to_string())
}

fn text(value: &Value) -> String {
    let member = value.as_object().unwrap().iter().find(|(k, _)| k.starts_with("value")).map(|(_, v)| v);
    match member {
        Some(Value::String(text)) => text.clone(),
        Some(Value::Object(quantity)) => quantity["value"].to_string(),
        Some(other) => other.to_string(),
        None => String::new(),
    }
}

/// What the JSON says of a group or a stratum, under the names of the columns.
fn of_json(part: &Value) -> BTreeMap<String, String> {
    let mut out = BTreeMap::new();
    let mut put = |column: &str, value: Option<String>| {
        value.filter(|v| !v.is_empty()).map(|v| out.insert(column.to_owned(), v));
    };
    for population in part["population"].as_array().unwrap() {
        let id = population["id"].as_str().unwrap().replace('-', "_");
        put(&id, population["count"].as_i64().map(|n| n.to_string()));
        put("late_charted", find(&population["extension"], "late-charted").map(text));
    }
    let extensions = &part["extension"];
    put("hidden", find(extensions, "data-absent-reason").map(|_| "true".to_owned()));
    put("unverified_hours", find(extensions, "unverified-hours").map(text));
    put("median_delay_minutes", find(extensions, "median-delay").map(text));
    put("p90_delay_minutes", find(extensions, "p90-delay").map(text));
    let score = &part["measureScore"];
    put("score", score.get("value").map(ToString::to_string));
    for (extension, columns) in [
        ("interval", &[("low", "low"), ("high", "high"), ("method", "method")][..]),
        (
            "compared",
            &[
                ("numerator", "other_numerator"),
                ("denominator", "other_denominator"),
                ("score", "other_score"),
                ("difference", "difference"),
                ("ratio", "ratio"),
                ("low", "compared_low"),
                ("high", "compared_high"),
                ("p", "compared_p"),
                ("method", "compared_method"),
            ],
        ),
    ] {
        let Some(found) = find(&score["extension"], extension) else { continue };
        for (name, column) in columns {
            put(column, find(&found["extension"], name).map(text));
        }
        if let Some(period) = find(&found["extension"], "period") {
            put("other_start", period["valuePeriod"]["start"].as_str().map(str::to_owned));
            put("other_end", period["valuePeriod"]["end"].as_str().map(str::to_owned));
        }
    }
    out
}

fn of_point(point: &Value) -> BTreeMap<String, String> {
    let mut out = BTreeMap::new();
    let parts = &point["extension"];
    for (name, column) in [
        ("numerator", "numerator"),
        ("denominator", "denominator"),
        ("value", "score"),
        ("low", "lower_limit"),
        ("high", "upper_limit"),
    ] {
        find(parts, name).map(|part| out.insert(column.to_owned(), text(part)));
    }
    find(parts, "data-absent-reason").map(|_| out.insert("hidden".to_owned(), "true".to_owned()));
    out
}

/// Every row, as the JSON has it: group, stratifier and stratum, and what it says.
fn expected(report: &Value) -> Vec<BTreeMap<String, String>> {
    let mut out = Vec::new();
    for group in report["group"].as_array().unwrap() {
        let mut push = |stratifier: &str, stratum: &str, said: BTreeMap<String, String>| {
            let mut said: BTreeMap<String, String> = said.into_iter().map(|(k, v)| (k, plain(&v))).collect();
            for (name, value) in
                [("group", group["id"].as_str().unwrap()), ("stratifier", stratifier), ("stratum", stratum)]
            {
                if !value.is_empty() {
                    said.insert(name.to_owned(), value.to_owned());
                }
            }
            out.push(said);
        };
        push("", "", of_json(group));
        for stratifier in group["stratifier"].as_array().into_iter().flatten() {
            for stratum in stratifier["stratum"].as_array().into_iter().flatten() {
                let code = stratum["value"]["coding"][0]["code"].as_str().unwrap_or_default();
                push(stratifier["id"].as_str().unwrap(), code, of_json(stratum));
            }
        }
        let Some(chart) = find(&group["extension"], "chart") else { continue };
        let parts = &chart["extension"];
        let step = format!("chart-{}", text(find(parts, "step").unwrap()));
        let mut whole = BTreeMap::new();
        for (name, column) in [
            ("kind", "chart_kind"),
            ("centre", "centre"),
            ("factor", "factor"),
            ("median", "median"),
            ("longest-run", "longest_run"),
            ("longest-run-expected", "longest_run_expected"),
            ("crossings", "crossings"),
            ("crossings-expected", "crossings_expected"),
        ] {
            find(parts, name).map(|part| whole.insert(column.to_owned(), text(part)));
        }
        push(&step, "", whole);
        for point in parts.as_array().unwrap().iter().filter(|p| p["url"] == "point") {
            let start = &find(&point["extension"], "period").unwrap()["valuePeriod"]["start"];
            push(&step, start.as_str().unwrap(), of_point(point));
        }
    }
    out
}

fn every(id: &str, smallest: u64, step: Step) -> MeasureReport {
    let mut tally = tally();
    tally.watched.insert(("icu".into(), day(2)), Watched { events: 3, infected: 1, ..Watched::default() });
    tally.watched.insert(("step".into(), day(4)), Watched { events: 7, infected: 6, ..Watched::default() });
    let period = (day(1), day(9));
    let beside = Beside {
        other: Some(Other { period: (day(1), day(3)), totals: Totals::of(&tally, day(1), day(3), None) }),
        series: Some(series(&tally, period, step)),
        smallest,
    };
    let totals = Totals::of(&tally, period.0, period.1, None);
    evaluate_beside(id, &totals, &rules(), period, &Scope::default(), &beside, now()).unwrap()
}

#[test]
fn json_and_csv_have_the_same_numbers_in_the_same_cells_and_hide_the_same() {
    let (mut cells, mut hidden) = (0, 0);
    for id in MEASURES {
        for (smallest, step) in [(0, Step::Day), (5, Step::Day), (5, Step::Week), (50, Step::Month)] {
            let report = every(id, smallest, step);
            let table: Vec<BTreeMap<String, String>> = rows(&report)
                .iter()
                .map(|row| {
                    let mut said = told(row);
                    // told apart below
                    said.remove("signals");
                    said
                })
                .collect();
            let expected = expected(&json(&report));
            assert_eq!(table.len(), expected.len(), "{id} {smallest}");
            for (row, expected) in table.iter().zip(&expected) {
                assert_eq!(row, expected, "{id} {smallest}");
            }
            cells += table.iter().map(BTreeMap::len).sum::<usize>();
            hidden += table.iter().filter(|row| row.contains_key("hidden")).count();
        }
    }
    assert!(cells > 3_000 && hidden > 100, "{cells} {hidden}");
}

#[test]
fn the_signals_of_a_point_are_those_of_the_chart_that_hold_it() {
    let mut counted = Tally::default();
    for d in 1..=20 {
        let met = if d < 10 { 20 } else { 45 };
        counted.cells.insert(key("icu", d, "day", "clean"), cell(met, 50 - met, 0, 0, [60, 60, 0]));
    }
    let period = (day(1), day(20));
    let beside = Beside { series: Some(series(&counted, period, Step::Day)), ..Beside::default() };
    let totals = Totals::of(&counted, period.0, period.1, None);
    let report =
        evaluate_beside("timeliness", &totals, &rules(), period, &Scope::default(), &beside, now()).unwrap();
    let written = json(&report);
    let signals = COLUMNS.iter().position(|c| *c == "signals").unwrap();
    let stratum = COLUMNS.iter().position(|c| *c == "stratum").unwrap();
    let stratifier = COLUMNS.iter().position(|c| *c == "stratifier").unwrap();
    let chart = find(&written["group"][0]["extension"], "chart").unwrap();
    let mut told = 0;
    for row in rows(&report).iter().filter(|r| r[0] == "timeliness" && r[stratifier] == "chart-day") {
        if row[COLUMNS.iter().position(|c| *c == "group").unwrap()] != "clean" || row[stratum].is_empty() {
            continue;
        }
        let inside = (chart["extension"].as_array().unwrap().iter()).filter(|p| {
            let date = |name: &str| find(&p["extension"], name).map(text).unwrap_or_default();
            p["url"] == "signal"
                && find(&p["extension"], "side").is_some()
                && date("from") <= row[stratum]
                && row[stratum] <= date("to")
        });
        let inside: Vec<String> = inside
            .map(|p| ["rule", "side"].map(|name| text(find(&p["extension"], name).unwrap())).join("/"))
            .collect();
        assert_eq!(row[signals], inside.join(" "));
        told += inside.len();
    }
    assert!(told >= 20, "{told}");
}
