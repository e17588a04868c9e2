//! When each care and excuse of a requirement came to be known.

use chrono::NaiveDate;

use super::super::deeds::{Deed, Deeds, Sign};
use super::super::protocol::{Kind, Rules};
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

    /// The instants at which something came to be known that may change what had already been announced of a requirement
    /// of this `kind`: what reached us later than the charting allowance, and care at an instant at which there had been
    /// a reason for none.
    pub(super) fn unsettling(&self, kind: &Kind, rules: &Rules, out: &mut Vec<Instant>) {
        let mut excused: Option<Instant> = None;
        for (index, deed) in self.deeds.dated.iter().enumerate().rev() {
            let instead = deed.sign == Sign::Credit && excused == Some(deed.at);
            if deed.sign == Sign::Excuse {
                excused = Some(deed.at);
            }
            let late = deed.received > deed.at + rules.allowance;
            if instead || (late && !self.harmless(index, deed, kind, rules)) {
                out.push(self.known(deed));
            }
        }
        match kind {
            Kind::PerDay { .. } => out.extend(self.deeds.days.iter().map(|d| d.received)),
            Kind::Every { .. } | Kind::At { .. } | Kind::After { .. } => {}
        }
    }

    /// True if no deadline that was announced before the late `deed` was known could rest on it or follow it.
    fn harmless(&self, index: usize, deed: &Deed<'_, Instant>, kind: &Kind, rules: &Rules) -> bool {
        let known = self.known(deed);
        match kind {
            // without it the care before it and the care after it are near enough to each other
            Kind::Every { target: _, limit } => {
                let (before, after) = self.deeds.dated.split_at(index);
                let told = |d: &&Deed<'_, Instant>| d.at != deed.at && self.known(d) < known;
                let (before, after) = (before.iter().rev().find(told), after.iter().find(told));
                before.zip(after).is_some_and(|(before, after)| after.at <= before.at + *limit)
            }
            // its day is not over
            Kind::PerDay { .. } => deed.at.day(rules.zone) == (known - rules.allowance).day(rules.zone),
            Kind::At { .. } | Kind::After { .. } => false,
        }
    }
}
