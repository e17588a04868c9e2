//! Codes with their systems.

use serde::{Deserialize, Serialize};

use crate::datatypes::Extension;

/// A reference to a code defined by a terminology system.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Coding {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Identity of the terminology system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub system: Option<String>,
    /// Version of the system - if relevant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// Symbol in syntax defined by the system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// Representation defined by the system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
    /// If this coding was chosen directly by the user.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub user_selected: Option<bool>,
}

/// Concept - reference to a terminology or just text.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CodeableConcept {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Code defined by a terminology system.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub coding: Vec<Coding>,
    /// Plain text representation of the concept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
}
