//! What a report tells beside its counts: another period, a chart; and what it hides.

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use fhir_models::{MeasureReport, Resource, parse, validate};
use serde_json::Value;
use terce::care::surveillance::denominators::Watched;
use terce::care::tally::{CensusCell, Tally};
use terce::care::totals::Totals;
use terce::translate::measures::{Beside, Other, Scope, Series, Step, evaluate_beside};

use super::reports::{cell, day, key, now, rules, tally};

/// The report as a client would read it.
fn told(id: &str, tally: &Tally, period: (NaiveDate, NaiveDate), beside: &Beside) -> MeasureReport {
    let totals = Totals::of(tally, period.0, period.1, None);
    let report = evaluate_beside(id, &totals, &rules(), period, &Scope::default(), beside, now()).unwrap();
    let bytes = report.write();
    let read: MeasureReport = parse(&bytes).unwrap();
    assert_eq!(validate(&read, &bytes), Vec::new());
    read
}

pub(super) fn json(report: &MeasureReport) -> Value {
    serde_json::from_slice(&report.write()).unwrap()
}

/// A part of an extension, or an extension by the end of its address.
pub(super) fn find<'a>(extensions: &'a Value, name: &str) -> Option<&'a Value> {
    let all = extensions.as_array()?;
    all.iter().find(|e| e["url"].as_str().is_some_and(|url| url.rsplit('/').next() == Some(name)))
}

fn number(parts: &Value, name: &str) -> f64 {
    let part = find(parts, name).unwrap_or_else(|| panic!("no {name} in {parts}"));
    part["valueDecimal"].as_f64().or(part["valueUnsignedInt"].as_f64()).unwrap()
}

pub(super) fn series(tally: &Tally, period: (NaiveDate, NaiveDate), step: Step) -> Series {
    let points = step.pieces(period, 200).into_iter();
    let points = points.map(|(from, to)| ((from, to), Totals::of(tally, from, to, None))).collect();
    Series { step, points }
}

fn met_and_missed(tally: &mut Tally, d: u32, met: u32, missed: u32) {
    tally.cells.insert(key("icu", d, "day", "clean"), cell(met, missed, 0, 0, [720, 700, 0]));
}

/// 56 of 70 and 48 of 80: the first row of the table of Newcombe's paper, whose interval of the difference is 0.0524 to
/// 0.3339.
#[test]
fn two_shares_are_compared_by_their_difference_with_the_published_interval() {
    let mut counted = Tally::default();
    met_and_missed(&mut counted, 10, 56, 14);
    met_and_missed(&mut counted, 3, 48, 32);
    let other = Other { period: (day(1), day(7)), totals: Totals::of(&counted, day(1), day(7), None) };
    let beside = Beside { other: Some(other), ..Beside::default() };
    let report = json(&told("timeliness", &counted, (day(8), day(14)), &beside));
    let compared = &find(&report["group"][0]["measureScore"]["extension"], "compared").unwrap()["extension"];
    assert_eq!(find(compared, "period").unwrap()["valuePeriod"]["end"], "2026-03-07");
    assert_eq!((number(compared, "numerator"), number(compared, "denominator")), (48.0, 80.0));
    assert_eq!((number(compared, "score"), number(compared, "difference")), (0.6, 0.2));
    assert_eq!((number(compared, "low"), number(compared, "high")), (0.0524, 0.3339));
    assert_eq!(find(compared, "method").unwrap()["valueCode"], "newcombe");
}

fn events(tally: &mut Tally, d: u32, events: u32, ventilated: u32) {
    tally.census.insert(("icu".into(), day(d)), CensusCell { patients: ventilated, ventilated });
    tally.watched.insert(("icu".into(), day(d)), Watched { events, ..Watched::default() });
}

