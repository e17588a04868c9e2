//! How far a subscriber has been told.

use serde::{Deserialize, Serialize};

/// How far a subscriber has been told, as it is stored beside the Subscription.
///
/// Guarantees: what is numbered keeps its number, however often it is sent: [`Pending`] is stored before the first
/// attempt, and the position moves only once the subscriber has taken it.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Progress {
    /// Position among all changes up to which it has been told.
    pub seq: i64,
    /// Events that were numbered since the subscription began.
    #[serde(default)]
    pub events: u64,
    /// Since when every attempt has failed, in microseconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub failing_since_us: Option<i64>,
    /// What is numbered and not taken yet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pending: Option<Pending>,
}

/// Events that are sent together.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Pending {
    /// The number of the first.
    pub first: u64,
    /// In the order of their numbers.
    pub events: Vec<Event>,
}

/// A change that a subscriber is told of.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Event {
    /// Resource type.
    pub kind: String,
    /// Logical id.
    pub id: String,
    /// The version that it led to.
    pub version: u64,
    /// Its position among all changes.
    pub seq: i64,
    /// When, in microseconds.
    pub at_us: i64,
}

/// Events of a subscription that can be asked for again: a subscriber that lost some asks for the last of them, and more
/// are found by a search.
pub const EVENTS_KEPT: u64 = 256;

/// Under which name the store keeps an event of a Subscription; so many later another has its place.
pub fn event_mark(id: &str, number: u64) -> String {
    format!("event.{}.{id}", number % EVENTS_KEPT)
}

/// A number and its event, as they are stored.
pub fn event_text(number: u64, event: &Event) -> String {
    // nothing in it can fail to be JSON
    serde_json::to_string(&(number, event)).unwrap_or_default()
}

/// The event of that number; none if another, or none, is stored.
pub fn event_of(number: u64, text: &str) -> Option<Event> {
    let (stored, event): (u64, Event) = serde_json::from_str(text).ok()?;
    (number == stored).then_some(event)
}

impl Pending {
    /// Number and event of each.
    pub fn numbered(&self) -> impl Iterator<Item = (u64, &Event)> {
        (self.first..).zip(&self.events)
    }
}

impl Progress {
    /// Nothing told yet of what came after `seq`.
    pub fn from(seq: i64) -> Self {
        Progress { seq, ..Progress::default() }
    }

    /// As it was stored; none if it was cleared, or is none of ours.
    pub fn read(text: &str) -> Option<Self> {
        serde_json::from_str(text).ok()
    }

    /// As it is stored.
    pub fn write(&self) -> String {
        // nothing in it can fail to be JSON
        serde_json::to_string(self).unwrap_or_default()
    }

    /// Numbers `events`, to be sent together.
    pub fn number(&mut self, events: Vec<Event>) {
        let first = self.events + 1;
        self.events += events.len() as u64;
        self.pending = Some(Pending { first, events });
    }

    /// What is pending has been taken, or is passed over.
    pub fn settle(&mut self) {
        let last = self.pending.take().and_then(|p| p.events.last().map(|e| e.seq));
        self.seq = last.map_or(self.seq, |seq| seq.max(self.seq));
    }
}
