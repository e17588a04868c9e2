//! Random stays: what the finder finds is what the slow reading finds.

use std::sync::Arc;

use chrono::NaiveDate;
use chrono_tz::Tz;
use terce::care::facts::{Ending, Facts, Proof, StayEnd, UnitSpan, Ventilated, When};
use terce::care::protocol::Rules;
use terce::care::surveillance::charted::{Charting, Given, Mode, ModeRow, ModeSpan, Reading};
use terce::care::surveillance::events::{Event, Setting};
use terce::care::surveillance::infection::Infection;
use terce::care::surveillance::survey;
use terce::care::time::{Instant, Length, Span};

use super::slow::{Record, Slow};
use super::source;
use crate::care::dice::Dice;

struct Stay {
    ventilated: Vec<Span>,
    charting: Charting,
    units: Vec<(Arc<str>, Instant)>,
    ended: Option<Instant>,
    now: Instant,
    zone: Tz,
    first: NaiveDate,
    last: NaiveDate,
}

/// From a few levels, so that equal ones and rises of just the right size are common.
fn levels(dice: &mut Dice, peep: bool) -> i64 {
    *if peep {
        dice.pick(&[0, 300, 500, 500, 500, 550, 600, 800, 800, 850, 1_000, 1_100, 1_200])
    } else {
        dice.pick(&[2_100, 3_000, 3_000, 3_500, 4_000, 4_999, 5_000, 5_000, 5_500, 6_000, 7_000, 10_000])
    }
}

/// Settings that stay for days and jump now and then, charted at the pace of the site.
fn settings(dice: &mut Dice, peep: bool, from: Instant, to: Instant) -> Vec<Reading> {
    let pace = *dice.pick(&[15, 30, 60, 60, 120, 240, 720]);
    let restless = *dice.pick(&[1, 3, 10, 40]);
    let mut level = levels(dice, peep);
    let (mut out, mut at) = (Vec::new(), from);
    while at < to {
        let day_and_more = pace >= 240 && dice.chance(40);
        if dice.chance(restless) || day_and_more {
            level = levels(dice, peep);
        }
        if dice.chance(93) {
            let late = Length::minutes(dice.between(0, 1 + pace / 4));
            let name = source(format!("{peep}-{}", out.len()));
            out.push(Reading { at: at + late, value: level, source: name });
        }
        at = at + Length::minutes(pace);
    }
    out
}

/// Less than one of these.
fn some(dice: &mut Dice, most: &[usize]) -> usize {
    let most = *dice.pick(most);
    dice.below(most)
}

fn stay(seed: u64) -> Stay {
    let mut dice = Dice::new(seed);
    let zone = *dice.pick(&[chrono_tz::UTC, chrono_tz::America::New_York, chrono_tz::Europe::Vienna]);
    // across the change of clocks in America and in Europe
    let begin = Span::day(NaiveDate::from_ymd_opt(2026, 2, 20).unwrap(), zone).from;
    let begin = begin + Length::minutes(dice.between(0, 1440));
    let mut ventilated: Vec<Span> = Vec::new();
    let mut at = begin;
    for _ in 0..1 + dice.below(3) {
        let most = *dice.pick(&[2_000, 9_000, 30_000]);
        let to = at + Length::minutes(dice.between(60, most));
        ventilated.push(Span::new(at, to));
        // never closed as a short gap
        let most = *dice.pick(&[600, 2_000, 6_000]);
        at = to + Length::minutes(dice.between(90, most));
    }
    let end = ventilated[ventilated.len() - 1].to;
    let mut charting = Charting::default();
    if !dice.chance(10) {
        charting.peep = settings(&mut dice, true, begin, end);
    }
    if !dice.chance(10) {
        charting.fio2 = settings(&mut dice, false, begin, end);
    }
    let length = end.since(begin).as_micros() / 60_000_000;
    let somewhere = |dice: &mut Dice| begin + Length::minutes(dice.between(-600, length + 600));
    if dice.chance(30) {
        for n in 0..1 + dice.below(4) {
            let mode = *dice.pick(&[Mode::Conventional, Mode::PressureRelease, Mode::Excluded]);
            charting.modes.push(ModeRow { at: somewhere(&mut dice), mode, source: source(n) });
        }
    }
    if dice.chance(15) {
        let from = somewhere(&mut dice);
        let to = (!dice.chance(20)).then(|| from + Length::minutes(dice.between(0, 4_000)));
        let mode = *dice.pick(&[Mode::PressureRelease, Mode::Excluded]);
        charting.supports.push(ModeSpan { from, to, mode, source: source("support") });
    }
    for n in 0..some(&mut dice, &[1, 20, 60]) {
        let value = *dice.pick(&[35_900, 36_000, 36_800, 37_000, 37_400, 38_000, 38_001, 39_500]);
        charting.temperature.push(Reading { at: somewhere(&mut dice), value, source: source(n) });
    }
    for n in 0..some(&mut dice, &[1, 5, 20]) {
        let value = *dice.pick(&[3_999, 4_000, 4_001, 8_000, 11_999, 12_000, 20_000]);
        charting.white_cells.push(Reading { at: somewhere(&mut dice), value, source: source(n) });
    }
    for _ in 0..some(&mut dice, &[1, 6, 10]) {
        let agent: Arc<str> = (*dice.pick(&["a", "b", "c"])).into();
        let mut day = somewhere(&mut dice).day(zone);
        for _ in 0..1 + dice.below(7) {
            charting.given.push(Given { agent: agent.clone(), day, source: source("drug") });
            day = day + chrono::Days::new(*dice.pick(&[1, 1, 1, 2, 3]));
        }
    }
    let mut units: Vec<(Arc<str>, Instant)> =
        (0..dice.below(4)).map(|n| (format!("u{n}").into(), somewhere(&mut dice))).collect();
    units.sort_by_key(|(_, since)| *since);
    units.dedup_by_key(|(_, since)| *since);
    let ended = dice.chance(50).then(|| end + Length::minutes(dice.between(0, 600)));
    let now = match ended {
        Some(at) if dice.chance(50) => at,
        Some(_) | None => begin + Length::minutes(dice.between(0, length + 20_000)),
    };
    let (first, last) = (begin.day(zone), end.day(zone));
    Stay { ventilated, charting, units, ended, now, zone, first, last }
}

