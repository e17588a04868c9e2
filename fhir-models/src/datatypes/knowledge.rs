//! What definitions are made of: expressions, triggers, data requirements.

use std::num::NonZeroU32;

use serde::{Deserialize, Serialize};

use crate::codes::{OperationParameterUse, RelatedArtifactType, SortDirection, TriggerType};
use crate::datatypes::{
    Attachment, CodeableConcept, Coding, Duration, Extension, Period, Quantity, Range, Reference, Timing,
};
use crate::primitive::{Date, DateTime};

/// An expression that can be used to generate a value.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Expression {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Natural language description of the condition.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// Short name assigned to expression for reuse.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The media type of the language for the expression.
    pub language: String,
    /// Expression in specified language.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expression: Option<String>,
    /// Where the expression is found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

/// Related artifacts for a knowledge resource.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct RelatedArtifact {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// The type of relationship to the related artifact.
    pub r#type: RelatedArtifactType,
    /// Short label.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub label: Option<String>,
    /// Brief description of the related artifact.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub display: Option<String>,
    /// Bibliographic citation for the artifact.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub citation: Option<String>,
    /// Where the artifact can be accessed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// What document is being referenced.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub document: Option<Attachment>,
    /// What resource is being referenced.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resource: Option<String>,
}

impl RelatedArtifact {
    /// With what R4 requires, and nothing else.
    pub fn new(r#type: RelatedArtifactType) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            r#type,
            label: None,
            display: None,
            citation: None,
            url: None,
            document: None,
            resource: None,
        }
    }
}

/// Where a definition is meant to be used.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct UsageContext {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Type of context being specified.
    pub code: Coding,
    /// Value that defines the context, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_codeable_concept: Option<CodeableConcept>,
    /// Value that defines the context, as a Quantity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_quantity: Option<Quantity>,
    /// Value that defines the context, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_range: Option<Box<Range>>,
    /// Value that defines the context, as a Reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_reference: Option<Reference>,
}

choice! {
    /// What [`UsageContext::value`] holds.
    UsageContextValue of UsageContext::value "value[x]" {
        CodeableConcept(CodeableConcept) = value_codeable_concept,
        Quantity(Quantity) = value_quantity,
        Range(Range) = value_range,
        Reference(Reference) = value_reference,
    }
}

/// Defines an expected trigger for a module.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct TriggerDefinition {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// The type of triggering event.
    pub r#type: TriggerType,
    /// Name or URI that identifies the event.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Timing of the event, as a Timing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_timing: Option<Box<Timing>>,
    /// Timing of the event, as a Reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_reference: Option<Reference>,
    /// Timing of the event, as a date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_date: Option<Date>,
    /// Timing of the event, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_date_time: Option<DateTime>,
    /// Triggering data of the event (multiple = 'and').
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub data: Vec<DataRequirement>,
    /// Whether the event triggers (boolean expression).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub condition: Option<Expression>,
}

impl TriggerDefinition {
    /// With what R4 requires, and nothing else.
    pub fn new(r#type: TriggerType) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            r#type,
            name: None,
            timing_timing: None,
            timing_reference: None,
            timing_date: None,
            timing_date_time: None,
            data: Vec::new(),
            condition: None,
        }
    }
}

choice! {
    /// What [`TriggerDefinition::timing`] holds.
    TriggerDefinitionTiming of TriggerDefinition::timing "timing[x]" {
        Timing(Timing) = timing_timing,
        Reference(Reference) = timing_reference,
        Date(Date) = timing_date,
        DateTime(DateTime) = timing_date_time,
    }
}

/// Describes a required data item.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DataRequirement {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// The type of the required data.
    pub r#type: String,
    /// The profile of the required data.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub profile: Vec<String>,
    /// Whom or what the data are about: patients unless said otherwise, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject_codeable_concept: Option<CodeableConcept>,
    /// Whom or what the data are about: patients unless said otherwise, as a Reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject_reference: Option<Reference>,
    /// Indicates specific structure elements that are referenced by the knowledge module.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub must_support: Vec<String>,
    /// What codes are expected.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub code_filter: Vec<DataRequirementCodeFilter>,
    /// What dates/date ranges are expected.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub date_filter: Vec<DataRequirementDateFilter>,
    /// Number of results.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit: Option<NonZeroU32>,
    /// Order of the results.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub sort: Vec<DataRequirementSort>,
}

choice! {
    /// What [`DataRequirement::subject`] holds.
    DataRequirementSubject of DataRequirement::subject "subject[x]" {
        CodeableConcept(CodeableConcept) = subject_codeable_concept,
        Reference(Reference) = subject_reference,
    }
}

/// What codes are expected.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DataRequirementCodeFilter {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// A code-valued attribute to filter on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub path: Option<String>,
    /// A coded (token) parameter to search on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub search_param: Option<String>,
    /// Valueset for the filter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_set: Option<String>,
    /// What code is expected.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub code: Vec<Coding>,
}

/// What dates/date ranges are expected.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DataRequirementDateFilter {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// A date-valued attribute to filter on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub path: Option<String>,
    /// A date valued parameter to search on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub search_param: Option<String>,
    /// The value of the filter, as a Period, DateTime, or Duration value, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_date_time: Option<DateTime>,
    /// The value of the filter, as a Period, DateTime, or Duration value, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_period: Option<Period>,
    /// The value of the filter, as a Period, DateTime, or Duration value, as a Duration.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_duration: Option<Duration>,
}

choice! {
    /// What [`DataRequirementDateFilter::value`] holds.
    DataRequirementDateFilterValue of DataRequirementDateFilter::value "value[x]" {
        DateTime(DateTime) = value_date_time,
        Period(Period) = value_period,
        Duration(Duration) = value_duration,
    }
}

/// Order of the results.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DataRequirementSort {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// The name of the attribute to perform the sort.
    pub path: String,
    /// The direction of the sort, ascending or descending.
    pub direction: SortDirection,
}

impl DataRequirementSort {
    /// With what R4 requires, and nothing else.
    pub fn new(path: impl Into<String>, direction: SortDirection) -> Self {
        Self { id: None, extension: Vec::new(), path: path.into(), direction }
    }
}

/// Definition of a parameter to a module.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct ParameterDefinition {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Name used to access the parameter value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Whether the parameter is input or output for the module.
    pub r#use: OperationParameterUse,
    /// Minimum cardinality.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub min: Option<i32>,
    /// Maximum cardinality (a number of *).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max: Option<String>,
    /// A brief description of the parameter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub documentation: Option<String>,
    /// What type of value.
    pub r#type: String,
    /// What profile the value is expected to be.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub profile: Option<String>,
}

impl ParameterDefinition {
    /// With what R4 requires, and nothing else.
    pub fn new(r#use: OperationParameterUse, r#type: impl Into<String>) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            name: None,
            r#use,
            min: None,
            max: None,
            documentation: None,
            r#type: r#type.into(),
            profile: None,
        }
    }
}
