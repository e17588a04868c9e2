//! List: things in an order someone gave them.

use serde::{Deserialize, Serialize};

use crate::codes::{ListMode, ListStatus};
use crate::datatypes::{
    Annotation, CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Reference,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// A list is a curated collection of resources.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct List {
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
    /// Business identifier.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Indicates the current state of this list.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<ListStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// Whether it is kept up to date, a snapshot, or a list of changes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mode: Option<ListMode>,
    /// What is said of `mode` besides its value, or why it has none.
    #[serde(rename = "_mode", skip_serializing_if = "Option::is_none")]
    pub mode_element: Option<Element>,
    /// Descriptive name for the list.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// What the purpose of this list is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// If all resources have the same subject.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<Reference>,
    /// Context in which list created.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub encounter: Option<Reference>,
    /// When the list was prepared.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<DateTime>,
    /// Who and/or what defined the list contents (aka Author).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<Reference>,
    /// What order the list has.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ordered_by: Option<CodeableConcept>,
    /// Comments about the list.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub note: Vec<Annotation>,
    /// Entries in the list.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub entry: Vec<ListEntry>,
    /// Why list is empty.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub empty_reason: Option<CodeableConcept>,
}

resource!(List);

impl Rules for List {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[
            ("status", self.status.is_some() || self.status_element.is_some()),
            ("mode", self.mode.is_some() || self.mode_element.is_some()),
        ])
    }

    fn check(&self, check: &mut Checker) {
        check.reference("subject", &self.subject, &["Patient", "Group", "Device", "Location"]);
        check.reference("encounter", &self.encounter, &["Encounter"]);
        check.reference("source", &self.source, &["Practitioner", "PractitionerRole", "Patient", "Device"]);
    }
}

/// Entries in the list.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ListEntry {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Status/Workflow information about this item.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub flag: Option<CodeableConcept>,
    /// If this item is actually marked as deleted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deleted: Option<bool>,
    /// When item added to list.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<DateTime>,
    /// Actual entry.
    pub item: Reference,
}
