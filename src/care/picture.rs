//! A stay as it can be drawn: when what applied, and what was done.

use std::sync::Arc;

use super::deeds::Sign;
use super::facts::{Facts, Source};
use super::ledger::Feed;
use super::protocol::Rules;
use super::reconcile::{lines, scene};
use super::record::Record;
use super::time::{Instant, Span, Spans};

/// The times of a stay, and a strip for each requirement that ever applied to it.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Picture {
    /// Invasive ventilation, by episode.
    pub ventilated: Spans,
    /// Time off the unit.
    pub away: Spans,
    /// Time whose charting has not reached us or cannot be relied on.
    pub unverified: Spans,
    /// In the order of the protocols and of their requirements.
    pub strips: Vec<Strip>,
}

/// One requirement over the stay.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Strip {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// Index into the rules' protocols, and into that protocol's requirements.
    pub place: (usize, usize),
    /// When it applied.
    pub at_risk: Spans,
    /// Care and excuses of which the instant is known, in order; at most one for each instant.
    pub marks: Vec<Mark>,
}

/// Care that was given, or not given for a reason that counts.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Mark {
    /// When.
    pub at: Instant,
    /// True for an excuse, false for care.
    pub excused: bool,
    /// Charted later than the allowance.
    pub late: bool,
    /// What it rests on.
    pub sources: Vec<Source>,
}

/// The picture of the stay of `facts` at `now`: of the same facts the ledger of that instant is made.
pub fn picture(facts: &Facts, rules: &Rules, feed: Feed, now: Instant) -> Picture {
    let record = Record::read(facts, rules);
    let scene = scene(&record, now);
    let past = Span::new(Instant::EARLIEST, now);
    let silent = Span::new(feed.cut(now), now);
    let strips = lines(&scene, now).into_iter().flatten().map(|line| Strip {
        requirement: line.id(),
        place: line.place,
        at_risk: line.at_risk.within(past),
        marks: line
            .marks
            .iter()
            .map(|mark| Mark {
                at: mark.at,
                excused: mark.sign == Sign::Excuse,
                late: mark.delay > rules.allowance,
                sources: mark.evidence.sources(),
            })
            .collect(),
    });
    let strips = strips.collect();
    let unverified = scene.airway.unverified.within(past);
    Picture {
        ventilated: scene.airway.episodes.within(past),
        away: record.away.within(past),
        unverified: Spans::union(unverified.iter().chain([silent])),
        strips,
    }
}
