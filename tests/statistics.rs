//! Intervals against published and independent numbers, and the scores of the measures over a tally made by hand.

use std::sync::Arc;

use chrono::{NaiveDate, NaiveTime};
use fhir_models::datatypes::Value;
use fhir_models::measure::MeasureGroup;
use fhir_models::measure_report::{MeasureReportGroup, MeasureReportGroupStratifierStratum};
use fhir_models::{Measure, MeasureReport, Resource, parse, validate};
use terce::care::facts::Code;
use terce::care::ledger::{Cell, CellKey};
use terce::care::protocol::{Kind, Protocol, Requirement, Rules, Unit, UnitProtocol};
use terce::care::statistics::{newcombe, wilson};
use terce::care::tally::{CensusCell, DayCell, Tally};
use terce::care::time::{Instant, Length};
use terce::translate::measures::{MEASURES, Scope, evaluate, measure};

fn rounded(events: u64, of: u64) -> (String, String) {
    let (low, high) = wilson(events, of).unwrap();
    (format!("{low:.4}"), format!("{high:.4}"))
}

/// Newcombe RG, Stat Med 1998;17:873-890, Table II, method 10. The first two rows are those that an R package (propint)
/// tests itself against as the paper's, the others are from memory of the table; all were recomputed by a separate few
/// lines of Python.
#[test]
fn newcombe_gives_the_published_intervals_of_a_difference() {
    for (a, of_a, b, of_b, low, high) in [
        (56, 70, 48, 80, 0.0524, 0.3339),
        (9, 10, 3, 10, 0.1705, 0.8090),
        (6, 7, 2, 7, 0.0582, 0.8062),
        (5, 56, 0, 29, -0.0381, 0.1926),
        (0, 10, 0, 20, -0.1611, 0.2775),
        (0, 10, 0, 10, -0.2775, 0.2775),
        (10, 10, 0, 20, 0.6791, 1.0),
        (10, 10, 0, 10, 0.6075, 1.0),
    ] {
        let (found_low, found_high) = newcombe(a, of_a, b, of_b).unwrap();
        assert!(
            (found_low - low).abs() < 5.1e-5 && (found_high - high).abs() < 5.1e-5,
            "{a}/{of_a} - {b}/{of_b}: {found_low} {found_high}"
        );
        let (swapped_low, swapped_high) = newcombe(b, of_b, a, of_a).unwrap();
        assert!((swapped_low + found_high).abs() < 1e-12 && (swapped_high + found_low).abs() < 1e-12);
    }
    assert_eq!((newcombe(1, 2, 0, 0), newcombe(0, 0, 1, 2), newcombe(3, 2, 1, 2)), (None, None, None));
}

/// Newcombe RG, Stat Med 1998;17:857-872, Table I, method 3 (score, no continuity correction). The four cases are the
/// paper's; the values are from memory of the table and were recomputed with statsmodels 0.15.0.
#[test]
fn wilson_gives_the_four_cases_of_newcombe() {
    let table = [
        (81, 263, ".2553", ".3662"),
        (15, 148, ".0624", ".1605"),
        (0, 20, ".0000", ".1611"),
        (1, 29, ".0061", ".1718"),
    ];
    for (events, of, low, high) in table {
        assert_eq!(rounded(events, of), (format!("0{low}"), format!("0{high}")), "{events} of {of}");
    }
}

/// Recomputed with statsmodels 0.15.0. The case 23 of 60 is the example of the page for the interval of a proportion
/// at VassarStats, which prints p = .3833; 8 of 10, 0 of 5 and 80 of 100 were computed with scipy 1.17.1 as well.
#[test]
fn wilson_gives_recomputed_values() {
    let table = [
        (23, 60, "0.2709", "0.5098"),
        (0, 1, "0.0000", "0.7935"),
        (1, 1, "0.2065", "1.0000"),
        (10, 10, "0.7225", "1.0000"),
        (7, 12, "0.3195", "0.8067"),
        (96, 120, "0.7196", "0.8618"),
        (8, 10, "0.4902", "0.9433"),
        (0, 5, "0.0000", "0.4345"),
        (80, 100, "0.7112", "0.8666"),
    ];
    for (events, of, low, high) in table {
        assert_eq!(rounded(events, of), (low.to_owned(), high.to_owned()), "{events} of {of}");
    }
}

