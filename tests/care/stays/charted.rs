//! What is charted of a random stay.

use std::sync::Arc;

use chrono::{Days, NaiveDate};
use terce::care::facts::{
    AirwayRow, AwaySpan, CareEvent, Code, ConditionSpan, Excuse, Extubation, Proof, Source, UnitSpan,
    Ventilated, When,
};
use terce::care::protocol::{Kind, Rules};
use terce::care::time::{Instant, Length, local_instant};

use super::protocols::{ACTIVITIES, CONDITION, UNITS};
use super::{Entry, Frame};
use crate::care::dice::Dice;

/// All facts of the stay; some of them twice.
pub(super) fn entries(dice: &mut Dice, frame: &Frame, rules: &Rules) -> Vec<Entry> {
    let mut out = Vec::new();
    airway(dice, frame, rules, &mut out);
    units(dice, frame, &mut out);
    away(dice, frame, &mut out);
    conditions(dice, frame, &mut out);
    care(dice, frame, rules, &mut out);
    for _ in 0..dice.below(3) {
        let again = out.get(dice.below(out.len())).cloned();
        out.extend(again);
    }
    out
}

fn source(kind: &str, out: &[Entry]) -> Source {
    Source::new(&format!("{kind}/{}/_history/1", out.len()))
}

/// How the airway of a stay is charted.
#[derive(Clone, Copy, PartialEq)]
enum Charting {
    Spans,
    Status,
    Rows,
    Mixed,
}

fn airway(dice: &mut Dice, frame: &Frame, rules: &Rules, out: &mut Vec<Entry>) {
    use Charting::{Mixed, Rows, Spans, Status};
    let charting = *dice.pick(&[Spans, Spans, Spans, Spans, Spans, Status, Rows, Rows, Mixed]);
    let days = dice.chance(25);
    let early = frame.begins - Length::hours(*dice.pick(&[0, 0, 0, 3]));
    let mut from = early + frame.span(dice, Length::ZERO, Length::hours(12));
    for _ in 0..1 + dice.below(3) {
        let to = from + frame.span(dice, Length::hours(1), Length::hours(60));
        if charting == Rows || charting == Mixed {
            rows(dice, frame, rules, from, to, out);
        }
        if charting != Rows {
            span(dice, frame, (from, to), charting, days, out);
        }
        let bridge = rules.bridge.as_micros() / Length::minutes(1).as_micros();
        let pause = *dice.pick(&[bridge, bridge - 1, bridge + 1, 15, 70, 150, 400, 900, -60]);
        from = to + Length::minutes(pause);
    }
}

fn span(
    dice: &mut Dice,
    frame: &Frame,
    (from, to): (Instant, Instant),
    charting: Charting,
    days: bool,
    out: &mut Vec<Entry>,
) {
    let proof = match charting {
        Charting::Status => Proof::DeviceStatus,
        Charting::Mixed => *dice.pick(&[Proof::Procedure, Proof::DeviceStatus]),
        Charting::Spans | Charting::Rows => *dice.pick(&[Proof::Procedure, Proof::DeviceUse]),
    };
    let vague = |dice: &mut Dice, at: Instant| {
        if days && dice.chance(40) { When::Day(at.day(frame.zone)) } else { When::At(at) }
    };
    let start = vague(dice, from);
    let open = dice.chance(35);
    let end = if open { None } else { Some(vague(dice, to)) };
    out.push(Entry::Ventilated(Ventilated { from: start, to: end, proof, source: source("Procedure", out) }));
    if (open && dice.chance(70)) || dice.chance(15) {
        out.push(Entry::Extubation(Extubation { at: to, source: source("Procedure", out) }));
    }
    if dice.chance(20) {
        // the tube is charted beside the ventilator
        let from = frame.moment(dice, from - Length::hours(1), to);
        let to = from + frame.span(dice, Length::minutes(60), Length::hours(30));
        let (from, to) = (vague(dice, from), Some(vague(dice, to)));
        let proof = if proof == Proof::DeviceStatus { proof } else { Proof::DeviceUse };
        out.push(Entry::Ventilated(Ventilated {
            from,
            to,
            proof,
            source: source("DeviceUseStatement", out),
        }));
    }
}

