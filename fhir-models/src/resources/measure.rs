//! Measure: how a quality of care is counted.

use serde::{Deserialize, Serialize};

use crate::codes::PublicationStatus;
use crate::datatypes::{
    CodeableConcept, ContactDetail, Element, Expression, Extension, Identifier, Meta, Narrative, Period,
    Reference, RelatedArtifact, UsageContext,
};
use crate::primitive::{Date, DateTime};
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// A quality measure definition.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Measure {
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
    /// Canonical identifier for this measure, represented as a URI (globally unique).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// Additional identifier for the measure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Business version of the measure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// Name for this measure (computer friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Name for this measure (human friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// Subordinate title of the measure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subtitle: Option<String>,
    /// The status of this measure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<PublicationStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// For testing purposes, not real usage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub experimental: Option<bool>,
    /// Whom or what it counts: patients unless said otherwise, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject_codeable_concept: Option<CodeableConcept>,
    /// Whom or what it counts: patients unless said otherwise, as a Reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject_reference: Option<Reference>,
    /// Date last changed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<DateTime>,
    /// Name of the publisher (organization or individual).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub publisher: Option<String>,
    /// Contact details for the publisher.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contact: Vec<ContactDetail>,
    /// Natural language description of the measure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// The context that the content is intended to support.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub use_context: Vec<UsageContext>,
    /// Intended jurisdiction for measure (if applicable).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub jurisdiction: Vec<CodeableConcept>,
    /// Why this measure is defined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub purpose: Option<String>,
    /// Describes the clinical usage of the measure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usage: Option<String>,
    /// Use and/or publishing restrictions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copyright: Option<String>,
    /// When the measure was approved by publisher.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub approval_date: Option<Date>,
    /// When the measure was last reviewed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_review_date: Option<Date>,
    /// When the measure is expected to be used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_period: Option<Period>,
    /// The category of the measure, such as Education, Treatment, Assessment, etc.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub topic: Vec<CodeableConcept>,
    /// Who authored the content.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub author: Vec<ContactDetail>,
    /// Who edited the content.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub editor: Vec<ContactDetail>,
    /// Who reviewed the content.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reviewer: Vec<ContactDetail>,
    /// Who endorsed the content.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub endorser: Vec<ContactDetail>,
    /// Additional documentation, citations, etc.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub related_artifact: Vec<RelatedArtifact>,
    /// Logic used by the measure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub library: Vec<String>,
    /// Disclaimer for use of the measure or its referenced content.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub disclaimer: Option<String>,
    /// How the score is computed: proportion, ratio, continuous variable or cohort.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scoring: Option<CodeableConcept>,
    /// How a composite measure combines the scores of its parts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub composite_scoring: Option<CodeableConcept>,
    /// Whether it looks at a process, an outcome, a structure and so on.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub r#type: Vec<CodeableConcept>,
    /// How risk adjustment is applied for this measure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub risk_adjustment: Option<String>,
    /// How is rate aggregation performed for this measure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_aggregation: Option<String>,
    /// Detailed description of why the measure exists.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rationale: Option<String>,
    /// Summary of clinical guidelines.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clinical_recommendation_statement: Option<String>,
    /// Whether a higher or a lower score is better.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub improvement_notation: Option<CodeableConcept>,
    /// Defined terms used in the measure documentation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub definition: Vec<String>,
    /// Additional guidance for implementers.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub guidance: Option<String>,
    /// Population criteria group.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub group: Vec<MeasureGroup>,
    /// What other data should be reported with the measure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub supplemental_data: Vec<MeasureSupplementalData>,
}

resource!(Measure);

impl Rules for Measure {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("status", self.status.is_some() || self.status_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.choice(self.subject());
        check.reference("subjectReference", &self.subject_reference, &["Group"]);
        check.period("effectivePeriod", &self.effective_period);
    }
}

choice! {
    /// What [`Measure::subject`] holds.
    MeasureSubject of Measure::subject "subject[x]" {
        CodeableConcept(CodeableConcept) = subject_codeable_concept,
        Reference(Reference) = subject_reference,
    }
}

/// Population criteria group.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureGroup {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Meaning of the group.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// Summary description.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// Population criteria.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub population: Vec<MeasureGroupPopulation>,
    /// Stratifier criteria for the measure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stratifier: Vec<MeasureGroupStratifier>,
}

/// Population criteria.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureGroupPopulation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The type of population criteria.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// The human readable description of this population criteria.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// The criteria that defines this population.
    pub criteria: Expression,
}

/// Stratifier criteria for the measure.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureGroupStratifier {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Meaning of the stratifier.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// The human readable description of this stratifier.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// How the measure should be stratified.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub criteria: Option<Expression>,
    /// Stratifier criteria component for the measure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub component: Vec<MeasureGroupStratifierComponent>,
}

/// Stratifier criteria component for the measure.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureGroupStratifierComponent {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Meaning of the stratifier component.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// The human readable description of this stratifier component.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// Component of how the measure should be stratified.
    pub criteria: Expression,
}

/// What other data should be reported with the measure.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureSupplementalData {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Meaning of the supplemental data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// An indicator of the intended usage for the supplemental data element.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub usage: Vec<CodeableConcept>,
    /// The human readable description of this supplemental data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// Expression describing additional data to be reported.
    pub criteria: Expression,
}