/// `statsmodels.stats.proportion.proportion_confint(x, n, alpha=0.05, method="wilson")` of statsmodels 0.15.0;
/// `scipy.stats.binomtest(x, n).proportion_ci(0.95, method="wilson")` of scipy 1.17.1 differs by 4e-16 at most.
const COMPUTED: [(u64, u64, f64, f64); 20] = [
    (0, 1, 0.0, 0.7934506856227627),
    (1, 1, 0.2065493143772374, 1.0),
    (0, 2, 0.0, 0.657619772493347),
    (1, 2, 0.09453120573423068, 0.9054687942657693),
    (2, 2, 0.342380227506653, 1.0),
    (1, 3, 0.06149194472039626, 0.7923403991979523),
    (3, 7, 0.15821985525146964, 0.7495416354723428),
    (8, 10, 0.49016247153664183, 0.9433178485456247),
    (0, 5, 0.0, 0.43448246478317487),
    (5, 5, 0.5655175352168252, 1.0),
    (29, 30, 0.8332960900859081, 0.9940914096183875),
    (1, 29, 0.006113214292762667, 0.17175521879320294),
    (80, 100, 0.7111708344068411, 0.8666330666689676),
    (99, 100, 0.9455138038212946, 0.9982325679358593),
    (1, 1000, 0.00017654637062607765, 0.005642558597957937),
    (999, 1000, 0.9943574414020421, 0.9998234536293739),
    (500, 1000, 0.4690696003681042, 0.5309303996318958),
    (12_345, 67_890, 0.17895489704038053, 0.18475764195033373),
    (1_000_000, 1_000_003, 0.9999911788766889, 0.9999989797318198),
    (2_147_483_646, 2_147_483_647, 0.9999999973620596, 0.9999999999177994),
];

#[test]
fn wilson_agrees_with_independent_libraries() {
    for (events, of, low, high) in COMPUTED {
        let (our_low, our_high) = wilson(events, of).unwrap();
        assert!((our_low - low).abs() < 1e-12, "{events} of {of}: low {our_low}, expected {low}");
        assert!((our_high - high).abs() < 1e-12, "{events} of {of}: high {our_high}, expected {high}");
    }
}

#[test]
fn nothing_counted_has_no_interval_and_limits_stay_between_0_and_1() {
    assert_eq!(wilson(0, 0), None);
    assert_eq!(wilson(2, 1), None);
    for of in 1..=60 {
        for events in 0..=of {
            let (low, high) = wilson(events, of).unwrap();
            let share = events as f64 / of as f64;
            assert!(
                0.0 <= low && low <= share && share <= high && high <= 1.0,
                "{events} of {of}: {low} {high}"
            );
            assert!(low.is_sign_positive(), "{events} of {of}: the low limit is written with a sign");
            let (mirrored_low, mirrored_high) = wilson(of - events, of).unwrap();
            assert!((low + mirrored_high - 1.0).abs() < 1e-12 && (high + mirrored_low - 1.0).abs() < 1e-12);
        }
    }
    assert_eq!(wilson(0, 20).unwrap().0, 0.0);
    assert_eq!(wilson(20, 20).unwrap().1, 1.0);
}

fn day(d: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, d).unwrap()
}

fn requirement(id: &str, title: &str, activities: &[&str], kind: Kind) -> Requirement {
    let activities = activities.iter().map(|a| Code::new(a)).collect();
    Requirement { id: id.into(), title: title.into(), activities, kind, condition: None, steps: Vec::new() }
}

