//! What is written: one [`Batch`] is one atomic change.

use std::borrow::Cow;

use super::audit::Audit;
use super::delivery::{Parcel, Step};
use super::letters::{About, Undelivered};
use super::sums::Share;

/// Everything that must be stored together.
///
/// Guarantees: stored whole or not at all; durable once `commit` has returned. Applied in this order: `reconciled`
/// and `failed`, then `writes` in their order, then the rest; so a write that makes a patient dirty is not covered by
/// a reconciliation in the same batch.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Batch {
    /// The instant at which it was received, in microseconds since 1970; `received_us` of what is written.
    pub now_us: i64,
    /// Documents.
    pub writes: Vec<Write>,
    /// Patients that have been reconciled.
    pub reconciled: Vec<Reconciled>,
    /// Patients that could not be reconciled.
    pub failed: Vec<Failed>,
    /// How far a source has told us everything.
    pub heartbeat: Option<Heartbeat>,
    /// An access token that is given out.
    pub grant: Option<Box<Grant>>,
    /// Documents (kind, id, version) that must be at that version and not deleted; else `Moved`.
    pub rests_on: Vec<(Cow<'static, str>, String, u64)>,
    /// What is done by this batch and by whom, each added to the chain of audit rows.
    pub audits: Vec<Audit>,
    /// What could not be taken in or delivered.
    pub letters: Vec<Undelivered>,
    /// What need not be kept as a dead letter any more.
    pub settled: Vec<About>,
    /// What happens to documents at other places, in this order.
    pub deliveries: Vec<(Parcel, Step)>,
    /// Small facts of the service itself by name, such as positions and the highest instant seen.
    pub marks: Vec<(Cow<'static, str>, String)>,
}

/// One document to create, replace or delete.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Write {
    /// Resource type.
    pub kind: Cow<'static, str>,
    /// Logical id; none: the store makes one (a UUID of version 7, from `Batch::now_us`).
    pub id: Option<String>,
    /// The document as it came; none: delete. What equals the current body byte for byte makes no new version.
    pub body: Option<Vec<u8>>,
    /// What must be so for the batch to be stored.
    pub precondition: Precondition,
    /// Logical id of the patient it is about. A deletion keeps the one of the deleted version if none is given,
    /// and a `Patient` is about itself.
    pub patient: Option<String>,
    /// Logical id of the encounter it belongs to. A deletion keeps the one of the deleted version if none is given.
    pub encounter: Option<String>,
    /// Business identifiers, by which conditional writes and `by_identifier` find it. Repeats are ignored.
    pub identifiers: Vec<Identifier>,
    /// What it can be searched by, for the documents that the service itself writes.
    pub outcome: Option<OutcomeRow>,
    /// Why it cannot be linked to a patient, if it should be and cannot. Shown until the document changes, or until
    /// its encounter is written.
    pub unlinked: Option<String>,
    /// Whether patients must be reconciled because of it: false for what a reconciliation itself writes.
    pub dirty: bool,
    /// Logical ids of further patients that must be reconciled because of it, if `dirty`.
    pub touches: Vec<String>,
}

/// What must be so for a write; if it is not, the whole batch is refused.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Precondition {
    /// Nothing.
    #[default]
    None,
    /// There is no such document, or it is deleted; else `Exists`.
    Absent,
    /// The document is at this version and not deleted (`If-Match`); else `VersionConflict`.
    Version(u64),
    /// No document of the kind has the identifier (`If-None-Exist`). If one has, nothing is written and the answer is
    /// that document, unchanged; if several have: `MultipleMatches`.
    IfNoneExist(Token),
    /// No document of the kind has the identifier; else `Exists`. For a batch whose other documents refer to this one
    /// by the id that it was given.
    Unmatched(Token),
    /// The write is about the document of the kind that has the identifier, or, where none has, about `Write::id`
    /// (conditional update and delete). `OtherId` if they differ, `MultipleMatches` if several have it.
    Match(Token),
}

/// A business identifier of a document.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug, Default)]
pub struct Identifier {
    /// The namespace; empty if it has none.
    pub system: String,
    /// The value in it.
    pub value: String,
}

/// A business identifier that is asked for.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Token {
    /// The namespace, empty for an identifier without one; none: whatever the namespace.
    pub system: Option<String>,
    /// The value in it.
    pub value: String,
}

