//! Random stays: a patient's record, rules, and instants at which to look at it. From a seed, always the same.
//!
//! Everything charted lies on whole minutes, on a grid of 1 to 60 minutes that differs from stay to stay, so that
//! coincidences (care at the deadline, two things at once, spans that touch) are common.

mod charted;
mod protocols;

use std::fmt;

use chrono::{NaiveDate, NaiveTime};
use chrono_tz::Tz;
use proptest::prelude::*;
use terce::care::facts::{
    AirwayRow, AwaySpan, CareEvent, ConditionSpan, Ending, Excuse, Extubation, Facts, Source, StayEnd,
    UnitSpan, Ventilated, When,
};
use terce::care::ledger::Feed;
use terce::care::protocol::Rules;
use terce::care::time::{Instant, Length, TICK, local_instant};

use super::dice::Dice;

/// A stay, and when it is looked at.
#[derive(Clone)]
pub(super) struct Stay {
    /// What it was made from.
    pub(super) seed: u64,
    pub(super) rules: Rules,
    pub(super) begins: Option<Instant>,
    pub(super) ends: Option<StayEnd>,
    pub(super) entries: Vec<Entry>,
    pub(super) looks: Vec<Look>,
}

/// One fact.
#[derive(Clone, PartialEq, Debug)]
pub(super) enum Entry {
    Ventilated(Ventilated),
    Row(AirwayRow),
    Extubation(Extubation),
    Unit(UnitSpan),
    Away(AwaySpan),
    Care(CareEvent),
    Excuse(Excuse),
    Condition(ConditionSpan),
}

/// An instant at which the ledger is made, and how far charting had come.
#[derive(Clone, Copy)]
pub(super) struct Look {
    pub(super) now: Instant,
    pub(super) feed: Feed,
}

/// Any stay; shrinks by leaving facts out.
pub(super) fn any_stay() -> impl Strategy<Value = Stay> {
    let kept = proptest::collection::vec(proptest::bool::weighted(0.98), 120);
    (any::<u64>().no_shrink(), kept).prop_map(|(seed, kept)| {
        let mut stay = Stay::random(seed);
        let mut kept = kept.into_iter().cycle();
        stay.entries.retain(|_| kept.next().unwrap());
        stay
    })
}

/// Any stay whose ventilation is known to the minute: no rows, no days.
pub(super) fn any_verified_stay() -> impl Strategy<Value = Stay> {
    any_stay().prop_map(|mut stay| {
        stay.entries.retain(|entry| match entry {
            Entry::Row(_) => false,
            Entry::Ventilated(v) => !matches!(v.from, When::Day(_)) && !matches!(v.to, Some(When::Day(_))),
            Entry::Extubation(_) | Entry::Unit(_) | Entry::Away(_) => true,
            Entry::Care(_) | Entry::Excuse(_) | Entry::Condition(_) => true,
        });
        stay
    })
}

/// What the dice have settled before anything is charted.
struct Frame {
    zone: Tz,
    /// Local midnight of a day near which the stay begins.
    base: Instant,
    begins: Instant,
    /// When the stay ends, or the last of it that is made up.
    until: Instant,
    /// Everything charted lies on multiples of this.
    grid: Length,
}

impl Frame {
    /// A random instant of the grid in `[from, to)`.
    fn moment(&self, dice: &mut Dice, from: Instant, to: Instant) -> Instant {
        from + self.span(dice, Length::ZERO, to.since(from))
    }

    /// A random length of the grid from `least` to less than `most`.
    fn span(&self, dice: &mut Dice, least: Length, most: Length) -> Length {
        let steps = |l: Length| l.as_micros() / self.grid.as_micros();
        Length::micros(dice.between(steps(least), steps(most)) * self.grid.as_micros())
    }
}

