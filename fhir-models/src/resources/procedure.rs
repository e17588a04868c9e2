//! Procedure: something done to a patient, mouth care and intubation among them.

use serde::{Deserialize, Serialize};

use crate::codes::EventStatus;
use crate::datatypes::{
    Age, Annotation, CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Period, Range,
    Reference,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// An action that is being or was performed on a patient.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Procedure {
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
    /// External Identifiers for this procedure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Instantiates FHIR protocol or definition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instantiates_canonical: Vec<String>,
    /// Instantiates external protocol or definition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instantiates_uri: Vec<String>,
    /// A request for this procedure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub based_on: Vec<Reference>,
    /// Part of referenced event.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub part_of: Vec<Reference>,
    /// A code specifying the state of the procedure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<EventStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// Reason for current status.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status_reason: Option<CodeableConcept>,
    /// Classification of the procedure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub category: Option<CodeableConcept>,
    /// Identification of the procedure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// Who the procedure was performed on.
    pub subject: Reference,
    /// Encounter created as part of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub encounter: Option<Reference>,
    /// When the procedure was performed, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub performed_date_time: Option<DateTime>,
    /// What is said of `performedDateTime` besides its value, or why it has none.
    #[serde(rename = "_performedDateTime", skip_serializing_if = "Option::is_none")]
    pub performed_date_time_element: Option<Element>,
    /// When the procedure was performed, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub performed_period: Option<Period>,
    /// When the procedure was performed, as a string.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub performed_string: Option<String>,
    /// When the procedure was performed, as an Age.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub performed_age: Option<Age>,
    /// When the procedure was performed, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub performed_range: Option<Box<Range>>,
    /// Who recorded the procedure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorder: Option<Reference>,
    /// Person who asserts this procedure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub asserter: Option<Reference>,
    /// The people who performed the procedure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub performer: Vec<ProcedurePerformer>,
    /// Where the procedure happened.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub location: Option<Reference>,
    /// Coded reason procedure performed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reason_code: Vec<CodeableConcept>,
    /// The justification that the procedure was performed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reason_reference: Vec<Reference>,
    /// Target body sites.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub body_site: Vec<CodeableConcept>,
    /// The result of procedure.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outcome: Option<CodeableConcept>,
    /// Any report resulting from the procedure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub report: Vec<Reference>,
    /// Complication following the procedure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub complication: Vec<CodeableConcept>,
    /// A condition that is a result of the procedure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub complication_detail: Vec<Reference>,
    /// Instructions for follow up.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub follow_up: Vec<CodeableConcept>,
    /// Additional information about the procedure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub note: Vec<Annotation>,
    /// Manipulated, implanted, or removed device.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub focal_device: Vec<ProcedureFocalDevice>,
    /// Items used during procedure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub used_reference: Vec<Reference>,
    /// Coded items used during the procedure.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub used_code: Vec<CodeableConcept>,
}

resource!(Procedure);

impl Rules for Procedure {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("status", self.status.is_some() || self.status_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.choice(self.performed());
        check.references("basedOn", &self.based_on, &["CarePlan", "ServiceRequest"]);
        check.references("partOf", &self.part_of, &["Procedure", "Observation", "MedicationAdministration"]);
        check.reference("subject", [&self.subject], &["Patient", "Group"]);
        check.reference("encounter", &self.encounter, &["Encounter"]);
        check.reference(
            "recorder",
            &self.recorder,
            &["Patient", "RelatedPerson", "Practitioner", "PractitionerRole"],
        );
        check.reference(
            "asserter",
            &self.asserter,
            &["Patient", "RelatedPerson", "Practitioner", "PractitionerRole"],
        );
        check.reference("location", &self.location, &["Location"]);
        check.references(
            "reasonReference",
            &self.reason_reference,
            &["Condition", "Observation", "Procedure", "DiagnosticReport", "DocumentReference"],
        );
        check.references("report", &self.report, &["DiagnosticReport", "DocumentReference", "Composition"]);
        check.references("complicationDetail", &self.complication_detail, &["Condition"]);
        check.references("usedReference", &self.used_reference, &["Device", "Medication", "Substance"]);
        check.period("performedPeriod", &self.performed_period);
        check.each("performer", &self.performer, ProcedurePerformer::check);
        check.each("focalDevice", &self.focal_device, ProcedureFocalDevice::check);
    }
}

choice! {
    /// What [`Procedure::performed`] holds.
    Performed of Procedure::performed "performed[x]" {
        DateTime(DateTime) = performed_date_time,
        Period(Period) = performed_period,
        String(String) = performed_string,
        Age(Age) = performed_age,
        Range(Range) = performed_range,
    }
}

/// The people who performed the procedure.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ProcedurePerformer {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Type of performance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub function: Option<CodeableConcept>,
    /// The reference to the practitioner.
    pub actor: Reference,
    /// Organization the device or practitioner was acting for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_behalf_of: Option<Reference>,
}

impl ProcedurePerformer {
    fn check(&self, check: &mut Checker) {
        check.reference(
            "actor",
            [&self.actor],
            &["Practitioner", "PractitionerRole", "Organization", "Patient", "RelatedPerson", "Device"],
        );
        check.reference("onBehalfOf", &self.on_behalf_of, &["Organization"]);
    }
}

/// Manipulated, implanted, or removed device.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ProcedureFocalDevice {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Kind of change to device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub action: Option<CodeableConcept>,
    /// Device that was changed.
    pub manipulated: Reference,
}

impl ProcedureFocalDevice {
    fn check(&self, check: &mut Checker) {
        check.reference("manipulated", [&self.manipulated], &["Device"]);
    }
}
