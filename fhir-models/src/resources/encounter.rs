//! Encounter: a stay or a visit.

use std::num::NonZeroU32;

use serde::{Deserialize, Serialize};

use crate::codes::{EncounterLocationStatus, EncounterStatus};
use crate::datatypes::{
    CodeableConcept, Coding, Duration, Element, Extension, Identifier, Meta, Narrative, Period, Reference,
};
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// An interaction during which services are provided to the patient.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Encounter {
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
    /// Identifier(s) by which this encounter is known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// How far the stay is, from planned to finished.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<EncounterStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// List of past encounter statuses.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub status_history: Vec<EncounterStatusHistory>,
    /// Classification of patient encounter.
    pub class: Coding,
    /// List of past encounter classes.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub class_history: Vec<EncounterClassHistory>,
    /// Specific type of encounter.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub r#type: Vec<CodeableConcept>,
    /// Specific type of service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub service_type: Option<CodeableConcept>,
    /// Indicates the urgency of the encounter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub priority: Option<CodeableConcept>,
    /// The patient or group present at the encounter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<Reference>,
    /// Episode(s) of care that this encounter should be recorded against.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub episode_of_care: Vec<Reference>,
    /// The ServiceRequest that initiated this encounter.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub based_on: Vec<Reference>,
    /// List of participants involved in the encounter.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub participant: Vec<EncounterParticipant>,
    /// The appointment that scheduled this encounter.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub appointment: Vec<Reference>,
    /// The start and end time of the encounter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
    /// Quantity of time the encounter lasted (less time absent).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub length: Option<Duration>,
    /// Coded reason the encounter takes place.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reason_code: Vec<CodeableConcept>,
    /// Reason the encounter takes place (reference).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reason_reference: Vec<Reference>,
    /// The list of diagnosis relevant to this encounter.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub diagnosis: Vec<EncounterDiagnosis>,
    /// The set of accounts that may be used for billing for this Encounter.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub account: Vec<Reference>,
    /// Details about the admission to a healthcare service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hospitalization: Option<EncounterHospitalization>,
    /// List of locations where the patient has been.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub location: Vec<EncounterLocation>,
    /// The organization (facility) responsible for this encounter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub service_provider: Option<Reference>,
    /// Another Encounter this encounter is part of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part_of: Option<Reference>,
}

resource!(Encounter);

impl Rules for Encounter {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("status", self.status.is_some() || self.status_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.reference("subject", &self.subject, &["Patient", "Group"]);
        check.references("episodeOfCare", &self.episode_of_care, &["EpisodeOfCare"]);
        check.references("basedOn", &self.based_on, &["ServiceRequest"]);
        check.references("appointment", &self.appointment, &["Appointment"]);
        check.references(
            "reasonReference",
            &self.reason_reference,
            &["Condition", "Procedure", "Observation", "ImmunizationRecommendation"],
        );
        check.references("account", &self.account, &["Account"]);
        check.reference("serviceProvider", &self.service_provider, &["Organization"]);
        check.reference("partOf", &self.part_of, &["Encounter"]);
        check.period("period", &self.period);
        check.each("statusHistory", &self.status_history, EncounterStatusHistory::check);
        check.each("classHistory", &self.class_history, EncounterClassHistory::check);
        check.each("participant", &self.participant, EncounterParticipant::check);
        check.each("diagnosis", &self.diagnosis, EncounterDiagnosis::check);
        check.inside("hospitalization", &self.hospitalization, EncounterHospitalization::check);
        check.each("location", &self.location, EncounterLocation::check);
    }
}

/// List of past encounter statuses.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct EncounterStatusHistory {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The status it had.
    pub status: EncounterStatus,
    /// The time that the episode was in the specified status.
    pub period: Period,
}

impl EncounterStatusHistory {
    /// With what R4 requires, and nothing else.
    pub fn new(status: EncounterStatus, period: Period) -> Self {
        Self { id: None, extension: Vec::new(), modifier_extension: Vec::new(), status, period }
    }
}

impl EncounterStatusHistory {
    fn check(&self, check: &mut Checker) {
        check.period("period", [&self.period]);
    }
}

/// List of past encounter classes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct EncounterClassHistory {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The class it had: inpatient, ambulatory, emergency and so on.
    pub class: Coding,
    /// The time that the episode was in the specified class.
    pub period: Period,
}

impl EncounterClassHistory {
    fn check(&self, check: &mut Checker) {
        check.period("period", [&self.period]);
    }
}

/// List of participants involved in the encounter.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct EncounterParticipant {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Role of participant in encounter.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub r#type: Vec<CodeableConcept>,
    /// Period of time during the encounter that the participant participated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
    /// Persons involved in the encounter other than the patient.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub individual: Option<Reference>,
}

impl EncounterParticipant {
    fn check(&self, check: &mut Checker) {
        check.reference(
            "individual",
            &self.individual,
            &["Practitioner", "PractitionerRole", "RelatedPerson"],
        );
        check.period("period", &self.period);
    }
}

/// The list of diagnosis relevant to this encounter.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct EncounterDiagnosis {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The diagnosis or procedure relevant to the encounter.
    pub condition: Reference,
    /// Role that this diagnosis has within the encounter (e.g. admission, billing, discharge …).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#use: Option<CodeableConcept>,
    /// Ranking of the diagnosis (for each role type).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rank: Option<NonZeroU32>,
}

impl EncounterDiagnosis {
    fn check(&self, check: &mut Checker) {
        check.reference("condition", [&self.condition], &["Condition", "Procedure"]);
    }
}

/// Details about the admission to a healthcare service.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct EncounterHospitalization {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Pre-admission identifier.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pre_admission_identifier: Option<Identifier>,
    /// The location/organization from which the patient came before admission.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub origin: Option<Reference>,
    /// From where patient was admitted (physician referral, transfer).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub admit_source: Option<CodeableConcept>,
    /// The kind of re-admission; absent when it is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub re_admission: Option<CodeableConcept>,
    /// Diet preferences reported by the patient.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub diet_preference: Vec<CodeableConcept>,
    /// Special courtesies (VIP, board member).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub special_courtesy: Vec<CodeableConcept>,
    /// Wheelchair, translator, stretcher, etc.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub special_arrangement: Vec<CodeableConcept>,
    /// Location/organization to which the patient is discharged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub destination: Option<Reference>,
    /// Category or kind of location after discharge.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub discharge_disposition: Option<CodeableConcept>,
}

impl EncounterHospitalization {
    fn check(&self, check: &mut Checker) {
        check.reference("origin", &self.origin, &["Location", "Organization"]);
        check.reference("destination", &self.destination, &["Location", "Organization"]);
    }
}

/// List of locations where the patient has been.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct EncounterLocation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Location the encounter takes place.
    pub location: Reference,
    /// Whether the patient is, was or will be there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<EncounterLocationStatus>,
    /// The physical type of the location (usually the level in the location hierarchy - bed room ward etc.).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub physical_type: Option<CodeableConcept>,
    /// Time period during which the patient was present at the location.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
}

impl EncounterLocation {
    fn check(&self, check: &mut Checker) {
        check.reference("location", [&self.location], &["Location"]);
        check.period("period", &self.period);
    }
}
