//! How a medicine is to be taken.

use serde::{Deserialize, Serialize};

use crate::datatypes::{CodeableConcept, Extension, Quantity, Range, Ratio, Timing};

/// How the medication is/was taken or should be taken.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Dosage {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The order of the dosage instructions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sequence: Option<i32>,
    /// Free text dosage instructions e.g. SIG.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// Supplemental instruction or warnings to the patient - e.g. "with meals", "may cause drowsiness".
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub additional_instruction: Vec<CodeableConcept>,
    /// Patient or consumer oriented instructions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub patient_instruction: Option<String>,
    /// When medication should be administered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing: Option<Timing>,
    /// Take "as needed" (for x), as a boolean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_needed_boolean: Option<bool>,
    /// Take "as needed" (for x), as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub as_needed_codeable_concept: Option<CodeableConcept>,
    /// Body site to administer to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<CodeableConcept>,
    /// How drug should enter body.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub route: Option<CodeableConcept>,
    /// Technique for administering medication.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub method: Option<CodeableConcept>,
    /// Amount of medication administered.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub dose_and_rate: Vec<DosageDoseAndRate>,
    /// Upper limit on medication per unit of time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_dose_per_period: Option<Ratio>,
    /// Upper limit on medication per administration.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_dose_per_administration: Option<Quantity>,
    /// Upper limit on medication per lifetime of the patient.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_dose_per_lifetime: Option<Quantity>,
}

choice! {
    /// What [`Dosage::as_needed`] holds.
    DosageAsNeeded of Dosage::as_needed "asNeeded[x]" {
        Boolean(bool) = as_needed_boolean,
        CodeableConcept(CodeableConcept) = as_needed_codeable_concept,
    }
}

/// Amount of medication administered.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DosageDoseAndRate {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// The kind of dose or rate specified.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<CodeableConcept>,
    /// Amount of medication per dose, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dose_range: Option<Box<Range>>,
    /// Amount of medication per dose, as a Quantity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dose_quantity: Option<Quantity>,
    /// Amount of medication per unit of time, as a Ratio.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_ratio: Option<Box<Ratio>>,
    /// Amount of medication per unit of time, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_range: Option<Box<Range>>,
    /// Amount of medication per unit of time, as a Quantity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rate_quantity: Option<Quantity>,
}

choice! {
    /// What [`DosageDoseAndRate::dose`] holds.
    DosageDoseAndRateDose of DosageDoseAndRate::dose "dose[x]" {
        Range(Range) = dose_range,
        Quantity(Quantity) = dose_quantity,
    }
}

choice! {
    /// What [`DosageDoseAndRate::rate`] holds.
    DosageDoseAndRateRate of DosageDoseAndRate::rate "rate[x]" {
        Ratio(Ratio) = rate_ratio,
        Range(Range) = rate_range,
        Quantity(Quantity) = rate_quantity,
    }
}
