//! Where the patient was: from the locations of an encounter to units and to time away.

use std::sync::Arc;

use super::Stayed;
use super::look::DEEPEST;
use super::stays::{Assembly, Stay};
use crate::care::facts::{AwaySpan, UnitSpan};
use crate::care::time::{Instant, Span, Spans};
use crate::translate::extract::{EncounterSays, Extract, LocationRow};

/// What a place is.
enum Place {
    Away,
    Unit(Arc<str>),
    /// Neither a unit nor known to be in one: it stands for itself where nothing better is known.
    Unknown,
}

impl Assembly<'_> {
    /// Adds to a stay where one of its encounters, which lasted for `window`, says that the patient was.
    pub(super) fn whereabouts(
        &mut self,
        stay: &mut Stay,
        extract: &Extract,
        says: &EncounterSays,
        window: Span,
    ) {
        let source = &extract.source;
        // With no period, one that the patient has left would claim the time of the one where the patient is
        let staying = says.rows.iter().any(|r| !r.timed && !r.left);
        let (mut known, mut unknown): (Vec<UnitSpan>, Vec<UnitSpan>) = (Vec::new(), Vec::new());
        for row in &says.rows {
            if !row.timed && row.left && staying {
                stay.doubt(
                    source,
                    "a location that was left has no period; when the patient was there is not known",
                );
                continue;
            }
            let (from, to) = self.bounds(row, says, window);
            stay.facts.places.push(Stayed { location: row.location.clone(), from, to });
            if row.left && row.timed && row.to.is_none() {
                stay.doubt(
                    source,
                    "a location that was left has no end; taken to have been left when that was charted",
                );
            }
            let unit = match self.place_of(&row.location) {
                Place::Away => {
                    let span = AwaySpan { from, to, source: source.clone() };
                    stay.facts.facts.away.push(span);
                    continue;
                }
                Place::Unit(unit) => {
                    known.push(UnitSpan { unit, from, to, source: source.clone() });
                    continue;
                }
                Place::Unknown => row.location.clone(),
            };
            unknown.push(UnitSpan { unit, from, to, source: source.clone() });
        }
        // A bed whose ward is not known must not displace a ward that is charted beside it
        let covered = Spans::union(known.iter().map(|u| Span::until(u.from, u.to)));
        for span in unknown {
            let whole = Spans::union([Span::until(span.from, span.to)]);
            known.extend(whole.minus(&covered).iter().map(|piece| UnitSpan {
                from: piece.from,
                to: (piece.to < Instant::LATEST).then_some(piece.to),
                ..span.clone()
            }));
        }
        known.sort_by(|a, b| (a.from, &a.unit, a.to).cmp(&(b.from, &b.unit, b.to)));
        known.dedup();
        stay.facts.facts.units.extend(known);
    }

    /// Start and end of a row; what it does not say the encounter says.
    fn bounds(&self, row: &LocationRow, says: &EncounterSays, window: Span) -> (Instant, Option<Instant>) {
        let from = row.from.map_or(window.from, |f| self.first(f));
        let ended = (window.to < Instant::LATEST).then_some(window.to);
        let left = (row.left && row.timed).then_some(says.told.max(from));
        let unsaid = [ended, left].into_iter().flatten().min();
        (from, row.to.map(|t| self.last(t)).or(unsaid))
    }

    fn place_of(&mut self, location: &Arc<str>) -> Place {
        let mut seen: Vec<Arc<str>> = Vec::new();
        let mut ward = None;
        let mut next = Some(location.clone());
        while let Some(at) = next {
            if self.settings.away.contains(&at) {
                return Place::Away;
            }
            if self.settings.units.contains(&at) {
                return Place::Unit(at);
            }
            if seen.contains(&at) || seen.len() >= DEEPEST {
                break;
            }
            let found = self.look.get("Location", &at);
            let says = found.as_ref().and_then(|e| e.location());
            if ward.is_none() && says.is_some_and(|s| s.ward) {
                ward = Some(at.clone());
            }
            next = says.and_then(|s| s.part_of.clone());
            seen.push(at);
        }
        ward.map_or(Place::Unknown, Place::Unit)
    }
}
