//! Audit rows: what is written of an act, and what is read of it.

use serde::{Deserialize, Serialize};

use super::chain::Hash;
use super::limits;

/// An act, as it is kept.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Audit {
    /// What was done, as the caller names it.
    pub deed: String,
    /// How it ended, as the caller names it.
    pub outcome: String,
    /// Who did it.
    pub who: String,
    /// From which address of the network.
    pub from: String,
    /// The id of the request.
    pub request: String,
    /// What was asked: the address, without that of the server.
    pub asked: String,
    /// What it was done with: `Type/id/_history/version`, or less if less is known.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub what: Vec<String>,
    /// Logical ids of the patients that it is about. Rows are found by them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub patients: Vec<String>,
    /// How many more things it was done with than are listed.
    #[serde(default, skip_serializing_if = "is_none")]
    pub more: u64,
    /// Whether what is written in the same batch is added to `what` and `patients`.
    #[serde(skip)]
    pub of_writes: bool,
}

impl Audit {
    /// Adds something it was done with, as far as there is room.
    pub fn add(&mut self, what: String, patient: Option<&str>) {
        if self.what.len() < limits::AUDIT_WHAT {
            self.what.push(what);
        } else {
            self.more += 1;
        }
        self.about(patient);
    }

    /// Adds a patient whom it is about, as far as there is room.
    pub fn about(&mut self, patient: Option<&str>) {
        let room = self.patients.len() < limits::AUDIT_PATIENTS;
        if let Some(patient) = patient.filter(|p| room && self.patients.iter().all(|known| known != p)) {
            self.patients.push(patient.to_owned());
        }
    }
}

fn is_none(more: &u64) -> bool {
    *more == 0
}

/// An audit row that is stored.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct AuditRow {
    /// Its place in the chain, from 1.
    pub number: i64,
    /// When, in microseconds.
    pub at_us: i64,
    /// The act, encoded; what the hash is over.
    pub body: Vec<u8>,
    /// The hash of this row, which is over the one before it as well.
    pub hash: Hash,
}

impl AuditRow {
    /// The act; none: the row is not as it was written.
    pub fn audit(&self) -> Option<Audit> {
        serde_json::from_slice(&self.body).ok()
    }
}

/// Which audit rows to list, the newest first.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct AuditQuery {
    /// Logical id of a patient whom they are about.
    pub patient: Option<String>,
    /// At or after, in microseconds.
    pub from_us: Option<i64>,
    /// Before, in microseconds.
    pub to_us: Option<i64>,
    /// Only rows with a smaller number.
    pub before: Option<i64>,
    /// Rows wanted.
    pub limit: usize,
}