fn facts(stay: &Stay) -> Facts {
    let ventilated = stay.ventilated.iter().map(|s| Ventilated {
        from: When::At(s.from),
        to: Some(When::At(s.to)),
        proof: Proof::Procedure,
        source: source("ventilation"),
    });
    let units = stay.units.iter().map(|(unit, from)| UnitSpan {
        unit: unit.clone(),
        from: *from,
        to: None,
        source: source("unit"),
    });
    Facts {
        stay: "Encounter/e".into(),
        begins: Some(stay.ventilated[0].from),
        ends: stay.ended.map(|at| StayEnd { at, how: Ending::Discharged, source: source("e") }),
        ventilated: ventilated.collect(),
        units: units.collect(),
        ..Facts::default()
    }
}

fn as_slow(event: &Event) -> Slow {
    Slow {
        date: event.date,
        number: event.number,
        peep: event.by.contains(&Setting::Peep),
        fio2: event.by.contains(&Setting::Fio2),
        window: event.window,
        until: event.until,
        unit: event.unit.to_string(),
        infection: match event.infection {
            Infection::Found => "found",
            Infection::NotFound => "not found",
            Infection::NotCharted => "not charted",
        },
        settled: event.settled,
        qualifying: event.table.iter().filter(|row| row.sign.qualifying).map(|row| row.day).collect(),
    }
}

#[test]
fn the_finder_finds_what_the_slow_reading_finds() {
    let (mut events, mut infected, mut later, mut unsettled) = (0, 0, 0, 0);
    for seed in 0..6_000 {
        let stay = stay(seed);
        let mut rules = Rules::standard(stay.zone);
        rules.hold = Length::hours(8);
        let found = survey(&stay.charting, &facts(&stay), &rules, stay.now);
        let record = Record {
            ventilated: &stay.ventilated,
            charting: &stay.charting,
            units: &stay.units,
            ended: stay.ended,
            now: stay.now,
            zone: stay.zone,
        };
        let expected = record.events(stay.first, stay.last);
        let ours: Vec<Slow> = found.events.iter().map(as_slow).collect();
        assert_eq!(ours, expected, "seed {seed}, now {}", stay.now);
        for day in &found.days {
            let minimum = |readings: &[Reading], peep| record.minimum(readings, peep, day.day);
            let value = |found: &Option<terce::care::surveillance::days::Minimum>| {
                found.as_ref().map(|minimum| minimum.value)
            };
            assert_eq!(value(&day.peep), minimum(&stay.charting.peep, true), "seed {seed}, {}", day.day);
            assert_eq!(value(&day.fio2), minimum(&stay.charting.fio2, false), "seed {seed}, {}", day.day);
            assert_eq!(day.number, record.number(day.day), "seed {seed}, {}", day.day);
        }
        events += ours.len();
        infected += ours.iter().filter(|e| e.infection == "found").count();
        later += usize::from(ours.len() > 1);
        unsettled += ours.iter().filter(|e| !e.settled).count();
    }
    // the random stays are not all quiet ones
    assert!(
        events > 1_000 && infected > 50 && later > 20 && unsettled > 20,
        "{events} {infected} {later} {unsettled}"
    );
}

#[test]
fn the_order_of_what_was_charted_does_not_matter() {
    for seed in 0..300 {
        let mut stay = stay(seed);
        let facts = facts(&stay);
        let rules = Rules::standard(stay.zone);
        let before = survey(&stay.charting, &facts, &rules, stay.now);
        let charting = &mut stay.charting;
        for readings in
            [&mut charting.peep, &mut charting.fio2, &mut charting.temperature, &mut charting.white_cells]
        {
            readings.reverse();
        }
        charting.modes.reverse();
        charting.given.reverse();
        assert_eq!(survey(charting, &facts, &rules, stay.now), before, "seed {seed}");
    }
}
