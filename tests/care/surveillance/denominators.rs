//! Daily counts and what is made of them: columns as on CDC forms 57.116 and 57.118.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;
use terce::care::facts::{Facts, UnitSpan};
use terce::care::ledger::Feed;
use terce::care::protocol::Rules;
use terce::care::reconcile::reconcile;
use terce::care::surveillance::charted::{Charting, Mode};
use terce::care::surveillance::denominators::{Denominators, Watched, denominators, watched};
use terce::care::surveillance::survey;
use terce::care::tally::{CensusCell, Tally};

use super::{Table, ZONE, at, facts, mv, source, table, ventilated};

/// Counted at midnight of the days 2 to 8.
fn counted(stays: &[Table]) -> Tally {
    let rules = Rules::standard(ZONE);
    let mut tally = Tally::default();
    for stay in stays {
        let now = at(8, 60);
        let ledger = reconcile(&stay.facts, &rules, Feed::unwatched(), now);
        let survey = survey(&stay.charting, &stay.facts, &rules, now);
        tally.add(&ledger);
        tally.add_watched(&watched(&survey, &stay.charting, &ledger.census, &rules));
    }
    tally
}

fn in_unit(mut facts: Facts, unit: &str, from: u32) -> Table {
    facts.begins = Some(at(from, 60));
    facts.units = vec![UnitSpan { unit: unit.into(), from: at(from, 60), to: None, source: source("unit") }];
    Table { charting: Charting::default(), facts, now: at(8, 60) }
}

#[test]
fn patients_and_ventilators_are_counted_at_the_same_time_each_day() {
    let tally = counted(&[
        in_unit(facts(vec![ventilated(1, 3)]), "a", 1),
        in_unit(facts(vec![]), "a", 4),
        in_unit(facts(vec![ventilated(2, 9)]), "b", 2),
    ]);
    let all = denominators(&tally, mv(1), mv(8), None);
    // midnights of days 2 to 8, 5 to 8, 3 to 8; ventilated at those of days 2 and 3, and of 3 to 8
    assert_eq!((all.patient_days, all.ventilator_days), (7 + 4 + 6, 2 + 6));
    let unit = denominators(&tally, mv(1), mv(8), Some("a"));
    assert_eq!((unit.patient_days, unit.ventilator_days), (11, 2));
    assert_eq!(unit.utilisation(), Some(2.0 / 11.0));
}

#[test]
fn episodes_are_those_at_the_first_count_and_those_that_begin_later() {
    let again = in_unit(facts(vec![ventilated(1, 2), ventilated(5, 6)]), "a", 1);
    let through = in_unit(facts(vec![ventilated(1, 9)]), "a", 1);
    // off for less than a calendar day: the same episode, though not on at one count
    let mut first = ventilated(1, 3);
    first.to = Some(terce::care::facts::When::At(at(3, 1380)));
    let mut second = ventilated(4, 9);
    second.from = terce::care::facts::When::At(at(4, 120));
    let paused = in_unit(facts(vec![first, second]), "a", 1);
    let tally = counted(&[again, through, paused]);
    assert_eq!(denominators(&tally, mv(2), mv(8), None).episodes, 4);
    // of a period that begins later everybody on a ventilator at its first count is one
    assert_eq!(denominators(&tally, mv(3), mv(8), None).episodes, 3);
    assert_eq!(denominators(&tally, mv(6), mv(8), None).episodes, 3);
}

#[test]
fn pressure_release_is_counted_among_the_ventilated() {
    let stay = in_unit(facts(vec![ventilated(1, 9)]), "a", 1).row(3, 600, Mode::PressureRelease).row(
        5,
        600,
        Mode::Conventional,
    );
    let found = denominators(&counted(&[stay]), mv(1), mv(8), None);
    assert_eq!((found.ventilator_days, found.pressure_release_days), (7, 2));
}

#[test]
fn events_are_counted_at_their_date_and_add_up() {
    let mut stay = table(&[5, 5, 8, 8], &[]);
    stay.facts.ends = None;
    let tally = counted(&[stay.clone(), stay]);
    let expected: BTreeMap<(Arc<str>, NaiveDate), Watched> = [
        (("".into(), mv(1)), Watched { begun: 2, ..Watched::default() }),
        (("".into(), mv(3)), Watched { events: 2, ..Watched::default() }),
    ]
    .into();
    assert_eq!(tally.watched, expected);
    let mut twice = tally.clone();
    twice.merge(&tally);
    assert_eq!(denominators(&twice, mv(1), mv(8), None).events, 4);
    assert_eq!(tally.of(mv(3), mv(3), None).watched.len(), 1);
}

/// NHSN's report for 2013 (PMC4653815, table 6): utilisation; He et al. 2021 (PMC7851639): events for 1000 ventilator
/// days.
#[test]
fn ratios_are_the_published_ones() {
    for (days, patients, printed) in [(24_996, 64_795, 0.39), (5_259, 15_821, 0.33), (100_643, 271_458, 0.37)]
    {
        let mut tally = Tally::default();
        tally.census.insert(("".into(), mv(1)), CensusCell { patients, ventilated: days });
        let ratio = denominators(&tally, mv(1), mv(1), None).utilisation().unwrap();
        assert!((ratio - printed).abs() < 0.005, "{ratio}");
    }
    let he =
        Denominators { ventilator_days: 112_697, events: 1882, infected: 721, ..Denominators::default() };
    assert!((he.events_per_1000().unwrap().value - 16.7).abs() < 0.05);
    assert!((he.infected_per_1000().unwrap().value - 6.4).abs() < 0.05);
    let none = Denominators::default();
    assert_eq!((none.utilisation(), none.events_per_1000()), (None, None));
}