impl Stay {
    /// The stay that belongs to `seed`.
    pub(super) fn random(seed: u64) -> Stay {
        let mut dice = Dice::new(seed);
        let frame = frame(&mut dice);
        let rules = protocols::rules(&mut dice, frame.zone);
        let entries = charted::entries(&mut dice, &frame, &rules);
        let how = *dice.pick(&[Ending::Discharged, Ending::Discharged, Ending::Died, Ending::Cancelled]);
        let ends =
            dice.chance(50).then(|| StayEnd { at: frame.until, how, source: Source::new("Encounter/e") });
        let begins = dice.chance(90).then_some(frame.begins);
        let mut stay = Stay { seed, rules, begins, ends, entries, looks: Vec::new() };
        for _ in 0..1 + dice.below(2) {
            stay.looks.push(look(&mut dice, &frame, &stay));
        }
        stay.forget_rows_ahead();
        stay
    }

    /// Rows come as they are observed: none is ahead of a look, nor is the removal of an airway that only rows tell.
    fn forget_rows_ahead(&mut self) {
        let first = self.looks.iter().map(|l| l.now).min();
        if self.entries.iter().any(|e| matches!(e, Entry::Row(_))) {
            let told = |e: &Entry| !matches!(e, Entry::Row(_) | Entry::Extubation(_)) || e.instant() <= first;
            self.entries.retain(told);
        }
    }

    /// The facts, in the order of the entries.
    pub(super) fn facts(&self) -> Facts {
        let mut facts = Facts {
            stay: "Encounter/e".into(),
            begins: self.begins,
            ends: self.ends.clone(),
            ..Facts::default()
        };
        for entry in self.entries.iter().cloned() {
            match entry {
                Entry::Ventilated(v) => facts.ventilated.push(v),
                Entry::Row(r) => facts.airway_rows.push(r),
                Entry::Extubation(x) => facts.extubations.push(x),
                Entry::Unit(u) => facts.units.push(u),
                Entry::Away(a) => facts.away.push(a),
                Entry::Care(c) => facts.care.push(c),
                Entry::Excuse(x) => facts.excuses.push(x),
                Entry::Condition(c) => facts.conditions.push(c),
            }
        }
        facts
    }
}

fn frame(dice: &mut Dice) -> Frame {
    let day = |y, m, d| NaiveDate::from_ymd_opt(y, m, d).unwrap();
    let (zone, near) = *dice.pick(&[
        (Tz::UTC, day(2026, 5, 4)),
        (Tz::America__New_York, day(2026, 3, 6)),
        (Tz::America__New_York, day(2026, 10, 30)),
        (Tz::Australia__Lord_Howe, day(2026, 4, 3)),
        (Tz::Australia__Lord_Howe, day(2026, 10, 2)),
        (Tz::Asia__Kolkata, day(2026, 6, 10)),
    ]);
    let grid = Length::minutes(*dice.pick(&[1, 5, 10, 15, 30, 60]));
    let base = local_instant(near, NaiveTime::MIN, zone);
    let mut frame = Frame { zone, base, begins: base, until: base, grid };
    frame.begins = base + frame.span(dice, Length::ZERO, Length::hours(30));
    frame.until = frame.begins + frame.span(dice, Length::hours(20), Length::hours(144));
    frame
}

fn look(dice: &mut Dice, frame: &Frame, stay: &Stay) -> Look {
    let anywhere = frame.moment(dice, frame.begins - Length::hours(1), frame.until + Length::hours(14));
    let charted: Vec<Instant> = stay.entries.iter().filter_map(Entry::instant).collect();
    let near = if charted.is_empty() || dice.chance(60) { anywhere } else { *dice.pick(&charted) };
    let around = near + Length::minutes(*dice.pick(&[0, 0, 0, 30, 60, 120, 240]));
    let around = around - Length::minutes(*dice.pick(&[0, 0, 0, 1, 5, 6]));
    let now = match dice.below(10) {
        0 => around + TICK,
        1 => around - TICK,
        2 => around + Length::seconds(30),
        _ => around,
    };
    let behind = |dice: &mut Dice, most| now - frame.span(dice, Length::ZERO, Length::hours(most));
    let feed = match dice.below(10) {
        0 | 1 => Feed::Live { watermark: behind(dice, 4) },
        2 | 3 => Feed::Silent { watermark: behind(dice, 20) },
        _ => Feed::unwatched(),
    };
    Look { now, feed }
}

