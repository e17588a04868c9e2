//! The counting rules read a second time, minute by minute, with no algebra of spans: slow, plain, and written
//! without a look at the core. What it says must be what the core says.
//!
//! It holds for facts on whole minutes; `now` and the watermark may be anything. It fills a [`Ledger`] but for its
//! doubts and its wake.

mod after;
mod at;
mod chart;
mod every;
mod lapses;
mod per_day;
mod track;

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;
use terce::care::delays::Delays;
use terce::care::facts::{Facts, Source};
use terce::care::ledger::{
    Basis, Cell, CellKey, Census, Feed, Lapse, Ledger, Opportunity, Outcome, PatientDay, Phase,
    RequirementCounts, Standing, State,
};
use terce::care::protocol::{Kind, Rules};
use terce::care::time::{Instant, Length};

use chart::Chart;
use track::Track;

/// One minute.
const MINUTE: Length = Length::minutes(1);

/// The ledger of `facts` under `rules`, by going through the minutes of the stay.
pub(crate) fn slow_reading(facts: &Facts, rules: &Rules, feed: Feed, now: Instant) -> Ledger {
    let facts = once_each(facts);
    let chart = Chart::draw(&facts, rules, feed, now);
    let mut readings = Vec::new();
    for (p, protocol) in rules.protocols.iter().enumerate() {
        for i in 0..protocol.requirements.len() {
            readings.push(read(&chart, (p, i)));
        }
    }
    let mut opportunities: Vec<Opportunity> = readings.iter().flat_map(|r| r.opportunities.clone()).collect();
    opportunities.sort_by(|a, b| (&a.requirement, a.at).cmp(&(&b.requirement, b.at)));
    let mut cells = BTreeMap::new();
    for reading in &readings {
        hours(&chart, reading, &mut cells);
    }
    count(&opportunities, &mut cells);
    Ledger {
        stay: facts.stay.clone(),
        now,
        state: state(&chart),
        unit: (0..=chart.minute_of(now)).rev().find_map(|i| chart.unit_name(i)),
        unverified_since: match feed {
            Feed::Live { .. } => None,
            Feed::Silent { watermark } => Some(watermark),
        },
        standings: readings.iter().filter_map(|r| standing(&chart, r)).collect(),
        patient_days: patient_days(&chart, &readings, &opportunities),
        census: census(&chart),
        held_until: readings.iter().filter_map(|r| r.held).min(),
        lapses: readings.iter().flat_map(|r| r.lapses.clone()).collect(),
        delays: delays(&opportunities),
        opportunities,
        cells,
        doubts: Vec::new(),
        wake: None,
    }
}

/// How late what was met was charted.
fn delays(opportunities: &[Opportunity]) -> BTreeMap<(Arc<str>, NaiveDate, Arc<str>), Delays> {
    let mut out: BTreeMap<_, Delays> = BTreeMap::new();
    for (o, delay) in opportunities.iter().filter_map(|o| Some((o, o.delay?))) {
        out.entry((o.unit.clone(), o.day, o.shift.clone())).or_default().count(delay, 1);
    }
    out
}

/// What one requirement comes to.
struct Reading<'a> {
    track: Track<'a>,
    opportunities: Vec<Opportunity>,
    lapses: Vec<Lapse>,
    held: Option<Instant>,
    ask: Option<Ask>,
}

/// What the rules of one kind find.
#[derive(Default)]
struct Found {
    chances: Vec<Chance>,
    /// The clock of the requirement now, where it has one.
    ask: Option<Ask>,
}

/// One chance, before it is known whether it may be counted.
struct Chance {
    outcome: Outcome,
    at: Instant,
    due: Instant,
    deadline: Instant,
    /// From the care until it was charted, of what was met.
    delay: Option<Length>,
    evidence: Vec<Source>,
    basis: Basis,
}

/// What a requirement would ask for if no lapse were open.
#[derive(Clone, Copy)]
struct Ask {
    due: Option<Instant>,
    deadline: Option<Instant>,
    outstanding: u32,
}

/// The same fact twice is the fact once.
fn once_each(facts: &Facts) -> Facts {
    fn once<T: PartialEq>(all: &mut Vec<T>) {
        let mut kept: Vec<T> = Vec::with_capacity(all.len());
        for fact in all.drain(..) {
            if !kept.contains(&fact) {
                kept.push(fact);
            }
        }
        *all = kept;
    }
    let mut facts = facts.clone();
    once(&mut facts.ventilated);
    once(&mut facts.airway_rows);
    once(&mut facts.care);
    once(&mut facts.excuses);
    facts
}

