//! What is read.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::sync::Arc;

use super::sums::{Part, SumRow};

/// One version of a document.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Document {
    /// Position among all changes: greater for what was committed later. A row's key in lists.
    pub seq: i64,
    /// Resource type.
    pub kind: String,
    /// Logical id.
    pub id: String,
    /// From 1; a deletion has one of its own, and what comes after it goes on counting.
    pub version: u64,
    /// When version 1 was received, in microseconds since 1970.
    pub first_us: i64,
    /// When this version was received, in microseconds since 1970.
    pub received_us: i64,
    /// XXH3 of the body; 0 for a deletion.
    pub digest: u64,
    /// Logical id of the patient it is about.
    pub patient: Option<String>,
    /// Logical id of the encounter it belongs to.
    pub encounter: Option<String>,
    /// The document as it came; none: this version is the deletion.
    pub body: Option<Vec<u8>>,
}

/// The documents of a patient that have changed since a position.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Changes {
    /// What a decision that rests on them is committed under (`Reconciled::generation`); 0 for an unknown patient.
    pub generation: i64,
    /// What to give as `after_seq` next time.
    pub seq: i64,
    /// True if the documents are all there are: what was read before must be forgotten, for some of it is no longer
    /// the patient's. Always so when read from 0.
    pub all: bool,
    /// Current documents and deletions in the order of `seq`; with those that name only an encounter of the patient.
    pub documents: Vec<Document>,
}

/// A patient whose documents are reconciled.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Subject {
    /// Logical id.
    pub patient: String,
    /// Position of the last write that concerns the patient.
    pub dirty_seq: i64,
    /// Position up to which it has been reconciled.
    pub done_seq: i64,
    /// When to reconcile it though nothing was written, in microseconds.
    pub wake_us: Option<i64>,
    /// How often in a row it could not be reconciled.
    pub failures: u32,
    /// Not to be tried again before, in microseconds.
    pub retry_us: i64,
    /// Why it could not be reconciled the last time, while it could not.
    pub error: Option<String>,
}

/// Which end of a list comes first.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum Order {
    /// In the order of the last change.
    #[default]
    OldestFirst,
    /// The last change first.
    NewestFirst,
}

/// Which current documents of a kind to list.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Query {
    /// Resource type.
    pub kind: Cow<'static, str>,
    /// Which of them.
    pub among: Among,
    /// Last changed at or after, in microseconds.
    pub updated_from_us: Option<i64>,
    /// Last changed before, in microseconds.
    pub updated_to_us: Option<i64>,
    /// In which order.
    pub order: Order,
    /// `Page::as_of` of the first page; none: this is the first, or what has changed since is to be listed again.
    pub as_of: Option<i64>,
    /// `Page::next` of the page before.
    pub after: Option<i64>,
    /// Rows wanted.
    pub limit: usize,
}

/// Which documents of a kind are looked at: each is found by an index, whatever else there is.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Among {
    /// All.
    #[default]
    All,
    /// Those with one of these logical ids.
    Ids(Vec<String>),
    /// Those about one of these patients, by logical id.
    Patients(Vec<String>),
    /// Those that belong to one of these encounters, by logical id.
    Encounters(Vec<String>),
    /// Those that were written with an outcome that fits.
    Outcomes(OutcomeQuery),
}

/// Documents of a kind, and a look at each of them: what a subscription is about.
#[derive(Clone)]
pub struct Followed {
    /// Where to look.
    pub query: Query,
    /// Which of them are meant.
    pub fits: Fits,
}

/// Whether a document is meant at an instant, in microseconds.
pub type Fits = Arc<dyn Fn(&Document, i64) -> bool + Send + Sync>;

/// Criteria on the search columns of an outcome. Of a list one must fit; an empty list is no criterion.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct OutcomeQuery {
    /// Logical ids of the encounters that are the stays.
    pub stay: Vec<String>,
    /// What it is about.
    pub topic: Vec<String>,
    /// Status codes.
    pub status: Vec<String>,
    /// References.
    pub owner: Vec<String>,
    /// References.
    pub location: Vec<String>,
    /// Codes.
    pub code: Vec<String>,
    /// References.
    pub focus: Vec<String>,
    /// Whether something is still to be done about it.
    pub open: Option<bool>,
}

/// A part of a list.
///
/// Every document has the place that its version at `as_of` has among all changes. Going from page to page with the
/// `as_of` of the first, places never change, whatever is written meanwhile.
///
/// Guarantees: each document that there was at `as_of` and still is, is listed once, neither skipped nor repeated, as
/// it is now. What was created meanwhile is not listed. Without `as_of`, what changed meanwhile is listed again at its
/// new place in `OldestFirst`, and may be missed in `NewestFirst`.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Page {
    /// The rows.
    pub documents: Vec<Listed>,
    /// The position among all changes as of which places are.
    pub as_of: i64,
    /// Where the next page begins; none: this is the last.
    pub next: Option<i64>,
}

/// A document in a list.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Listed {
    /// Its place in the list: the position of the version that was current at `Page::as_of`.
    pub place: i64,
    /// The document as it is now.
    pub document: Document,
}

