//! Observation: something measured or charted.

use serde::{Deserialize, Serialize};

use crate::codes::ObservationStatus;
use crate::datatypes::{
    Annotation, CodeableConcept, Element, Extension, Identifier, Meta, Narrative, Period, Quantity, Range,
    Ratio, Reference, SampledData, Timing,
};
use crate::primitive::{DateTime, InstantTime, Time};
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// Measurements and simple assertions.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Observation {
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
    /// Business Identifier for observation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Fulfills plan, proposal or order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub based_on: Vec<Reference>,
    /// Part of referenced event.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub part_of: Vec<Reference>,
    /// The status of the result value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<ObservationStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// Classification of type of observation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub category: Vec<CodeableConcept>,
    /// Type of observation (code / type).
    pub code: CodeableConcept,
    /// Who and/or what the observation is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject: Option<Reference>,
    /// What the observation is about, when it is not about the subject of record.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub focus: Vec<Reference>,
    /// Healthcare event during which this observation is made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub encounter: Option<Reference>,
    /// Clinically relevant time/time-period for observation, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_date_time: Option<DateTime>,
    /// What is said of `effectiveDateTime` besides its value, or why it has none.
    #[serde(rename = "_effectiveDateTime", skip_serializing_if = "Option::is_none")]
    pub effective_date_time_element: Option<Element>,
    /// Clinically relevant time/time-period for observation, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_period: Option<Period>,
    /// Clinically relevant time/time-period for observation, as a Timing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_timing: Option<Box<Timing>>,
    /// Clinically relevant time/time-period for observation, as an instant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub effective_instant: Option<InstantTime>,
    /// What is said of `effectiveInstant` besides its value, or why it has none.
    #[serde(rename = "_effectiveInstant", skip_serializing_if = "Option::is_none")]
    pub effective_instant_element: Option<Element>,
    /// Date/Time this version was made available.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub issued: Option<InstantTime>,
    /// What is said of `issued` besides its value, or why it has none.
    #[serde(rename = "_issued", skip_serializing_if = "Option::is_none")]
    pub issued_element: Option<Element>,
    /// Who is responsible for the observation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub performer: Vec<Reference>,
    /// Actual result, as a Quantity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_quantity: Option<Quantity>,
    /// Actual result, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_codeable_concept: Option<CodeableConcept>,
    /// Actual result, as a string.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_string: Option<String>,
    /// What is said of `valueString` besides its value, or why it has none.
    #[serde(rename = "_valueString", skip_serializing_if = "Option::is_none")]
    pub value_string_element: Option<Element>,
    /// Actual result, as a boolean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_boolean: Option<bool>,
    /// What is said of `valueBoolean` besides its value, or why it has none.
    #[serde(rename = "_valueBoolean", skip_serializing_if = "Option::is_none")]
    pub value_boolean_element: Option<Element>,
    /// Actual result, as an integer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_integer: Option<i32>,
    /// What is said of `valueInteger` besides its value, or why it has none.
    #[serde(rename = "_valueInteger", skip_serializing_if = "Option::is_none")]
    pub value_integer_element: Option<Element>,
    /// Actual result, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_range: Option<Box<Range>>,
    /// Actual result, as a Ratio.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_ratio: Option<Box<Ratio>>,
    /// Actual result, as a SampledData.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_sampled_data: Option<Box<SampledData>>,
    /// Actual result, as a time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_time: Option<Time>,
    /// Actual result, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_date_time: Option<DateTime>,
    /// Actual result, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_period: Option<Period>,
    /// Why the result is missing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data_absent_reason: Option<CodeableConcept>,
    /// High, low, normal, etc.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub interpretation: Vec<CodeableConcept>,
    /// Comments about the observation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub note: Vec<Annotation>,
    /// Observed body part.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub body_site: Option<CodeableConcept>,
    /// How it was done.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub method: Option<CodeableConcept>,
    /// Specimen used for this observation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub specimen: Option<Reference>,
    /// (Measurement) Device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub device: Option<Reference>,
    /// Provides guide for interpretation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reference_range: Vec<ObservationReferenceRange>,
    /// Related resource that belongs to the Observation group.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub has_member: Vec<Reference>,
    /// Related measurements the observation is made from.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub derived_from: Vec<Reference>,
    /// Component results.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub component: Vec<ObservationComponent>,
}

resource!(Observation);