/// The ids and titles of the shipped protocol for adults, of which the intervals do not matter here.
fn rules() -> Rules {
    let every = |h| Kind::Every { target: Length::hours(h), limit: Length::hours(h) };
    let adult = vec![
        requirement("clean", "Clean the mouth", &["oral-cleansing", "tooth-brushing"], every(4)),
        requirement("brush", "Brush teeth, gums and tongue", &["tooth-brushing"], Kind::PerDay { times: 2 }),
        requirement("moisten", "Moisten lips and mouth", &["oral-moisturising"], every(4)),
        requirement("suction-assessment", "Check mouth and throat for secretions", &["a"], every(4)),
        requirement("suction-set", "Change the oral suction set", &["b"], every(24)),
        requirement("cuff-pressure", "Check the cuff pressure", &["c"], every(8)),
    ];
    let unused = vec![requirement("swab-session", "Swab", &["oral-cleansing"], every(4))];
    let protocol = |name: &str, requirements| Protocol {
        name: name.into(),
        version: "0.1.0".into(),
        title: name.into(),
        requirements,
    };
    let mut rules = Rules::standard(chrono_tz::Europe::Zurich);
    rules.protocols = vec![protocol("adult", adult), protocol("unused", unused)];
    rules.default_protocol = Some(0);
    let unit = Unit { name: Some("ICU <1> & \"2\"".into()), protocol: UnitProtocol::Default };
    rules.units.insert("icu".into(), unit);
    rules
}

fn key(unit: &str, d: u32, shift: &str, requirement: &str) -> CellKey {
    CellKey { unit: unit.into(), day: day(d), shift: shift.into(), requirement: requirement.into() }
}

fn cell(met: u32, missed: u32, excused: u32, late_charted: u32, minutes: [i64; 3]) -> Cell {
    let [at_risk, covered, unverified] = minutes.map(Length::minutes);
    Cell { met, missed, excused, late_charted, at_risk, covered, unverified }
}

/// Two units and one that is not known, three days; the fourth day is outside of the period.
fn tally() -> Tally {
    let mut tally = Tally::default();
    let cells = [
        (key("icu", 1, "day", "clean"), cell(50, 100, 3, 7, [720, 700, 0])),
        (key("icu", 1, "night", "clean"), cell(20, 60, 1, 2, [720, 601, 30])),
        (key("step", 2, "night", "clean"), cell(11, 20, 0, 0, [61, 60, 0])),
        (key("", 3, "day", "clean"), cell(0, 2, 0, 0, [10, 0, 0])),
        (key("icu", 1, "day", "brush"), cell(2, 0, 0, 0, [720, 720, 0])),
        (key("icu", 2, "day", "gone"), cell(1, 0, 0, 0, [60, 60, 0])),
        (key("icu", 4, "day", "clean"), cell(1000, 0, 0, 0, [720, 720, 0])),
    ];
    tally.cells.extend(cells);
    let requirements = |brush: (u32, u32)| [(Arc::from("brush"), brush), (Arc::from("clean"), (0, 1))].into();
    let days = [
        (("icu".into(), day(1)), DayCell { complete: 3, of: 4, requirements: requirements((4, 4)) }),
        (("step".into(), day(2)), DayCell { complete: 1, of: 2, requirements: requirements((0, 1)) }),
        (("icu".into(), day(4)), DayCell { complete: 100, of: 100, requirements: requirements((100, 100)) }),
    ];
    tally.days.extend(days);
    let census = [
        (("icu".into(), day(1)), CensusCell { patients: 9, ventilated: 6 }),
        (("icu".into(), day(2)), CensusCell { patients: 8, ventilated: 0 }),
        (("step".into(), day(2)), CensusCell { patients: 4, ventilated: 1 }),
    ];
    tally.census.extend(census);
    tally
}

fn now() -> Instant {
    Instant::from_micros(1_772_668_800_000_000)
}

/// The report, after it went through bytes as a client would see it.
fn report(id: &str, tally: &Tally, scope: &Scope) -> MeasureReport {
    let report = evaluate(id, tally, &rules(), (day(1), day(3)), scope, now()).unwrap();
    let bytes = report.write();
    let read: MeasureReport = parse(&bytes).unwrap_or_else(|e| panic!("{id}: {e:?}"));
    assert_eq!(validate(&read, &bytes), Vec::new());
    assert_eq!(read, report);
    read
}

fn count(group: &MeasureReportGroup, population: &str) -> i32 {
    let found = group.population.iter().find(|p| p.id.as_deref() == Some(population));
    found.unwrap_or_else(|| panic!("no {population}")).count.unwrap()
}

fn score(group: &MeasureReportGroup) -> Option<&str> {
    group.measure_score.as_ref().map(|s| s.value.as_ref().unwrap().as_str())
}

