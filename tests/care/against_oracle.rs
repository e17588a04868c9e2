//! The core against the slow reading, over thousands of random stays.

use std::fmt::Debug;

use terce::care::ledger::{Cell, Ledger};
use terce::care::reconcile::reconcile;

use super::oracle::slow_reading;
use super::stays::{Look, Stay};

/// How many stays; with the seeds from 0 on, so that a failure names its stay.
const STAYS: u64 = 10_000;

#[test]
fn the_ledger_equals_the_slow_reading() {
    for stay in (0..STAYS).map(Stay::random) {
        if stay.looks.iter().any(|look| differs(&stay, *look).is_some()) {
            let (stay, difference) = smallest(stay);
            panic!("{difference}\n{stay:?}");
        }
    }
}

/// What differs first between the two, if anything.
fn differs(stay: &Stay, look: Look) -> Option<String> {
    let facts = stay.facts();
    let core = reconcile(&facts, &stay.rules, look.feed, look.now);
    let slow = slow_reading(&facts, &stay.rules, look.feed, look.now);
    difference(&core, &slow)
}

/// The same failure with no fact and no requirement that it does not need.
fn smallest(mut stay: Stay) -> (Stay, String) {
    let (look, mut difference) = stay.looks.iter().find_map(|l| Some((*l, differs(&stay, *l)?))).unwrap();
    stay.looks = vec![look];
    // another part of the ledger may differ for another reason
    let part = difference.split(' ').next().unwrap().to_owned();
    let fails = |s: Stay| differs(&s, look).filter(|d| d.starts_with(&part)).map(|d| (s, d));
    while let Some(smaller) = fewer(&stay).into_iter().find_map(fails) {
        (stay, difference) = smaller;
    }
    (stay, difference)
}

/// The stay without one fact, or without one requirement at the end of a protocol.
pub(super) fn fewer(stay: &Stay) -> Vec<Stay> {
    let mut out = Vec::new();
    for n in 0..stay.entries.len() {
        let mut less = stay.clone();
        less.entries.remove(n);
        out.push(less);
    }
    for p in 0..stay.rules.protocols.len() {
        let mut less = stay.clone();
        if less.rules.protocols[p].requirements.pop().is_some() {
            out.push(less);
        }
    }
    out
}

fn difference(core: &Ledger, slow: &Ledger) -> Option<String> {
    let opportunities = |l: &Ledger| {
        let mut all = l.opportunities.clone();
        all.sort_by_key(|o| (o.requirement.clone(), o.at, o.deadline, o.outcome, o.evidence.clone()));
        all
    };
    let lapses = |l: &Ledger| {
        let mut all = l.lapses.clone();
        all.sort_by_key(|l| (l.place, l.from));
        all
    };
    let cells = |l: &Ledger| {
        let filled = l.cells.iter().filter(|(_, cell)| **cell != Cell::default());
        filled.map(|(key, cell)| (key.clone(), *cell)).collect::<Vec<_>>()
    };
    list("opportunity", &opportunities(core), &opportunities(slow))
        .or_else(|| list("lapse", &lapses(core), &lapses(slow)))
        .or_else(|| list("cell", &cells(core), &cells(slow)))
        .or_else(|| list("standing", &core.standings, &slow.standings))
        .or_else(|| list("patient day", &core.patient_days, &slow.patient_days))
        .or_else(|| list("census", &core.census, &slow.census))
        .or_else(|| list("state", &[core.state], &[slow.state]))
        .or_else(|| list("unit", &[&core.unit], &[&slow.unit]))
        .or_else(|| list("held", &[core.held_until], &[slow.held_until]))
        .or_else(|| list("unverified", &[core.unverified_since], &[slow.unverified_since]))
}

fn list<T: PartialEq + Debug>(what: &str, core: &[T], slow: &[T]) -> Option<String> {
    let n = (0..core.len().max(slow.len())).find(|n| core.get(*n) != slow.get(*n))?;
    let counts = format!("{} and {}", core.len(), slow.len());
    Some(format!("{what} {n} ({counts})\ncore: {:#?}\nslow: {:#?}", core.get(n), slow.get(n)))
}
