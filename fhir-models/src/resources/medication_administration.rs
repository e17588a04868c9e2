//! MedicationAdministration: a medicine given or withheld.

use serde::{Deserialize, Serialize};

use crate::codes::MedicationAdministrationStatus;
use crate::datatypes::{
    Annotation, CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Period, Quantity, Ratio,
    Reference,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// Administration of medication to a patient.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct MedicationAdministration {
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
    /// External identifier.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Instantiates protocol or definition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub instantiates: Vec<String>,
    /// Part of referenced event.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub part_of: Vec<Reference>,
    /// How far the administration is; mostly completed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<MedicationAdministrationStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// Reason administration not performed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub status_reason: Vec<CodeableConcept>,
    /// Type of medication usage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub category: Option<CodeableConcept>,
    /// What was administered, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub medication_codeable_concept: Option<CodeableConcept>,
    /// What was administered, as a Reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub medication_reference: Option<Reference>,
    /// Who received medication.
    pub subject: Reference,
    /// Encounter or Episode of Care administered as part of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub context: Option<Reference>,
    /// Additional information to support administration.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub supporting_information: Vec<Reference>,
    /// Start and end time of administration, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_date_time: Option<DateTime>,
    /// What is said of `effectiveDateTime` besides its value, or why it has none.
    #[serde(rename = "_effectiveDateTime", skip_serializing_if = "Option::is_none")]
    pub effective_date_time_element: Option<Element>,
    /// Start and end time of administration, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_period: Option<Period>,
    /// Who performed the medication administration and what they did.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub performer: Vec<MedicationAdministrationPerformer>,
    /// Reason administration performed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reason_code: Vec<CodeableConcept>,
    /// Condition or observation that supports why the medication was administered.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reason_reference: Vec<Reference>,
    /// Request administration performed against.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub request: Option<Reference>,
    /// Device used to administer.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub device: Vec<Reference>,
    /// Information about the administration.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub note: Vec<Annotation>,
    /// Details of how medication was taken.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dosage: Option<MedicationAdministrationDosage>,
    /// A list of events of interest in the lifecycle.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub event_history: Vec<Reference>,
}

resource!(MedicationAdministration);

impl Rules for MedicationAdministration {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[
            ("status", self.status.is_some() || self.status_element.is_some()),
            (
                "medication[x]",
                self.medication_codeable_concept.is_some() || self.medication_reference.is_some(),
            ),
            (
                "effective[x]",
                self.effective_date_time.is_some()
                    || self.effective_period.is_some()
                    || self.effective_date_time_element.is_some(),
            ),
        ])
    }

    fn check(&self, check: &mut Checker) {
        check.choice(self.medication());
        check.choice(self.effective());
        check.references("partOf", &self.part_of, &["MedicationAdministration", "Procedure"]);
        check.reference("medicationReference", &self.medication_reference, &["Medication"]);
        check.reference("subject", [&self.subject], &["Patient", "Group"]);
        check.reference("context", &self.context, &["Encounter", "EpisodeOfCare"]);
        check.references(
            "reasonReference",
            &self.reason_reference,
            &["Condition", "Observation", "DiagnosticReport"],
        );
        check.reference("request", &self.request, &["MedicationRequest"]);
        check.references("device", &self.device, &["Device"]);
        check.references("eventHistory", &self.event_history, &["Provenance"]);
        check.period("effectivePeriod", &self.effective_period);
        check.each("performer", &self.performer, MedicationAdministrationPerformer::check);
        check.inside("dosage", &self.dosage, MedicationAdministrationDosage::check);
    }
}

choice! {
    /// What [`MedicationAdministration::medication`] holds.
    Medication of MedicationAdministration::medication "medication[x]" {
        CodeableConcept(CodeableConcept) = medication_codeable_concept,
        Reference(Reference) = medication_reference,
    }
}

choice! {
    /// What [`MedicationAdministration::effective`] holds.
    MedicationAdministrationEffective of MedicationAdministration::effective "effective[x]" {
        DateTime(DateTime) = effective_date_time,
        Period(Period) = effective_period,
    }
}

/// Who performed the medication administration and what they did.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MedicationAdministrationPerformer {
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
    /// Who performed the medication administration.
    pub actor: Reference,
}

impl MedicationAdministrationPerformer {
    fn check(&self, check: &mut Checker) {
        check.reference(
            "actor",
            [&self.actor],
            &["Practitioner", "PractitionerRole", "Patient", "RelatedPerson", "Device"],
        );
    }
}

/// Details of how medication was taken.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MedicationAdministrationDosage {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Free text dosage instructions e.g. SIG.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Body site administered to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<CodeableConcept>,
    /// Path of substance into body.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub route: Option<CodeableConcept>,
    /// How drug was administered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub method: Option<CodeableConcept>,
    /// Amount of medication per dose.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dose: Option<Quantity>,
    /// Dose quantity per unit of time, as a Ratio.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_ratio: Option<Box<Ratio>>,
    /// Dose quantity per unit of time, as a Quantity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_quantity: Option<Quantity>,
}

impl MedicationAdministrationDosage {
    fn check(&self, check: &mut Checker) {
        check.choice(self.rate());
    }
}

choice! {
    /// What [`MedicationAdministrationDosage::rate`] holds.
    MedicationAdministrationDosageRate of MedicationAdministrationDosage::rate "rate[x]" {
        Ratio(Ratio) = rate_ratio,
        Quantity(Quantity) = rate_quantity,
    }
}