fn rows(dice: &mut Dice, frame: &Frame, rules: &Rules, from: Instant, to: Instant, out: &mut Vec<Entry>) {
    let mut at = from;
    let taken = |out: &[Entry], at: Instant| {
        out.iter().any(|e| matches!(e, Entry::Row(_) | Entry::Extubation(_)) && e.instant() == Some(at))
    };
    while at < to {
        if !taken(out, at) {
            let invasive = dice.chance(92);
            out.push(Entry::Row(AirwayRow { at, invasive, source: source("Observation", out) }));
        }
        let step = frame.span(dice, Length::minutes(60), Length::hours(5));
        at = at + *dice.pick(&[step, step, step, step, step, rules.hold, rules.hold + frame.grid]);
    }
    if dice.chance(50) && !taken(out, to) {
        out.push(Entry::Extubation(Extubation { at: to, source: source("Procedure", out) }));
    }
}

fn units(dice: &mut Dice, frame: &Frame, out: &mut Vec<Entry>) {
    let changes = dice.below(4);
    let mut from = frame.begins - Length::hours(*dice.pick(&[0, 0, 2]));
    for change in 0..=changes {
        let to = from + frame.span(dice, Length::hours(2), Length::hours(60));
        let open = change == changes && dice.chance(80);
        let unit = *dice.pick(&[UNITS[0], UNITS[0], UNITS[0], UNITS[1], UNITS[2], UNITS[3], UNITS[4]]);
        if !dice.chance(8) {
            let to = if open { None } else { Some(to) };
            out.push(Entry::Unit(UnitSpan { unit: unit.into(), from, to, source: source("Encounter", out) }));
        }
        from = to - Length::minutes(*dice.pick(&[0, 0, 0, 60, -60]));
    }
}

fn away(dice: &mut Dice, frame: &Frame, out: &mut Vec<Entry>) {
    let mut from = frame.moment(dice, frame.begins, frame.until);
    for _ in 0..dice.below(5) {
        let to = from + frame.span(dice, frame.grid, Length::hours(5));
        let to_charted = if dice.chance(6) { None } else { Some(to) };
        out.push(Entry::Away(AwaySpan { from, to: to_charted, source: source("Encounter", out) }));
        // adjacent, overlapping, soon after, or at any other time
        from = match dice.below(5) {
            0 => to,
            1 => frame.moment(dice, from, to),
            2 => to + Length::minutes(60),
            _ => frame.moment(dice, frame.begins, frame.until),
        };
    }
}

fn conditions(dice: &mut Dice, frame: &Frame, out: &mut Vec<Entry>) {
    for _ in 0..dice.below(4) {
        let from = frame.moment(dice, frame.begins - Length::hours(2), frame.until);
        let to = from + frame.span(dice, frame.grid, Length::hours(40));
        let to = if dice.chance(30) { None } else { Some(to) };
        let name = Code::new(dice.pick::<&str>(&[CONDITION, CONDITION, CONDITION, "another"]));
        out.push(Entry::Condition(ConditionSpan { name, from, to, source: source("Condition", out) }));
    }
}

fn care(dice: &mut Dice, frame: &Frame, rules: &Rules, out: &mut Vec<Entry>) {
    let (least, most) =
        *dice.pick(&[(10, 60), (60, 240), (60, 240), (120, 480), (360, 1440), (100_000, 100_001)]);
    let steps = cadences(rules);
    let mut at = frame.begins + frame.span(dice, Length::ZERO, Length::minutes(most));
    let end = frame.until + Length::hours(10);
    while at < end {
        act(dice, frame, rules, at, out);
        if dice.chance(8) {
            act(dice, frame, rules, at, out);
        }
        // often as long after the last one as some rule names: exactly due, exactly at the deadline
        let usual = frame.span(dice, Length::minutes(least), Length::minutes(most));
        at = at + if dice.chance(25) { *dice.pick(&steps) } else { usual };
    }
    for at in slot_borders(dice, frame, rules) {
        act(dice, frame, rules, at, out);
    }
}

