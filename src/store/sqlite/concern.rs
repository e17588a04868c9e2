//! Whom a write concerns, and so who must be reconciled.

use rusqlite::{OptionalExtension, params};

use super::apply::{Applying, run};
use crate::store::{Write, sql};

/// How a batch concerns a patient.
pub(super) struct Soil {
    first_seq: i64,
    last_seq: i64,
    /// Whether a document is no longer the patient's.
    reset: bool,
}

impl Applying<'_, '_> {
    /// The patient to whom a document belongs: its own, or that of its encounter.
    pub(super) fn owner(
        &self,
        patient: Option<&str>,
        encounter: Option<&str>,
    ) -> rusqlite::Result<Option<String>> {
        match (patient, encounter) {
            (Some(patient), _) => Ok(Some(patient.to_owned())),
            (None, Some(encounter)) => {
                let mut statement = self.conn.prepare_cached(sql::OWNER)?;
                Ok(statement.query_row([encounter], |r| r.get(0)).optional()?.flatten())
            }
            (None, None) => Ok(None),
        }
    }

    /// Notes everybody whom a write concerns: to whom the document belongs, to whom it belonged, who read it.
    pub(super) fn concern(
        &mut self,
        write: &Write,
        id: &str,
        seq: i64,
        before: Option<String>,
        patient: Option<&str>,
        encounter: Option<&str>,
    ) -> rusqlite::Result<()> {
        let after = self.owner(patient, encounter)?;
        if let Some(before) = before.filter(|before| after.as_ref() != Some(before)) {
            self.note(&before, seq, true);
        }
        if let Some(after) = after {
            self.note(&after, seq, false);
        }
        for patient in &write.touches {
            self.note(patient, seq, false);
        }
        for patient in self.dependents(&write.kind, id)? {
            self.note(&patient, seq, false);
        }
        Ok(())
    }

    fn dependents(&self, kind: &str, id: &str) -> rusqlite::Result<Vec<String>> {
        self.conn.prepare_cached(sql::DEPENDENTS)?.query_map([kind, id], |r| r.get(0))?.collect()
    }

    fn note(&mut self, patient: &str, seq: i64, reset: bool) {
        if let Some(soil) = self.soiled.get_mut(patient) {
            soil.last_seq = seq;
            soil.reset |= reset;
        } else {
            self.soiled.insert(patient.to_owned(), Soil { first_seq: seq, last_seq: seq, reset });
        }
    }

    /// Makes dirty whom the batch concerns, and who read anything of theirs.
    pub(super) fn soil(&mut self) -> rusqlite::Result<()> {
        let mut readers = Vec::new();
        for (patient, soil) in &self.soiled {
            for reader in self.dependents("Patient", patient)? {
                readers.push((reader, soil.last_seq));
            }
        }
        for (reader, seq) in readers {
            self.note(&reader, seq, false);
        }
        for (patient, soil) in &self.soiled {
            let reset_seq = if soil.reset { soil.last_seq } else { 0 };
            run(self.conn, sql::SOIL, params![patient, soil.last_seq, soil.first_seq, reset_seq])?;
        }
        Ok(())
    }
}
