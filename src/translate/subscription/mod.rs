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
pub use progress::{Event, Pending, Progress};

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

/// Under which name the store keeps the [`Progress`] of a Subscription.
pub fn mark(id: &str) -> String {
    format!("subscription.{id}")
}
