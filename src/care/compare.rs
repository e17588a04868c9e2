//! Two readings of the same stay: what one counts and the other does not, and by which documents.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::{Days, NaiveDate};

use super::facts::{Facts, Source, When};
use super::ledger::{Basis, Cell, Ledger, Opportunity};
use super::protocol::Rules;
use super::surveillance::events::Event;
use super::surveillance::infection::Infection;
use super::time::{Instant, Span};

/// A stay as it was read at one instant.
#[derive(Clone, Copy, Debug)]
pub struct Reading<'a> {
    /// What the record said.
    pub facts: &'a Facts,
    /// What followed.
    pub ledger: &'a Ledger,
    /// By which rules.
    pub rules: &'a Rules,
    /// Ventilator-associated events; empty where nobody asks for them.
    pub events: &'a [Event],
}

/// A document of which the two readings had different versions, `Type/id`.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Changed {
    /// `Type/id`.
    pub document: Arc<str>,
    /// The version that the earlier reading had; none: it was not there, or deleted.
    pub before: Option<u64>,
    /// The version that the later reading had.
    pub after: Option<u64>,
    /// When the version of the later reading, or the deletion, was received.
    pub received: Instant,
}

/// What one reading counts and the other does not.
#[derive(Clone, PartialEq, Debug)]
pub struct Difference {
    /// What is counted.
    pub counted: Counted,
    /// True if the later reading counts it, false if the earlier one did.
    pub added: bool,
    /// Why.
    pub why: Why,
    /// The documents that make the difference; none where time or the rules do.
    pub by: Vec<Changed>,
}

/// What is counted.
#[derive(Clone, PartialEq, Debug)]
pub enum Counted {
    /// A chance of a requirement.
    Opportunity(Opportunity),
    /// The hours of a requirement on a day in a unit and shift: none of its counts, and only what one reading has more.
    Hours(super::ledger::CellKey, Cell),
    /// A patient at a daily count.
    Census(super::ledger::Census),
    /// A ventilator-associated event.
    Event(FoundEvent),
}

/// What of a ventilator-associated event is counted.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct FoundEvent {
    /// Its date.
    pub day: NaiveDate,
    /// The unit it is attributed to, empty if not known.
    pub unit: Arc<str>,
    /// Whether signs of infection were found.
    pub infected: bool,
}

/// Why two readings differ.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Why {
    /// Care from before the earlier reading reached the record after it.
    ChartedLate,
    /// Care was given, or something else happened, after the earlier reading.
    HappenedSince,
    /// A document was changed.
    Corrected,
    /// A document was deleted.
    Withdrawn,
    /// No document changed: what was still open at the earlier reading has been settled by time.
    Time,
    /// No document of the patient changed, and it was settled already: the rules, or others' documents, did.
    Rules,
}

/// Everything in the local days `period.0..=period.1` that one of two readings of a stay counts and the other does not.
///
/// # Guarantees
/// The counts of what is added, less the counts of what is not, are the counts of `after` less those of `before`; so for
/// the hours.
pub fn differences(
    before: Option<Reading<'_>>,
    after: Option<Reading<'_>>,
    changed: &[Changed],
    earlier: Instant,
    period: (NaiveDate, NaiveDate),
) -> Vec<Difference> {
    let reasons = Reasons { changed, earlier, readings: [before, after] };
    let mut out = Vec::new();
    let opportunities = |reading: Option<Reading<'_>>| -> Vec<Opportunity> {
        let all = reading.map(|r| r.ledger.opportunities.clone()).unwrap_or_default();
        all.into_iter().filter(|o| period.0 <= o.day && o.day <= period.1).collect()
    };
    let (mut old, mut new) = (opportunities(before), opportunities(after));
    new.retain(|o| match old.iter().position(|p| counts_alike(p, o)) {
        Some(same) => {
            old.swap_remove(same);
            false
        }
        None => true,
    });
    for (opportunity, added) in old.into_iter().map(|o| (o, false)).chain(new.into_iter().map(|o| (o, true)))
    {
        let (why, by) = reasons.of(&opportunity.requirement, opportunity.at, &sources(&opportunity));
        out.push(Difference { counted: Counted::Opportunity(opportunity), added, why, by });
    }
    hours(before, after, period, &reasons, &mut out);
    census(before, after, period, &reasons, &mut out);
    events(before, after, period, &reasons, &mut out);
    out
}