/// Lengths that the rules name.
fn cadences(rules: &Rules) -> Vec<Length> {
    let mut out = vec![Length::hours(6), rules.regrace + Length::hours(1)];
    for requirement in rules.protocols.iter().flat_map(|p| &p.requirements) {
        match &requirement.kind {
            Kind::Every { target, limit } => out.extend([*target, *limit, whole(target.half())]),
            Kind::PerDay { times } => out.push(Length::minutes(360 / i64::from(*times))),
            Kind::At { tolerance, .. } => out.push(*tolerance + Length::minutes(5)),
            Kind::After { within, .. } => out.push(*within),
        }
    }
    out
}

fn whole(length: Length) -> Length {
    let minute = Length::minutes(1).as_micros();
    Length::micros(length.as_micros() / minute * minute)
}

/// Some instants at which the window of an `at` slot opens, or closes, or that are the slot.
fn slot_borders(dice: &mut Dice, frame: &Frame, rules: &Rules) -> Vec<Instant> {
    let mut out = Vec::new();
    for requirement in rules.protocols.iter().flat_map(|p| &p.requirements) {
        if let Kind::At { times, tolerance } = &requirement.kind {
            for _ in 0..dice.below(5) {
                let day: NaiveDate = frame.base.day(frame.zone);
                let day = day.checked_add_days(Days::new(u64::try_from(dice.below(6)).unwrap())).unwrap();
                let slot = local_instant(day, *dice.pick(times), frame.zone);
                out.push(*dice.pick(&[slot, slot - *tolerance, slot + *tolerance]));
            }
        }
    }
    out
}

/// One or two requirements of the protocols, or one that is in none.
fn asked(dice: &mut Dice, rules: &Rules) -> Vec<Arc<str>> {
    let all: Vec<&Arc<str>> = rules.protocols.iter().flat_map(|p| &p.requirements).map(|r| &r.id).collect();
    if all.is_empty() || dice.chance(5) {
        return vec![Arc::from("of-another-protocol")];
    }
    (0..*dice.pick(&[1, 1, 2])).map(|_| (*dice.pick(&all)).clone()).collect()
}

fn act(dice: &mut Dice, frame: &Frame, rules: &Rules, at: Instant, out: &mut Vec<Entry>) {
    let mut activities = vec![Code::new(dice.pick::<&str>(&ACTIVITIES))];
    for _ in 0..*dice.pick(&[0, 0, 1, 2]) {
        activities.push(Code::new(dice.pick::<&str>(&ACTIVITIES)));
    }
    let when = if dice.chance(4) { When::Day(at.day(frame.zone)) } else { When::At(at) };
    let recorded = at + Length::minutes(*dice.pick(&[0, 0, 0, 2, 30, 31, 300]));
    let received = recorded + Length::minutes(*dice.pick(&[0, 0, 0, 1, 29, 200]));
    if dice.chance(13) {
        // what was refused of a Task is about requirements and not about activities
        let of_task = matches!(when, When::At(_)) && dice.chance(30);
        let (asked, activities) =
            if of_task { (asked(dice, rules), Vec::new()) } else { (Vec::new(), activities) };
        let (reason, source) =
            (Code::new("refused"), source(if of_task { "Task" } else { "Procedure" }, out));
        out.push(Entry::Excuse(Excuse { at: when, activities, asked, reason, recorded, received, source }));
    } else {
        let source = source("Procedure", out);
        out.push(Entry::Care(CareEvent { at: when, activities, recorded, received, source }));
    }
}
