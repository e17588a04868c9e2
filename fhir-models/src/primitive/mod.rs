//! R4's primitive types that are more than a string, a number or a truth value.
//!
//! `string`, `uri`, `url`, `canonical`, `code`, `markdown`, `oid`, `uuid`, `id`, `base64Binary` and `xhtml` are
//! `String`; `boolean` is `bool`, `integer` is `i32`, `unsignedInt` is `u32`, `positiveInt` is `NonZeroU32`.

mod calendar;
mod date_time;
mod decimal;
mod id;
mod time;

pub use date_time::{Date, DateTime, InstantTime, Point, Precision};
pub use decimal::Decimal;
pub use id::is_id;
pub use time::Time;

use std::fmt;
use std::marker::PhantomData;

use serde::Deserializer;
use serde::de::{Error, Visitor};

use crate::error::Refusal;

/// Reads a JSON string and makes something of it, without a copy of the string in between.
pub(crate) fn read_str<'de, D, T>(
    deserializer: D,
    expected: &'static str,
    make: impl FnOnce(&str) -> Result<T, Refusal>,
) -> Result<T, D::Error>
where
    D: Deserializer<'de>,
{
    struct Text<F, T>(F, &'static str, PhantomData<T>);

    impl<F, T> Visitor<'_> for Text<F, T>
    where
        F: FnOnce(&str) -> Result<T, Refusal>,
    {
        type Value = T;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str(self.1)
        }

        fn visit_str<E: Error>(self, text: &str) -> Result<T, E> {
            (self.0)(text).map_err(E::custom)
        }
    }

    deserializer.deserialize_str(Text(make, expected, PhantomData))
}

/// Display, FromStr, Serialize and Deserialize of a primitive that keeps its text.
macro_rules! text_primitive {
    ($name:ident, $expected:literal) => {
        impl $name {
            /// The text as it was read, or as it will be written.
            pub fn as_str(&self) -> &str {
                &self.text
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(&self.text)
            }
        }

        impl std::str::FromStr for $name {
            type Err = crate::ParseError;

            fn from_str(text: &str) -> Result<Self, crate::ParseError> {
                Self::read(text).map_err(|r| crate::ParseError::new(r.kind, "", r.message))
            }
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(&self.text)
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                crate::primitive::read_str(deserializer, $expected, Self::read)
            }
        }
    };
}
pub(crate) use text_primitive;