fn read<'a>(chart: &'a Chart<'a>, place: (usize, usize)) -> Reading<'a> {
    let track = Track::lay(chart, place);
    let found = match &track.requirement.kind {
        Kind::Every { target, limit } => every::read(chart, &track, *target, *limit),
        Kind::PerDay { times } => per_day::read(chart, &track, *times),
        Kind::At { times, tolerance } => at::read(chart, &track, times, *tolerance),
        Kind::After { requirement, within } => {
            let trigger = Track::lay(chart, (place.0, *requirement));
            after::read(chart, &track, &trigger, *within)
        }
    };
    let counted: Vec<Chance> = found.chances.into_iter().filter(|c| !chart.unverified(c.at)).collect();
    let lapses = lapses::walk(chart, &track, &counted);
    let held = lapses::held(chart, &track, &lapses, &counted);
    let opportunities = counted.into_iter().map(|c| opportunity(chart, &track, c)).collect();
    Reading { opportunities, lapses, held, ask: found.ask, track }
}

fn opportunity(chart: &Chart, track: &Track, chance: Chance) -> Opportunity {
    let i = chart.minute_of(chance.at);
    Opportunity {
        requirement: track.requirement.id.clone(),
        outcome: chance.outcome,
        at: chance.at,
        deadline: chance.deadline,
        basis: chance.basis,
        late_charted: chance.delay.is_some_and(|delay| delay > chart.rules.allowance),
        delay: chance.delay,
        evidence: chance.evidence,
        unit: chart.unit_name(i).unwrap_or_default(),
        day: chart.minutes[i].day,
        shift: chart.shift_name(i),
    }
}

/// Adds the hours of a requirement, minute by minute, and so much of a minute as lies before the cut or now.
fn hours(chart: &Chart, reading: &Reading, cells: &mut BTreeMap<CellKey, Cell>) {
    let mut before = None;
    let mut run = (0, Cell::default());
    for (i, _) in reading.track.at_risk.iter().enumerate().filter(|(_, at_risk)| **at_risk) {
        let t = chart.at(i);
        if t >= chart.now {
            break;
        }
        let m = &chart.minutes[i];
        let here = Some((m.unit, m.day, m.shift));
        if before != here {
            cells.entry(key(chart, reading, run.0)).or_default().add(&run.1);
            (before, run) = (here, (i, Cell::default()));
        }
        let cell = &mut run.1;
        let (till_now, till_cut) = (chart.now.since(t).min(MINUTE), chart.cut.since(t).min(MINUTE));
        if m.unverified {
            cell.unverified += till_now;
            continue;
        }
        cell.unverified += till_now - till_cut;
        cell.at_risk += till_cut;
        if !reading.lapses.iter().any(|l| l.from <= t && l.ended.as_ref().is_none_or(|e| t < e.at)) {
            cell.covered += till_cut;
        }
    }
    cells.entry(key(chart, reading, run.0)).or_default().add(&run.1);
}

fn key(chart: &Chart, reading: &Reading, i: usize) -> CellKey {
    CellKey {
        unit: chart.unit_name(i).unwrap_or_default(),
        day: chart.minutes[i].day,
        shift: chart.shift_name(i),
        requirement: reading.track.requirement.id.clone(),
    }
}

fn count(opportunities: &[Opportunity], cells: &mut BTreeMap<CellKey, Cell>) {
    for o in opportunities {
        let (unit, shift, requirement) = (o.unit.clone(), o.shift.clone(), o.requirement.clone());
        let cell = cells.entry(CellKey { unit, day: o.day, shift, requirement }).or_default();
        match o.outcome {
            Outcome::Met => cell.met += 1,
            Outcome::Missed => cell.missed += 1,
            Outcome::Excused => cell.excused += 1,
        }
        cell.late_charted += u32::from(o.late_charted);
    }
}