/// Which versions to list, the newest first.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct PastQuery {
    /// Resource type.
    pub kind: Cow<'static, str>,
    /// Logical id; none: of all documents of the kind.
    pub id: Option<String>,
    /// Position of the last row of the page before.
    pub before: Option<i64>,
    /// Received at or after, in microseconds.
    pub since_us: Option<i64>,
    /// Current at some time in the half-open span `[from, to)`, in microseconds.
    pub at_us: Option<(i64, i64)>,
    /// Rows wanted.
    pub limit: usize,
}

/// One version in a list of versions.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Past {
    /// The version.
    pub document: Document,
    /// Whether there was no such document before it, or it was deleted.
    pub created: bool,
}

/// Which stays to list, in the order of their ids.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct StayQuery {
    /// Logical id of the patient.
    pub patient: Option<String>,
    /// Logical id of the unit.
    pub unit: Option<String>,
    /// Whether it is not over.
    pub open: Option<bool>,
    /// The half-open span `[from, to)` in microseconds that it overlaps. What is not known of a stay overlaps.
    pub overlaps_us: Option<(i64, i64)>,
    /// The last stay of the page before.
    pub after: Option<String>,
    /// Rows wanted.
    pub limit: usize,
}

/// What was heard of the patients of a unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Heard {
    /// Patients for whom care goes on.
    pub patients: u64,
    /// When the last of the documents was received, in microseconds.
    pub last_us: Option<i64>,
}

/// Which sums to read.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct SumsQuery {
    /// The topics.
    pub topics: Vec<u8>,
    /// First local day, in days since 1970-01-01.
    pub from_day: i64,
    /// Last local day.
    pub to_day: i64,
    /// Logical ids of the units; none: all.
    pub units: Option<Vec<String>>,
    /// What goes on by itself is wanted of stays that were reconciled before, in microseconds.
    pub ahead_before_us: i64,
    /// At most so many patients that are to be reconciled are told with what they contribute; if there are more, only
    /// how many.
    pub fresh: usize,
}

/// Sums, as of one instant.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Summed {
    /// To be added, then those to be taken away: one for each unit and block of days.
    pub rows: Vec<SumRow>,
    /// To be added besides: what goes on by itself.
    pub ahead: Vec<AheadRow>,
    /// Patients who are to be reconciled, with what they contribute to the days until then, whatever the units.
    pub fresh: Vec<(String, Shares)>,
    /// How many further patients are to be reconciled.
    pub waiting: u64,
}

/// What the stays of a patient contribute, as of one instant.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Shares {
    /// Whether the patient is to be reconciled.
    pub dirty: bool,
    /// In the order (stay, day).
    pub rows: Vec<ShareRow>,
    /// What goes on by itself.
    pub ahead: Vec<AheadRow>,
}

/// One part of what a stay contributes.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct ShareRow {
    /// Logical id of the encounter.
    pub stay: String,
    /// Local day, in days since 1970-01-01.
    pub day: i64,
    /// What.
    pub part: Part,
}

/// What goes on by itself in a stay.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct AheadRow {
    /// Logical id of the encounter.
    pub stay: String,
    /// Logical id of the patient.
    pub patient: String,
    /// As the caller encoded it.
    pub body: Vec<u8>,
}

/// Something that could not be used.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct DoubtRow {
    /// Its key in lists.
    pub seq: i64,
    /// Logical id of the patient; none: it cannot be linked to one.
    pub patient: Option<String>,
    /// Resource type.
    pub kind: String,
    /// Logical id.
    pub id: String,
    /// Why not.
    pub why: String,
    /// Since when, in microseconds.
    pub since_us: i64,
}

/// Whose doubts to list.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Doubts {
    /// All.
    #[default]
    All,
    /// Those of one patient, by logical id.
    Of(String),
    /// Documents that cannot be linked to a patient.
    Unlinked,
}

/// How far a source has told us everything.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SourceRow {
    /// Its name.
    pub name: String,
    /// Up to when, in microseconds.
    pub last_us: i64,
    /// Where to read on from, as the source names it.
    pub cursor: Option<String>,
}

/// An access token that was given out.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct TokenRow {
    /// Who got it.
    pub client: String,
    /// What it allows, as the caller wrote it.
    pub scopes: String,
    /// When it is over, in microseconds.
    pub until_us: i64,
}

/// How much there is.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// Current documents by resource type.
    pub documents: BTreeMap<String, u64>,
    /// Outcomes about which something is still to be done, by resource type.
    pub open: BTreeMap<String, u64>,
    /// Patients.
    pub subjects: u64,
    /// Patients to be reconciled because something was written.
    pub dirty: u64,
    /// Patients that could not be reconciled the last time.
    pub failing: u64,
    /// Doubts about documents of known patients.
    pub doubts: u64,
    /// Documents that cannot be linked to a patient.
    pub unlinked: u64,
}

/// What to do with stays, tallies, dependencies and doubts when every patient is to be reconciled again.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Derived {
    /// Keep them until each is replaced: reports go on, old beside new.
    Keep,
    /// Remove them first: nothing old remains.
    Clear,
}
