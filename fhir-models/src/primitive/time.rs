//! R4's `time`: a time of day, with no date and no offset.

use super::calendar::Cursor;
use super::text_primitive;
use crate::error::{Refusal, quoted};

/// A time of day with its text, `08:00:00`. Two are equal when their texts are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Time {
    text: Box<str>,
    seconds: u32,
}

impl Time {
    /// Whole seconds since midnight; a leap second counts as the one before it.
    pub fn seconds(&self) -> u32 {
        self.seconds
    }

    pub(crate) fn read(text: &str) -> Result<Self, Refusal> {
        let mut cursor = Cursor::new(text);
        let clock = cursor.clock().filter(|_| cursor.at_end());
        match clock {
            Some(clock) => Ok(Self { text: text.into(), seconds: clock.seconds }),
            None => Err(Refusal::value(format!(
                "{} is not a time: expected hh:mm:ss, 00 to 23 hours",
                quoted(text)
            ))),
        }
    }
}

text_primitive!(Time, "a time");
