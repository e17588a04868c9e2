//! The lowest setting of a day. The examples of the evening of intubation are from memory of CDC NHSN's protocol; the
//! others were derived from its rule.

use terce::care::protocol::Rules;
use terce::care::surveillance::charted::Charting;
use terce::care::surveillance::days::{Basis, Minimum};
use terce::care::surveillance::survey;

use super::{ZONE, at, facts, reading, ventilated};

/// What FiO2, in percent, charted so many minutes apart from 18:00 on comes to.
fn oxygen(every: i64, percent: &[i64]) -> Minimum {
    let readings = percent.iter().zip(0..).map(|(value, i)| reading(at(1, 1080 + i * every), value * 100));
    let charting = Charting { fio2: readings.collect(), ..Charting::default() };
    let survey = survey(&charting, &facts(vec![ventilated(1, 1)]), &Rules::standard(ZONE), at(3, 0));
    survey.days[0].fio2.clone().unwrap()
}

#[track_caller]
fn is(found: Minimum, percent: i64, basis: Basis, readings: usize) {
    assert_eq!((found.value, found.basis, found.sources.len()), (percent * 100, basis, readings));
}

#[test]
fn intubated_at_18_00_and_charted_hourly() {
    is(oxygen(60, &[100, 80, 50, 50, 80, 80]), 50, Basis::Held, 2);
    let peep = [10, 8, 5, 5, 8, 8].into_iter().zip(18..).map(|(p, h)| reading(at(1, h * 60), p * 100));
    let charting = Charting { peep: peep.collect(), ..Charting::default() };
    let survey = survey(&charting, &facts(vec![ventilated(1, 1)]), &Rules::standard(ZONE), at(3, 0));
    assert_eq!(survey.days[0].peep.as_ref().unwrap().value, 500);
}

#[test]
fn a_level_must_be_held_for_an_hour() {
    is(oxygen(60, &[80, 60, 40, 60, 60]), 60, Basis::Held, 2);
    is(oxygen(30, &[60, 40, 40, 60, 60, 60]), 60, Basis::Held, 3);
    is(oxygen(30, &[60, 40, 40, 40, 60, 60]), 40, Basis::Held, 3);
    is(oxygen(15, &[60, 60, 60, 60, 60, 40, 40, 40, 40, 60]), 60, Basis::Held, 5);
    is(oxygen(15, &[60, 60, 60, 60, 60, 40, 40, 40, 40, 40]), 40, Basis::Held, 5);
}

#[test]
fn where_no_level_is_held_the_lowest_counts() {
    is(oxygen(60, &[80, 60, 40, 50, 70]), 40, Basis::Lowest, 1);
    is(oxygen(15, &[60, 60, 50, 50]), 50, Basis::Lowest, 2);
    is(oxygen(60, &[60]), 60, Basis::Lowest, 1);
}

#[test]
fn where_charting_is_less_than_hourly_the_lowest_counts() {
    is(oxygen(120, &[60, 40, 60]), 40, Basis::Lowest, 1);
    is(oxygen(120, &[60, 60, 50]), 50, Basis::Lowest, 1);
    // hourly with a nurse who is a little late
    is(oxygen(70, &[60, 60, 40, 60, 60]), 60, Basis::Held, 2);
}

#[test]
fn what_was_charted_off_the_ventilator_does_not_count() {
    let mut on = ventilated(1, 1);
    on.to = Some(terce::care::facts::When::At(at(1, 600)));
    let readings = [reading(at(1, 300), 5_000), reading(at(1, 600), 4_000), reading(at(1, 601), 2_100)];
    let charting = Charting { fio2: readings.to_vec(), ..Charting::default() };
    let survey = survey(&charting, &facts(vec![on]), &Rules::standard(ZONE), at(3, 0));
    assert_eq!(survey.days[0].fio2.as_ref().unwrap().value, 4_000, "charted as it was taken off");
}