/// Text and counts of each stratum of a stratifier, in the order of its populations.
fn strata(group: &MeasureReportGroup, stratifier: &str) -> Vec<(String, Vec<i32>)> {
    let found = group.stratifier.iter().find(|s| s.id.as_deref() == Some(stratifier)).unwrap();
    let counts =
        |s: &MeasureReportGroupStratifierStratum| s.population.iter().map(|p| p.count.unwrap()).collect();
    found.stratum.iter().map(|s| (s.value.clone().unwrap().text.unwrap(), counts(s))).collect()
}

fn group<'a>(report: &'a MeasureReport, id: &str) -> &'a MeasureReportGroup {
    report.group.iter().find(|g| g.id.as_deref() == Some(id)).unwrap()
}

#[test]
fn timeliness_scores_met_of_met_and_missed_and_excepts_the_excused() {
    let report = report("timeliness", &tally(), &Scope::default());
    let clean = group(&report, "clean");
    assert_eq!(count(clean, "initial-population"), 81 + 182 + 4);
    assert_eq!(count(clean, "denominator"), 267);
    assert_eq!(count(clean, "denominator-exception"), 4);
    assert_eq!(count(clean, "numerator"), 81);
    // 81 of 263: a case of Newcombe's table, above
    assert_eq!(score(clean), Some("0.3080"));
    let interval = &clean.measure_score.as_ref().unwrap().extension[0];
    let limit = |i: usize| match interval.extension[i].value.as_deref() {
        Some(Value::Decimal(limit)) => limit.as_str().to_owned(),
        other => panic!("{other:?}"),
    };
    assert_eq!((limit(0), limit(1)), ("0.2553".to_owned(), "0.3662".to_owned()));
    let late = clean.population.iter().find(|p| p.id.as_deref() == Some("numerator")).unwrap();
    assert_eq!(late.extension[0].value.as_deref(), Some(&Value::UnsignedInt(9)));
}

#[test]
fn strata_add_up_to_their_group() {
    let report = report("timeliness", &tally(), &Scope::default());
    let clean = group(&report, "clean");
    let by_unit = strata(clean, "unit");
    let expected = [
        ("unit not known", vec![2, 2, 0, 0]),
        ("ICU <1> & \"2\"", vec![234, 234, 4, 70]),
        ("step", vec![31, 31, 0, 11]),
    ];
    assert_eq!(by_unit, expected.map(|(text, counts)| (text.to_owned(), counts)));
    let by_shift = strata(clean, "shift");
    assert_eq!(
        by_shift,
        [("day".to_owned(), vec![155, 155, 3, 50]), ("night".to_owned(), vec![112, 112, 1, 31])]
    );
    for strata in [by_unit, by_shift] {
        for (index, population) in clean.population.iter().enumerate() {
            assert_eq!(
                strata.iter().map(|(_, counts)| counts[index]).sum::<i32>(),
                population.count.unwrap()
            );
        }
    }
}

#[test]
fn a_requirement_without_opportunities_has_a_group_and_no_score() {
    let report = report("timeliness", &tally(), &Scope::default());
    let moisten = group(&report, "moisten");
    assert_eq!(count(moisten, "denominator"), 0);
    assert_eq!(moisten.measure_score, None);
    assert_eq!(strata(moisten, "unit"), []);
}

#[test]
fn a_requirement_that_only_the_tally_knows_is_reported_last() {
    let report = report("timeliness", &tally(), &Scope::default());
    assert_eq!(report.group.last().unwrap().id.as_deref(), Some("gone"));
    assert!(
        !report.group.iter().any(|g| g.id.as_deref() == Some("swab-session")),
        "no unit uses that protocol"
    );
}