/// 41 cancers in 28 010 person-years and 15 in 19 017: Rothman's example of women with tuberculosis, whose ratio is 1.86
/// with limits of about 1.04 and 3.45 (from memory of the book).
#[test]
fn two_rates_are_compared_by_their_ratio() {
    let mut counted = Tally::default();
    events(&mut counted, 10, 41, 28_010);
    events(&mut counted, 3, 15, 19_017);
    let other = Other { period: (day(1), day(7)), totals: Totals::of(&counted, day(1), day(7), None) };
    let beside = Beside { other: Some(other), ..Beside::default() };
    let report = json(&told("ventilator-associated-conditions", &counted, (day(8), day(14)), &beside));
    let compared = &find(&report["group"][0]["measureScore"]["extension"], "compared").unwrap()["extension"];
    assert!((number(compared, "ratio") - 1.86).abs() < 0.01, "{compared}");
    assert!((number(compared, "low") - 1.04).abs() < 0.01 && (number(compared, "high") - 3.45).abs() < 0.02);
    assert!(find(compared, "difference").is_none());
}

/// NIST/SEMATECH e-Handbook 6.3.3.2: 30 samples of 50 wafers, here 30 days of 50 opportunities. Its points 15 and 23 lie
/// outside. They vary more than chance explains, from one to the next as well, so the limits are Laney's.
#[test]
fn a_chart_of_shares_has_the_centre_of_the_handbook_and_says_which_points_lie_outside() {
    let wafers = [
        12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13,
        9, 6,
    ];
    let mut counted = Tally::default();
    for (d, events) in (1..).zip(wafers) {
        met_and_missed(&mut counted, d, events, 50 - events);
    }
    let period = (day(1), day(30));
    let beside = Beside { series: Some(series(&counted, period, Step::Day)), ..Beside::default() };
    let report = json(&told("timeliness", &counted, period, &beside));
    let chart = &find(&report["group"][0]["extension"], "chart").unwrap()["extension"];
    let code = |name: &str| find(chart, name).unwrap()["valueCode"].as_str().unwrap().to_owned();
    assert_eq!((code("step"), code("kind")), ("day".to_owned(), "p".to_owned()));
    assert_eq!(number(chart, "centre"), 0.2313);
    let points: Vec<&Value> =
        chart.as_array().unwrap().iter().filter(|p| p["url"] == "point").map(|p| &p["extension"]).collect();
    assert_eq!(points.len(), 30);
    assert_eq!(number(points[14], "value"), 0.44);
    let half = number(points[0], "high") - 0.2313;
    let factor = find(chart, "factor").map_or(1.0, |f| f["valueDecimal"].as_f64().unwrap());
    // the handbook's limits are 0.0524 and 0.4102: half of their distance, and so much wider
    assert!((half - 0.1789 * factor).abs() < 2e-4, "{half} {factor}");
    let outside: Vec<&str> = (chart.as_array().unwrap().iter())
        .filter(|p| {
            p["url"] == "signal" && find(&p["extension"], "rule").unwrap()["valueCode"] == "beyond-limit"
        })
        .map(|p| find(&p["extension"], "from").unwrap()["valueDate"].as_str().unwrap())
        .collect();
    let beyond = points.iter().filter(|p| number(p, "value") > number(p, "high")).count();
    assert_eq!(outside.len(), beyond);
    // by another way: the middle of the 30 shares, and how often they cross it
    let mut sorted = wafers;
    sorted.sort_unstable();
    assert_eq!(number(chart, "median"), f64::from(sorted[14] + sorted[15]) / 100.0);
    let sides: Vec<bool> = wafers
        .iter()
        .filter(|w| f64::from(**w) != f64::from(sorted[14] + sorted[15]) / 2.0)
        .map(|w| f64::from(*w) > 10.5)
        .collect();
    assert_eq!(number(chart, "useful"), sides.len() as f64);
    assert_eq!(number(chart, "crossings"), sides.windows(2).filter(|w| w[0] != w[1]).count() as f64);
}

