//! References and business identifiers.

use serde::{Deserialize, Serialize};

use crate::codes::IdentifierUse;
use crate::datatypes::{CodeableConcept, Extension, Period};
use crate::primitive::is_id;

/// A reference from one resource to another.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Reference {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Literal reference, Relative, internal or absolute URL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
    /// Type the reference refers to (e.g. "Patient").
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<String>,
    /// Logical reference, when literal reference is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identifier: Option<Box<Identifier>>,
    /// Text alternative for the resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
}

impl Reference {
    /// A reference to a resource of this server.
    pub fn to(resource_type: &str, id: &str) -> Self {
        Self { reference: Some(format!("{resource_type}/{id}")), ..Self::default() }
    }

    /// Type and id of `Type/id` and `Type/id/_history/version`; none for any other reference.
    pub fn relative(&self) -> Option<(&str, &str)> {
        let mut parts = self.reference.as_deref()?.split('/');
        let (resource_type, id) = (parts.next()?, parts.next()?);
        let whole = match (parts.next(), parts.next(), parts.next()) {
            (None, None, None) => true,
            (Some("_history"), Some(version), None) => is_id(version),
            _ => false,
        };
        let named = resource_type.starts_with(|c: char| c.is_ascii_uppercase())
            && resource_type.bytes().all(|b| b.is_ascii_alphabetic());
        (whole && named && is_id(id)).then_some((resource_type, id))
    }

    /// The id of a resource contained in the same one: what follows `#`, which is nothing for the resource itself.
    pub fn contained(&self) -> Option<&str> {
        self.reference.as_deref()?.strip_prefix('#')
    }

    /// A `urn:uuid:` or `urn:oid:`, which another entry of the same Bundle may have as its address.
    pub fn urn(&self) -> Option<&str> {
        self.reference.as_deref().filter(|r| r.starts_with("urn:"))
    }

    /// An address on some server: a name of what is meant, never something to fetch.
    pub fn absolute(&self) -> Option<&str> {
        self.reference.as_deref().filter(|r| r.starts_with("http://") || r.starts_with("https://"))
    }

    /// Whether it names a type, and one that is not among `allowed`.
    pub fn names_other_than(&self, allowed: &[&str]) -> bool {
        self.relative().is_some_and(|(named, _)| !allowed.contains(&named))
    }
}

/// An identifier intended for computation.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Identifier {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// The purpose of this identifier.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#use: Option<IdentifierUse>,
    /// Description of identifier.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<CodeableConcept>,
    /// The namespace for the identifier value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub system: Option<String>,
    /// The value that is unique.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// Time period when id is/was valid for use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
    /// Organization that issued id (may be just text).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub assigner: Option<Reference>,
}
