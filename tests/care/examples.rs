//! Stays told in the script language, each with the ledger that the rules of the ward make of it.
//!
//! A file holds cases: `== a claim`, the script, `--`, what is shown. What stands before the first case belongs to all
//! of them. The expected text is what a nurse would count, never what the program happened to say.

use std::collections::BTreeMap;
use std::fmt::Write;

use chrono_tz::Tz;
use terce::care::facts::Ending;
use terce::care::ledger::{Cell, Lapse, LapseEnder, Ledger, Opportunity, Outcome, Phase, Standing, State};
use terce::care::protocol::Rules;
use terce::care::reconcile::reconcile;
use terce::care::time::{Instant, Length};

use super::script::{Script, told};

const CAN_BE_SHOWN: [&str; 13] = [
    "state",
    "counts",
    "misses",
    "mets",
    "lapses",
    "now",
    "by-unit",
    "by-day",
    "by-shift",
    "patient-days",
    "census",
    "doubts",
    "wake",
];

#[test]
fn every_counts_as_the_ward_does() {
    check(include_str!("examples/every.txt"));
}

#[test]
fn per_day_counts_as_the_ward_does() {
    check(include_str!("examples/per_day.txt"));
}

#[test]
fn what_was_rejected_on_a_task_excuses_what_it_asked_for() {
    check(include_str!("examples/rejected.txt"));
}

#[test]
fn times_of_day_count_as_the_ward_does() {
    check(include_str!("examples/at.txt"));
}

#[test]
fn care_after_care_counts_as_the_ward_does() {
    check(include_str!("examples/after.txt"));
}

#[test]
fn ventilation_is_read_as_charted_and_doubted_where_it_must_be() {
    check(include_str!("examples/ventilation.txt"));
}

#[test]
fn counts_belong_to_the_unit_day_and_shift_in_which_they_fell() {
    check(include_str!("examples/units.txt"));
}

#[test]
fn a_miss_is_announced_only_when_it_is_known() {
    check(include_str!("examples/announced.txt"));
}

#[test]
fn the_ledger_says_what_to_do_now_and_when_that_changes() {
    check(include_str!("examples/now.txt"));
}

fn check(file: &str) {
    let mut parts = file.split("\n== ");
    let common = parts.next().unwrap_or_default();
    let (mut cases, mut wrong) = (0, String::new());
    for part in parts {
        cases += 1;
        let (title, rest) = part.split_once('\n').unwrap_or((part, ""));
        let (script, expected) = rest.split_once("\n--").unwrap_or((rest, ""));
        let shown = run(common, script).unwrap_or_else(|why| format!("cannot be shown: {why}"));
        let expected = lines(expected);
        if lines(&shown) != expected {
            let _ = writeln!(wrong, "== {title}\n{}", difference(&expected, &lines(&shown)));
        }
    }
    assert!(cases > 0, "no case begins with `== `");
    assert!(wrong.is_empty(), "\n{wrong}");
}

fn lines(text: &str) -> Vec<&str> {
    text.lines().map(str::trim_end).filter(|l| !l.is_empty()).collect()
}

/// All lines, those only expected after `-`, those only shown after `+`.
fn difference(expected: &[&str], shown: &[&str]) -> String {
    let (mut out, mut at) = (String::new(), 0);
    for line in expected {
        let found = shown.iter().skip(at).position(|s| s == line);
        let until = found.map_or(at, |n| at + n);
        shown.iter().take(until).skip(at).for_each(|s| out.push_str(&format!("+{s}\n")));
        out.push_str(&format!("{}{line}\n", if found.is_some() { ' ' } else { '-' }));
        at = until + usize::from(found.is_some());
    }
    shown.iter().skip(at).for_each(|s| out.push_str(&format!("+{s}\n")));
    out
}

/// The ledgers of a script as text. Each is made twice, the second time from the facts backwards and each told twice:
/// that must make no difference.
fn run(common: &str, own: &str) -> Result<String, String> {
    let script = Script::read(common, own)?;
    if let Some(unknown) = script.show.iter().find(|w| !CAN_BE_SHOWN.contains(&w.as_str())) {
        return Err(format!("`{unknown}` is nothing that can be shown"));
    }
    let mut out = String::new();
    for (now, feed) in &script.looks {
        let ledger = reconcile(&script.known_at(*now, false), &script.rules, *feed, *now);
        if ledger != reconcile(&script.known_at(*now, true), &script.rules, *feed, *now) {
            return Err("the ledger depends on the order of the facts, or on how often they are told".into());
        }
        let shown = Shown { ledger: &ledger, rules: &script.rules, wanted: &script.show };
        if script.looks.len() > 1 {
            out.push_str(&format!("at {}\n", shown.at(*now)));
        }
        shown.write(&mut out).map_err(|_| "cannot be written")?;
    }
    Ok(out)
}

