//! CapabilityStatement: what a server can do.

mod rest;

pub use rest::*;

use serde::{Deserialize, Serialize};

use crate::codes::{
    CapabilityStatementKind, DocumentMode, EventCapabilityMode, FhirVersion, PublicationStatus,
};
use crate::datatypes::{
    CodeableConcept, Coding, ContactDetail, Element, Extension, Meta, Narrative, Reference, UsageContext,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// A statement of system capabilities.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct CapabilityStatement {
    /// Logical id, set by the server that holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Version, time of change, profiles, tags.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meta: Option<Meta>,
    /// Rules the content was made under; never to be ignored.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub implicit_rules: Option<String>,
    /// Language of the content, a BCP 47 code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub language: Option<String>,
    /// The resource as people read it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<Narrative>,
    /// Resources that live only inside this one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contained: Vec<RawResource>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Canonical identifier for this capability statement, represented as a URI (globally unique).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// Business version of the capability statement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// Name for this capability statement (computer friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Name for this capability statement (human friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// The status of this capability statement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<PublicationStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// For testing purposes, not real usage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub experimental: Option<bool>,
    /// Date last changed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<DateTime>,
    /// What is said of `date` besides its value, or why it has none.
    #[serde(rename = "_date", skip_serializing_if = "Option::is_none")]
    pub date_element: Option<Element>,
    /// Name of the publisher (organization or individual).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub publisher: Option<String>,
    /// Contact details for the publisher.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contact: Vec<ContactDetail>,
    /// Natural language description of the capability statement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// The context that the content is intended to support.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub use_context: Vec<UsageContext>,
    /// Intended jurisdiction for capability statement (if applicable).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub jurisdiction: Vec<CodeableConcept>,
    /// Why this capability statement is defined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub purpose: Option<String>,
    /// Use and/or publishing restrictions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copyright: Option<String>,
    /// Whether it tells of a running server, a product or a need.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kind: Option<CapabilityStatementKind>,
    /// What is said of `kind` besides its value, or why it has none.
    #[serde(rename = "_kind", skip_serializing_if = "Option::is_none")]
    pub kind_element: Option<Element>,
    /// Canonical URL of another capability statement this implements.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instantiates: Vec<String>,
    /// Canonical URL of another capability statement this adds to.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub imports: Vec<String>,
    /// Software that is covered by this capability statement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub software: Option<CapabilityStatementSoftware>,
    /// If this describes a specific instance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub implementation: Option<CapabilityStatementImplementation>,
    /// FHIR Version the system supports.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fhir_version: Option<FhirVersion>,
    /// What is said of `fhirVersion` besides its value, or why it has none.
    #[serde(rename = "_fhirVersion", skip_serializing_if = "Option::is_none")]
    pub fhir_version_element: Option<Element>,
    /// The content types it speaks.
    pub format: Vec<String>,
    /// Patch formats supported.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub patch_format: Vec<String>,
    /// Implementation guides supported.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub implementation_guide: Vec<String>,
    /// If the endpoint is a RESTful one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub rest: Vec<CapabilityStatementRest>,
    /// If messaging is supported.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub messaging: Vec<CapabilityStatementMessaging>,
    /// Document definition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub document: Vec<CapabilityStatementDocument>,
}

resource!(CapabilityStatement);

impl Rules for CapabilityStatement {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[
            ("status", self.status.is_some() || self.status_element.is_some()),
            ("date", self.date.is_some() || self.date_element.is_some()),
            ("kind", self.kind.is_some() || self.kind_element.is_some()),
            ("fhirVersion", self.fhir_version.is_some() || self.fhir_version_element.is_some()),
        ])
    }

    fn check(&self, check: &mut Checker) {
        check.inside("implementation", &self.implementation, CapabilityStatementImplementation::check);
    }
}

/// Software that is covered by this capability statement.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementSoftware {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// A name the software is known by.
    pub name: String,
    /// Version covered by this statement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// Date this version was released.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub release_date: Option<DateTime>,
}

/// If this describes a specific instance.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementImplementation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Describes this specific instance.
    pub description: String,
    /// Base URL for the installation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// Organization that manages the data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub custodian: Option<Reference>,
}

impl CapabilityStatementImplementation {
    fn check(&self, check: &mut Checker) {
        check.reference("custodian", &self.custodian, &["Organization"]);
    }
}

/// If messaging is supported.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementMessaging {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Where messages should be sent.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub endpoint: Vec<CapabilityStatementMessagingEndpoint>,
    /// Reliable Message Cache Length (min).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reliable_cache: Option<u32>,
    /// Messaging interface behavior details.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub documentation: Option<String>,
    /// Messages supported by this system.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub supported_message: Vec<CapabilityStatementMessagingSupportedMessage>,
}

/// Where messages should be sent.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementMessagingEndpoint {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// How messages are carried.
    pub protocol: Coding,
    /// Network address or identifier of the end-point.
    pub address: String,
}

/// Messages supported by this system.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementMessagingSupportedMessage {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Whether it sends or receives them.
    pub mode: EventCapabilityMode,
    /// Message supported by this system.
    pub definition: String,
}

impl CapabilityStatementMessagingSupportedMessage {
    /// With what R4 requires, and nothing else.
    pub fn new(mode: EventCapabilityMode, definition: impl Into<String>) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            mode,
            definition: definition.into(),
        }
    }
}

/// Document definition.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementDocument {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Whether it makes or reads them.
    pub mode: DocumentMode,
    /// Description of document support.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub documentation: Option<String>,
    /// Constraint on the resources used in the document.
    pub profile: String,
}

impl CapabilityStatementDocument {
    /// With what R4 requires, and nothing else.
    pub fn new(mode: DocumentMode, profile: impl Into<String>) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            mode,
            documentation: None,
            profile: profile.into(),
        }
    }
}
