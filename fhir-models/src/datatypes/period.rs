//! Spans between two points in time.

use serde::{Deserialize, Serialize};

use crate::datatypes::{Element, Extension};
use crate::primitive::DateTime;
use std::cmp::Ordering;

/// Time range defined by start and end date/time.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Period {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Starting time with inclusive boundary.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub start: Option<DateTime>,
    /// What is said of `start` besides its value, or why it has none.
    #[serde(rename = "_start", skip_serializing_if = "Option::is_none")]
    pub start_element: Option<Element>,
    /// End time with inclusive boundary, if not ongoing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end: Option<DateTime>,
    /// What is said of `end` besides its value, or why it has none.
    #[serde(rename = "_end", skip_serializing_if = "Option::is_none")]
    pub end_element: Option<Element>,
}

impl Period {
    /// Whether it certainly ends before it starts; where precision leaves that open, it does not.
    pub fn ends_before_it_starts(&self) -> bool {
        match (&self.start, &self.end) {
            (Some(start), Some(end)) => end.compare(start) == Some(Ordering::Less),
            _ => false,
        }
    }
}