/// The same, whatever the versions of the documents it rests on.
fn counts_alike(a: &Opportunity, b: &Opportunity) -> bool {
    (&a.requirement, a.outcome, a.at, a.deadline, a.late_charted, &a.unit, a.day, &a.shift)
        == (&b.requirement, b.outcome, b.at, b.deadline, b.late_charted, &b.unit, b.day, &b.shift)
}

fn hours(
    before: Option<Reading<'_>>,
    after: Option<Reading<'_>>,
    period: (NaiveDate, NaiveDate),
    reasons: &Reasons<'_>,
    out: &mut Vec<Difference>,
) {
    let cells = |reading: Option<Reading<'_>>| reading.map(|r| r.ledger.cells.clone()).unwrap_or_default();
    let (old, new) = (cells(before), cells(after));
    let keys: BTreeSet<_> =
        old.keys().chain(new.keys()).filter(|k| period.0 <= k.day && k.day <= period.1).collect();
    for key in keys {
        let of = |cells: &BTreeMap<_, Cell>| {
            let cell = cells.get(key).copied().unwrap_or_default();
            Cell {
                at_risk: cell.at_risk,
                covered: cell.covered,
                unverified: cell.unverified,
                ..Cell::default()
            }
        };
        let (old, new) = (of(&old), of(&new));
        for (cell, added) in [(old, false), (new, true)] {
            if old != new && cell != Cell::default() {
                let at =
                    reasons.readings.iter().flatten().map(|r| r.ledger.now).max().unwrap_or(reasons.earlier);
                let (why, by) = reasons.of(&key.requirement, at, &[]);
                out.push(Difference { counted: Counted::Hours(key.clone(), cell), added, why, by });
            }
        }
    }
}

fn census(
    before: Option<Reading<'_>>,
    after: Option<Reading<'_>>,
    period: (NaiveDate, NaiveDate),
    reasons: &Reasons<'_>,
    out: &mut Vec<Difference>,
) {
    let counts = |reading: Option<Reading<'_>>| {
        let all = reading.map(|r| r.ledger.census.clone()).unwrap_or_default();
        all.into_iter().filter(|c| period.0 <= c.day && c.day <= period.1).collect::<Vec<_>>()
    };
    let (old, new) = (counts(before), counts(after));
    let gone = old.iter().filter(|c| !new.contains(c)).map(|c| (c, false));
    let come = new.iter().filter(|c| !old.contains(c)).map(|c| (c, true));
    for (count, added) in gone.chain(come) {
        let at = reasons.readings.iter().flatten().map(|r| r.ledger.now).max().unwrap_or(reasons.earlier);
        let (why, by) = reasons.of("", at, &[]);
        out.push(Difference { counted: Counted::Census(count.clone()), added, why, by });
    }
}

fn events(
    before: Option<Reading<'_>>,
    after: Option<Reading<'_>>,
    period: (NaiveDate, NaiveDate),
    reasons: &Reasons<'_>,
    out: &mut Vec<Difference>,
) {
    let found = |reading: Option<Reading<'_>>| -> BTreeMap<FoundEvent, Vec<Source>> {
        let all = reading.map(|r| r.events).unwrap_or_default();
        let within = all.iter().filter(|e| period.0 <= e.date && e.date <= period.1);
        let counted = |e: &Event| {
            let infected = e.infection == Infection::Found;
            (FoundEvent { day: e.date, unit: e.unit.clone(), infected }, e.sources())
        };
        within.map(counted).collect()
    };
    let (old, new) = (found(before), found(after));
    let gone = old.iter().filter(|(event, _)| !new.contains_key(event)).map(|e| (e, false));
    let come = new.iter().filter(|(event, _)| !old.contains_key(event)).map(|e| (e, true));
    for ((event, sources), added) in gone.chain(come) {
        let at = reasons.readings.iter().flatten().map(|r| r.ledger.now).max().unwrap_or(reasons.earlier);
        let (why, by) = reasons.of("", at, sources);
        // the second day of worsening must be over
        let zone = reasons.readings.iter().flatten().map(|r| r.rules.zone).next();
        let known = zone.map(|zone| Span::day(event.day + Days::new(1), zone).to);
        let ahead = added && known.is_some_and(|known| known > reasons.earlier);
        let why = if ahead && why == Why::ChartedLate { Why::HappenedSince } else { why };
        out.push(Difference { counted: Counted::Event(event.clone()), added, why, by });
    }
}

