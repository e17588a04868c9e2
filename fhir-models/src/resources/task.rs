//! Task: work to be done, and how far it is.

use std::num::NonZeroU32;

use serde::{Deserialize, Serialize};

use crate::codes::{RequestPriority, TaskIntent, TaskStatus};
use crate::datatypes::open_element;
use crate::datatypes::{
    Annotation, CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Period, Reference,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// A task to be performed.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Task {
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
    /// Task Instance Identifier.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Formal definition of task.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub instantiates_canonical: Option<String>,
    /// Formal definition of task.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub instantiates_uri: Option<String>,
    /// Request fulfilled by this task.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub based_on: Vec<Reference>,
    /// Requisition or grouper id.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub group_identifier: Option<Identifier>,
    /// Composite task.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub part_of: Vec<Reference>,
    /// The current status of the task.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<TaskStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// Reason for current status.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status_reason: Option<CodeableConcept>,
    /// How far it is in the words of the place, such as overdue.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub business_status: Option<CodeableConcept>,
    /// How binding the task is: proposal, plan, order.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub intent: Option<TaskIntent>,
    /// What is said of `intent` besides its value, or why it has none.
    #[serde(rename = "_intent", skip_serializing_if = "Option::is_none")]
    pub intent_element: Option<Element>,
    /// Indicates how quickly the Task should be addressed with respect to other requests.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub priority: Option<RequestPriority>,
    /// Task Type.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// Human-readable explanation of task.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// What task is acting on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub focus: Option<Reference>,
    /// Beneficiary of the Task.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#for: Option<Reference>,
    /// Healthcare event during which this task originated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub encounter: Option<Reference>,
    /// Start and end time of execution.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub execution_period: Option<Period>,
    /// Task Creation Date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub authored_on: Option<DateTime>,
    /// Task Last Modified Date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_modified: Option<DateTime>,
    /// Who is asking for task to be done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub requester: Option<Reference>,
    /// Requested performer.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub performer_type: Vec<CodeableConcept>,
    /// Responsible individual.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub owner: Option<Reference>,
    /// Where task occurs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub location: Option<Reference>,
    /// Why task is needed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason_code: Option<CodeableConcept>,
    /// Why task is needed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason_reference: Option<Reference>,
    /// Associated insurance coverage.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub insurance: Vec<Reference>,
    /// Comments made about the task.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub note: Vec<Annotation>,
    /// Key events in history of the Task.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub relevant_history: Vec<Reference>,
    /// Constraints on fulfillment tasks.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub restriction: Option<TaskRestriction>,
    /// Information used to perform task.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub input: Vec<TaskParameter>,
    /// Information produced as part of task.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub output: Vec<TaskParameter>,
}

resource!(Task);

impl Rules for Task {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[
            ("status", self.status.is_some() || self.status_element.is_some()),
            ("intent", self.intent.is_some() || self.intent_element.is_some()),
        ])
    }

    fn check(&self, check: &mut Checker) {
        check.references("partOf", &self.part_of, &["Task"]);
        check.reference("encounter", &self.encounter, &["Encounter"]);
        check.reference(
            "requester",
            &self.requester,
            &["Device", "Organization", "Patient", "Practitioner", "PractitionerRole", "RelatedPerson"],
        );
        check.reference(
            "owner",
            &self.owner,
            &[
                "Practitioner",
                "PractitionerRole",
                "Organization",
                "CareTeam",
                "HealthcareService",
                "Patient",
                "Device",
                "RelatedPerson",
            ],
        );
        check.reference("location", &self.location, &["Location"]);
        check.references("insurance", &self.insurance, &["Coverage", "ClaimResponse"]);
        check.references("relevantHistory", &self.relevant_history, &["Provenance"]);
        check.period("executionPeriod", &self.execution_period);
        check.inside("restriction", &self.restriction, TaskRestriction::check);
    }
}

/// Constraints on fulfillment tasks.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct TaskRestriction {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// How many times to repeat.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub repetitions: Option<NonZeroU32>,
    /// When fulfillment sought.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
    /// For whom is fulfillment sought?
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub recipient: Vec<Reference>,
}

impl TaskRestriction {
    fn check(&self, check: &mut Checker) {
        check.references(
            "recipient",
            &self.recipient,
            &["Patient", "Practitioner", "PractitionerRole", "RelatedPerson", "Group", "Organization"],
        );
        check.period("period", &self.period);
    }
}

open_element! {
    /// A named piece of information that goes into a task, or comes out of it.
    TaskParameter {
        /// Id of the element within its resource.
        id: Option<String> = "id",
        /// What R4 has no element for.
        extension: Vec<Extension> = "extension",
        /// What changes the meaning of everything around it; never to be ignored.
        modifier_extension: Vec<Extension> = "modifierExtension",
        /// What the value is for.
        r#type: CodeableConcept = "type",
    }
}