fn state(chart: &Chart) -> State {
    if let Some(end) = chart.facts.ends.as_ref().filter(|e| e.at <= chart.now) {
        return State::Ended { at: end.at, how: end.how };
    }
    let now = chart.minute_of(chart.now);
    let m = &chart.minutes[now];
    if let Some(number) = m.episode {
        let first = (0..=now).find(|i| chart.minutes[*i].episode == Some(number)).unwrap();
        let episode = chart.at(first);
        return match (m.away, m.protocol) {
            (true, _) => State::Away { episode },
            (false, None) => State::OutOfScope { episode },
            (false, Some(_)) => State::AtRisk { episode },
        };
    }
    match (0..now).rev().find(|i| chart.minutes[*i].episode.is_some()) {
        Some(last) => State::Extubated { at: chart.at(last + 1) },
        None => State::NotVentilated,
    }
}

fn standing(chart: &Chart, reading: &Reading) -> Option<Standing> {
    let (track, now) = (&reading.track, chart.minute_of(chart.now));
    // a span that the record knows to come is enough
    track.stretches.first()?;
    let m = &chart.minutes[now];
    let stretch = track.stretches.iter().find(|s| Some(s.episode) == m.episode);
    let last = stretch.and_then(|s| {
        let (at, deed) = track.credits.iter().rev().find(|(at, _)| s.holds(chart, **at))?;
        Some((*at, deed.evidence()))
    });
    let open = reading.lapses.iter().find(|l| l.ended.is_none());
    let mut out = Standing {
        protocol: track.place.0,
        index: track.place.1,
        requirement: track.requirement.id.clone(),
        phase: Phase::NotAtRisk,
        last,
        due: None,
        deadline: None,
        outstanding: 0,
        misses: open.map_or(0, |l| u32::try_from(l.misses.len()).unwrap()),
    };
    let per_day = matches!(track.requirement.kind, Kind::PerDay { .. });
    if track.at_risk[now] {
        let ask = reading.ask.unwrap_or(Ask { due: None, deadline: None, outstanding: 0 });
        out.due = ask.due;
        out.deadline = ask.deadline;
        if let Some(lapse) = open.filter(|_| !per_day) {
            out.phase = if lapse.announced { Phase::Announced } else { Phase::Overdue };
            out.due = Some(lapse.due);
            out.deadline = Some(lapse.from);
            out.outstanding = 1;
        } else {
            // care that others follow may have been charted a little ahead of now: they are due at once
            let after = matches!(track.requirement.kind, Kind::After { .. });
            let due = ask.due.is_some_and(|due| due <= chart.now || after);
            out.phase = if due { Phase::Due } else { Phase::Waiting };
            out.outstanding = if per_day { ask.outstanding } else { u32::from(due) };
        }
    } else if track.but_for_away[now] {
        out.phase = Phase::Suspended;
    }
    Some(out)
}

fn patient_days(chart: &Chart, readings: &[Reading], opportunities: &[Opportunity]) -> Vec<PatientDay> {
    let mut days: BTreeMap<_, RequirementCounts> = BTreeMap::new();
    for o in opportunities {
        let counts = days.entry(o.day).or_default().entry(o.requirement.clone()).or_default();
        match o.outcome {
            Outcome::Met => counts.0 += 1,
            Outcome::Missed => counts.1 += 1,
            Outcome::Excused => counts.2 += 1,
        }
    }
    let last_unit = |day| {
        let last = (0..chart.minutes.len()).rev().find(|i| {
            let anywhere = || readings.iter().any(|r| r.track.at_risk[*i]);
            chart.minutes[*i].day == day && chart.at(*i) < chart.cut && anywhere()
        });
        last.and_then(|i| chart.unit_name(i)).unwrap_or_default()
    };
    days.into_iter().map(|(day, counts)| PatientDay { day, unit: last_unit(day), counts }).collect()
}

fn census(chart: &Chart) -> Vec<Census> {
    let first_ventilated = chart.minutes.iter().position(|m| m.episode.is_some());
    let mut out = Vec::new();
    for day in chart.days() {
        let Some(i) = chart.clock_shows(day, chart.rules.census_at) else { continue };
        let m = &chart.minutes[i];
        let known = chart.facts.begins.is_some() || first_ventilated.is_some_and(|first| first <= i);
        if m.in_stay && known && chart.at(i) < chart.cut {
            let unit = chart.unit_name(i).unwrap_or_default();
            out.push(Census { day, unit, ventilated: m.episode.is_some() });
        }
    }
    out
}