#[test]
fn a_shift_is_told_with_its_rule_its_side_and_its_days() {
    let mut counted = Tally::default();
    for d in 1..=24 {
        // seven days in the middle are better than the others
        let met = if (9..=16).contains(&d) { 46 } else { 38 + d % 3 };
        met_and_missed(&mut counted, d, met, 50 - met);
    }
    let period = (day(1), day(24));
    let beside = Beside { series: Some(series(&counted, period, Step::Day)), ..Beside::default() };
    let report = json(&told("timeliness", &counted, period, &beside));
    let chart = &find(&report["group"][0]["extension"], "chart").unwrap()["extension"];
    let all: Vec<String> = (chart.as_array().unwrap().iter())
        .filter(|p| p["url"] == "signal")
        .map(|p| {
            let of = |name: &str| find(&p["extension"], name).cloned().unwrap_or_default();
            let text = |v: &Value| {
                v["valueCode"].as_str().or(v["valueDate"].as_str()).unwrap_or_default().to_owned()
            };
            ["rule", "side", "from", "to"].map(|name| text(&of(name))).join(" ")
        })
        .collect();
    assert!(all.contains(&"shift above 2026-03-09 2026-03-16".to_owned()), "{all:?}");
}

#[test]
fn months_and_weeks_are_cut_at_the_ends_of_the_period_and_miss_no_day() {
    let date = |text: &str| text.parse::<NaiveDate>().unwrap();
    let shown = |step: Step, from: &str, to: &str| -> Vec<String> {
        let pieces = step.pieces((date(from), date(to)), 100);
        pieces.iter().map(|(from, to)| format!("{from}..{to}")).collect()
    };
    assert_eq!(
        shown(Step::Week, "2026-03-01", "2026-03-11"),
        ["2026-03-01..2026-03-01", "2026-03-02..2026-03-08", "2026-03-09..2026-03-11"]
    );
    assert_eq!(
        shown(Step::Month, "2024-01-30", "2024-03-01"),
        ["2024-01-30..2024-01-31", "2024-02-01..2024-02-29", "2024-03-01..2024-03-01"]
    );
    for step in [Step::Day, Step::Week, Step::Month] {
        for length in 1..70 {
            let (from, to) = (date("2025-12-20"), date("2025-12-20") + Days::new(length));
            let pieces = step.pieces((from, to), 100);
            assert_eq!((pieces[0].0, pieces[pieces.len() - 1].1), (from, to));
            assert!(pieces.windows(2).all(|two| two[0].1.succ_opt() == Some(two[1].0)));
        }
    }
    assert_eq!(Step::Day.pieces((date("2025-01-01"), date("2026-01-01")), 10).len(), 11);
}

/// All counts of a report by where they stand; what is hidden has none.
fn counts(report: &Value) -> BTreeMap<String, Vec<Option<i64>>> {
    let mut out = BTreeMap::new();
    let of = |all: &Value| -> Vec<Option<i64>> {
        all["population"].as_array().unwrap().iter().map(|p| p["count"].as_i64()).collect()
    };
    for group in report["group"].as_array().unwrap() {
        let id = group["id"].as_str().unwrap();
        out.insert(format!("{id} whole"), of(group));
        for stratifier in group["stratifier"].as_array().into_iter().flatten() {
            for stratum in stratifier["stratum"].as_array().into_iter().flatten() {
                let at = format!("{id} {} {}", stratifier["id"], stratum["value"]["text"]);
                out.insert(at, of(stratum));
            }
        }
    }
    out
}

#[test]
fn small_counts_are_hidden_with_what_would_give_them_away() {
    let beside = Beside { smallest: 5, ..Beside::default() };
    let report = told("timeliness", &tally(), (day(1), day(3)), &beside);
    let (hidden, shown) = (
        counts(&json(&report)),
        counts(&json(&told("timeliness", &tally(), (day(1), day(3)), &Beside::default()))),
    );
    assert_eq!(hidden.keys().collect::<Vec<_>>(), shown.keys().collect::<Vec<_>>());
    // 4 excused in all, 2 missed where the unit is not known: small
    assert_eq!(hidden["clean whole"], [None; 4]);
    assert_eq!(hidden["clean \"unit\" \"unit not known\""], [None; 4]);
    let mut seen = 0;
    for (at, counts) in &hidden {
        match counts[..] {
            [None, None, None, None] => {}
            [Some(all), Some(same), Some(excused), Some(met)] => {
                seen += 1;
                assert_eq!(all, same, "{at}");
                for count in [all, excused, met, all - excused - met] {
                    assert!(count == 0 || count >= 5, "{at}: {counts:?}");
                }
                let plain: Vec<Option<i64>> = shown[at].clone();
                assert_eq!(counts, &plain, "{at}");
            }
            _ => panic!("{at}: half of it is hidden: {counts:?}"),
        }
    }
    assert!(seen > 5, "{hidden:?}");
    let text = serde_json::to_string(report.text.as_ref().unwrap()).unwrap();
    assert!(text.contains("hidden") && !text.contains("<td>267</td>"), "{text}");
}