#[test]
fn hours_are_scored_exactly_and_counted_in_whole_minutes() {
    let mut tally = tally();
    let clean = tally.cells.get_mut(&key("icu", 1, "day", "clean")).unwrap();
    clean.covered = clean.covered - Length::seconds(30);
    let report = report("hours-covered", &tally, &Scope::default());
    let clean = group(&report, "clean");
    assert_eq!(count(clean, "denominator"), 720 + 720 + 61 + 10);
    assert_eq!(count(clean, "numerator"), 1360);
    // 1360.5 of 1511 minutes
    assert_eq!(score(clean), Some("0.9004"));
    assert_eq!(clean.measure_score.as_ref().unwrap().extension, []);
    let hours = |extension: &fhir_models::datatypes::Extension| match extension.value.as_deref() {
        Some(Value::Duration(hours)) => hours.value.as_ref().unwrap().as_str().to_owned(),
        other => panic!("{other:?}"),
    };
    assert_eq!(hours(&clean.extension[0]), "0.500");
    assert_eq!(
        clean.population.iter().map(|p| hours(&p.extension[0])).collect::<Vec<_>>(),
        ["25.183", "25.183", "22.675"]
    );
}

#[test]
fn daily_brushing_counts_the_days_of_requirements_that_only_brushing_credits() {
    let report = report("daily-brushing", &tally(), &Scope::default());
    assert_eq!(report.group.iter().map(|g| g.id.as_deref().unwrap()).collect::<Vec<_>>(), ["brush"]);
    let brush = group(&report, "brush");
    assert_eq!((count(brush, "numerator"), count(brush, "denominator")), (4, 5));
    assert_eq!(score(brush), Some("0.8000"));
}

/// IHI on all-or-none scoring: of 7 ventilated patients 6 had everything done, which is 86 percent.
#[test]
fn complete_day_is_all_or_none() {
    let mut tally = tally();
    tally.days.clear();
    tally.days.insert(("icu".into(), day(2)), DayCell { complete: 6, of: 7, ..DayCell::default() });
    let found = report("complete-day", &tally, &Scope::default());
    assert_eq!(score(&found.group[0]), Some("0.8571"));
    assert_eq!(strata(&found.group[0], "unit"), [("ICU <1> & \"2\"".to_owned(), vec![7, 7, 6])]);
}

/// Device utilisation as published for three kinds of location, NHSN 2013 report (PMC4653815, table 6): ventilator
/// days, patient days, ratio to two places.
#[test]
fn ventilator_days_give_the_published_utilisation() {
    for (ventilated, patients, published) in
        [(24_996, 64_795, "0.39"), (5_259, 15_821, "0.33"), (100_643, 271_458, "0.37")]
    {
        let mut tally = Tally::default();
        tally.census.insert(("icu".into(), day(1)), CensusCell { patients, ventilated });
        let report = report("ventilator-days", &tally, &Scope::default());
        let ratio: f64 = score(&report.group[0]).unwrap().parse().unwrap();
        assert_eq!(format!("{ratio:.2}"), published);
    }
}

#[test]
fn a_rounded_score_is_1_only_if_nothing_was_missed_and_0_only_if_nothing_was_met() {
    for (met, missed, shown) in
        [(99_999, 1, "0.9999"), (1, 99_999, "0.0001"), (1, 0, "1.0000"), (0, 1, "0.0000"), (2, 1, "0.6667")]
    {
        let mut tally = Tally::default();
        tally.cells.insert(key("icu", 1, "day", "clean"), cell(met, missed, 0, 0, [0; 3]));
        let report = report("timeliness", &tally, &Scope::default());
        assert_eq!(score(group(&report, "clean")), Some(shown));
    }
}

#[test]
fn a_report_says_its_period_zone_time_freshness_and_basis() {
    let heard = Instant::from_micros(now().micros() - 3_600_000_000);
    let scope = Scope { unit: Some("icu".into()), heard_until: Some(heard), patient: None };
    let text = String::from_utf8(report("timeliness", &tally(), &scope).write()).unwrap();
    for said in [
        "\"measure\":\"https://terce.example/fhir/Measure/timeliness|0.1.0\"",
        "\"type\":\"summary\"",
        "\"start\":\"2026-03-01\"",
        "\"end\":\"2026-03-03\"",
        "\"valueCode\":\"Europe/Zurich\"",
        "\"date\":\"2026-03-05T01:00:00+01:00\"",
        "\"valueDateTime\":\"2026-03-05T00:00:00+01:00\"",
        "Charted care is not the same as care that was done",
        "\"valueString\":\"adult 0.1.0\"",
        "\"reference\":\"Location/icu\"",
        "ICU &lt;1&gt; &amp; &quot;2&quot;",
    ] {
        assert!(text.contains(said), "{said} is not in {text}");
    }
    assert!(!text.contains("\"step\""), "only the unit that was asked for");
}