impl Rules for Observation {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("status", self.status.is_some() || self.status_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.choice(self.effective());
        check.choice(self.value());
        check.references(
            "basedOn",
            &self.based_on,
            &[
                "CarePlan",
                "DeviceRequest",
                "ImmunizationRecommendation",
                "MedicationRequest",
                "NutritionOrder",
                "ServiceRequest",
            ],
        );
        check.references(
            "partOf",
            &self.part_of,
            &[
                "MedicationAdministration",
                "MedicationDispense",
                "MedicationStatement",
                "Procedure",
                "Immunization",
                "ImagingStudy",
            ],
        );
        check.reference("subject", &self.subject, &["Patient", "Group", "Device", "Location"]);
        check.reference("encounter", &self.encounter, &["Encounter"]);
        check.references(
            "performer",
            &self.performer,
            &["Practitioner", "PractitionerRole", "Organization", "CareTeam", "Patient", "RelatedPerson"],
        );
        check.reference("specimen", &self.specimen, &["Specimen"]);
        check.reference("device", &self.device, &["Device", "DeviceMetric"]);
        check.references(
            "hasMember",
            &self.has_member,
            &["Observation", "QuestionnaireResponse", "MolecularSequence"],
        );
        check.references(
            "derivedFrom",
            &self.derived_from,
            &[
                "DocumentReference",
                "ImagingStudy",
                "Media",
                "QuestionnaireResponse",
                "Observation",
                "MolecularSequence",
            ],
        );
        check.period("effectivePeriod", &self.effective_period);
        check.period("valuePeriod", &self.value_period);
        check.each("component", &self.component, ObservationComponent::check);
    }
}

choice! {
    /// What [`Observation::effective`] holds.
    ObservationEffective of Observation::effective "effective[x]" {
        DateTime(DateTime) = effective_date_time,
        Period(Period) = effective_period,
        Timing(Timing) = effective_timing,
        Instant(InstantTime) = effective_instant,
    }
}

choice! {
    /// What [`Observation::value`] holds.
    ObservationValue of Observation::value "value[x]" {
        Quantity(Quantity) = value_quantity,
        CodeableConcept(CodeableConcept) = value_codeable_concept,
        String(String) = value_string,
        Boolean(bool) = value_boolean,
        Integer(i32) = value_integer,
        Range(Range) = value_range,
        Ratio(Ratio) = value_ratio,
        SampledData(SampledData) = value_sampled_data,
        Time(Time) = value_time,
        DateTime(DateTime) = value_date_time,
        Period(Period) = value_period,
    }
}

/// Provides guide for interpretation.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ObservationReferenceRange {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Low Range, if relevant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub low: Option<Quantity>,
    /// High Range, if relevant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub high: Option<Quantity>,
    /// Reference range qualifier.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<CodeableConcept>,
    /// Reference range population.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub applies_to: Vec<CodeableConcept>,
    /// Applicable age range, if relevant.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub age: Option<Range>,
    /// Text based reference range in an observation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
}

/// Component results.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ObservationComponent {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Type of component observation (code / type).
    pub code: CodeableConcept,
    /// Actual component result, as a Quantity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_quantity: Option<Quantity>,
    /// Actual component result, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_codeable_concept: Option<CodeableConcept>,
    /// Actual component result, as a string.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_string: Option<String>,
    /// Actual component result, as a boolean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_boolean: Option<bool>,
    /// Actual component result, as an integer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_integer: Option<i32>,
    /// Actual component result, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_range: Option<Box<Range>>,
    /// Actual component result, as a Ratio.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_ratio: Option<Box<Ratio>>,
    /// Actual component result, as a SampledData.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_sampled_data: Option<Box<SampledData>>,
    /// Actual component result, as a time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_time: Option<Time>,
    /// Actual component result, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_date_time: Option<DateTime>,
    /// Actual component result, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_period: Option<Period>,
    /// Why the component result is missing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data_absent_reason: Option<CodeableConcept>,
    /// High, low, normal, etc.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub interpretation: Vec<CodeableConcept>,
    /// Provides guide for interpretation of component result.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reference_range: Vec<ObservationReferenceRange>,
}

impl ObservationComponent {
    fn check(&self, check: &mut Checker) {
        check.choice(self.value());
        check.period("valuePeriod", &self.value_period);
    }
}

choice! {
    /// What [`ObservationComponent::value`] holds.
    ObservationComponentValue of ObservationComponent::value "value[x]" {
        Quantity(Quantity) = value_quantity,
        CodeableConcept(CodeableConcept) = value_codeable_concept,
        String(String) = value_string,
        Boolean(bool) = value_boolean,
        Integer(i32) = value_integer,
        Range(Range) = value_range,
        Ratio(Ratio) = value_ratio,
        SampledData(SampledData) = value_sampled_data,
        Time(Time) = value_time,
        DateTime(DateTime) = value_date_time,
        Period(Period) = value_period,
    }
}
