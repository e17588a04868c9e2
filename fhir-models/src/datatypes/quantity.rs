//! Amounts, and spans between two of them.

use std::num::NonZeroU32;

use serde::{Deserialize, Serialize};

use crate::codes::QuantityComparator;
use crate::datatypes::Extension;
use crate::primitive::Decimal;

/// A measured or measurable amount.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Quantity {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Numerical value (with implicit precision).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<Decimal>,
    /// Whether the true value is above or below the one given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub comparator: Option<QuantityComparator>,
    /// Unit representation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// System that defines coded unit form.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub system: Option<String>,
    /// Coded form of the unit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
}

/// A duration of someone's life, in a unit of time.
pub type Age = Quantity;
/// A length of time.
pub type Duration = Quantity;
/// A number of things.
pub type Count = Quantity;
/// A length in space.
pub type Distance = Quantity;

/// Set of values bounded by low and high.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Range {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Low limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub low: Option<Quantity>,
    /// High limit.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub high: Option<Quantity>,
}

/// A ratio of two Quantity values - a numerator and a denominator.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Ratio {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Numerator value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub numerator: Option<Quantity>,
    /// Denominator value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub denominator: Option<Quantity>,
}

/// An amount of economic utility in some recognized currency.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Money {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Numerical value (with implicit precision).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<Decimal>,
    /// ISO 4217 Currency Code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub currency: Option<String>,
}

/// A series of measurements taken by a device.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct SampledData {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Zero value and units.
    pub origin: Quantity,
    /// Number of milliseconds between samples.
    pub period: Decimal,
    /// Multiply data by this before adding to origin.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub factor: Option<Decimal>,
    /// Lower limit of detection.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lower_limit: Option<Decimal>,
    /// Upper limit of detection.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub upper_limit: Option<Decimal>,
    /// Number of sample points at each time point.
    pub dimensions: NonZeroU32,
    /// Decimals separated by single spaces, or E, U, L where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data: Option<String>,
}

impl SampledData {
    /// With what R4 requires, and nothing else.
    pub fn new(origin: Quantity, period: Decimal, dimensions: NonZeroU32) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            origin,
            period,
            factor: None,
            lower_limit: None,
            upper_limit: None,
            dimensions,
            data: None,
        }
    }
}
