//! What the ward writes down, and what each writing says once the wire format is taken off.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::time::Minute;
use crate::truth::{Event, Facts, Span};

/// Care the ward gives.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Activity {
    /// Mouth cleaned with swab, gauze or rinse.
    Cleansing,
    /// Teeth, gums and tongue brushed.
    Brushing,
    /// Gel on lips and mouth.
    Moisturising,
    /// Back of the mouth looked at and suctioned.
    SuctionLook,
    /// Suction set renewed.
    SuctionSet,
    /// Cuff pressure read.
    CuffPressure,
    /// Turned in bed: charted as well, but no business of Terce's.
    Turning,
}

/// One writing of the ward: a version of one resource, on its way to the service.
#[derive(Clone, Debug)]
pub struct Chart {
    /// The patient's number; 0 for what belongs to nobody.
    pub patient: u32,
    /// When it was written.
    pub written: Minute,
    /// When it reaches the service; later than `written` only through an outage of the feed.
    pub arrives: Minute,
    /// Names the resource over its versions.
    pub key: String,
    /// How it goes out.
    pub request: Request,
    /// What it says.
    pub says: Says,
}

/// How a writing goes out.
#[derive(Clone, Debug, PartialEq)]
pub enum Request {
    /// `PUT /{kind}/{id}`
    Put(Value),
    /// `POST /{kind}`, unless one with that identifier exists.
    Post {
        /// The resource, without id.
        body: Value,
        /// `system|value`
        identifier: String,
    },
}

/// What a writing says about how care is counted.
#[derive(Clone, PartialEq, Debug)]
pub enum Says {
    /// Nothing that matters to Terce.
    Nothing,
    /// That what an earlier version said does not hold, or that there is nothing to count yet.
    Withdrawn,
    /// The stay from and, if over, to; time away.
    Stay(Minute, Option<Minute>, Vec<(Minute, Option<Minute>)>),
    /// The patient died.
    Died(Minute),
    /// Ventilated.
    Ventilated(Minute, Option<Minute>),
    /// The tube came out.
    Extubated(Minute),
    /// Care was given.
    Care(Minute, Vec<Activity>),
    /// Care was not given, for a reason that counts.
    Excuse(Minute, Vec<Activity>),
}

/// What one version of one resource said, and since when the service could know.
#[derive(Clone, Debug)]
pub struct Entry {
    /// Names the resource over its versions.
    pub key: String,
    /// Arrival at the service.
    pub known: Minute,
    /// What it said.
    pub says: Says,
}

impl Request {
    /// The resource.
    pub fn body(&self) -> &Value {
        match self {
            Request::Put(body) | Request::Post { body, .. } => body,
        }
    }

    /// A text element of the resource; empty if absent.
    pub fn text(&self, element: &str) -> &str {
        self.body().get(element).and_then(Value::as_str).unwrap_or_default()
    }
}

/// What the record says as of `at`, the last version of each resource counting; none if the stay is not yet charted.
pub fn facts_at(record: &[Entry], at: Minute) -> Option<Facts> {
    let mut last: BTreeMap<&str, (Minute, &Says)> = BTreeMap::new();
    for entry in record.iter().filter(|e| e.known <= at) {
        // the same again is nothing new: it was known from the first time on
        let same = last.get(entry.key.as_str()).filter(|(_, says)| *says == &entry.says);
        let known = same.map_or(entry.known, |(known, _)| *known);
        last.insert(&entry.key, (known, &entry.says));
    }
    let mut facts = Facts::default();
    let mut stay = None;
    let mut died = None;
    for (known, says) in last.into_values() {
        match says.clone() {
            Says::Nothing | Says::Withdrawn => {}
            Says::Stay(begins, ends, away) => {
                stay = Some((begins, ends));
                facts.away = away;
            }
            Says::Died(at) => died = Some(at),
            Says::Ventilated(from, to) => facts.ventilated.push((from, to)),
            Says::Extubated(at) => facts.extubated.push(at),
            Says::Care(at, activities) => facts.care.push(Event { at, activities, known }),
            Says::Excuse(at, activities) => facts.excuses.push(Event { at, activities, known }),
        }
    }
    let (begins, ends) = stay?;
    facts.stay = (begins, ends.into_iter().chain(died).min());
    Some(facts)
}

/// The times at which nothing reaches the service. What is written meanwhile arrives, in order, when they are over.
#[derive(Clone, Debug)]
pub struct Outages {
    /// In order, apart from each other, from and to on even minutes.
    pub spans: Vec<Span>,
}

impl Outages {
    /// The outage at that minute, if any.
    pub fn during(&self, at: Minute) -> Option<Span> {
        self.spans.iter().copied().find(|s| s.0 <= at && at < s.1)
    }

    /// When something written at `written` reaches the service.
    pub fn arrival(&self, written: Minute) -> Minute {
        self.during(written).map_or(written, |s| s.1)
    }

    /// Whether the feed gives a sign of life at that minute.
    pub fn heartbeat(&self, at: Minute) -> bool {
        at % 2 == 0 && self.during(at).is_none()
    }

    /// The first sign of life at or after `at`.
    pub fn next_heartbeat(&self, at: Minute) -> Minute {
        // an outage may begin with the very minute that the next one was meant for; it ends with one
        self.arrival(at + at.rem_euclid(2))
    }
}
