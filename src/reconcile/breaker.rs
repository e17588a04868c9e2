//! When more lapses are to be announced in a unit at once than neglect explains, they are held back and somebody is told:
//! a map that was changed, a feed that leaves something out, a clock. What is held is announced once charting has reached
//! us for a while and it still is so; nothing is dropped, and nothing is counted otherwise.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::PoisonError;
use std::sync::atomic::Ordering;

use tracing::warn;

use super::{Decided, HELD, Reconciler, recorded, write};
use crate::care::time::{Instant, Length};
use crate::store::{Batch, StayQuery, StoreError};
use crate::translate::outcomes::{Utterance, held_back};

/// The time in which announcements are counted together.
const WINDOW: Length = Length::minutes(5);

/// So many patients of a unit within that time are never held back: a small unit with a hard hour.
const FEW: usize = 20;

/// Beyond those, this share of the patients of the unit, in hundredths.
const SHARE: usize = 30;

/// For how long charting must have reached us, without a silence, before what is held is announced.
const FRESH: Length = Length::minutes(10);

/// Stays of a unit that are counted: more say no more.
const MOST_STAYS: usize = 10_000;

/// Announcements of each unit.
#[derive(Debug, Default)]
pub(super) struct Breaker {
    units: BTreeMap<String, Unit>,
}

#[derive(Debug, Default)]
struct Unit {
    recent: VecDeque<(Instant, String)>,
    held: Option<Held>,
    /// What was held is announced until then, however much it is.
    free_until: Option<Instant>,
}

#[derive(Debug)]
struct Held {
    since: Instant,
    fresh_since: Instant,
    patients: BTreeSet<String>,
}

/// A unit whose announcements have begun to be held back, or are no longer.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Turned {
    pub(super) unit: String,
    pub(super) since: Instant,
    /// How many patients have one that is held; none: they are announced from now on.
    pub(super) held: Option<usize>,
}

impl Breaker {
    /// Whether one more announcement in a unit may be too many: then it is to be known how many patients there are.
    pub(super) fn is_near(&mut self, unit: &str, now: Instant) -> bool {
        self.unit(unit, now).recent.len() >= FEW
    }

    /// True if an announcement about `patient` is to be held back; `all` is how many patients are in the unit.
    pub(super) fn holds(&mut self, unit: &str, patient: &str, all: usize, now: Instant) -> bool {
        let of = self.unit(unit, now);
        if of.free_until.is_some_and(|until| now < until) {
            return false;
        }
        let known = of.recent.iter().any(|(_, other)| other == patient);
        let count = of.recent.len() + usize::from(!known);
        if of.held.is_none() && count > FEW.max(all * SHARE / 100) {
            of.held = Some(Held { since: now, fresh_since: now, patients: BTreeSet::new() });
        }
        if let Some(held) = &mut of.held {
            held.patients.insert(patient.to_owned());
            return true;
        }
        if !known {
            of.recent.push_back((now, patient.to_owned()));
        }
        false
    }

    /// Lets go what has been held for long enough on a feed that speaks; tells of each unit how it stands.
    pub(super) fn turn(&mut self, is_silent: bool, now: Instant) -> Vec<Turned> {
        let mut turned = Vec::new();
        for (unit, of) in &mut self.units {
            let Some(held) = &mut of.held else { continue };
            if is_silent {
                held.fresh_since = now;
            }
            let (since, patients) = (held.since, held.patients.len());
            let over = held.fresh_since + FRESH <= now;
            if over {
                of.held = None;
                of.free_until = Some(now + WINDOW);
                of.recent.clear();
            }
            turned.push(Turned { unit: unit.clone(), since, held: (!over).then_some(patients) });
        }
        turned
    }

    /// How many patients have an announcement that is held back.
    pub(super) fn held(&self) -> usize {
        self.units.values().filter_map(|of| Some(of.held.as_ref()?.patients.len())).sum()
    }

    fn unit(&mut self, unit: &str, now: Instant) -> &mut Unit {
        let of = self.units.entry(unit.to_owned()).or_default();
        while of.recent.front().is_some_and(|(at, _)| *at + WINDOW <= now) {
            of.recent.pop_front();
        }
        of
    }
}

