//! Between FHIR and care: the only place that knows both.
//!
//! Pure: bytes and settings in, facts and doubts out; no clock, no store, no HTTP. In reading order:
//!
//! * [`document`]: what a stored document is, what of it the store indexes, and what is refused at the door;
//! * [`codes`]: which code of which system means what, through ConceptMaps;
//! * [`local_map`]: the site's own map, edited code by code;
//! * [`extract`]: what one document says by itself;
//! * [`export`]: one document of an export, with its links and its version;
//! * [`dossier`]: all documents of one patient, put together into the facts of each stay;
//! * [`card`]: what is shown where a record asks as a patient is looked at;
//! * [`advice`]: what would become of a document, before it is sent;
//! * [`protocol`]: PlanDefinition to protocol, or why not;
//! * [`shipped`]: the definitions that come with Terce;
//! * [`outcomes`]: what must be said, as Task and DetectedIssue, and what has been said, read back;
//! * [`subscription`]: what a subscriber asks for, and what it is told;
//! * [`audit`]: who did what, as AuditEvent;
//! * [`tallies`]: what a stay contributes to the sums, as numbers; [`measures`]: sums as MeasureReport;
//! * [`gaps`]: where each requirement of a patient stands, as a document; [`needs`]: what a measure is counted from;
//! * [`quality`]: what is wrong with what a site sends;
//! * [`events`]: ventilator-associated events for people to confirm.

pub mod advice;
pub mod audit;
pub mod card;
pub mod codes;
pub mod document;
pub mod dossier;
pub mod events;
pub mod export;
pub mod extract;
pub mod gaps;
pub mod local_map;
pub mod measures;
pub mod needs;
pub mod outcomes;
pub mod protocol;
pub mod quality;
pub mod shipped;
pub mod subscription;
pub mod tallies;

use std::collections::BTreeSet;
use std::sync::Arc;

use chrono_tz::Tz;

use self::document::Bases;

/// The canonical base of everything that Terce defines.
pub const BASE: &str = "https://terce.example/fhir";

/// An element of a definition that cannot be honoured.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Refusal {
    /// Where, as FHIRPath writes it: `PlanDefinition.action[2].timingTiming.repeat.when`.
    pub path: String,
    /// What is wrong with it and what to do; lower case, no final stop.
    pub why: String,
}

impl Refusal {
    /// A refusal of the element at `path`.
    pub fn new(path: impl Into<String>, why: impl Into<String>) -> Self {
        Refusal { path: path.into(), why: why.into() }
    }
}

/// What a site says about its own documents.
#[derive(Clone, PartialEq, Debug)]
pub struct Settings {
    /// The zone in which a charted day begins and ends.
    pub zone: Tz,
    /// `Location` ids that are off the unit: theatre, imaging. What is part of them is too.
    pub away: BTreeSet<Arc<str>>,
    /// `Location` ids that are units. Where a location has none of them above it, the nearest ward is its unit.
    pub units: BTreeSet<Arc<str>>,
    /// Addresses under which references mean this server's documents.
    pub own_bases: Bases,
}

impl Settings {
    /// Nothing configured but the zone.
    pub fn new(zone: Tz) -> Self {
        Settings { zone, away: BTreeSet::new(), units: BTreeSet::new(), own_bases: Bases::default() }
    }
}
