//! A Procedure as far as it is asked for here, borrowed from its bytes.
//!
//! Most of what a record keeps of a Procedure (who, where, why, with which report) means nothing to the counting of
//! care; it is passed over and not built. What R4 asks of the rest is checked at the door.

use std::borrow::Cow;

use fhir_models::codes::EventStatus;
use fhir_models::primitive::{DateTime, InstantTime, Point};
use serde::de::IgnoredAny;
use serde::{Deserialize, Deserializer};
use serde_json::value::RawValue;

use crate::care::time::Instant;

/// A text of the document, copied only if it is written with escapes.
#[derive(Deserialize, Clone, Debug)]
pub(crate) struct Text<'a>(#[serde(borrow)] pub(crate) Cow<'a, str>);

/// A CodeableConcept: its codings.
#[derive(Deserialize, Debug)]
pub(super) struct Concept<'a> {
    #[serde(borrow, default)]
    pub(super) coding: Vec<Pair<'a>>,
}

/// A Coding: its system and its code, empty where it has none.
#[derive(Deserialize, Debug, Default)]
pub(super) struct Pair<'a> {
    #[serde(borrow, default)]
    pub(super) system: Cow<'a, str>,
    #[serde(borrow, default)]
    pub(super) code: Cow<'a, str>,
}

/// A Reference: its text.
#[derive(Deserialize, Clone, Debug, Default)]
pub(crate) struct Pointer<'a> {
    #[serde(borrow)]
    pub(crate) reference: Option<Text<'a>>,
}

/// A dateTime, without its text.
#[derive(Clone, Copy, Debug)]
pub(super) struct At(pub(super) Point);

/// An instant, without its text.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Updated(Instant);

/// A Period.
#[derive(Deserialize, Debug)]
pub(super) struct Between {
    pub(super) start: Option<At>,
    pub(super) end: Option<At>,
}

/// The `meta` of a document.
#[derive(Deserialize, Debug, Default)]
#[serde(rename_all = "camelCase")]
pub(crate) struct Told<'a> {
    #[serde(borrow)]
    pub(crate) version_id: Option<Text<'a>>,
    pub(crate) last_updated: Option<Updated>,
}

/// What a Procedure worked on.
#[derive(Deserialize, Debug)]
pub(super) struct Focal<'a> {
    #[serde(borrow)]
    pub(super) manipulated: Pointer<'a>,
}

/// A Procedure.
#[derive(Deserialize, Debug, Default)]
#[serde(rename_all = "camelCase")]
pub(crate) struct Charted<'a> {
    #[serde(borrow)]
    pub(crate) id: Option<Text<'a>>,
    #[serde(borrow)]
    pub(crate) meta: Option<Told<'a>>,
    pub(super) status: Option<EventStatus>,
    #[serde(borrow)]
    pub(super) status_reason: Option<Concept<'a>>,
    #[serde(borrow)]
    pub(super) code: Option<Concept<'a>>,
    #[serde(borrow)]
    pub(crate) subject: Pointer<'a>,
    #[serde(borrow)]
    pub(crate) encounter: Option<Pointer<'a>>,
    pub(super) performed_date_time: Option<At>,
    pub(super) performed_period: Option<Between>,
    performed_string: Option<IgnoredAny>,
    performed_age: Option<IgnoredAny>,
    performed_range: Option<IgnoredAny>,
    #[serde(borrow, default)]
    pub(super) contained: Vec<&'a RawValue>,
    #[serde(borrow, default)]
    pub(super) focal_device: Vec<Focal<'a>>,
    #[serde(borrow, default)]
    pub(super) used_reference: Vec<Pointer<'a>>,
    #[serde(borrow, default)]
    pub(super) used_code: Vec<Concept<'a>>,
}

/// When a Procedure was performed.
pub(super) enum Performed<'a> {
    DateTime(At),
    Period(&'a Between),
    /// A text, an age or a range.
    Vague,
    /// Nothing is said.
    Unsaid,
    /// Several types at once.
    Twice,
}

impl Charted<'_> {
    pub(super) fn performed(&self) -> Performed<'_> {
        let vague = [&self.performed_string, &self.performed_age, &self.performed_range];
        let vague = vague.iter().filter(|v| v.is_some()).count();
        match (&self.performed_date_time, &self.performed_period, vague) {
            (Some(at), None, 0) => Performed::DateTime(*at),
            (None, Some(period), 0) => Performed::Period(period),
            (None, None, 1) => Performed::Vague,
            (None, None, 0) => Performed::Unsaid,
            _ => Performed::Twice,
        }
    }
}

impl Told<'_> {
    /// When this version was told, as it says itself.
    pub(crate) fn at(&self) -> Option<Instant> {
        self.last_updated.map(|at| at.0)
    }

    /// Its number, where it is one; 1 where it is none.
    pub(crate) fn number(&self) -> u64 {
        self.version_id.as_ref().and_then(|v| v.0.parse().ok()).filter(|n| *n > 0).unwrap_or(1)
    }
}

impl Updated {
    /// None for what is no instant.
    pub(super) fn read(text: &str) -> Option<Self> {
        Point::read(text)?.instant_us().map(|us| Updated(Instant::from_micros(us)))
    }
}

impl<'de> Deserialize<'de> for At {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        DateTime::deserialize(deserializer).map(|said| At(said.point()))
    }
}

impl<'de> Deserialize<'de> for Updated {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        InstantTime::deserialize(deserializer).map(|said| Updated(Instant::from_micros(said.us())))
    }
}
