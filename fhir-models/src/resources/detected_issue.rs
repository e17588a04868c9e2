//! DetectedIssue: something wrong or at risk in the care given.

use serde::{Deserialize, Serialize};

use crate::codes::{DetectedIssueSeverity, ObservationStatus};
use crate::datatypes::{CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Period, Reference};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// Clinical issue with action.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct DetectedIssue {
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
    /// Unique id for the detected issue.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Indicates the status of the detected issue.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<ObservationStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// Issue Category, e.g. drug-drug, duplicate therapy, etc.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// How much harm the issue may do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub severity: Option<DetectedIssueSeverity>,
    /// What is said of `severity` besides its value, or why it has none.
    #[serde(rename = "_severity", skip_serializing_if = "Option::is_none")]
    pub severity_element: Option<Element>,
    /// Associated patient.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub patient: Option<Reference>,
    /// When identified, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identified_date_time: Option<DateTime>,
    /// What is said of `identifiedDateTime` besides its value, or why it has none.
    #[serde(rename = "_identifiedDateTime", skip_serializing_if = "Option::is_none")]
    pub identified_date_time_element: Option<Element>,
    /// When identified, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identified_period: Option<Period>,
    /// The provider or device that identified the issue.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub author: Option<Reference>,
    /// Problem resource.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub implicated: Vec<Reference>,
    /// Supporting evidence.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub evidence: Vec<DetectedIssueEvidence>,
    /// Description and context.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
    /// Authority for issue.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
    /// Step taken to address.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub mitigation: Vec<DetectedIssueMitigation>,
}

resource!(DetectedIssue);

impl Rules for DetectedIssue {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("status", self.status.is_some() || self.status_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.choice(self.identified());
        check.reference("patient", &self.patient, &["Patient"]);
        check.reference("author", &self.author, &["Practitioner", "PractitionerRole", "Device"]);
        check.period("identifiedPeriod", &self.identified_period);
        check.each("mitigation", &self.mitigation, DetectedIssueMitigation::check);
    }
}

choice! {
    /// What [`DetectedIssue::identified`] holds.
    Identified of DetectedIssue::identified "identified[x]" {
        DateTime(DateTime) = identified_date_time,
        Period(Period) = identified_period,
    }
}

/// Supporting evidence.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DetectedIssueEvidence {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Manifestation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub code: Vec<CodeableConcept>,
    /// Supporting information.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub detail: Vec<Reference>,
}

/// Step taken to address.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DetectedIssueMitigation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// What mitigation?
    pub action: CodeableConcept,
    /// Date committed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<DateTime>,
    /// Who is committing?
    #[serde(skip_serializing_if = "Option::is_none")]
    pub author: Option<Reference>,
}

impl DetectedIssueMitigation {
    fn check(&self, check: &mut Checker) {
        check.reference("author", &self.author, &["Practitioner", "PractitionerRole"]);
    }
}