struct Reasons<'a> {
    changed: &'a [Changed],
    earlier: Instant,
    readings: [Option<Reading<'a>>; 2],
}

impl Reasons<'_> {
    /// Why something of a requirement differs that belongs to `at` and rests on `sources`.
    fn of(&self, requirement: &str, at: Instant, sources: &[Source]) -> (Why, Vec<Changed>) {
        let among = |documents: &BTreeSet<&str>| -> Vec<Changed> {
            self.changed.iter().filter(|c| documents.contains(&*c.document)).cloned().collect()
        };
        let own: BTreeSet<&str> = sources.iter().map(document).collect();
        let mut by = among(&own);
        if by.is_empty() {
            by = among(&self.crediting(requirement));
        }
        if by.is_empty() {
            by = self.changed.to_vec();
        }
        let Some(first) = by.first() else {
            let settled_since = at >= self.earlier;
            return (if settled_since { Why::Time } else { Why::Rules }, by);
        };
        let why = match (first.before, first.after) {
            (_, None) => Why::Withdrawn,
            (Some(_), Some(_)) => Why::Corrected,
            (None, Some(_)) if self.happened(&first.document).is_some_and(|at| at >= self.earlier) => {
                Why::HappenedSince
            }
            (None, Some(_)) => Why::ChartedLate,
        };
        (why, by)
    }

    /// The documents of care and excuses that concern a requirement.
    fn crediting(&self, requirement: &str) -> BTreeSet<&str> {
        let mut out = BTreeSet::new();
        for reading in self.readings.iter().flatten() {
            let all = reading.rules.protocols.iter().flat_map(|p| &p.requirements);
            let activities: Vec<_> =
                all.filter(|r| &*r.id == requirement).flat_map(|r| &r.activities).collect();
            let care = reading.facts.care.iter().map(|c| (&c.activities, &c.source));
            let excuses = reading.facts.excuses.iter().map(|x| (&x.activities, &x.source));
            let concern =
                care.chain(excuses).filter(|(codes, _)| codes.iter().any(|c| activities.contains(&c)));
            out.extend(concern.map(|(_, source)| document(source)));
        }
        out
    }

    /// When what a document tells happened, where it is care or an excuse.
    fn happened(&self, wanted: &str) -> Option<Instant> {
        let readings = self.readings.iter().flatten();
        let mut all = readings.flat_map(|r| {
            let care = r.facts.care.iter().map(|c| (c.at, &c.source));
            care.chain(r.facts.excuses.iter().map(|x| (x.at, &x.source)))
        });
        all.find(|(_, source)| document(source) == wanted).and_then(|(when, _)| match when {
            When::At(at) => Some(at),
            When::Day(_) => None,
        })
    }
}

/// `Type/id` of a source.
fn document(source: &Source) -> &str {
    source.0.split_once("/_history/").map_or(&*source.0, |(document, _)| document)
}

fn sources(opportunity: &Opportunity) -> Vec<Source> {
    let mut out = opportunity.evidence.clone();
    match &opportunity.basis {
        Basis::Every { anchor_evidence, .. } => out.extend(anchor_evidence.iter().cloned()),
        Basis::After { trigger_evidence, .. } => out.extend(trigger_evidence.iter().cloned()),
        Basis::PerDay { .. } | Basis::At { .. } => {}
    }
    out
}
