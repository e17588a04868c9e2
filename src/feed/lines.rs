//! Lines of NDJSON on their way in, handed over in pieces.

use serde_json::value::RawValue;

use super::intake::{Intake, NotNow, Told};
use super::limits;

/// Lines that wait to be handed over.
pub(super) struct Lines<'i> {
    intake: &'i Intake,
    source: &'i str,
    waiting: Vec<Told>,
    bytes: usize,
    /// How many documents were new or changed.
    pub(super) taken: usize,
}

impl<'i> Lines<'i> {
    pub(super) fn new(intake: &'i Intake, source: &'i str) -> Self {
        Lines { intake, source, waiting: Vec::new(), bytes: 0, taken: 0 }
    }

    /// Takes a line; true if all so far was handed over. Empty lines are none, and lines that only say what comes after
    /// them (Parameters, of exports that are organized) are passed over.
    ///
    /// # Errors
    /// It was not taken in, and is to be read again from the last place at which all was handed over.
    pub(super) async fn push(&mut self, line: &[u8]) -> Result<bool, NotNow> {
        let line = line.trim_ascii();
        if line.is_empty() {
            return Ok(false);
        }
        let read =
            std::str::from_utf8(line).ok().and_then(|text| RawValue::from_string(text.to_owned()).ok());
        let told = match read {
            Some(document) => Told::Document(document),
            None => Told::Broken(line.to_vec()),
        };
        if told.is_of("Parameters") {
            return Ok(false);
        }
        self.bytes += line.len();
        self.waiting.push(told);
        if self.waiting.len() < limits::ENTRIES && self.bytes < limits::BYTES {
            return Ok(false);
        }
        self.flush().await?;
        Ok(true)
    }

    /// Hands over what waits.
    ///
    /// # Errors
    /// As [`Lines::push`].
    pub(super) async fn flush(&mut self) -> Result<(), NotNow> {
        self.taken += self.intake.take(self.source, &self.waiting).await?;
        self.waiting.clear();
        self.bytes = 0;
        Ok(())
    }
}
