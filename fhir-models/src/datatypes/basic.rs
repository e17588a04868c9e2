//! Meta, Narrative, Element: what every resource and element may carry.

use serde::{Deserialize, Serialize};

use super::Value;
use crate::codes::NarrativeStatus;
use crate::datatypes::{Coding, Extension};
use crate::primitive::InstantTime;

/// Metadata about a resource.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Meta {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Version specific identifier.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version_id: Option<String>,
    /// When the resource version last changed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_updated: Option<InstantTime>,
    /// Identifies where the resource comes from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Profiles this resource claims to conform to.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub profile: Vec<String>,
    /// Security Labels applied to this resource.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub security: Vec<Coding>,
    /// Tags applied to this resource.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub tag: Vec<Coding>,
}

/// Human-readable summary of the resource (essential clinical and business information).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Narrative {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// How much of the resource it tells, and where it came from.
    pub status: NarrativeStatus,
    /// Limited xhtml content.
    pub div: String,
}

impl Narrative {
    /// With what R4 requires, and nothing else.
    pub fn new(status: NarrativeStatus, div: impl Into<String>) -> Self {
        Self { id: None, extension: Vec::new(), status, div: div.into() }
    }
}

/// What may stand beside the value of a primitive element.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Element {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
}

/// The extension that says why a value is absent.
const DATA_ABSENT_REASON: &str = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";

impl Element {
    /// The code of why the value is absent, if that is said.
    pub fn data_absent_reason(&self) -> Option<&str> {
        let said = self.extension.iter().find(|e| e.url == DATA_ABSENT_REASON)?;
        match said.value.as_deref() {
            Some(Value::Code(code)) => Some(code),
            _ => None,
        }
    }
}
