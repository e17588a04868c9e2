//! Subscription: what a client wants to be told of by itself, and how it is told.
//!
//! * [`hook`]: what a Subscription asks, or why it cannot be served;
//! * [`notice`]: the Bundles and Parameters that subscribers read;
//! * [`Progress`]: how far a subscriber has been told, as it is stored.
//!
//! Two ways of asking are known: R4's own, whose criteria are a search, and the one of HL7's guide "Subscriptions R5
//! Backport", whose criteria are a topic and whose notifications are numbered Bundles.

mod hook;
pub mod notice;
mod progress;

pub use hook::{Content, Hook, Level, hook, submitted, with_status};
pub use progress::{EVENTS_KEPT, Event, Pending, Progress, event_mark, event_of, event_text};

use serde::{Deserialize, Serialize};

use super::BASE;

/// The canonical base of what the backport guide defines.
pub(super) const GUIDE: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";

/// The resource types that subscribers are told of, each with the last part of its topic's canonical address.
pub const TOPICS: &[(&str, &str)] =
    &[("Task", "tasks"), ("DetectedIssue", "detected-issues"), ("MeasureReport", "measure-reports")];

/// Whether a write of a type may be something to tell, or another subscriber.
pub fn concerns(kind: &str) -> bool {
    kind == "Subscription" || TOPICS.iter().any(|(name, _)| *name == kind)
}

/// The canonical address of the topic of a type.
pub fn topic(name: &str) -> String {
    format!("{BASE}/SubscriptionTopic/{name}")
}

/// Who wrote a Subscription last, and so is who is told.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Subscriber {
    /// The client's id; none: anybody, the service was open.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub client: Option<String>,
    /// The server whose token it held; none: one of this service.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub issuer: Option<String>,
}

impl Subscriber {
    /// As it was stored; none if it was not.
    pub fn read(text: &str) -> Option<Self> {
        serde_json::from_str(text).ok()
    }

    /// As it is stored.
    pub fn write(&self) -> String {
        // nothing in it can fail to be JSON
        serde_json::to_string(self).unwrap_or_default()
    }
}

/// Under which name the store keeps the [`Subscriber`] of a Subscription.
pub fn subscriber_mark(id: &str) -> String {
    format!("subscriber.{id}")
}

/// Under which name the store keeps the [`Progress`] of a Subscription.
pub fn mark(id: &str) -> String {
    format!("subscription.{id}")
}
