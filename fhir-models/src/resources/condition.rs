//! Condition: a problem or diagnosis.

use serde::{Deserialize, Serialize};

use crate::datatypes::{
    Age, Annotation, CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Period, Range,
    Reference,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules};

/// Detailed information about conditions, problems or diagnoses.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Condition {
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
    /// External Ids for this condition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// The clinical status of the condition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub clinical_status: Option<CodeableConcept>,
    /// The verification status to support the clinical status of the condition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verification_status: Option<CodeableConcept>,
    /// A category assigned to the condition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub category: Vec<CodeableConcept>,
    /// Subjective severity of condition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub severity: Option<CodeableConcept>,
    /// Identification of the condition, problem or diagnosis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// Anatomical location, if relevant.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub body_site: Vec<CodeableConcept>,
    /// Who has the condition?
    pub subject: Reference,
    /// Encounter created as part of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub encounter: Option<Reference>,
    /// Estimated or actual date, date-time, or age, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub onset_date_time: Option<DateTime>,
    /// What is said of `onsetDateTime` besides its value, or why it has none.
    #[serde(rename = "_onsetDateTime", skip_serializing_if = "Option::is_none")]
    pub onset_date_time_element: Option<Element>,
    /// Estimated or actual date, date-time, or age, as an Age.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub onset_age: Option<Age>,
    /// Estimated or actual date, date-time, or age, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub onset_period: Option<Period>,
    /// Estimated or actual date, date-time, or age, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub onset_range: Option<Box<Range>>,
    /// Estimated or actual date, date-time, or age, as a string.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub onset_string: Option<String>,
    /// When in resolution/remission, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub abatement_date_time: Option<DateTime>,
    /// What is said of `abatementDateTime` besides its value, or why it has none.
    #[serde(rename = "_abatementDateTime", skip_serializing_if = "Option::is_none")]
    pub abatement_date_time_element: Option<Element>,
    /// When in resolution/remission, as an Age.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub abatement_age: Option<Age>,
    /// When in resolution/remission, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub abatement_period: Option<Period>,
    /// When in resolution/remission, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub abatement_range: Option<Box<Range>>,
    /// When in resolution/remission, as a string.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub abatement_string: Option<String>,
    /// Date record was first recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_date: Option<DateTime>,
    /// Who recorded the condition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorder: Option<Reference>,
    /// Person who asserts this condition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub asserter: Option<Reference>,
    /// Stage/grade, usually assessed formally.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stage: Vec<ConditionStage>,
    /// Supporting evidence.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub evidence: Vec<ConditionEvidence>,
    /// Additional information about the Condition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub note: Vec<Annotation>,
}

resource!(Condition);

impl Rules for Condition {
    fn check(&self, check: &mut Checker) {
        check.choice(self.onset());
        check.choice(self.abatement());
        check.reference("subject", [&self.subject], &["Patient", "Group"]);
        check.reference("encounter", &self.encounter, &["Encounter"]);
        check.reference(
            "recorder",
            &self.recorder,
            &["Practitioner", "PractitionerRole", "Patient", "RelatedPerson"],
        );
        check.reference(
            "asserter",
            &self.asserter,
            &["Practitioner", "PractitionerRole", "Patient", "RelatedPerson"],
        );
        check.period("onsetPeriod", &self.onset_period);
        check.period("abatementPeriod", &self.abatement_period);
        check.each("stage", &self.stage, ConditionStage::check);
    }
}

choice! {
    /// What [`Condition::onset`] holds.
    Onset of Condition::onset "onset[x]" {
        DateTime(DateTime) = onset_date_time,
        Age(Age) = onset_age,
        Period(Period) = onset_period,
        Range(Range) = onset_range,
        String(String) = onset_string,
    }
}

choice! {
    /// What [`Condition::abatement`] holds.
    Abatement of Condition::abatement "abatement[x]" {
        DateTime(DateTime) = abatement_date_time,
        Age(Age) = abatement_age,
        Period(Period) = abatement_period,
        Range(Range) = abatement_range,
        String(String) = abatement_string,
    }
}

/// Stage/grade, usually assessed formally.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ConditionStage {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Simple summary (disease specific).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub summary: Option<CodeableConcept>,
    /// Formal record of assessment.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub assessment: Vec<Reference>,
    /// Kind of staging.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<CodeableConcept>,
}

impl ConditionStage {
    fn check(&self, check: &mut Checker) {
        check.references(
            "assessment",
            &self.assessment,
            &["ClinicalImpression", "DiagnosticReport", "Observation"],
        );
    }
}

/// Supporting evidence.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ConditionEvidence {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Manifestation/symptom.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub code: Vec<CodeableConcept>,
    /// Supporting information found elsewhere.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub detail: Vec<Reference>,
}
