//! ValueSet: a choice of codes.

use serde::{Deserialize, Serialize};

use crate::codes::{FilterOperator, PublicationStatus};
use crate::datatypes::{
    CodeableConcept, Coding, ContactDetail, Element, Extension, Identifier, Meta, Narrative, UsageContext,
};
use crate::primitive::{Date, DateTime, Decimal};
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// A set of codes drawn from one or more code systems.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct ValueSet {
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
    /// Canonical identifier for this value set, represented as a URI (globally unique).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// Additional identifier for the value set (business identifier).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Business version of the value set.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// Name for this value set (computer friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Name for this value set (human friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// The status of this value set.
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
    /// Natural language description of the value set.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// The context that the content is intended to support.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub use_context: Vec<UsageContext>,
    /// Intended jurisdiction for value set (if applicable).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub jurisdiction: Vec<CodeableConcept>,
    /// Indicates whether or not any change to the content logical definition may occur.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub immutable: Option<bool>,
    /// Why this value set is defined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub purpose: Option<String>,
    /// Use and/or publishing restrictions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copyright: Option<String>,
    /// Content logical definition of the value set (CLD).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compose: Option<ValueSetCompose>,
    /// Used when the value set is "expanded".
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expansion: Option<ValueSetExpansion>,
}

resource!(ValueSet);

impl Rules for ValueSet {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("status", self.status.is_some() || self.status_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.inside("expansion", &self.expansion, ValueSetExpansion::check);
    }
}

/// Content logical definition of the value set (CLD).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ValueSetCompose {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Fixed date for references with no specified version (transitive).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub locked_date: Option<Date>,
    /// Whether inactive codes are in the value set.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inactive: Option<bool>,
    /// Include one or more codes from a code system or other value set(s).
    pub include: Vec<ValueSetComposeInclude>,
    /// Explicitly exclude codes from a code system or other value sets.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub exclude: Vec<ValueSetComposeInclude>,
}

/// Include one or more codes from a code system or other value set(s).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ValueSetComposeInclude {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The system the codes come from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub system: Option<String>,
    /// Specific version of the code system referred to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// A concept defined in the system.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub concept: Vec<ValueSetComposeIncludeConcept>,
    /// Select codes/concepts by their properties (including relationships).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub filter: Vec<ValueSetComposeIncludeFilter>,
    /// Select the contents included in this value set.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub value_set: Vec<String>,
}

/// A concept defined in the system.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ValueSetComposeIncludeConcept {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Code or expression from system.
    pub code: String,
    /// Text to display for this code for this value set in this valueset.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
    /// Additional representations for this concept.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub designation: Vec<ValueSetComposeIncludeConceptDesignation>,
}

/// Additional representations for this concept.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ValueSetComposeIncludeConceptDesignation {
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
    /// Types of uses of designations.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#use: Option<Coding>,
    /// The text value for this designation.
    pub value: String,
}

/// Select codes/concepts by their properties (including relationships).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ValueSetComposeIncludeFilter {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// A property/filter defined by the code system.
    pub property: String,
    /// The kind of operation to perform as a part of the filter criteria.
    pub op: FilterOperator,
    /// Code from the system, or regex criteria, or boolean value for exists.
    pub value: String,
}

impl ValueSetComposeIncludeFilter {
    /// With what R4 requires, and nothing else.
    pub fn new(property: impl Into<String>, op: FilterOperator, value: impl Into<String>) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            property: property.into(),
            op,
            value: value.into(),
        }
    }
}

/// Used when the value set is "expanded".
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ValueSetExpansion {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Identifies the value set expansion (business identifier).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identifier: Option<String>,
    /// Time ValueSet expansion happened.
    pub timestamp: DateTime,
    /// Total number of codes in the expansion.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub total: Option<i32>,
    /// Offset at which this resource starts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset: Option<i32>,
    /// Parameter that controlled the expansion process.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parameter: Vec<ValueSetExpansionParameter>,
    /// Codes in the value set.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contains: Vec<ValueSetExpansionContains>,
}

impl ValueSetExpansion {
    /// With what R4 requires, and nothing else.
    pub fn new(timestamp: DateTime) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            identifier: None,
            timestamp,
            total: None,
            offset: None,
            parameter: Vec::new(),
            contains: Vec::new(),
        }
    }
}

impl ValueSetExpansion {
    fn check(&self, check: &mut Checker) {
        check.each("parameter", &self.parameter, ValueSetExpansionParameter::check);
    }
}

/// Parameter that controlled the expansion process.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ValueSetExpansionParameter {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Name as assigned by the client or server.
    pub name: String,
    /// Value of the named parameter, as a string.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_string: Option<String>,
    /// Value of the named parameter, as a boolean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_boolean: Option<bool>,
    /// Value of the named parameter, as an integer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_integer: Option<i32>,
    /// Value of the named parameter, as a decimal.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_decimal: Option<Decimal>,
    /// Value of the named parameter, as an uri.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_uri: Option<String>,
    /// Value of the named parameter, as a code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_code: Option<String>,
    /// Value of the named parameter, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_date_time: Option<DateTime>,
}

impl ValueSetExpansionParameter {
    fn check(&self, check: &mut Checker) {
        check.choice(self.value());
    }
}

choice! {
    /// What [`ValueSetExpansionParameter::value`] holds.
    ValueSetExpansionParameterValue of ValueSetExpansionParameter::value "value[x]" {
        String(String) = value_string,
        Boolean(bool) = value_boolean,
        Integer(i32) = value_integer,
        Decimal(Decimal) = value_decimal,
        Uri(String) = value_uri,
        Code(String) = value_code,
        DateTime(DateTime) = value_date_time,
    }
}

/// Codes in the value set.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ValueSetExpansionContains {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// System value for the code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub system: Option<String>,
    /// If user cannot select this entry.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#abstract: Option<bool>,
    /// If concept is inactive in the code system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inactive: Option<bool>,
    /// Version in which this code/display is defined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// Code - if blank, this is not a selectable code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// User display for the concept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
    /// Additional representations for this item.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub designation: Vec<ValueSetComposeIncludeConceptDesignation>,
    /// Codes contained under this entry.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contains: Vec<ValueSetExpansionContains>,
}
