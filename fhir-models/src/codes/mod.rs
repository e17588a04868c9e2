//! Codes whose binding R4 makes required: the value set is closed, and anything else is an error.

pub mod care;
pub mod exchange;
pub mod terms;
pub mod types;
pub mod work;

pub use care::*;
pub use exchange::*;
pub use terms::*;
pub use types::*;
pub use work::*;

use crate::IssueKind;
use crate::error::{Refusal, quoted};

/// The traits of a code, all by way of its text.
macro_rules! code_traits {
    ($name:ident) => {
        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl std::str::FromStr for $name {
            type Err = crate::ParseError;

            fn from_str(text: &str) -> Result<Self, crate::ParseError> {
                Self::from_code(text).ok_or_else(|| {
                    let refusal =
                        crate::codes::unknown(text, Self::SYSTEM, || Self::ALL.iter().map(|c| c.as_str()));
                    crate::ParseError::new(refusal.kind, "", refusal.message)
                })
            }
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(self.as_str())
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                crate::primitive::read_str(deserializer, "a code", |text| {
                    Self::from_code(text).ok_or_else(|| {
                        crate::codes::unknown(text, Self::SYSTEM, || Self::ALL.iter().map(|c| c.as_str()))
                    })
                })
            }
        }
    };
}
pub(crate) use code_traits;

/// The refusal of a text that is none of a system's codes.
pub(crate) fn unknown<'a, I>(text: &str, system: &str, all: impl Fn() -> I) -> Refusal
where
    I: Iterator<Item = &'a str>,
{
    let listed: Vec<&str> = all().collect();
    let message =
        format!("{} is not a code of {system}; expected one of {}", quoted(text), listed.join(", "));
    Refusal { kind: IssueKind::CodeInvalid, message }
}