impl Entry {
    /// Its instant, or its first.
    pub(super) fn instant(&self) -> Option<Instant> {
        let at = |when: When| match when {
            When::At(at) => Some(at),
            When::Day(_) => None,
        };
        match self {
            Entry::Ventilated(v) => at(v.from),
            Entry::Row(r) => Some(r.at),
            Entry::Extubation(x) => Some(x.at),
            Entry::Unit(u) => Some(u.from),
            Entry::Away(a) => Some(a.from),
            Entry::Care(c) => at(c.at),
            Entry::Excuse(x) => at(x.at),
            Entry::Condition(c) => Some(c.from),
        }
    }
}

impl fmt::Debug for Stay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "stay of seed {} in {}", self.seed, self.rules.zone)?;
        let r = &self.rules;
        writeln!(f, "bridge {} regrace {} hold {} allowance {}", r.bridge, r.regrace, r.hold, r.allowance)?;
        let shifts: Vec<String> = r.shifts.iter().map(|s| format!("{} {}", s.name, s.from)).collect();
        writeln!(f, "shifts {} census {}", shifts.join(", "), r.census_at)?;
        for (p, protocol) in r.protocols.iter().enumerate() {
            for q in &protocol.requirements {
                writeln!(f, "protocol {p}: {} {:?} {:?} if {:?}", q.id, q.activities, q.kind, q.condition)?;
            }
        }
        writeln!(
            f,
            "units {:?}, else {:?}",
            r.units.iter().map(|(u, s)| (u, s.protocol)).collect::<Vec<_>>(),
            r.default_protocol
        )?;
        let shown = |at: Option<Instant>| at.map_or("-".to_owned(), |at| self.shown(at));
        writeln!(f, "begins {} ends {}", shown(self.begins), shown(self.ends.as_ref().map(|e| e.at)))?;
        let mut sorted: Vec<&Entry> = self.entries.iter().collect();
        sorted.sort_by_key(|e| e.instant());
        sorted.into_iter().try_for_each(|e| writeln!(f, "  {}", self.line(e)))?;
        self.looks.iter().try_for_each(|l| writeln!(f, "look {} {:?}", self.shown(l.now), l.feed))
    }
}

impl Stay {
    /// Local, with offset, to the microsecond only where that matters.
    pub(super) fn shown(&self, at: Instant) -> String {
        let wall = at.utc().with_timezone(&self.rules.zone);
        wall.to_rfc3339_opts(chrono::SecondsFormat::AutoSi, true).replace(":00-", "-").replace(":00+", "+")
    }

    fn line(&self, entry: &Entry) -> String {
        let when = |when: When| match when {
            When::At(at) => self.shown(at),
            When::Day(day) => format!("on {day}"),
        };
        let span = |from: Instant, to: Option<Instant>| {
            format!("{} to {}", self.shown(from), to.map_or("-".to_owned(), |to| self.shown(to)))
        };
        match entry {
            Entry::Ventilated(v) => {
                let to = v.to.map_or("-".to_owned(), when);
                format!("ventilated {} to {to} {:?} {}", when(v.from), v.proof, v.source)
            }
            Entry::Row(r) => format!("row {} invasive {}", self.shown(r.at), r.invasive),
            Entry::Extubation(x) => format!("extubated {}", self.shown(x.at)),
            Entry::Unit(u) => format!("unit {} {} {}", u.unit, span(u.from, u.to), u.source),
            Entry::Away(a) => format!("away {}", span(a.from, a.to)),
            Entry::Care(c) => {
                format!(
                    "care {} {:?} recorded {} {}",
                    when(c.at),
                    c.activities,
                    self.shown(c.recorded),
                    c.source
                )
            }
            Entry::Excuse(x) => {
                format!("excuse {} {:?} {:?} {}", when(x.at), x.activities, x.asked, x.source)
            }
            Entry::Condition(c) => format!("condition {} {}", c.name, span(c.from, c.to)),
        }
    }
}
