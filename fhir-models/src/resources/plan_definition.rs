//! PlanDefinition: a protocol that can be shared.

mod action;

pub use action::*;

use serde::{Deserialize, Serialize};

use crate::codes::PublicationStatus;
use crate::datatypes::{
    CodeableConcept, ContactDetail, Duration, Element, Extension, Identifier, Meta, Narrative, Period,
    Quantity, Range, Reference, RelatedArtifact, UsageContext,
};
use crate::primitive::{Date, DateTime};
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// The definition of a plan for a series of actions, independent of any specific patient or context.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct PlanDefinition {
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
    /// Canonical identifier for this plan definition, represented as a URI (globally unique).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// Additional identifier for the plan definition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Business version of the plan definition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
    /// Name for this plan definition (computer friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Name for this plan definition (human friendly).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// Subordinate title of the plan definition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subtitle: Option<String>,
    /// What kind of plan it is: order set, protocol, rule, workflow.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<CodeableConcept>,
    /// The status of this plan definition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<PublicationStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// For testing purposes, not real usage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub experimental: Option<bool>,
    /// Type of individual the plan definition is focused on, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject_codeable_concept: Option<CodeableConcept>,
    /// Type of individual the plan definition is focused on, as a Reference.
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
    /// Natural language description of the plan definition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// The context that the content is intended to support.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub use_context: Vec<UsageContext>,
    /// Intended jurisdiction for plan definition (if applicable).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub jurisdiction: Vec<CodeableConcept>,
    /// Why this plan definition is defined.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub purpose: Option<String>,
    /// Describes the clinical usage of the plan.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub usage: Option<String>,
    /// Use and/or publishing restrictions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub copyright: Option<String>,
    /// When the plan definition was approved by publisher.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub approval_date: Option<Date>,
    /// When the plan definition was last reviewed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_review_date: Option<Date>,
    /// When the plan definition is expected to be used.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_period: Option<Period>,
    /// What it is about: education, treatment, assessment.
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
    /// Additional documentation, citations.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub related_artifact: Vec<RelatedArtifact>,
    /// Logic used by the plan definition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub library: Vec<String>,
    /// What the plan is trying to accomplish.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub goal: Vec<PlanDefinitionGoal>,
    /// Action defined by the plan.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub action: Vec<PlanDefinitionAction>,
}

resource!(PlanDefinition);

impl Rules for PlanDefinition {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("status", self.status.is_some() || self.status_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.choice(self.subject());
        check.reference("subjectReference", &self.subject_reference, &["Group"]);
        check.period("effectivePeriod", &self.effective_period);
        check.each("goal", &self.goal, PlanDefinitionGoal::check);
        check.each("action", &self.action, PlanDefinitionAction::check);
    }
}

choice! {
    /// What [`PlanDefinition::subject`] holds.
    PlanDefinitionSubject of PlanDefinition::subject "subject[x]" {
        CodeableConcept(CodeableConcept) = subject_codeable_concept,
        Reference(Reference) = subject_reference,
    }
}

/// What the plan is trying to accomplish.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PlanDefinitionGoal {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// What the goal is about: treatment, diet, behavior.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub category: Option<CodeableConcept>,
    /// Code or text describing the goal.
    pub description: CodeableConcept,
    /// How important the goal is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub priority: Option<CodeableConcept>,
    /// When goal pursuit begins.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub start: Option<CodeableConcept>,
    /// What does the goal address.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub addresses: Vec<CodeableConcept>,
    /// Supporting documentation for the goal.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub documentation: Vec<RelatedArtifact>,
    /// Target outcome for the goal.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub target: Vec<PlanDefinitionGoalTarget>,
}

impl PlanDefinitionGoal {
    fn check(&self, check: &mut Checker) {
        check.each("target", &self.target, PlanDefinitionGoalTarget::check);
    }
}

/// Target outcome for the goal.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PlanDefinitionGoalTarget {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The parameter whose value is to be tracked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measure: Option<CodeableConcept>,
    /// The target value to be achieved, as a Quantity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail_quantity: Option<Quantity>,
    /// The target value to be achieved, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail_range: Option<Box<Range>>,
    /// The target value to be achieved, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail_codeable_concept: Option<CodeableConcept>,
    /// Reach goal within.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due: Option<Duration>,
}

impl PlanDefinitionGoalTarget {
    fn check(&self, check: &mut Checker) {
        check.choice(self.detail());
    }
}

choice! {
    /// What [`PlanDefinitionGoalTarget::detail`] holds.
    PlanDefinitionGoalTargetDetail of PlanDefinitionGoalTarget::detail "detail[x]" {
        Quantity(Quantity) = detail_quantity,
        Range(Range) = detail_range,
        CodeableConcept(CodeableConcept) = detail_codeable_concept,
    }
}
