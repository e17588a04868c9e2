//! Tables of days and what the protocol makes of them. Thresholds and the two days of each kind are as published
//! (PMC5721221, table 1); with which day is compared, the floor of PEEP, the fourteen days and the window are from memory of
//! CDC NHSN's protocol. The tables were derived from these rules by hand.

use terce::care::surveillance::charted::{Mode, ModeSpan};
use terce::care::surveillance::events::Setting;
use terce::care::surveillance::infection::Infection;
use terce::care::time::Length;

use super::{Table, at, facts, mv, source, table, ventilated};

#[test]
fn a_rise_after_two_stable_days_that_stays_two_days_is_an_event() {
    assert_eq!(table(&[5, 5, 8, 8], &[]).events(), [3]);
    assert_eq!(table(&[], &[40, 40, 60, 60]).events(), [3]);
    assert_eq!(table(&[7, 5, 10, 10], &[]).events(), [3], "falling is stable enough");
}

#[test]
fn peep_up_to_5_counts_as_5() {
    assert_eq!(table(&[0, 3, 6, 7], &[]).events(), [] as [u32; 0]);
    assert_eq!(table(&[0, 5, 8, 8], &[]).events(), [3]);
}

#[test]
fn both_days_of_worsening_are_compared_with_the_first_stable_day() {
    assert_eq!(table(&[8, 8, 11, 10], &[]).events(), [] as [u32; 0]);
    assert_eq!(table(&[10, 8, 11, 11], &[]).events(), [] as [u32; 0]);
    assert_eq!(table(&[], &[40, 30, 50, 60]).events(), [] as [u32; 0]);
    assert_eq!(table(&[5, 6, 9, 9], &[]).events(), [] as [u32; 0], "a rise in between is not stable");
}

#[test]
fn one_setting_must_worsen_on_both_days() {
    assert_eq!(table(&[5, 5, 8, 5], &[40, 40, 40, 60]).events(), [] as [u32; 0]);
    let both = table(&[5, 5, 8, 8], &[40, 40, 60, 60]).survey();
    assert_eq!(both.events[0].by, [Setting::Peep, Setting::Fio2]);
}

#[test]
fn a_fifth_is_a_fifth_whatever_floating_point_makes_of_it() {
    // 0.60 - 0.40 is 0.19999999999999996 in floating point
    assert_eq!(table(&[], &[40, 40, 60, 60]).events(), [3]);
    assert_eq!(table(&[], &[35, 35, 55, 55]).events(), [3]);
    let mut less = table(&[], &[40, 40, 60, 60]);
    less.charting.fio2[3].value -= 1;
    assert_eq!(less.events(), [] as [u32; 0]);
}

#[test]
fn no_other_event_begins_within_fourteen_days() {
    let twice = [5, 5, 8, 8, 5, 5, 8, 8];
    assert_eq!(table(&twice, &[]).events(), [3]);
    let event = table(&twice, &[]).survey().events.remove(0);
    assert_eq!((event.date, event.until), (mv(3), mv(16)));
    // stable on days 15 and 16, inside the fourteen days; worse on the first day after them
    let mut later = vec![5, 5, 8, 8];
    later.resize(16, 5);
    later.extend([8, 8]);
    assert_eq!(table(&later, &[]).events(), [3, 17]);
    later.remove(8);
    assert_eq!(table(&later, &[]).events(), [3], "a day too early");
}

/// "e.g. 10 August to 23 August": the fourteen days with the date of the event as the first.
#[test]
fn the_fourteen_days_begin_with_the_date_of_the_event() {
    let mut late = vec![5; 9];
    late.extend([8, 8]);
    let event = table(&late, &[]).survey().events.remove(0);
    assert_eq!((event.date, event.until), (mv(10), mv(23)));
}

#[test]
fn a_whole_day_off_the_ventilator_begins_a_new_episode() {
    let mut broken = table(&[5, 5, 8, 8], &[]);
    broken.facts = facts(vec![ventilated(1, 1), ventilated(3, 4)]);
    assert_eq!(broken.events(), [] as [u32; 0]);
    let survey = broken.survey();
    let numbers: Vec<(u32, u32)> =
        survey.days.iter().map(|d| (chrono::Datelike::day(&d.day), d.number)).collect();
    assert_eq!(numbers, [(1, 1), (3, 1), (4, 2)]);
    // off for less than a calendar day goes on counting
    let mut short = table(&[5, 5, 8, 8], &[]);
    let mut first = ventilated(1, 1);
    first.to = Some(terce::care::facts::When::At(at(1, 800)));
    let mut second = ventilated(2, 4);
    second.from = terce::care::facts::When::At(at(2, 600));
    short.facts = facts(vec![first, second]);
    assert_eq!(short.events(), [3]);
}