impl Reconciler {
    /// Takes out of what was decided the announcements that are held back; the patient is looked at again soon.
    pub(super) async fn hold_back(&self, decided: &mut Decided, now: Instant) -> Result<(), StoreError> {
        let breaker = || self.breaker.lock().unwrap_or_else(PoisonError::into_inner);
        let mut held: BTreeSet<String> = BTreeSet::new();
        let new = decided.utterances.iter().filter(|u| u.kind == "DetectedIssue" && u.replaces.is_none());
        let stays: BTreeSet<&String> =
            new.filter(|u| u.row.open).filter_map(|u| u.row.encounter.as_ref()).collect();
        for stay in stays {
            let row = decided.reconciled.stays.iter().find(|row| row.stay == *stay);
            let unit = row.and_then(|row| row.unit.clone());
            let named = unit.clone().unwrap_or_else(|| "not known".to_owned());
            let near = breaker().is_near(&named, now);
            let all = if near {
                let (open, limit) = (Some(true), MOST_STAYS);
                self.store.stays(StayQuery { unit, open, limit, ..StayQuery::default() }).await?.len()
            } else {
                0
            };
            if breaker().holds(&named, &decided.reconciled.patient, all, now) {
                held.insert(stay.clone());
            }
        }
        if !held.is_empty() {
            // what closes is said all the same
            let is_held =
                |u: &Utterance| u.row.open && u.row.encounter.as_ref().is_some_and(|e| held.contains(e));
            decided.utterances.retain(|u| !is_held(u));
            let soon = (now + HELD).micros();
            decided.reconciled.wake_us = Some(decided.reconciled.wake_us.map_or(soon, |wake| wake.min(soon)));
        }
        Ok(())
    }

    /// One operational DetectedIssue for each unit whose announcements are held back.
    pub(super) async fn tell_held(&self, is_silent: bool, now: Instant) -> Result<(), StoreError> {
        let (turned, held) = {
            let mut breaker = self.breaker.lock().unwrap_or_else(PoisonError::into_inner);
            (breaker.turn(is_silent, now), breaker.held())
        };
        self.counters.held.store(held as u64, Ordering::Relaxed);
        for unit in turned {
            let mark = format!("held/{}", unit.unit);
            let since = unit.since.micros().to_string();
            let told = self.store.mark(&mark).await?.unwrap_or_default();
            let (until, remember) =
                if unit.held.is_some() { (None, since) } else { (Some(now), String::new()) };
            if told == remember {
                continue;
            }
            warn!(unit = unit.unit, held = unit.held, "more lapses at once than are announced unseen");
            let mut said = held_back(&unit.unit, unit.since, until);
            said.replaces = self.store.document(said.kind, &said.id).await?.map(|d| d.version);
            let (marks, writes) = (vec![(mark.into(), remember)], vec![write(said)]);
            let audits = vec![recorded()];
            self.store
                .commit(Batch { now_us: now.micros(), writes, marks, audits, ..Batch::default() })
                .await?;
            self.told.notify_one();
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::{Breaker, Turned};
    use crate::care::time::{Instant, Length};

    fn at(minutes: i64) -> Instant {
        Instant::from_micros(0) + Length::minutes(minutes)
    }

    fn told(breaker: &mut Breaker, patients: std::ops::Range<usize>, all: usize, now: Instant) -> usize {
        patients.filter(|n| !breaker.holds("north", &format!("p{n}"), all, now)).count()
    }

    #[test]
    fn twenty_or_three_in_ten_within_five_minutes_are_announced_and_no_more() {
        assert_eq!(told(&mut Breaker::default(), 0..40, 12, at(0)), 20);
        assert_eq!(told(&mut Breaker::default(), 0..400, 500, at(0)), 150);
        let mut spread = Breaker::default();
        let told = (0..40).map(|n| told(&mut spread, n..n + 1, 12, at(n as i64))).sum::<usize>();
        assert_eq!(told, 40, "a hard night is not held back");
    }

    #[test]
    fn what_is_held_is_announced_when_charting_has_reached_us_for_ten_minutes() {
        let mut breaker = Breaker::default();
        assert_eq!(told(&mut breaker, 0..30, 12, at(0)), 20);
        let standing = |held| Turned { unit: "north".to_owned(), since: at(0), held };
        assert_eq!(breaker.turn(false, at(1)), [standing(Some(10))]);
        assert_eq!(breaker.turn(true, at(5)), [standing(Some(10))], "a silence begins it anew");
        assert_eq!(breaker.turn(false, at(14)), [standing(Some(10))]);
        assert_eq!(told(&mut breaker, 29..30, 12, at(14)), 0);
        assert_eq!(breaker.turn(false, at(15)), [standing(None)]);
        assert_eq!((told(&mut breaker, 20..30, 12, at(16)), breaker.held()), (10, 0));
        assert_eq!(breaker.turn(false, at(17)), []);
    }
}
