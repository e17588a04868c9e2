//! DeviceUseStatement: that a patient had the use of a device, and when.

use serde::{Deserialize, Serialize};

use crate::codes::DeviceStatementStatus;
use crate::datatypes::{
    Annotation, CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Period, Reference, Timing,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// Record of use of a device.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct DeviceUseStatement {
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
    /// External identifier for this record.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Fulfills plan, proposal or order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub based_on: Vec<Reference>,
    /// How far the use of the device is, as its source judges.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<DeviceStatementStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// Patient using device.
    pub subject: Reference,
    /// Supporting information.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub derived_from: Vec<Reference>,
    /// How often the device was used, as a Timing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_timing: Option<Box<Timing>>,
    /// How often the device was used, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_period: Option<Period>,
    /// How often the device was used, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_date_time: Option<DateTime>,
    /// What is said of `timingDateTime` besides its value, or why it has none.
    #[serde(rename = "_timingDateTime", skip_serializing_if = "Option::is_none")]
    pub timing_date_time_element: Option<Element>,
    /// When statement was recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded_on: Option<DateTime>,
    /// Who made the statement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<Reference>,
    /// Reference to device used.
    pub device: Reference,
    /// Why device was used.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reason_code: Vec<CodeableConcept>,
    /// Why was DeviceUseStatement performed?
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reason_reference: Vec<Reference>,
    /// Target body site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub body_site: Option<CodeableConcept>,
    /// Addition details (comments, instructions).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub note: Vec<Annotation>,
}

resource!(DeviceUseStatement);

impl Rules for DeviceUseStatement {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("status", self.status.is_some() || self.status_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.choice(self.timing());
        check.references("basedOn", &self.based_on, &["ServiceRequest"]);
        check.reference("subject", [&self.subject], &["Patient", "Group"]);
        check.references(
            "derivedFrom",
            &self.derived_from,
            &[
                "ServiceRequest",
                "Procedure",
                "Claim",
                "Observation",
                "QuestionnaireResponse",
                "DocumentReference",
            ],
        );
        check.reference(
            "source",
            &self.source,
            &["Patient", "Practitioner", "PractitionerRole", "RelatedPerson"],
        );
        check.reference("device", [&self.device], &["Device"]);
        check.references(
            "reasonReference",
            &self.reason_reference,
            &["Condition", "Observation", "DiagnosticReport", "DocumentReference", "Media"],
        );
        check.period("timingPeriod", &self.timing_period);
    }
}

choice! {
    /// What [`DeviceUseStatement::timing`] holds.
    DeviceUseStatementTiming of DeviceUseStatement::timing "timing[x]" {
        Timing(Timing) = timing_timing,
        Period(Period) = timing_period,
        DateTime(DateTime) = timing_date_time,
    }
}