/// "disregard PEEP values on calendar days when the patient was mechanically ventilated using APRV ... for the entire
/// calendar day"; on other days PEEP of the rest of the day and FiO2 of all of it count: CDC's questions on VAE
/// (vdocuments.mx copy).
#[test]
fn peep_is_disregarded_during_pressure_release() {
    let all = table(&[5, 5, 12, 12], &[40, 40, 40, 40]).row(1, 0, Mode::PressureRelease);
    assert_eq!(all.events(), [] as [u32; 0]);
    let oxygen = table(&[5, 5, 12, 12], &[40, 40, 60, 60]).row(1, 0, Mode::PressureRelease);
    assert_eq!(oxygen.survey().events[0].by, [Setting::Fio2]);
    // over by noon of day 1, when PEEP is charted
    let part = all.row(1, 700, Mode::Conventional);
    assert_eq!(part.events(), [3]);
}

#[test]
fn days_on_high_frequency_or_extracorporeal_support_are_not_compared() {
    let mut supported = table(&[5, 5, 12, 12], &[40, 40, 80, 80]);
    supported.charting.supports.push(ModeSpan {
        from: at(3, 0),
        to: Some(at(4, 0)),
        mode: Mode::Excluded,
        source: source("ecls"),
    });
    assert_eq!(supported.events(), [] as [u32; 0]);
    let days = supported.survey().days;
    assert!(days[2].peep.is_none() && days[2].fio2.is_none() && days[3].peep.is_some());
    supported.charting.supports[0].to = Some(at(3, 700));
    assert_eq!(supported.events(), [3], "the rest of the day counts");
}

#[test]
fn an_event_is_told_only_when_its_second_day_is_over() {
    let mut going_on = table(&[5, 5, 8, 8], &[]);
    going_on.facts.ventilated[0].to = None;
    going_on.now = at(4, 1439);
    assert_eq!(going_on.events(), [] as [u32; 0]);
    going_on.now = at(5, 0);
    assert_eq!(going_on.events(), [3]);
    assert!(!going_on.survey().events[0].settled, "signs of infection may still come");
    going_on.now = at(9, 1439);
    assert!(!going_on.survey().events[0].settled);
    going_on.now = at(10, 0);
    assert!(going_on.survey().events[0].settled);
}

/// Day 3 of ventilation: days 3 to 5; 4: 3 to 6; 5: 3 to 7; 10: 8 to 12.
#[test]
fn signs_of_infection_count_two_days_before_and_after_but_never_on_days_1_and_2() {
    for (number, first, last) in [(3, 3, 5), (4, 3, 6), (5, 3, 7), (10, 8, 12)] {
        let mut peep = vec![5; number - 1];
        peep.extend([8, 8]);
        let event = table(&peep, &[]).survey().events.remove(0);
        assert_eq!((event.number as usize, event.window), (number, (mv(first), mv(last))));
    }
}

/// An event on day 5 of ventilation, of which signs count on days 3 to 7.
fn event_on_day_5() -> Table {
    table(&[5, 5, 5, 5, 8, 8, 8, 8, 8, 8, 8, 8], &[])
}

fn infection(table: &Table) -> Infection {
    let events = table.survey().events;
    assert_eq!(events.len(), 1);
    events[0].infection
}

#[test]
fn an_abnormal_sign_and_four_days_of_a_new_antimicrobial_are_signs_of_infection() {
    let treated = event_on_day_5().given("a", &[5, 6, 7, 8]);
    for (table, expected) in [
        (treated.clone().temperature(5, 38_100), Infection::Found),
        (treated.clone().temperature(5, 38_000), Infection::NotFound),
        (treated.clone().temperature(5, 36_000), Infection::NotFound),
        (treated.clone().temperature(5, 35_900), Infection::Found),
        (treated.clone().white_cells(5, 12_000), Infection::Found),
        (treated.clone().white_cells(5, 11_999), Infection::NotFound),
        (treated.clone().white_cells(5, 4_000), Infection::Found),
        (treated.clone().white_cells(5, 4_001), Infection::NotFound),
        (treated.clone().temperature(2, 39_000).temperature(5, 37_000), Infection::NotFound),
        (treated.clone().temperature(8, 39_000).temperature(5, 37_000), Infection::NotFound),
        (treated.clone().temperature(3, 39_000), Infection::Found),
        (treated.clone().temperature(7, 39_000), Infection::Found),
    ] {
        assert_eq!(infection(&table), expected, "{:?}", table.charting);
    }
}

