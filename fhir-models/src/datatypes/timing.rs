//! When something should recur.

use std::num::NonZeroU32;

use serde::{Deserialize, Serialize};

use crate::codes::{DaysOfWeek, EventTiming, UnitsOfTime};
use crate::datatypes::{CodeableConcept, Duration, Extension, Period, Range};
use crate::primitive::{DateTime, Decimal, Time};

/// A timing schedule that specifies an event that may occur multiple times.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Timing {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// When the event occurs.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub event: Vec<DateTime>,
    /// When the event is to occur.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repeat: Option<TimingRepeat>,
    /// A code for the timing schedule (or just text in code.text).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
}

/// When an event repeats.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct TimingRepeat {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Length/Range of lengths, or (Start and/or end) limits, as a Duration.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bounds_duration: Option<Duration>,
    /// Length/Range of lengths, or (Start and/or end) limits, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bounds_range: Option<Box<Range>>,
    /// Length/Range of lengths, or (Start and/or end) limits, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bounds_period: Option<Period>,
    /// Number of times to repeat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count: Option<NonZeroU32>,
    /// Maximum number of times to repeat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count_max: Option<NonZeroU32>,
    /// How long it lasts each time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub duration: Option<Decimal>,
    /// How long when it happens (Max).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub duration_max: Option<Decimal>,
    /// The units of time for the duration, in UCUM units.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub duration_unit: Option<UnitsOfTime>,
    /// Event occurs frequency times per period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frequency: Option<NonZeroU32>,
    /// Event occurs up to frequencyMax times per period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub frequency_max: Option<NonZeroU32>,
    /// Event occurs frequency times per period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Decimal>,
    /// Upper limit of period (3-4 hours).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period_max: Option<Decimal>,
    /// The units of time for the period in UCUM units.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period_unit: Option<UnitsOfTime>,
    /// The days on which it happens.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub day_of_week: Vec<DaysOfWeek>,
    /// Time of day for action.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub time_of_day: Vec<Time>,
    /// Code for time period of occurrence.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub when: Vec<EventTiming>,
    /// Minutes from event (before or after).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset: Option<u32>,
}

choice! {
    /// What [`TimingRepeat::bounds`] holds.
    TimingRepeatBounds of TimingRepeat::bounds "bounds[x]" {
        Duration(Duration) = bounds_duration,
        Range(Range) = bounds_range,
        Period(Period) = bounds_period,
    }
}
