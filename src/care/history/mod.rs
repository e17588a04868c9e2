//! What would have been said of a stay, and when: the Tasks and DetectedIssues of a service that had been there all the
//! time, for charting that is past.

mod asked;
mod epochs;
mod issues;
mod tasks;
mod told;
mod unsettled;

use std::sync::Arc;

use super::airway::{begin_of, end_of};
use super::facts::Facts;
use super::ledger::{Feed, Lapse, Ledger, Opportunities};
use super::line::{Line, Times};
use super::plan::{Mitigation, Reason};
use super::protocol::Rules;
use super::reconcile::ledger_of;
use super::record::Record;
use super::time::Instant;
use asked::{Asked, Past, Track, asked};
use epochs::{Epoch, epochs};
use issues::issues;
use tasks::{View, tasks};
use told::Told;

/// What would have been said of a stay.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct History {
    /// In order of time. They do not overlap; only the last can be open.
    pub tasks: Vec<PastTask>,
    /// In the order (requirement, first deadline).
    pub issues: Vec<PastIssue>,
}

/// A Task that would have been opened.
#[derive(Clone, PartialEq, Debug)]
pub struct PastTask {
    /// Names the Task together with the stay: the instant at which its first item became due.
    pub round: Instant,
    /// When it would have been written first.
    pub opened: Instant,
    /// The unit then, empty if not known.
    pub unit: Arc<str>,
    /// When and how it would have been closed; none if it is open.
    pub closed: Option<(Instant, PastClosing)>,
    /// The requirements that were due at any time while it was open, in the protocol's order.
    pub asked: Vec<Arc<str>>,
}

/// How a Task would have been closed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PastClosing {
    /// What was due had been charted.
    Completed,
    /// There was no longer anything to do.
    Cancelled(Reason),
}

/// A lapse that would have been announced.
#[derive(Clone, PartialEq, Debug)]
pub struct PastIssue {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// Index into the rules' protocols, and into that protocol's requirements.
    pub place: (usize, usize),
    /// The first missed deadline; with stay and requirement it names the issue.
    pub from: Instant,
    /// When it would have been announced.
    pub announced: Instant,
    /// The unit at the first deadline, empty if not known.
    pub unit: Arc<str>,
    /// What became of it.
    pub fate: Fate,
}

/// What became of an announced lapse.
#[derive(Clone, PartialEq, Debug)]
pub enum Fate {
    /// The ledger has it, open or ended.
    Standing(Lapse),
    /// Later charting took it away.
    Withdrawn {
        /// Since when it has been gone.
        at: Instant,
        /// Why, by all that is known.
        mitigation: Mitigation,
    },
}

/// The ledger of the stay at `until`, and what would have been said of it up to then. `facts` are what is known at
/// `until`: what they tell of later is left out, of the ledger too.
///
/// It is what [`plan`](super::plan::plan) would have asked for at each instant, had all documents reached the service
/// when they say so: care and excuses when they were received, everything else when it happened. Care under way is not
/// considered. The feed counts as never silent, and nobody touches a Task by hand: of a Task that was rejected only the
/// excuse is known.
pub fn ledger_and_history(
    facts: &Facts,
    rules: &Rules,
    until: Instant,
    each: Opportunities,
) -> (Ledger, History) {
    let known;
    let facts = if knows_later(facts, rules, until) {
        known = known_at(facts, rules, until);
        &known
    } else {
        facts
    };
    let record = Record::read(facts, rules);
    let ledger = ledger_of(&record, Feed::unwatched(), until, each);
    let history = history(&record, &ledger, until);
    (ledger, history)
}

