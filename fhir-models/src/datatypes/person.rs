//! How people and organisations are named and reached.

use std::num::NonZeroU32;

use serde::{Deserialize, Serialize};

use crate::codes::{AddressType, AddressUse, ContactPointSystem, ContactPointUse, ContributorType, NameUse};
use crate::datatypes::{Extension, Period};

/// Name of a human - parts and usage.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct HumanName {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Identifies the purpose for this name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#use: Option<NameUse>,
    /// Text representation of the full name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Family name (often called 'Surname').
    #[serde(skip_serializing_if = "Option::is_none")]
    pub family: Option<String>,
    /// Given names (not always 'first'). Includes middle names.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub given: Vec<String>,
    /// Parts that come before the name.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub prefix: Vec<String>,
    /// Parts that come after the name.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub suffix: Vec<String>,
    /// Time period when name was/is in use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
}

/// A postal address.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Address {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// The purpose of this address.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#use: Option<AddressUse>,
    /// Whether one can go there, write there or both.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<AddressType>,
    /// Text representation of the address.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Street name, number, direction & P.O. Box etc.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub line: Vec<String>,
    /// Name of city, town etc.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub city: Option<String>,
    /// District name (aka county).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub district: Option<String>,
    /// Sub-unit of country (abbreviations ok).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub state: Option<String>,
    /// Postal code for area.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub postal_code: Option<String>,
    /// Country (e.g. can be ISO 3166 2 or 3 letter code).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub country: Option<String>,
    /// Time period when address was/is in use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
}

/// Details of a Technology mediated contact point (phone, fax, email, etc.).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ContactPoint {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Telephone, e-mail and so on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub system: Option<ContactPointSystem>,
    /// The actual contact point details.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// Identifies the purpose for the contact point.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#use: Option<ContactPointUse>,
    /// Specify preferred order of use (1 = highest).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rank: Option<NonZeroU32>,
    /// Time period when the contact point was/is in use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
}

/// Contact information.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ContactDetail {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Name of an individual to contact.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Contact details for individual or organization.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub telecom: Vec<ContactPoint>,
}

/// Contributor information.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Contributor {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// The type of contributor.
    pub r#type: ContributorType,
    /// Who contributed the content.
    pub name: String,
    /// Contact details of the contributor.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contact: Vec<ContactDetail>,
}

impl Contributor {
    /// With what R4 requires, and nothing else.
    pub fn new(r#type: ContributorType, name: impl Into<String>) -> Self {
        Self { id: None, extension: Vec::new(), r#type, name: name.into(), contact: Vec::new() }
    }
}
