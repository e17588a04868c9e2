//! MeasureReport: what the counting came to.

use serde::{Deserialize, Serialize};

use crate::codes::{MeasureReportStatus, MeasureReportType};
use crate::datatypes::{
    CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Period, Quantity, Reference,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// Results of a measure evaluation.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct MeasureReport {
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
    /// Additional identifier for the MeasureReport.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// The MeasureReport status.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<MeasureReportStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// The type of measure report.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<MeasureReportType>,
    /// What is said of `type` besides its value, or why it has none.
    #[serde(rename = "_type", skip_serializing_if = "Option::is_none")]
    pub type_element: Option<Element>,
    /// What measure was calculated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measure: Option<String>,
    /// What is said of `measure` besides its value, or why it has none.
    #[serde(rename = "_measure", skip_serializing_if = "Option::is_none")]
    pub measure_element: Option<Element>,
    /// What individual(s) the report is for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<Reference>,
    /// When the report was generated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub date: Option<DateTime>,
    /// Who is reporting the data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reporter: Option<Reference>,
    /// What period the report covers.
    pub period: Period,
    /// Whether a higher or a lower score is better.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub improvement_notation: Option<CodeableConcept>,
    /// Measure results for each group.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub group: Vec<MeasureReportGroup>,
    /// What data was used to calculate the measure score.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub evaluated_resource: Vec<Reference>,
}

resource!(MeasureReport);

impl Rules for MeasureReport {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[
            ("status", self.status.is_some() || self.status_element.is_some()),
            ("type", self.r#type.is_some() || self.type_element.is_some()),
            ("measure", self.measure.is_some() || self.measure_element.is_some()),
        ])
    }

    fn check(&self, check: &mut Checker) {
        check.reference(
            "subject",
            &self.subject,
            &["Patient", "Practitioner", "PractitionerRole", "Location", "Device", "RelatedPerson", "Group"],
        );
        check.reference(
            "reporter",
            &self.reporter,
            &["Practitioner", "PractitionerRole", "Location", "Organization"],
        );
        check.period("period", [&self.period]);
        check.each("group", &self.group, MeasureReportGroup::check);
    }
}

/// Measure results for each group.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureReportGroup {
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
    /// The populations in the group.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub population: Vec<MeasureReportGroupPopulation>,
    /// What score this group achieved.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measure_score: Option<Quantity>,
    /// Stratification results.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stratifier: Vec<MeasureReportGroupStratifier>,
}

impl MeasureReportGroup {
    fn check(&self, check: &mut Checker) {
        check.each("population", &self.population, MeasureReportGroupPopulation::check);
        check.each("stratifier", &self.stratifier, MeasureReportGroupStratifier::check);
    }
}

/// The populations in the group.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureReportGroupPopulation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The type of the population.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// Size of the population.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count: Option<i32>,
    /// For subject-list reports, the subject results in this population.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject_results: Option<Reference>,
}

impl MeasureReportGroupPopulation {
    fn check(&self, check: &mut Checker) {
        check.reference("subjectResults", &self.subject_results, &["List"]);
    }
}

/// Stratification results.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureReportGroupStratifier {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// What stratifier of the group.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub code: Vec<CodeableConcept>,
    /// The results, one for each value or set of values.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stratum: Vec<MeasureReportGroupStratifierStratum>,
}

impl MeasureReportGroupStratifier {
    fn check(&self, check: &mut Checker) {
        check.each("stratum", &self.stratum, MeasureReportGroupStratifierStratum::check);
    }
}

/// The results, one for each value or set of values.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureReportGroupStratifierStratum {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The stratum value, e.g. male.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<CodeableConcept>,
    /// Stratifier component values.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub component: Vec<MeasureReportGroupStratifierStratumComponent>,
    /// Population results in this stratum.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub population: Vec<MeasureReportGroupStratifierStratumPopulation>,
    /// What score this stratum achieved.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measure_score: Option<Quantity>,
}

impl MeasureReportGroupStratifierStratum {
    fn check(&self, check: &mut Checker) {
        check.each("population", &self.population, MeasureReportGroupStratifierStratumPopulation::check);
    }
}

/// Stratifier component values.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureReportGroupStratifierStratumComponent {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// What stratifier component of the group.
    pub code: CodeableConcept,
    /// The stratum component value, e.g. male.
    pub value: CodeableConcept,
}

/// Population results in this stratum.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct MeasureReportGroupStratifierStratumPopulation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The type of the population.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<CodeableConcept>,
    /// Size of the population.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub count: Option<i32>,
    /// For subject-list reports, the subject results in this population.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject_results: Option<Reference>,
}

impl MeasureReportGroupStratifierStratumPopulation {
    fn check(&self, check: &mut Checker) {
        check.reference("subjectResults", &self.subject_results, &["List"]);
    }
}