struct Shown<'a> {
    ledger: &'a Ledger,
    rules: &'a Rules,
    wanted: &'a [String],
}

impl Shown<'_> {
    fn wants(&self, what: &str) -> bool {
        const USUAL: [&str; 4] = ["counts", "misses", "lapses", "doubts"];
        self.wanted.iter().any(|w| w == what) || self.wanted.is_empty() && USUAL.contains(&what)
    }

    fn zone(&self) -> Tz {
        self.rules.zone
    }

    fn at(&self, at: Instant) -> String {
        told(at, self.zone())
    }

    fn write(&self, out: &mut String) -> std::fmt::Result {
        if self.wants("state") {
            writeln!(out, "{}", self.state())?;
        }
        for requirement in self.rules.protocols.iter().flat_map(|p| &p.requirements) {
            self.requirement(&requirement.id, out)?;
        }
        if self.wants("patient-days") {
            for day in &self.ledger.patient_days {
                write!(out, "patient day {} in {}:", day.day.format("%m-%d"), unit(&day.unit))?;
                for (requirement, (met, missed, excused)) in &day.counts {
                    write!(out, " {requirement} {met}/{missed}/{excused}")?;
                }
                writeln!(out)?;
            }
        }
        if self.wants("census") {
            for census in &self.ledger.census {
                let how = if census.ventilated { "ventilated" } else { "not ventilated" };
                writeln!(out, "census {} in {}: {how}", census.day.format("%m-%d"), unit(&census.unit))?;
            }
        }
        if self.wants("doubts") {
            for doubt in &self.ledger.doubts {
                writeln!(out, "doubt about {}", doubt.source)?;
            }
        }
        if self.wants("wake") {
            writeln!(out, "wake {}", self.ledger.wake.map_or("never".into(), |w| self.at(w)))?;
            if let Some(held) = self.ledger.held_until {
                writeln!(out, "held until {}", self.at(held))?;
            }
        }
        Ok(())
    }

    fn state(&self) -> String {
        match self.ledger.state {
            State::NotVentilated => "not ventilated".into(),
            State::AtRisk { episode } => format!("at risk, ventilated since {}", self.at(episode)),
            State::Away { episode } => format!("away, ventilated since {}", self.at(episode)),
            State::OutOfScope { episode } => format!("out of scope, ventilated since {}", self.at(episode)),
            State::Extubated { at } => format!("extubated {}", self.at(at)),
            State::Ended { at, how: Ending::Discharged } => format!("discharged {}", self.at(at)),
            State::Ended { at, how: Ending::Died } => format!("died {}", self.at(at)),
            State::Ended { at, how: Ending::Cancelled } => format!("cancelled {}", self.at(at)),
        }
    }

    fn requirement(&self, id: &str, out: &mut String) -> std::fmt::Result {
        let ledger = self.ledger;
        let mut standings = ledger.standings.iter().filter(|s| &*s.requirement == id).peekable();
        let cells: Vec<_> = ledger.cells.iter().filter(|(key, _)| &*key.requirement == id).collect();
        if standings.peek().is_none() && cells.is_empty() {
            return Ok(());
        }
        let total = sum(cells.iter().map(|(_, cell)| *cell));
        let by = ["by-unit", "by-day", "by-shift"].map(|by| self.wants(by));
        match (
            self.wants("counts"),
            by.contains(&true) || ["mets", "misses", "lapses", "now"].iter().any(|w| self.wants(w)),
        ) {
            (true, _) => writeln!(out, "{id}: {}", counts(&total))?,
            (false, true) => writeln!(out, "{id}")?,
            (false, false) => {}
        }
        if by.contains(&true) {
            let mut parts = BTreeMap::<String, Cell>::new();
            for (key, cell) in cells {
                let names =
                    [unit(&key.unit).to_string(), key.day.format("%m-%d").to_string(), key.shift.to_string()];
                let name: Vec<_> =
                    names.into_iter().zip(by).filter(|(_, wanted)| *wanted).map(|(n, _)| n).collect();
                parts.entry(name.join(" ")).or_default().add(cell);
            }
            for (name, cell) in parts {
                writeln!(out, "  {name}: {}", counts(&cell))?;
            }
        }
        for opportunity in ledger.opportunities.iter().filter(|o| &*o.requirement == id) {
            self.opportunity(opportunity, out)?;
        }
        for lapse in ledger.lapses.iter().filter(|l| &*l.requirement == id && self.wants("lapses")) {
            self.lapse(lapse, out)?;
        }
        for standing in standings.filter(|_| self.wants("now")) {
            self.standing(standing, out)?;
        }
        Ok(())
    }

    fn opportunity(&self, opportunity: &Opportunity, out: &mut String) -> std::fmt::Result {
        let (what, wanted) = match opportunity.outcome {
            Outcome::Met => ("met", "mets"),
            Outcome::Missed => ("missed", "misses"),
            Outcome::Excused => ("excused", "misses"),
        };
        if !self.wants(wanted) {
            return Ok(());
        }
        let Opportunity { at, day, shift, evidence, .. } = opportunity;
        write!(
            out,
            "  {what} {} ({} {} {shift})",
            self.at(*at),
            unit(&opportunity.unit),
            day.format("%m-%d")
        )?;
        if opportunity.outcome == Outcome::Met {
            let sources: Vec<_> = evidence.iter().map(ToString::to_string).collect();
            write!(out, ": {}", sources.join(" and "))?;
        }
        writeln!(out, "{}", if opportunity.late_charted { ", charted late" } else { "" })
    }

    fn lapse(&self, lapse: &Lapse, out: &mut String) -> std::fmt::Result {
        write!(out, "  lapse {} - ", self.at(lapse.from))?;
        if let Some(end) = &lapse.ended {
            let by = match end.by {
                LapseEnder::Care => "care",
                LapseEnder::Excuse => "excuse",
                LapseEnder::EndOfStretch => "end of stretch",
            };
            write!(out, "{} {by}", self.at(end.at))?;
        }
        let announced = match lapse.announced {
            true => "announced".into(),
            false if lapse.ended.is_some() => "never announced".into(),
            false => format!("not announced before {}", self.at(lapse.declared)),
        };
        let missed =
            if lapse.misses.len() == 1 { String::new() } else { format!(", {} misses", lapse.misses.len()) };
        writeln!(out, ", {}{missed}, {announced}", hours(lapse.lapsed))
    }

    fn standing(&self, standing: &Standing, out: &mut String) -> std::fmt::Result {
        let phase = match standing.phase {
            Phase::NotAtRisk => "not at risk",
            Phase::Suspended => "suspended",
            Phase::Waiting => "waiting",
            Phase::Due => "due",
            Phase::Overdue => "overdue",
            Phase::Announced => "announced",
        };
        write!(out, "  now {phase}")?;
        let last = standing.last.as_ref().map(|(at, _)| *at);
        for (name, at) in [("last", last), ("due", standing.due), ("deadline", standing.deadline)] {
            if let Some(at) = at {
                write!(out, ", {name} {}", self.at(at))?;
            }
        }
        for (name, number) in [("outstanding", standing.outstanding), ("misses", standing.misses)] {
            if number > 0 {
                write!(out, ", {name} {number}")?;
            }
        }
        writeln!(out)
    }
}

fn unit(id: &str) -> &str {
    if id.is_empty() { "no-unit" } else { id }
}

fn sum<'a>(cells: impl Iterator<Item = &'a Cell>) -> Cell {
    let mut total = Cell::default();
    cells.for_each(|cell| total.add(cell));
    total
}

fn counts(cell: &Cell) -> String {
    let mut out = format!("met {}, missed {}, excused {}", cell.met, cell.missed, cell.excused);
    if cell.late_charted > 0 {
        out.push_str(&format!(", charted late {}", cell.late_charted));
    }
    out.push_str(&format!("; covered {} of {} h", hours(cell.covered), hours(cell.at_risk)));
    if cell.unverified > Length::ZERO {
        out.push_str(&format!(", unverified {} h", hours(cell.unverified)));
    }
    out
}

/// Hours and minutes, and what is below only if there is any.
fn hours(length: Length) -> String {
    let us = length.as_micros();
    let (minutes, rest) = (us / 60_000_000, us % 60_000_000);
    let rest = if rest == 0 { String::new() } else { format!(" + {} s", rest as f64 / 1e6) };
    format!("{}:{:02}{rest}", minutes / 60, minutes % 60)
}
