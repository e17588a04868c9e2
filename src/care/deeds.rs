//! Care and excuses that concern one requirement, before it is known when it applied.

use std::sync::Arc;

use chrono::NaiveDate;

use super::facts::{Code, Facts, Source, When};
use super::protocol::Requirement;
use super::time::Instant;

/// Credit or excuse.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum Sign {
    /// Care was given.
    Credit,
    /// Care was not given, for a reason that counts.
    Excuse,
}

/// One care or excuse. Compared in this order, what happened earlier is less, and a credit is less than an excuse.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Deed<'a, W> {
    /// An instant, or a local day.
    pub(super) at: W,
    pub(super) sign: Sign,
    pub(super) source: &'a Source,
    pub(super) recorded: Instant,
    pub(super) received: Instant,
}

/// All care and excuses with one of a requirement's activities, and excuses that name it, sorted.
#[derive(Debug, Default)]
pub(super) struct Deeds<'a> {
    pub(super) dated: Vec<Deed<'a, Instant>>,
    /// Those of which only the day is known.
    pub(super) days: Vec<Deed<'a, NaiveDate>>,
}

/// Care answers whatever requirements its activities credit.
const NOTHING_ASKED: &[Arc<str>] = &[];

/// The deeds of each requirement of each protocol.
pub(super) fn deeds<'a>(facts: &'a Facts, requirements: &[&Requirement]) -> Vec<Deeds<'a>> {
    let mut out: Vec<Deeds<'a>> = requirements.iter().map(|_| Deeds::default()).collect();
    let share = (facts.care.len() + facts.excuses.len()) / 4;
    out.iter_mut().for_each(|d| d.dated.reserve(share));
    // which requirements want which activity; an activity that was met before is found by its text once
    let mut wanted: Vec<(&Code, Vec<bool>)> = Vec::new();
    let mut by_any = vec![false; requirements.len()];
    let care = facts.care.iter().map(|c| {
        let deed = Deed {
            at: c.at,
            sign: Sign::Credit,
            source: &c.source,
            recorded: c.recorded,
            received: c.received,
        };
        (deed, &c.activities, NOTHING_ASKED)
    });
    let excuses = facts.excuses.iter().map(|x| {
        let deed = Deed {
            at: x.at,
            sign: Sign::Excuse,
            source: &x.source,
            recorded: x.recorded,
            received: x.received,
        };
        (deed, &x.activities, x.asked.as_slice())
    });
    for (Deed { at: when, sign, source, recorded, received }, activities, asked) in care.chain(excuses) {
        by_any.fill(false);
        if !asked.is_empty() {
            by_any.iter_mut().zip(requirements).for_each(|(any, r)| *any = asked.contains(&r.id));
        }
        for activity in activities.iter() {
            let known = match wanted.iter().position(|(code, _)| *code == activity) {
                Some(known) => known,
                None => {
                    let wants = requirements.iter().map(|r| r.activities.contains(activity)).collect();
                    wanted.push((activity, wants));
                    wanted.len() - 1
                }
            };
            let wants = wanted.get(known).map(|(_, wants)| wants).into_iter().flatten();
            by_any.iter_mut().zip(wants).for_each(|(any, wants)| *any |= wants);
        }
        for (deeds, _) in out.iter_mut().zip(&by_any).filter(|(_, wants)| **wants) {
            match when {
                When::At(at) => deeds.dated.push(Deed { at, sign, source, recorded, received }),
                When::Day(at) => deeds.days.push(Deed { at, sign, source, recorded, received }),
            }
        }
    }
    for deeds in &mut out {
        deeds.dated.sort_unstable();
        deeds.days.sort_unstable();
    }
    out
}

/// What a mark rests on: deeds of one sign and instant, as far as they are known.
#[derive(Clone, Copy, Debug)]
pub(super) struct Evidence<'a> {
    of: Rest<'a>,
    /// What was received later is not part of it.
    known: Instant,
}

#[derive(Clone, Copy, Debug)]
enum Rest<'a> {
    Nothing,
    Dated(&'a [Deed<'a, Instant>]),
    Day(&'a Source),
}

impl<'a> Evidence<'a> {
    /// None.
    pub(super) const NONE: Evidence<'static> = Evidence { of: Rest::Nothing, known: Instant::LATEST };

    /// Deeds of one instant and sign, sorted.
    pub(super) fn of(deeds: &'a [Deed<'a, Instant>], known: Instant) -> Self {
        Evidence { of: Rest::Dated(deeds), known }
    }

    /// One document.
    pub(super) fn one(source: &'a Source) -> Self {
        Evidence { of: Rest::Day(source), known: Instant::LATEST }
    }

    /// True if both are the same one document.
    pub(super) fn is(self, other: Evidence<'_>) -> bool {
        matches!((self.of, other.of), (Rest::Day(one), Rest::Day(other)) if one == other)
    }

    /// Each document once, in order.
    pub(super) fn sources(self) -> Vec<Source> {
        match self.of {
            Rest::Nothing => Vec::new(),
            Rest::Day(source) => vec![source.clone()],
            Rest::Dated(deeds) => {
                let mut out: Vec<Source> = Vec::with_capacity(deeds.len());
                for deed in deeds.iter().filter(|d| d.received <= self.known) {
                    if out.last() != Some(deed.source) {
                        out.push(deed.source.clone());
                    }
                }
                out
            }
        }
    }
}