#[test]
fn a_report_on_one_patient_is_individual() {
    let scope = Scope { patient: Some("p1".into()), unit: Some("icu".into()), heard_until: None };
    let report = report("complete-day", &tally(), &scope);
    assert_eq!(report.r#type, Some(fhir_models::codes::MeasureReportType::Individual));
    assert_eq!(report.subject.unwrap().reference.as_deref(), Some("Patient/p1"));
    assert!(report.extension.iter().any(|e| e.url.ends_with("/unit")));
}

#[test]
fn every_measure_is_complete_and_its_report_has_the_same_groups_populations_and_stratifiers() {
    for id in MEASURES {
        let measure = measure(id, &rules()).unwrap();
        assert_eq!(measure.id.as_deref(), Some(id));
        assert_eq!(measure.url, Some(format!("https://terce.example/fhir/Measure/{id}")));
        let texts =
            [&measure.version, &measure.title, &measure.description, &measure.rationale, &measure.guidance];
        assert!(texts.iter().all(|t| t.is_some()) && !measure.definition.is_empty(), "{id}");
        assert!(measure.scoring.is_some() && measure.improvement_notation.is_some(), "{id}");
        assert!(measure.extension.iter().any(|e| e.url.ends_with("/cqfm-populationBasis")), "{id}");
        let known: Vec<CellKey> = tally().cells.into_keys().filter(|k| &*k.requirement != "gone").collect();
        let mut tally = tally();
        tally.cells.retain(|k, _| known.contains(k));
        let report = report(id, &tally, &Scope::default());
        assert_eq!(report.improvement_notation, measure.improvement_notation);
        assert_eq!(report.group.len(), measure.group.len());
        for (reported, defined) in report.group.iter().zip(&measure.group) {
            same(id, reported, defined);
        }
    }
    assert_eq!(measure("unknown", &rules()), None);
}

fn same(id: &str, reported: &MeasureReportGroup, defined: &MeasureGroup) {
    assert!(defined.id.is_some() && defined.code.is_some());
    assert_eq!((&reported.id, &reported.code), (&defined.id, &defined.code));
    let populations: Vec<_> = defined.population.iter().map(|p| (p.id.clone(), p.code.clone())).collect();
    assert_eq!(
        reported.population.iter().map(|p| (p.id.clone(), p.code.clone())).collect::<Vec<_>>(),
        populations
    );
    assert!(reported.population.iter().all(|p| p.count.is_some()), "{id}: a population that nothing counts");
    let stratifiers: Vec<_> = defined.stratifier.iter().map(|s| (s.id.clone(), s.code.clone())).collect();
    let found = reported.stratifier.iter().map(|s| (s.id.clone(), s.code.first().cloned()));
    assert_eq!(found.collect::<Vec<_>>(), stratifiers);
    for stratum in reported.stratifier.iter().flat_map(|s| &s.stratum) {
        let inside: Vec<_> = stratum.population.iter().map(|p| (p.id.clone(), p.code.clone())).collect();
        assert_eq!(inside, populations);
    }
}

/// What a client reads before it has a site's rules is what the site with the shipped protocol answers with.
#[test]
fn the_shipped_measures_are_those_of_the_shipped_protocol() {
    for id in MEASURES {
        let path = format!("{}/src/translate/shipped/Measure-{id}.json", env!("CARGO_MANIFEST_DIR"));
        let bytes = std::fs::read(path).unwrap();
        let shipped: Measure = parse(&bytes).unwrap_or_else(|e| panic!("{id}: {e:?}"));
        assert_eq!(validate(&shipped, &bytes), Vec::new());
        assert_eq!(measure(id, &rules()), Some(shipped), "{id}");
    }
}

#[test]
fn the_census_time_is_said() {
    let mut rules = rules();
    rules.census_at = NaiveTime::from_hms_opt(8, 0, 0).unwrap();
    let report =
        evaluate("ventilator-days", &tally(), &rules, (day(1), day(3)), &Scope::default(), now()).unwrap();
    assert!(String::from_utf8(report.write()).unwrap().contains("\"valueTime\":\"08:00:00\""));
}
