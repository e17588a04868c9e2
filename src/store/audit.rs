//! Audit rows: what is written of an act, and what is read of it.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::chain::{ChainHead, Hash};

/// An act, as it is kept: short, for a row goes with every commit and its hash is over all of it.
///
/// The store gives its words no meaning, but for those that it fills in itself ([`Audit::of_writes`]).
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Audit {
    /// What was done.
    #[serde(rename = "d")]
    pub deed: Cow<'static, str>,
    /// How it ended: a status of HTTP.
    #[serde(rename = "o")]
    pub status: u16,
    /// What sort of somebody did it.
    #[serde(rename = "b")]
    pub by: Cow<'static, str>,
    /// The name of who did it.
    #[serde(rename = "w", default, skip_serializing_if = "String::is_empty")]
    pub who: String,
    /// Who vouches for the name.
    #[serde(rename = "i", default, skip_serializing_if = "String::is_empty")]
    pub issuer: String,
    /// The other end of it on the network.
    #[serde(rename = "f", default, skip_serializing_if = "String::is_empty")]
    pub from: String,
    /// The id of the request.
    #[serde(rename = "r", default, skip_serializing_if = "String::is_empty")]
    pub request: String,
    /// What was asked, as it was sent; kept where what it was done with does not say it.
    #[serde(rename = "q", default, skip_serializing_if = "String::is_empty")]
    pub asked: String,
    /// What it was done with: each is an act of its own to those who read.
    #[serde(rename = "t", default, skip_serializing_if = "Vec::is_empty")]
    pub things: Vec<Thing>,
    /// How many acts it stands for that are not listed.
    #[serde(rename = "m", default, skip_serializing_if = "is_zero")]
    pub more: u64,
    /// Whether what is written in the same batch is added to `things`.
    #[serde(skip)]
    pub of_writes: bool,
}

/// Something that an act was done with.
#[derive(Clone, PartialEq, Eq, Debug, Default, Serialize, Deserialize)]
pub struct Thing {
    /// What was done with it, if that is not what the row says: `create`, `update`, `delete` for what was written.
    #[serde(rename = "d", default, skip_serializing_if = "str::is_empty")]
    pub deed: Cow<'static, str>,
    /// Its type; empty: not one document, but what was found of the patient.
    #[serde(rename = "k", default, skip_serializing_if = "str::is_empty")]
    pub kind: Cow<'static, str>,
    /// Its logical id, if it has one.
    #[serde(rename = "n", default, skip_serializing_if = "String::is_empty")]
    pub id: String,
    /// Its version; 0: none.
    #[serde(rename = "v", default, skip_serializing_if = "is_zero")]
    pub version: u64,
    /// The logical id of the patient it is about. Rows are found by it.
    #[serde(rename = "p", default, skip_serializing_if = "Option::is_none")]
    pub patient: Option<String>,
    /// How it ended, if not as the row says; 0: as the row says.
    #[serde(rename = "o", default, skip_serializing_if = "is_none")]
    pub status: u16,
    /// What was asked for it, if that is not what the row says.
    #[serde(rename = "q", default, skip_serializing_if = "String::is_empty")]
    pub asked: String,
}

impl Audit {
    /// The patients whom it is about, each once.
    pub fn patients(&self) -> std::collections::BTreeSet<&str> {
        self.things.iter().filter_map(|t| t.patient.as_deref()).collect()
    }
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands over references")]
fn is_zero(number: &u64) -> bool {
    *number == 0
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands over references")]
fn is_none(status: &u16) -> bool {
    *status == 0
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

/// Which audit rows to list.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct AuditQuery {
    /// Logical ids of patients of whom one is whom they are about; empty: whomever.
    pub patients: Vec<String>,
    /// At or after, in microseconds.
    pub from_us: Option<i64>,
    /// Before, in microseconds.
    pub to_us: Option<i64>,
    /// With a lower number.
    pub before: Option<i64>,
    /// With a greater number.
    pub after: Option<i64>,
    /// Whether the oldest comes first, rather than the newest.
    pub oldest_first: bool,
    /// At most so many.
    pub limit: usize,
}

/// A row as it is found when the chain is walked along.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct AuditFound {
    /// The row.
    pub row: AuditRow,
    /// Whether it is found by each of the patients whom it is about.
    pub is_listed: bool,
}

/// The ends of the chain, as they are noted beside it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct AuditEnds {
    /// The last row that was removed because its time was over; number 0: none was.
    pub gone: ChainHead,
    /// The last row.
    pub last: ChainHead,
    /// How often rows are listed under a patient.
    pub listed: u64,
}