/// In every line of a report in which something is hidden and the total is not, two things are, and they come to enough.
#[test]
fn no_hidden_count_is_what_its_total_leaves_over() {
    let mut seed = 5_u64;
    let mut roll = |below: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        u32::try_from((seed >> 33) % below).unwrap()
    };
    let mut lines = 0;
    for _ in 0..300 {
        let mut counted = Tally::default();
        for unit in ["a", "b", "c", "d"] {
            for (d, shift) in [(1, "day"), (1, "night"), (2, "day"), (2, "night")] {
                let counts = cell(roll(30), roll(12), roll(3) * roll(2), 0, [60, 50, 0]);
                counted.cells.insert(key(unit, d, shift, "clean"), counts);
            }
        }
        let period = (day(1), day(2));
        let beside = Beside { smallest: 6, series: Some(series(&counted, period, Step::Day)), other: None };
        let report = json(&told("timeliness", &counted, period, &beside));
        let whole = json(&told("timeliness", &counted, period, &Beside { smallest: 0, ..beside.clone() }));
        let (shown, real) = (counts(&report), counts(&whole));
        for stratifier in ["unit", "shift", "day-kind"] {
            let at = format!("clean \"{stratifier}\"");
            let hidden: Vec<&String> =
                shown.iter().filter(|(k, v)| k.starts_with(&at) && v[0].is_none()).map(|(k, _)| k).collect();
            if hidden.is_empty() || shown["clean whole"][0].is_none() {
                continue;
            }
            lines += 1;
            assert!(hidden.len() >= 2, "{hidden:?}");
            let mut left = [0; 4];
            for parts in hidden.iter().map(|k| &real[*k]) {
                left.iter_mut().zip(parts).for_each(|(sum, part)| *sum += part.unwrap());
            }
            assert!(left.iter().all(|sum| *sum == 0 || *sum >= 6), "{hidden:?}");
        }
        let chart = find(&report["group"][0]["extension"], "chart");
        let points =
            chart.iter().flat_map(|c| c["extension"].as_array().unwrap()).filter(|p| p["url"] == "point");
        let masked: Vec<bool> =
            points.map(|p| find(&p["extension"], "data-absent-reason").is_some()).collect();
        assert!(
            shown["clean whole"][0].is_none() || masked.iter().filter(|m| **m).count() != 1,
            "{masked:?}"
        );
    }
    assert!(lines > 50, "{lines}");
}

#[test]
fn nothing_of_what_is_hidden_is_told_by_another_name() {
    let mut counted = Tally::default();
    met_and_missed(&mut counted, 8, 3, 1);
    met_and_missed(&mut counted, 3, 2, 1);
    let other = Other { period: (day(1), day(7)), totals: Totals::of(&counted, day(1), day(7), None) };
    let period = (day(8), day(14));
    let beside =
        Beside { other: Some(other), series: Some(series(&counted, period, Step::Day)), smallest: 10 };
    let report = told("timeliness", &counted, period, &beside);
    let group = &json(&report)["group"][0];
    assert!(group.get("measureScore").is_none(), "{group}");
    assert!(find(&group["extension"], "chart").is_none_or(|c| find(&c["extension"], "centre").is_none()));
    assert!(find(&group["extension"], "data-absent-reason").is_some());
    assert!(find(&group["population"][3]["extension"], "late-charted").is_none());
    // the other period's counts are small as well, where the own ones are not
    met_and_missed(&mut counted, 8, 300, 100);
    let beside = Beside { series: None, ..beside };
    let report = json(&told("timeliness", &counted, period, &beside));
    let score = &report["group"][0]["measureScore"];
    assert_eq!(score["value"], 0.75);
    assert!(find(&score["extension"], "compared").is_none());
}
