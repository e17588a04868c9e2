//! When each care and excuse of a requirement came to be known.

use chrono::NaiveDate;

use super::super::deeds::{Deed, Deeds};
use super::super::protocol::Rules;
use super::super::time::{Instant, Length};

/// The deeds of a requirement, and when they came to be known.
#[derive(Debug)]
pub(super) struct Told<'a> {
    pub(super) deeds: &'a Deeds<'a>,
    ahead: Length,
    /// When each of the dated deeds came to be known, and when it happened; sorted.
    pub(super) by_known: Vec<(Instant, Instant)>,
}

impl<'a> Told<'a> {
    pub(super) fn new(deeds: &'a Deeds<'a>, rules: &Rules) -> Self {
        let mut told = Told { deeds, ahead: rules.ahead, by_known: Vec::new() };
        told.by_known = deeds.dated.iter().map(|d| (told.known(d), d.at)).collect();
        told.by_known.sort_unstable();
        told
    }

    /// When `deed` came to be known: what lies further ahead than clocks may differ waits.
    pub(super) fn known(&self, deed: &Deed<'_, Instant>) -> Instant {
        deed.received.max(deed.at - self.ahead)
    }

    /// The dated deeds in `from..=to`, sorted.
    pub(super) fn among(&self, from: Instant, to: Instant) -> &'a [Deed<'a, Instant>] {
        let dated = &self.deeds.dated;
        let range = dated.partition_point(|d| d.at < from)..dated.partition_point(|d| d.at <= to);
        dated.get(range).unwrap_or_default()
    }

    /// The deeds of which only the day is known, of `day`.
    pub(super) fn on(&self, day: NaiveDate) -> impl Iterator<Item = &'a Deed<'a, NaiveDate>> {
        self.deeds.days.iter().filter(move |d| d.at == day)
    }

    /// When the first of `deeds` that is `wanted` came to be known.
    pub(super) fn first(
        &self,
        deeds: &[Deed<'_, Instant>],
        wanted: impl Fn(Instant) -> bool,
    ) -> Option<Instant> {
        let mut first: Option<Instant> = None;
        for deed in deeds {
            // nothing is known before it is near, and what follows happened later
            if first.is_some_and(|first| first <= deed.at - self.ahead) {
                break;
            }
            if wanted(deed.at) {
                first = first.into_iter().chain([self.known(deed)]).min();
            }
        }
        first
    }
}