/// What would have been said up to `until` of the stay whose ledger then is `ledger`.
fn history(record: &Record<'_>, ledger: &Ledger, until: Instant) -> History {
    let rules = record.rules;
    let told: Vec<Told<'_>> = record.deeds.iter().map(|d| Told::new(d, rules)).collect();
    let epochs = epochs(record, until);
    let view = View { record, epochs: &epochs, until };
    let tracks: Vec<Vec<Track<'_>>> = epochs.iter().map(|epoch| view.tracks(epoch, &told)).collect();
    let mut spans: Vec<Asked> = Vec::new();
    for (epoch, tracks) in epochs.iter().zip(&tracks) {
        for track in tracks {
            asked(track, tracks, &Past { rules, epoch }, &mut spans);
        }
    }
    let mut out = History { tasks: tasks(&mut spans, &view), issues: Vec::new() };
    for number in 0..record.requirements.len() {
        issues(number, &tracks, &told, &ledger.lapses, &view, &mut out.issues);
    }
    out.issues.sort_by_key(|i| (i.place, i.from));
    out
}

impl<'a> View<'a> {
    /// The requirements that applied to the stay by what was known in `epoch`.
    fn tracks(&self, epoch: &Epoch, told: &'a [Told<'a>]) -> Vec<Track<'a>> {
        let mut out = Vec::new();
        let mut numbers = 0..;
        let record = self.record;
        for (p, (protocol, scope)) in record.rules.protocols.iter().zip(&record.scopes).enumerate() {
            let scope = epoch.airway.episodes.and(scope);
            let times = Times { scope: &scope, away: &record.away, episodes: &epoch.airway.episodes };
            for ((index, requirement), number) in protocol.requirements.iter().enumerate().zip(&mut numbers) {
                let line = Line::new((p, index), requirement, times, &record.facts.conditions);
                if let Some(told) = told.get(number).filter(|_| !line.at_risk.is_empty()) {
                    out.push(Track { number, line, told });
                }
            }
        }
        out
    }
}

/// True if `facts` tell of something that is not known at `now`.
fn knows_later(facts: &Facts, rules: &Rules, now: Instant) -> bool {
    let ends = facts.units.iter().map(|u| (u.from, u.to));
    let ends = ends.chain(facts.away.iter().map(|a| (a.from, a.to)));
    let mut ends = ends.chain(facts.conditions.iter().map(|c| (c.from, c.to)));
    let instants = facts.care.iter().map(|c| c.received).chain(facts.excuses.iter().map(|x| x.received));
    let instants = instants.chain(facts.airway_rows.iter().map(|r| r.at));
    let mut instants = instants.chain(facts.extubations.iter().map(|e| e.at));
    facts.ends.as_ref().is_some_and(|e| e.at > now)
        || ends.any(|(from, to)| from > now || to.is_some_and(|to| to > now))
        || instants.any(|at| at > now)
        || facts
            .ventilated
            .iter()
            .any(|v| begin_of(v.from, rules) > now || v.to.is_some_and(|to| end_of(to, rules) > now))
}

/// What of `facts` is known at `now`.
fn known_at(facts: &Facts, rules: &Rules, now: Instant) -> Facts {
    let by = |to: Option<Instant>| to.filter(|to| *to <= now);
    let mut known = facts.clone();
    known.ends = known.ends.filter(|e| e.at <= now);
    known.ventilated.retain(|v| begin_of(v.from, rules) <= now);
    known.ventilated.iter_mut().for_each(|v| v.to = v.to.filter(|to| end_of(*to, rules) <= now));
    known.airway_rows.retain(|r| r.at <= now);
    known.extubations.retain(|e| e.at <= now);
    known.units.retain(|u| u.from <= now);
    known.units.iter_mut().for_each(|u| u.to = by(u.to));
    known.away.retain(|a| a.from <= now);
    known.away.iter_mut().for_each(|a| a.to = by(a.to));
    known.conditions.retain(|c| c.from <= now);
    known.conditions.iter_mut().for_each(|c| c.to = by(c.to));
    known.care.retain(|c| c.received <= now);
    known.excuses.retain(|x| x.received <= now);
    known
}
