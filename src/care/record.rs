//! What follows from facts and rules whatever the time.

use super::airway::Charted;
use super::deeds::{Deeds, deeds};
use super::facts::Facts;
use super::ledger::State;
use super::place::{Places, places};
use super::protocol::{Requirement, Rules};
use super::time::{Instant, Span, Spans};

/// The facts of a stay, sorted for counting.
#[derive(Debug)]
pub(super) struct Record<'a> {
    pub(super) facts: &'a Facts,
    pub(super) rules: &'a Rules,
    /// The requirements of all protocols, one protocol after the other.
    pub(super) requirements: Vec<&'a Requirement>,
    /// What was done and excused for each of them.
    pub(super) deeds: Vec<Deeds<'a>>,
    pub(super) charted: Charted<'a>,
    pub(super) away: Spans,
    pub(super) places: Places,
    /// For each protocol the time in units where it holds.
    pub(super) scopes: Vec<Spans>,
}

impl<'a> Record<'a> {
    /// Sorts `facts`.
    pub(super) fn read(facts: &'a Facts, rules: &'a Rules) -> Self {
        let requirements: Vec<&Requirement> = rules.protocols.iter().flat_map(|p| &p.requirements).collect();
        let places = places(&facts.units);
        let scope = |p| places.time(|unit| rules.protocol_in(unit) == Some(p));
        Record {
            facts,
            rules,
            deeds: deeds(facts, &requirements),
            requirements,
            charted: Charted::all(facts),
            away: Spans::union(facts.away.iter().map(|a| Span::until(a.from, a.to))),
            scopes: (0..rules.protocols.len()).map(scope).collect(),
            places,
        }
    }

    /// Whether there is something to do for the patient at `now`, with these episodes.
    pub(super) fn state(&self, episodes: &Spans, now: Instant) -> State {
        if let Some(end) = self.facts.ends.as_ref().filter(|e| e.at <= now) {
            return State::Ended { at: end.at, how: end.how };
        }
        let Some(episode) = episodes.iter().find(|e| e.contains(now)).map(|e| e.from) else {
            let over = episodes.iter().map(|e| e.to).rfind(|to| *to <= now);
            return over.map_or(State::NotVentilated, |at| State::Extubated { at });
        };
        if self.away.contains(now) {
            State::Away { episode }
        } else if self.rules.protocol_in(self.places.at(now).map(|u| &**u)).is_none() {
            State::OutOfScope { episode }
        } else {
            State::AtRisk { episode }
        }
    }
}
