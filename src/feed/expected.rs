//! Parts of what a source tells that are told again and again: documents of one type about the patients of one unit.
//!
//! A source can speak while a part of it is silent: an interface of one unit that broke, a type that is no longer sent.
//! A site says how long such a part is never silent while care is given (`[[source.expect]]`); where it is silent for
//! longer, care in that unit is unverified from the last document on, as if the whole source were silent for it. What
//! comes then may come late: the part is taken to speak again once it has done so for a while.

use std::collections::BTreeMap;
use std::sync::PoisonError;

use super::Feeds;
use crate::care::ledger;
use crate::care::time::{Instant, Length};
use crate::config::Source;

/// Fewer patients can be neglected together: of those no silence is made.
const FEW: usize = 3;

/// For how long a part must speak again before its care is verified: what was held up comes in meanwhile.
const FRESH: Length = Length::minutes(10);

/// A part of what a source tells.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Part {
    /// The source.
    pub source: String,
    /// The resource type.
    pub kind: String,
    /// The unit, a `Location` id.
    pub unit: String,
    /// It is silent when nothing was told for this long.
    pub patience: Length,
}

/// What was found of a part.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Found {
    /// When the last document about one of its patients was received; none: there is none.
    pub last: Option<Instant>,
    /// How many patients care is due for.
    pub patients: usize,
    /// Since when it is told as silent, as remembered from before the service started.
    pub standing: Option<Instant>,
}

/// A part that fell silent, or speaks again.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Turned {
    /// Which.
    pub part: Part,
    /// Since when it is, or was, silent.
    pub since: Instant,
    /// Whether it is.
    pub is_silent: bool,
}

/// What is known of the parts.
#[derive(Clone, Debug, Default)]
pub(super) struct Parts(BTreeMap<Part, Known>);

#[derive(Clone, Copy, Debug, Default)]
struct Known {
    seen: bool,
    silent_since: Option<Instant>,
    speaks_since: Option<Instant>,
}

impl Parts {
    pub(super) fn of(sources: &[Source]) -> Self {
        let parts = sources.iter().flat_map(|source| {
            source.expect.iter().flat_map(move |expect| {
                expect.units.iter().map(move |unit| Part {
                    source: source.name.clone(),
                    kind: expect.kind.clone(),
                    unit: unit.clone(),
                    patience: Length::minutes(expect.silent_after_minutes.into()),
                })
            })
        });
        Parts(parts.map(|part| (part, Known::default())).collect())
    }
}

impl Known {
    /// Whether it falls silent with what was `found`, or speaks again; with since when it is or was silent.
    fn note(&mut self, patience: Length, found: Found, now: Instant) -> Option<(Instant, bool)> {
        if !std::mem::replace(&mut self.seen, true) {
            self.silent_since = found.standing;
        }
        let judged = found.last.filter(|_| found.patients >= FEW);
        let is_quiet = judged.is_some_and(|last| last + patience <= now);
        match self.silent_since {
            None => {
                self.silent_since = judged.filter(|_| is_quiet);
                self.speaks_since = None;
                self.silent_since.map(|since| (since, true))
            }
            Some(_) if is_quiet => {
                self.speaks_since = None;
                None
            }
            Some(since) => {
                let speaks = *self.speaks_since.get_or_insert(now);
                let over = judged.is_none() || speaks + FRESH <= now;
                if over {
                    self.silent_since = None;
                }
                over.then_some((since, false))
            }
        }
    }
}

impl Feeds {
    /// The parts that are watched.
    pub fn parts(&self) -> Vec<Part> {
        self.2.read().unwrap_or_else(PoisonError::into_inner).0.keys().cloned().collect()
    }

    /// Notes what was found of a part at `now`; tells if that has changed how it stands.
    pub fn noted(&self, part: &Part, found: Found, now: Instant) -> Option<Turned> {
        let mut parts = self.2.write().unwrap_or_else(PoisonError::into_inner);
        let known = parts.0.get_mut(part)?;
        let (since, is_silent) = known.note(part.patience, found, now)?;
        Some(Turned { part: part.clone(), since, is_silent })
    }

    /// The parts that are silent, with since when.
    pub fn silent_parts(&self) -> Vec<(Part, Instant)> {
        let parts = self.2.read().unwrap_or_else(PoisonError::into_inner);
        parts.0.iter().filter_map(|(part, known)| Some((part.clone(), known.silent_since?))).collect()
    }

    /// How far everything about the patients of `unit` has been told at `now`.
    pub fn of(&self, unit: Option<&str>, now: Instant) -> ledger::Feed {
        let whole = self.at(now);
        let parts = self.2.read().unwrap_or_else(PoisonError::into_inner);
        let here = parts.0.iter().filter(|(part, _)| unit == Some(part.unit.as_str()));
        match here.filter_map(|(_, known)| known.silent_since).min() {
            Some(since) => ledger::Feed::Silent { watermark: whole.watermark().min(since) },
            None => whole,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{Found, Known};
    use crate::care::time::{Instant, Length};

    fn at(minutes: i64) -> Instant {
        Instant::from_micros(0) + Length::minutes(minutes)
    }

    fn look(known: &mut Known, last: i64, patients: usize, now: i64) -> Option<(Instant, bool)> {
        let found = Found { last: Some(at(last)), patients, standing: None };
        known.note(Length::minutes(120), found, at(now))
    }

    #[test]
    fn it_is_silent_after_its_patience_and_speaks_again_once_it_has_for_ten_minutes() {
        let mut known = Known::default();
        assert_eq!(look(&mut known, 0, 8, 119), None);
        assert_eq!(look(&mut known, 0, 8, 120), Some((at(0), true)));
        assert_eq!(look(&mut known, 0, 8, 300), None, "it is told once");
        assert_eq!(look(&mut known, 310, 8, 311), None, "one document is no charting");
        assert_eq!(look(&mut known, 318, 8, 320), None);
        assert_eq!(look(&mut known, 318, 8, 321), Some((at(0), false)));
        assert_eq!(look(&mut known, 318, 8, 437), None);
        assert_eq!(look(&mut known, 318, 8, 438), Some((at(318), true)));
    }

    #[test]
    fn two_patients_can_be_neglected_together_and_are_not_taken_for_a_silence() {
        let mut known = Known::default();
        assert_eq!(look(&mut known, 0, 2, 1_000), None);
        assert_eq!(look(&mut known, 0, 3, 1_000), Some((at(0), true)));
        assert_eq!(look(&mut known, 0, 2, 1_001), Some((at(0), false)));
        let never = Found { last: None, patients: 9, standing: None };
        assert_eq!(Known::default().note(Length::minutes(120), never, at(1_000)), None);
    }

    #[test]
    fn after_a_restart_what_was_silent_is_not_taken_at_its_first_word() {
        let mut known = Known::default();
        let found = Found { last: Some(at(999)), patients: 9, standing: Some(at(0)) };
        assert_eq!(known.note(Length::minutes(120), found, at(1_000)), None);
        assert_eq!(look(&mut known, 1_009, 9, 1_010), Some((at(0), false)));
    }
}
