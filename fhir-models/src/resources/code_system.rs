//! CodeSystem: codes and what they mean.

use serde::{Deserialize, Serialize};

use crate::codes::{
    CodeSystemContentMode, CodeSystemHierarchyMeaning, ConceptPropertyType, FilterOperator, PublicationStatus,
};
use crate::datatypes::{
    CodeableConcept, Coding, ContactDetail, Element, Extension, Identifier, Meta, Narrative, UsageContext,
};
use crate::primitive::{DateTime, Decimal};
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// Declares the existence of and describes a code system or code system supplement.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct CodeSystem {
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
    /// Canonical identifier for this code system, represented as a URI (globally unique) (Coding.system).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// Additional identifier for the code system (business identifier).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Business version of the code system (Coding.version).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// Name for this code system (computer friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Name for this code system (human friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// Whether the code system is in draft, in use or out of use.
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
    /// Name of the publisher (organization or individual).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub publisher: Option<String>,
    /// Contact details for the publisher.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contact: Vec<ContactDetail>,
    /// Natural language description of the code system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// The context that the content is intended to support.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub use_context: Vec<UsageContext>,
    /// Intended jurisdiction for code system (if applicable).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub jurisdiction: Vec<CodeableConcept>,
    /// Why this code system is defined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub purpose: Option<String>,
    /// Use and/or publishing restrictions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copyright: Option<String>,
    /// If code comparison is case sensitive.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub case_sensitive: Option<bool>,
    /// Canonical reference to the value set with entire code system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_set: Option<String>,
    /// The meaning of the hierarchy of concepts as represented in this resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hierarchy_meaning: Option<CodeSystemHierarchyMeaning>,
    /// If code system defines a compositional grammar.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compositional: Option<bool>,
    /// If definitions are not stable.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version_needed: Option<bool>,
    /// How much of the code system is in this resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub content: Option<CodeSystemContentMode>,
    /// What is said of `content` besides its value, or why it has none.
    #[serde(rename = "_content", skip_serializing_if = "Option::is_none")]
    pub content_element: Option<Element>,
    /// Canonical URL of Code System this adds designations and properties to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub supplements: Option<String>,
    /// Total concepts in the code system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
    /// Filter that can be used in a value set.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub filter: Vec<CodeSystemFilter>,
    /// Additional information supplied about each concept.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub property: Vec<CodeSystemProperty>,
    /// Concepts in the code system.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub concept: Vec<CodeSystemConcept>,
}

resource!(CodeSystem);

impl Rules for CodeSystem {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[
            ("status", self.status.is_some() || self.status_element.is_some()),
            ("content", self.content.is_some() || self.content_element.is_some()),
        ])
    }

    fn check(&self, check: &mut Checker) {
        check.each("concept", &self.concept, CodeSystemConcept::check);
    }
}

/// Filter that can be used in a value set.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CodeSystemFilter {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Code that identifies the filter.
    pub code: String,
    /// How or why the filter is used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// A list of operators that can be used with the filter.
    pub operator: Vec<FilterOperator>,
    /// What to use for the value.
    pub value: String,
}

/// Additional information supplied about each concept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CodeSystemProperty {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Identifies the property on the concepts, and when referred to in operations.
    pub code: String,
    /// Formal identifier for the property.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uri: Option<String>,
    /// Why the property is defined, and/or what it conveys.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// The type of the property value.
    pub r#type: ConceptPropertyType,
}

impl CodeSystemProperty {
    /// With what R4 requires, and nothing else.
    pub fn new(code: impl Into<String>, r#type: ConceptPropertyType) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            code: code.into(),
            uri: None,
            description: None,
            r#type,
        }
    }
}

/// Concepts in the code system.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CodeSystemConcept {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Code that identifies concept.
    pub code: String,
    /// Text to display to the user.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
    /// Formal definition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub definition: Option<String>,
    /// Additional representations for the concept.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub designation: Vec<CodeSystemConceptDesignation>,
    /// Property value for the concept.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub property: Vec<CodeSystemConceptProperty>,
    /// Child Concepts (is-a/contains/categorizes).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub concept: Vec<CodeSystemConcept>,
}

impl CodeSystemConcept {
    fn check(&self, check: &mut Checker) {
        check.each("property", &self.property, CodeSystemConceptProperty::check);
        check.each("concept", &self.concept, CodeSystemConcept::check);
    }
}

/// Additional representations for the concept.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CodeSystemConceptDesignation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Human language of the designation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub language: Option<String>,
    /// Details how this designation would be used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#use: Option<Coding>,
    /// The text value for this designation.
    pub value: String,
}

/// Property value for the concept.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CodeSystemConceptProperty {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Reference to CodeSystem.property.code.
    pub code: String,
    /// Value of the property for this concept, as a code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_code: Option<String>,
    /// Value of the property for this concept, as a Coding.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_coding: Option<Coding>,
    /// Value of the property for this concept, as a string.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_string: Option<String>,
    /// Value of the property for this concept, as an integer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_integer: Option<i32>,
    /// Value of the property for this concept, as a boolean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_boolean: Option<bool>,
    /// Value of the property for this concept, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_date_time: Option<DateTime>,
    /// Value of the property for this concept, as a decimal.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_decimal: Option<Decimal>,
}

impl CodeSystemConceptProperty {
    fn check(&self, check: &mut Checker) {
        check.choice(self.value());
    }
}

choice! {
    /// What [`CodeSystemConceptProperty::value`] holds.
    CodeSystemConceptPropertyValue of CodeSystemConceptProperty::value "value[x]" {
        Code(String) = value_code,
        Coding(Coding) = value_coding,
        String(String) = value_string,
        Integer(i32) = value_integer,
        Boolean(bool) = value_boolean,
        DateTime(DateTime) = value_date_time,
        Decimal(Decimal) = value_decimal,
    }
}
