//! The measures of ventilator-associated events.

use fhir_models::Resource;
use terce::care::surveillance::CAUTION;
use terce::care::surveillance::denominators::Watched;
use terce::care::tally::{CensusCell, Tally};
use terce::translate::measures::{Scope, rows};

use super::reports::{count, day, report, score, strata};

/// So many events, and those with signs of infection, in so many ventilator days of one unit.
fn events(events: u32, infected: u32, ventilated: u32) -> Tally {
    let mut tally = Tally::default();
    let census = CensusCell { patients: ventilated + 40, ventilated };
    tally.census.insert(("icu".into(), day(1)), census);
    let found = Watched { events, infected, ..Watched::default() };
    tally.watched.insert(("icu".into(), day(2)), found);
    tally
}

fn limits(report: &fhir_models::MeasureReport) -> serde_json::Value {
    let written: serde_json::Value = serde_json::from_slice(&report.write()).unwrap();
    written["group"][0]["measureScore"].clone()
}

/// Mid-P limits of a count of 5 are 1.832 and 11.08, of 2 are 0.335 and 6.61 (as printed by tables and calculators of
/// epidemiology; from memory, and recomputed by tests/outside/statistics).
#[test]
fn conditions_and_those_with_signs_of_infection_are_rates_for_1000_ventilator_days() {
    let tally = events(5, 2, 1_600);
    let all = report("ventilator-associated-conditions", &tally, &Scope::default());
    assert_eq!((count(&all.group[0], "denominator"), count(&all.group[0], "numerator")), (1_600, 5));
    assert_eq!(score(&all.group[0]), Some("3.1250"));
    let quantity = limits(&all);
    assert_eq!(quantity["code"], "10*-3/d");
    let parts = quantity["extension"][0]["extension"].as_array().unwrap();
    let limit = |name: &str| {
        let part = parts.iter().find(|p| p["url"] == name).unwrap();
        part["valueDecimal"].as_f64().unwrap() * 1.6
    };
    assert!((limit("low") - 1.832).abs() < 1e-3 && (limit("high") - 11.08).abs() < 5e-3, "{parts:?}");
    assert!(parts.iter().any(|p| p["url"] == "method" && p["valueCode"] == "mid-p"));

    let infected = report("infection-related-conditions", &tally, &Scope::default());
    assert_eq!(count(&infected.group[0], "numerator"), 2);
    assert_eq!(score(&infected.group[0]), Some("1.2500"));
}

#[test]
fn without_events_the_rate_is_0_with_an_upper_limit_and_without_days_there_is_none() {
    let none = report("ventilator-associated-conditions", &events(0, 0, 1_000), &Scope::default());
    assert_eq!(score(&none.group[0]), Some("0.0000"));
    // the mid-P limit of no event is the natural logarithm of 20
    assert_eq!(limits(&none)["extension"][0]["extension"][1]["valueDecimal"], 2.9957);
    let nobody = report("ventilator-associated-conditions", &Tally::default(), &Scope::default());
    assert_eq!((score(&nobody.group[0]), count(&nobody.group[0], "denominator")), (None, 0));
}

/// The event of one unit may be of a patient who was counted in another since.
#[test]
fn events_and_days_are_told_by_unit_and_kind_of_day() {
    let mut tally = events(3, 1, 700);
    tally.watched.insert(("step".into(), day(3)), Watched { events: 1, ..Watched::default() });
    let found = report("ventilator-associated-conditions", &tally, &Scope::default());
    let units = [("ICU <1> & \"2\"", vec![700, 700, 3]), ("step", vec![0, 0, 1])];
    assert_eq!(strata(&found.group[0], "unit"), units.map(|(unit, counts)| (unit.to_owned(), counts)));
    let step = &found.group[0].stratifier[0].stratum[1];
    assert_eq!(step.measure_score, None, "an event in no ventilator day is no rate");
    // 1 March 2026 is a Sunday: the days are of the weekend, the events of weekdays
    let kinds = [("weekday", vec![0, 0, 4]), ("weekend", vec![700, 700, 0])];
    assert_eq!(strata(&found.group[0], "day-kind"), kinds.map(|(kind, counts)| (kind.to_owned(), counts)));
}

#[test]
fn a_report_of_events_says_that_it_is_a_screening_aid_and_what_is_not_in_it() {
    let scope = Scope { unsurveyed: 7, ..Scope::default() };
    let found = report("ventilator-associated-conditions", &events(1, 1, 100), &scope);
    let written = String::from_utf8(found.write()).unwrap();
    assert!(found.extension.iter().any(|e| e.url.ends_with("/caution")));
    assert!(written.contains("\"valueUnsignedInt\":7"));
    let text = found.text.as_ref().unwrap();
    let said = serde_json::to_string(text).unwrap();
    assert!(said.contains(CAUTION), "{said}");
    assert!(rows(&found).iter().all(|row| row.iter().any(|cell| cell == CAUTION)));
    for causal in ["caused by", "because of care", "due to missed", "led to", "prevented by"] {
        assert!(!written.contains(causal), "{causal}");
    }
}
