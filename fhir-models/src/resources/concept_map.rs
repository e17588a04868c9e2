//! ConceptMap: codes of one system said in another.

use serde::{Deserialize, Serialize};

use crate::codes::{ConceptMapEquivalence, ConceptMapUnmappedMode, PublicationStatus};
use crate::datatypes::{
    CodeableConcept, ContactDetail, Element, Extension, Identifier, Meta, Narrative, UsageContext,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// A map from one set of concepts to one or more other concepts.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct ConceptMap {
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
    /// Canonical identifier for this concept map, represented as a URI (globally unique).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// Additional identifier for the concept map.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identifier: Option<Identifier>,
    /// Business version of the concept map.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// Name for this concept map (computer friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Name for this concept map (human friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// The status of this concept map.
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
    /// Natural language description of the concept map.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// The context that the content is intended to support.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub use_context: Vec<UsageContext>,
    /// Intended jurisdiction for concept map (if applicable).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub jurisdiction: Vec<CodeableConcept>,
    /// Why this concept map is defined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub purpose: Option<String>,
    /// Use and/or publishing restrictions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copyright: Option<String>,
    /// The source value set that contains the concepts that are being mapped, as an uri.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source_uri: Option<String>,
    /// The source value set that contains the concepts that are being mapped, as a canonical.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source_canonical: Option<String>,
    /// The target value set which provides context for the mappings, as an uri.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target_uri: Option<String>,
    /// The target value set which provides context for the mappings, as a canonical.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target_canonical: Option<String>,
    /// Same source and target systems.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub group: Vec<ConceptMapGroup>,
}

resource!(ConceptMap);

impl Rules for ConceptMap {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("status", self.status.is_some() || self.status_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.choice(self.source());
        check.choice(self.target());
    }
}

choice! {
    /// What [`ConceptMap::source`] holds.
    ConceptMapSource of ConceptMap::source "source[x]" {
        Uri(String) = source_uri,
        Canonical(String) = source_canonical,
    }
}

choice! {
    /// What [`ConceptMap::target`] holds.
    ConceptMapTarget of ConceptMap::target "target[x]" {
        Uri(String) = target_uri,
        Canonical(String) = target_canonical,
    }
}

/// Same source and target systems.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ConceptMapGroup {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Source system where concepts to be mapped are defined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Specific version of the code system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source_version: Option<String>,
    /// Target system that the concepts are to be mapped to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target: Option<String>,
    /// Specific version of the code system.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target_version: Option<String>,
    /// Mappings for a concept from the source set.
    pub element: Vec<ConceptMapGroupElement>,
    /// What to do when there is no mapping for the source concept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unmapped: Option<ConceptMapGroupUnmapped>,
}

/// Mappings for a concept from the source set.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ConceptMapGroupElement {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Identifies element being mapped.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// Display for the code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
    /// Concept in target system for element.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub target: Vec<ConceptMapGroupElementTarget>,
}

/// Concept in target system for element.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ConceptMapGroupElementTarget {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Code that identifies the target element.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// Display for the code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
    /// How the target's meaning relates to the source's, read from source to target.
    pub equivalence: ConceptMapEquivalence,
    /// Description of status/issues in mapping.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub comment: Option<String>,
    /// Other elements required for this mapping (from context).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub depends_on: Vec<ConceptMapGroupElementTargetDependsOn>,
    /// Other concepts that this mapping also produces.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub product: Vec<ConceptMapGroupElementTargetDependsOn>,
}

impl ConceptMapGroupElementTarget {
    /// With what R4 requires, and nothing else.
    pub fn new(equivalence: ConceptMapEquivalence) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            code: None,
            display: None,
            equivalence,
            comment: None,
            depends_on: Vec::new(),
            product: Vec::new(),
        }
    }
}

/// Other elements required for this mapping (from context).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ConceptMapGroupElementTargetDependsOn {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Reference to property mapping depends on.
    pub property: String,
    /// Code System (if necessary).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub system: Option<String>,
    /// Value of the referenced element.
    pub value: String,
    /// Display for the code (if value is a code).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
}

/// What to do when there is no mapping for the source concept.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ConceptMapGroupUnmapped {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// What to do with a source code that has no target.
    pub mode: ConceptMapUnmappedMode,
    /// Fixed code when mode = fixed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// Display for the code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
    /// Canonical reference to an additional ConceptMap to use for mapping if the source concept is unmapped.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
}

impl ConceptMapGroupUnmapped {
    /// With what R4 requires, and nothing else.
    pub fn new(mode: ConceptMapUnmappedMode) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            mode,
            code: None,
            display: None,
            url: None,
        }
    }
}
