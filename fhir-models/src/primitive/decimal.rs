//! R4's `decimal`: precision is part of the value, so the text is kept.

use std::fmt;
use std::str::FromStr;

use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use serde_json::value::RawValue;

use crate::error::{Refusal, quoted};
use crate::{IssueKind, ParseError};

/// A number with its text: `0.10` stays `0.10`. Two are equal when their texts are.
#[derive(Clone, Debug)]
pub struct Decimal(Box<RawValue>);

/// A longer number is no measurement, and may be an attack on whoever reads it next.
const LONGEST: usize = 64;

impl Decimal {
    /// The number as it was written.
    pub fn as_str(&self) -> &str {
        self.0.get()
    }

    /// The nearest floating-point number; what exceeds its range is infinite.
    pub fn to_f64(&self) -> f64 {
        self.0.get().parse().unwrap_or(f64::NAN)
    }

    fn read(raw: Box<RawValue>) -> Result<Self, Refusal> {
        let text = raw.get();
        if !text.starts_with(|c: char| c == '-' || c.is_ascii_digit()) {
            let message = "expected a number".to_owned();
            return Err(Refusal { kind: IssueKind::Structure, message });
        }
        if text.len() > LONGEST {
            return Err(Refusal::value(format!("{} is longer than {LONGEST} characters", quoted(text))));
        }
        Ok(Self(raw))
    }
}

impl PartialEq for Decimal {
    fn eq(&self, other: &Self) -> bool {
        self.as_str() == other.as_str()
    }
}

impl Eq for Decimal {}

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl FromStr for Decimal {
    type Err = ParseError;

    fn from_str(text: &str) -> Result<Self, ParseError> {
        RawValue::from_string(text.to_owned())
            .map_err(|_| Refusal::value(format!("{} is not a decimal", quoted(text))))
            .and_then(Self::read)
            .map_err(|r| ParseError::new(r.kind, "", r.message))
    }
}

impl From<i32> for Decimal {
    fn from(number: i32) -> Self {
        Self::of(number)
    }
}

impl From<u32> for Decimal {
    fn from(number: u32) -> Self {
        Self::of(number)
    }
}

impl Decimal {
    /// An integer's digits are always a JSON number; 0 stands where that could not be.
    fn of(number: impl fmt::Display) -> Self {
        Self(RawValue::from_string(number.to_string()).unwrap_or_else(|_| RawValue::NULL.to_owned()))
    }
}

impl Serialize for Decimal {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        self.0.serialize(serializer)
    }
}

impl<'de> Deserialize<'de> for Decimal {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        Box::<RawValue>::deserialize(deserializer).and_then(|raw| Self::read(raw).map_err(D::Error::custom))
    }
}