#[test]
fn antimicrobials_must_be_new_in_the_window_and_given_for_four_days() {
    let hot = event_on_day_5().temperature(5, 39_000);
    for (what, table, expected) in [
        ("three days", hot.clone().given("a", &[5, 6, 7]), Infection::NotFound),
        ("begun before", hot.clone().given("a", &[1, 2, 3, 4, 5, 6, 7, 8]), Infection::NotFound),
        ("paused for a day before", hot.clone().given("a", &[2, 4, 5, 6, 7]), Infection::NotFound),
        ("paused for two days before", hot.clone().given("a", &[1, 4, 5, 6, 7]), Infection::Found),
        ("begun after the window", hot.clone().given("a", &[8, 9, 10, 11]), Infection::NotFound),
        ("begun on its last day", hot.clone().given("a", &[7, 8, 9, 10]), Infection::Found),
        ("every other day", hot.clone().given("a", &[5, 7, 9]), Infection::Found),
        ("two days between", hot.clone().given("a", &[5, 6, 9, 10]), Infection::NotFound),
        ("one after the other", hot.clone().given("a", &[5, 6]).given("b", &[7, 8]), Infection::Found),
        ("with a day between", hot.clone().given("a", &[4, 5]).given("b", &[7, 8]), Infection::NotFound),
        (
            "the other not new",
            hot.clone().given("a", &[5, 6]).given("b", &[1, 2, 3, 4, 5, 6, 7, 8]),
            Infection::NotFound,
        ),
    ] {
        assert_eq!(infection(&table), expected, "{what}");
    }
}

#[test]
fn what_is_not_charted_is_not_taken_for_normal() {
    assert_eq!(infection(&event_on_day_5().given("a", &[5, 6, 7, 8])), Infection::NotCharted);
    assert_eq!(infection(&event_on_day_5().temperature(5, 39_000)), Infection::NotCharted);
    assert_eq!(infection(&event_on_day_5().temperature(5, 37_000)), Infection::NotFound);
}

#[test]
fn an_event_carries_its_table_of_days() {
    let table = event_on_day_5().temperature(5, 38_600).temperature(6, 37_000).given("a", &[6, 7, 8, 9]);
    let event = table.survey().events.remove(0);
    let days: Vec<_> = event.table.iter().map(|row| row.day).collect();
    assert_eq!(days, [3, 4, 5, 6, 7, 8, 9].map(mv), "from the stable days to the last one of antimicrobials");
    let peep: Vec<i64> =
        event.table.iter().map(|r| r.ventilator.as_ref().unwrap().peep.as_ref().unwrap().value).collect();
    assert_eq!(peep, [500, 500, 800, 800, 800, 800, 800]);
    assert_eq!(event.table[2].sign.temperature, Some((38_600, 38_600)));
    let qualifying: Vec<bool> = event.table.iter().map(|row| row.sign.qualifying).collect();
    assert_eq!(qualifying, [false, false, false, true, true, true, true]);
    assert!(event.table[3].sign.given.contains("a") && !event.table[3].sign.sources.is_empty());
    assert_eq!(event.table[0].ventilator.as_ref().unwrap().peep.as_ref().unwrap().sources.len(), 1);
}

#[test]
fn an_event_on_the_day_after_a_transfer_belongs_to_the_unit_that_was_left() {
    let unit = |name: &str, from, to| terce::care::facts::UnitSpan {
        unit: name.into(),
        from,
        to,
        source: source(name),
    };
    let moved = |day: u32| {
        let mut table = table(&[5, 5, 5, 8, 8], &[]);
        let change = at(day, 600);
        table.facts.units = vec![unit("old", at(1, 0), Some(change)), unit("new", change, None)];
        table.survey().events[0].unit.to_string()
    };
    assert_eq!([moved(2), moved(3), moved(4), moved(5)], ["new", "old", "old", "old"]);
    let mut late = table(&[5, 5, 5, 8, 8], &[]);
    late.facts.units = vec![unit("known late", at(4, 0) + Length::hours(3), None)];
    assert_eq!(&*late.survey().events[0].unit, "known late");
}