/// What a document that the service itself writes can be searched by, beside its patient and encounter.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct OutcomeRow {
    /// Logical id of the encounter that is the stay.
    pub stay: Option<String>,
    /// What it is about, as the caller names it.
    pub topic: Option<String>,
    /// FHIR status code.
    pub status: Option<String>,
    /// The reference, as searched.
    pub owner: Option<String>,
    /// The reference, as searched.
    pub location: Option<String>,
    /// The code, as searched.
    pub code: Option<String>,
    /// The reference, as searched.
    pub focus: Option<String>,
    /// Whether something is still to be done about it.
    pub open: bool,
}

/// A patient has been reconciled.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Reconciled {
    /// Logical id.
    pub patient: String,
    /// `Changes::generation` of the documents it rests on; if the patient has changed since: `StaleGeneration`.
    pub generation: i64,
    /// The next instant at which something changes by itself, in microseconds; none: never.
    pub wake_us: Option<i64>,
    /// All stays of the patient; stays that are not listed are forgotten, with what they contribute.
    pub stays: Vec<StayRow>,
    /// What the listed stays contribute to the sums.
    pub shares: Vec<Share>,
    /// Documents (kind, id) of others that the facts were read from: a write of one makes the patient dirty. With
    /// kind `Patient`, any document of that patient does. If one has been written after `depends_seq`:
    /// `StaleGeneration`. None: as before, whatever has been written.
    pub depends: Option<Vec<(String, String)>>,
    /// A position (`Changes::seq`) that was taken before the first of `depends` was read. What was written up to it
    /// has been read; of what was written after it nobody can tell, and the generation need not have changed with it:
    /// not where the patient was not known to depend on the document, nor where the document had been read for another
    /// patient before the generation was.
    pub depends_seq: i64,
    /// What could not be used; none: as before.
    pub doubts: Option<Vec<Doubtful>>,
}

/// A patient could not be reconciled: it is left alone for a while, counted and shown.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Failed {
    /// Logical id.
    pub patient: String,
    /// Why.
    pub error: String,
    /// When to try again, in microseconds.
    pub retry_us: i64,
}

/// How far a source has told us everything.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Heartbeat {
    /// Its name.
    pub source: String,
    /// Up to when, in microseconds. An earlier instant than the stored one does not replace it.
    pub us: i64,
    /// Where to read on from, as the source names it; none: as before.
    pub cursor: Option<String>,
}

/// An access token that is given out for an assertion, which is used up by it.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Grant {
    /// Who made the assertion, and gets the token.
    pub client: String,
    /// The name of the assertion; if the client's assertion of this name was used already: `Used`.
    pub assertion: String,
    /// Up to when the assertion could be used again, in microseconds: so long it is remembered.
    pub assertion_until_us: i64,
    /// A digest of the token, by which it is found. The token itself is not kept.
    pub digest: String,
    /// What it allows, as the caller writes it.
    pub scopes: String,
    /// When it is over, in microseconds.
    pub until_us: i64,
    /// Tokens that were over before this instant are forgotten.
    pub forget_before_us: i64,
}

/// A stay, for lists and reports.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct StayRow {
    /// Logical id of the encounter.
    pub stay: String,
    /// Logical id of the patient.
    pub patient: String,
    /// In microseconds; none if not known.
    pub begins_us: Option<i64>,
    /// In microseconds; none while it lasts or if not known.
    pub ends_us: Option<i64>,
    /// Whether it is not over.
    pub open: bool,
    /// The instant for which its ledger was made, in microseconds.
    pub ledger_us: i64,
    /// Logical id of the unit now, or the last one.
    pub unit: Option<String>,
    /// What goes on by itself after `ledger_us`, as the caller encodes it; none: nothing.
    pub ahead: Option<Vec<u8>>,
}

/// A document that could not be used.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Doubtful {
    /// Resource type.
    pub kind: String,
    /// Logical id.
    pub id: String,
    /// Why not.
    pub why: String,
}

/// What became of a batch.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Committed {
    /// One for each of `Batch::writes`, in their order.
    pub written: Vec<Written>,
}

/// What became of one write.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Written {
    /// Resource type.
    pub kind: Cow<'static, str>,
    /// Logical id; empty where nothing was found to delete and no id was given.
    pub id: String,
    /// The current version, from 1; 0 where there was never one.
    pub version: u64,
    /// Position of the current version among all changes; 0 where there is none.
    pub seq: i64,
    /// When the current version was received, in microseconds.
    pub updated_us: i64,
    /// What was done.
    pub change: Change,
}

/// What was done for a write.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Change {
    /// There was no such document, or it was deleted.
    Created,
    /// There is a new version of the document.
    Updated,
    /// The document was there and is deleted.
    Deleted,
    /// Nothing: it is as asked already.
    Unchanged,
}
