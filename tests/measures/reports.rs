//! The reports of the measures over a tally made by hand.

use std::sync::Arc;

use chrono::{NaiveDate, NaiveTime};
use fhir_models::datatypes::Value;
use fhir_models::measure::MeasureGroup;
use fhir_models::measure_report::{MeasureReportGroup, MeasureReportGroupStratifierStratum};
use fhir_models::{Measure, MeasureReport, Resource, parse, validate};
use terce::care::delays::Delays;
use terce::care::facts::Code;
use terce::care::ledger::{Cell, CellKey};
use terce::care::protocol::{Kind, Protocol, Requirement, Rules, Unit, UnitProtocol};
use terce::care::tally::{CensusCell, DayCell, Tally};
use terce::care::time::{Instant, Length};
use terce::care::totals::Totals;
use terce::translate::measures::{MEASURES, Scope, Whom, evaluate, measure};

pub(super) fn day(d: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, d).unwrap()
}

fn requirement(id: &str, title: &str, activities: &[&str], kind: Kind) -> Requirement {
    let activities = activities.iter().map(|a| Code::new(a)).collect();
    Requirement { id: id.into(), title: title.into(), activities, kind, condition: None, steps: Vec::new() }
}

/// The ids and titles of the shipped protocol for adults, of which the intervals do not matter here.
pub(super) fn rules() -> Rules {
    let every = |h| Kind::Every { target: Length::hours(h), limit: Length::hours(h) };
    let after = Kind::After { requirement: 0, within: Length::minutes(30) };
    let adult = vec![
        requirement("clean", "Clean the mouth", &["oral-cleansing", "tooth-brushing"], every(4)),
        requirement("brush", "Brush teeth, gums and tongue", &["tooth-brushing"], Kind::PerDay { times: 2 }),
        requirement("moisten", "Moisten lips and mouth", &["oral-moisturising"], after),
        requirement(
            "suction-assessment",
            "Check mouth and throat for secretions",
            &["oropharyngeal-suction-assessment"],
            every(4),
        ),
        requirement("suction-set", "Change the oral suction set", &["suction-set-change"], every(24)),
        requirement("cuff-pressure", "Check the cuff pressure", &["cuff-pressure-check"], every(8)),
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

pub(super) fn key(unit: &str, d: u32, shift: &str, requirement: &str) -> CellKey {
    CellKey { unit: unit.into(), day: day(d), shift: shift.into(), requirement: requirement.into() }
}

pub(super) fn cell(met: u32, missed: u32, excused: u32, late_charted: u32, minutes: [i64; 3]) -> Cell {
    let [at_risk, covered, unverified] = minutes.map(Length::minutes);
    Cell { met, missed, excused, late_charted, at_risk, covered, unverified }
}

/// Two units and one that is not known, three days; the fourth day is outside of the period.
pub(super) fn tally() -> Tally {
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

pub(super) fn now() -> Instant {
    Instant::from_micros(1_772_668_800_000_000)
}

/// The report, after it went through bytes as a client would see it.
pub(super) fn report(id: &str, tally: &Tally, scope: &Scope) -> MeasureReport {
    let units = scope.unit.as_deref().map(|unit| [Arc::from(unit)]);
    let totals = Totals::of(tally, day(1), day(3), units.as_ref().map(<[Arc<str>; 1]>::as_slice));
    let report = evaluate(id, &totals, &rules(), (day(1), day(3)), scope, now()).unwrap();
    let bytes = report.write();
    let read: MeasureReport = parse(&bytes).unwrap_or_else(|e| panic!("{id}: {e:?}"));
    assert_eq!(validate(&read, &bytes), Vec::new());
    assert_eq!(read, report);
    read
}

pub(super) fn count(group: &MeasureReportGroup, population: &str) -> i32 {
    let found = group.population.iter().find(|p| p.id.as_deref() == Some(population));
    found.unwrap_or_else(|| panic!("no {population}")).count.unwrap()
}

pub(super) fn score(group: &MeasureReportGroup) -> Option<&str> {
    group.measure_score.as_ref().map(|s| s.value.as_ref().unwrap().as_str())
}

/// Text and counts of each stratum of a stratifier, in the order of its populations.
pub(super) fn strata(group: &MeasureReportGroup, stratifier: &str) -> Vec<(String, Vec<i32>)> {
    let found = group.stratifier.iter().find(|s| s.id.as_deref() == Some(stratifier)).unwrap();
    let counts =
        |s: &MeasureReportGroupStratifierStratum| s.population.iter().map(|p| p.count.unwrap()).collect();
    found.stratum.iter().map(|s| (s.value.clone().unwrap().text.unwrap(), counts(s))).collect()
}

pub(super) fn group<'a>(report: &'a MeasureReport, id: &str) -> &'a MeasureReportGroup {
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
        let report = report("device-utilisation", &tally, &Scope::default());
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
    let scope = Scope {
        whom: Whom::Location("icu".into()),
        unit: Some("icu".into()),
        heard_until: Some(heard),
        ..Scope::default()
    };
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
    let scope = Scope { whom: Whom::Patient("p1".into()), unit: Some("icu".into()), ..Scope::default() };
    let report = report("complete-day", &tally(), &scope);
    assert_eq!(report.r#type, Some(fhir_models::codes::MeasureReportType::Individual));
    assert_eq!(report.subject.unwrap().reference.as_deref(), Some("Patient/p1"));
    assert!(report.extension.iter().any(|e| e.url.ends_with("/unit")));
}

#[test]
fn every_measure_is_complete_and_its_report_has_the_same_groups_populations_and_stratifiers() {
    for id in MEASURES.iter().copied() {
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
    let totals = Totals::of(&tally(), day(1), day(3), None);
    let report =
        evaluate("ventilator-days", &totals, &rules, (day(1), day(3)), &Scope::default(), now()).unwrap();
    assert!(String::from_utf8(report.write()).unwrap().contains("\"valueTime\":\"08:00:00\""));
}

/// 1 and 2 March 2026 are a Sunday and a Monday.
#[test]
fn weekdays_and_weekends_are_told_apart_by_the_local_day() {
    let report = report("timeliness", &tally(), &Scope::default());
    let clean = group(&report, "clean");
    assert_eq!(
        strata(clean, "day-kind"),
        [("weekday".to_owned(), vec![33, 33, 0, 11]), ("weekend".to_owned(), vec![234, 234, 4, 70])]
    );
}

#[test]
fn unverified_hours_are_a_share_of_all_time_at_risk() {
    let report = report("unverified-hours", &tally(), &Scope::default());
    let clean = group(&report, "clean");
    assert_eq!((count(clean, "denominator"), count(clean, "numerator")), (1511 + 30, 30));
    assert_eq!(score(clean), Some("0.0195"));
}

#[test]
fn only_what_follows_cleaning_and_only_checks_are_in_their_measures() {
    let ids = |id: &str| -> Vec<String> {
        report(id, &tally(), &Scope::default()).group.into_iter().map(|g| g.id.unwrap()).collect()
    };
    assert_eq!(ids("moistening-after-cleaning"), ["moisten"]);
    assert_eq!(ids("equipment-checks"), ["suction-assessment", "suction-set", "cuff-pressure"]);
}

#[test]
fn charting_delay_is_the_share_within_the_allowance_with_median_and_ninetieth_percentile() {
    let mut tally = tally();
    let delays = tally.delays.entry(("icu".into(), day(1), "day".into())).or_default();
    for (minutes, many) in [(0, 20), (4, 25), (29, 3), (61, 2), (200, 2)] {
        delays.count(Length::minutes(minutes), many);
    }
    let report = report("charting-delay", &tally, &Scope::default());
    let whole = &report.group[0];
    // met: clean 50 + 20 + 11, brush 2, gone 1; late 9
    assert_eq!((count(whole, "denominator"), count(whole, "numerator")), (84, 75));
    assert_eq!(score(whole), Some("0.8929"));
    let minutes = |extension: &fhir_models::datatypes::Extension| match extension.value.as_deref() {
        Some(Value::Duration(length)) => length.value.as_ref().unwrap().as_str().to_owned(),
        other => panic!("{other:?}"),
    };
    assert_eq!(whole.extension.iter().map(minutes).collect::<Vec<_>>(), ["4", "29"]);
    let by_requirement = strata(whole, "requirement");
    assert_eq!(by_requirement[0], ("Brush teeth, gums and tongue".to_owned(), vec![2, 2, 2]));
    assert_eq!(by_requirement[1], ("Clean the mouth".to_owned(), vec![81, 81, 72]));
}

/// The nearest rank, against the sorted list itself.
#[test]
fn percentiles_of_delays_are_those_of_the_sorted_list() {
    let mut seed = 1_u64;
    for size in 1..200_usize {
        let mut delays = Delays::default();
        let mut all: Vec<i64> = Vec::new();
        for _ in 0..size {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let minutes = i64::try_from((seed >> 33) % 121).unwrap();
            all.push(minutes);
            delays.count(Length::minutes(minutes), 1);
        }
        all.sort_unstable();
        for percent in [50, 90, 100] {
            let rank = (size * percent).div_ceil(100).max(1);
            let found = delays.percentile(percent.try_into().unwrap()).unwrap();
            assert_eq!(found, Length::minutes(all[rank - 1]), "{percent} % of {size}");
        }
    }
    assert_eq!(Delays::default().percentile(50), None);
    let mut late = Delays::default();
    late.count(Length::minutes(121), 1);
    assert_eq!(late.percentile(50), Some(Length::minutes(135)), "beyond two hours to a quarter of an hour");
    late.count(Length::hours(1000), 2);
    assert_eq!(late.percentile(90), Some(Length::hours(72)), "beyond three days not at all");
}

#[test]
fn a_cohort_counts_and_has_no_score() {
    let report = report("ventilator-days", &tally(), &Scope::default());
    assert_eq!((count(&report.group[0], "initial-population"), score(&report.group[0])), (7, None));
    let days = strata(&report.group[0], "unit");
    assert_eq!(days, [("ICU <1> & \"2\"".to_owned(), vec![6]), ("step".to_owned(), vec![1])]);
}

/// Each requirement's days stand beside the whole: the strata say which of them breaks the day.
#[test]
fn complete_days_are_told_for_each_requirement() {
    let report = report("complete-day", &tally(), &Scope::default());
    assert_eq!(
        strata(&report.group[0], "requirement"),
        [
            ("Brush teeth, gums and tongue".to_owned(), vec![5, 5, 4]),
            ("Clean the mouth".to_owned(), vec![2, 2, 0])
        ]
    );
}

#[test]
fn an_organization_reports_and_is_not_the_subject() {
    let scope = Scope { whom: Whom::Organization("hospital".into()), ..Scope::default() };
    let report = report("timeliness", &tally(), &scope);
    assert_eq!(report.subject, None);
    assert_eq!(report.reporter.unwrap().reference.as_deref(), Some("Organization/hospital"));
}
