//! What is kept: documents as they came, what was made of them, and who must be looked at again.
//!
//! One atomic [`commit`](Store::commit) of a [`Batch`], and a handful of reads. Knows of FHIR only that a document has
//! a kind, an id, a patient and an encounter; knows nothing of care, requests or the clock.
//!
//! Guarantees:
//! * a commit that has returned is durable: it survives the end of the process and of the power;
//! * batches are independent: one that is refused changes nothing, whatever is committed beside it;
//! * every version of a document is kept, and its bytes are given back as they came;
//! * `seq` numbers grow in the order of commits, and a reader never sees a later one without the earlier ones.
//!
//! Assumptions: the disk keeps what it has acknowledged. Several processes may use one file on one machine.

mod audit;
mod batch;
mod chain;
mod delivery;
mod error;
mod letters;
mod limits;
mod query;
mod sql;
mod sqlite;
mod sums;

pub use audit::{Audit, AuditEnds, AuditFound, AuditQuery, AuditRow, Thing};
pub use batch::{
    Batch, Change, Committed, Doubtful, Failed, Grant, Heartbeat, Identifier, OutcomeRow, Precondition,
    Reconciled, StayRow, Token, Write, Written,
};
pub use chain::{Break, ChainHead, Hash, RETIRE, Walk};
pub use delivery::{Delivery, Outbox, Parcel, Step, There};
pub use error::StoreError;
pub use letters::{About, Letter, LetterQuery, Undelivered, Way};
pub use query::{
    AheadRow, Among, Changes, Counts, Derived, Document, DoubtRow, Doubts, Fits, Followed, Heard, Listed,
    Order, OutcomeQuery, Page, Past, PastQuery, Query, ShareRow, Shares, SourceRow, StayQuery, Subject,
    Summed, SumsQuery, TokenRow,
};
pub use sqlite::Sqlite;
pub use sums::{Part, Share, SumRow, Sums};

use std::path::Path;

use tokio::sync::watch;

/// The database. Cloning gives another handle on the same one.
///
/// Each method has one arm per database; the contract tests run every method on all of them.
#[derive(Clone, Debug)]
pub enum Store {
    /// A SQLite file, or one in memory.
    Sqlite(Sqlite),
}

impl Store {
    /// Opens a SQLite file, and makes or migrates it; none: a new one in memory, for tests and trials.
    ///
    /// Errors: `Damaged`; `Unusable` for a place that cannot be written, a file of another program or of a newer
    /// version; `NoSpace`; `Busy`.
    pub async fn open_sqlite(path: Option<&Path>) -> Result<Store, StoreError> {
        Ok(Store::Sqlite(Sqlite::open(path).await?))
    }

    /// Stores a batch, and returns when it is durable. Batches that are committed at the same time share a
    /// transaction, yet each succeeds or fails by itself.
    ///
    /// If the future is dropped, the batch is stored whole or not at all. Errors: any but `Damaged` and `Unusable`.
    pub async fn commit(&self, batch: Batch) -> Result<Committed, StoreError> {
        match self {
            Store::Sqlite(db) => db.commit(batch).await,
        }
    }

    /// Notified after commits: many at once may be one notice.
    pub fn changed(&self) -> watch::Receiver<()> {
        match self {
            Store::Sqlite(db) => db.changed(),
        }
    }

    /// The current version of a document, which may be its deletion; none if there was never one.
    pub async fn document(&self, kind: &str, id: &str) -> Result<Option<Document>, StoreError> {
        match self {
            Store::Sqlite(db) => db.document(kind, id).await,
        }
    }

    /// One version of a document.
    pub async fn version(&self, kind: &str, id: &str, version: u64) -> Result<Option<Document>, StoreError> {
        match self {
            Store::Sqlite(db) => db.version(kind, id, version).await,
        }
    }

    /// Versions of a document, the newest first, below `before` if it is given. An empty list is the end of it.
    pub async fn history(
        &self,
        kind: &str,
        id: &str,
        before: Option<u64>,
        limit: usize,
    ) -> Result<Vec<Document>, StoreError> {
        match self {
            Store::Sqlite(db) => db.history(kind, id, before, limit).await,
        }
    }

    /// Versions of the documents of a kind, the newest first. What is written meanwhile comes before the first page.
    pub async fn past(&self, query: PastQuery) -> Result<Vec<Past>, StoreError> {
        match self {
            Store::Sqlite(db) => db.past(query).await,
        }
    }

    /// The version at a position among all changes.
    pub async fn document_at(&self, seq: i64) -> Result<Option<Document>, StoreError> {
        match self {
            Store::Sqlite(db) => db.document_at(seq).await,
        }
    }

    /// How many current documents there are of a kind.
    pub async fn count(&self, kind: &str) -> Result<u64, StoreError> {
        match self {
            Store::Sqlite(db) => db.count(kind).await,
        }
    }

    /// The logical ids of the current documents that have an identifier, in order.
    pub async fn by_identifier(&self, kind: &str, token: &Token) -> Result<Vec<String>, StoreError> {
        match self {
            Store::Sqlite(db) => db.by_identifier(kind, token).await,
        }
    }

    /// The current documents that fit a query.
    pub async fn search(&self, query: Query) -> Result<Page, StoreError> {
        match self {
            Store::Sqlite(db) => db.search(query).await,
        }
    }

    /// The documents of a patient that have changed after a position (0: all), and what to commit a decision under,
    /// both as of one instant. Errors: `TooLarge` if they are more than memory can be given to.
    pub async fn documents_of(&self, patient: &str, after_seq: i64) -> Result<Changes, StoreError> {
        match self {
            Store::Sqlite(db) => db.documents_of(patient, after_seq).await,
        }
    }

    /// Patients to be reconciled now, at most `limit`. Those with changes and those whose time has come take turns,
    /// each kind the longest waiting first, so that a backlog of one does not hold up the other.
    pub async fn due(&self, now_us: i64, limit: usize) -> Result<Vec<Subject>, StoreError> {
        match self {
            Store::Sqlite(db) => db.due(now_us, limit).await,
        }
    }

    /// The earliest instant in microseconds at which [`due`](Store::due) gives a patient if nothing more is written;
    /// `i64::MIN` if it does at once, whatever the time; none: never.
    pub async fn next_wake(&self) -> Result<Option<i64>, StoreError> {
        match self {
            Store::Sqlite(db) => db.next_wake().await,
        }
    }

    /// All patients in the order of their ids, after one of them.
    pub async fn subjects(&self, after: Option<&str>, limit: usize) -> Result<Vec<Subject>, StoreError> {
        match self {
            Store::Sqlite(db) => db.subjects(after, limit).await,
        }
    }

    /// One patient.
    pub async fn subject(&self, patient: &str) -> Result<Option<Subject>, StoreError> {
        match self {
            Store::Sqlite(db) => db.subject(patient).await,
        }
    }

    /// Patients that could not be reconciled the last time, in the order of their ids.
    pub async fn failing(&self, limit: usize) -> Result<Vec<Subject>, StoreError> {
        match self {
            Store::Sqlite(db) => db.failing(limit).await,
        }
    }

    /// Stays that fit a query.
    pub async fn stays(&self, query: StayQuery) -> Result<Vec<StayRow>, StoreError> {
        match self {
            Store::Sqlite(db) => db.stays(query).await,
        }
    }

    /// What was heard of the patients of a unit whose care goes on: how many there are, and when the last document of
    /// type `kind` about one of them was received.
    pub async fn heard_of(&self, unit: &str, kind: &str) -> Result<Heard, StoreError> {
        match self {
            Store::Sqlite(db) => db.heard_of(unit, kind).await,
        }
    }

    /// The sums of the days and units of a query, with what must be added to and taken from them, as of one instant.
    pub async fn summed(&self, query: SumsQuery) -> Result<Summed, StoreError> {
        match self {
            Store::Sqlite(db) => db.summed(query).await,
        }
    }

    /// What the stays of a patient contribute to the days `from..=to` (since 1970-01-01), as of one instant.
    pub async fn shares(&self, patient: &str, from: i64, to: i64) -> Result<Shares, StoreError> {
        match self {
            Store::Sqlite(db) => db.shares(patient, from, to).await,
        }
    }

    /// The patients whose stays contribute to the days `from..=to`, or may do so because something goes on or waits to be
    /// reconciled, in the order of their ids.
    pub async fn counted(&self, from: i64, to: i64, limit: usize) -> Result<Vec<String>, StoreError> {
        match self {
            Store::Sqlite(db) => db.counted(from, to, limit).await,
        }
    }

    /// The patients of whom an encounter was received after an instant, or who wait to be reconciled, in the order of
    /// their ids.
    pub async fn encounters_changed(&self, after_us: i64, limit: usize) -> Result<Vec<String>, StoreError> {
        match self {
            Store::Sqlite(db) => db.encounters_changed(after_us, limit).await,
        }
    }

    /// Day, unit and position of each change of the sums of a day after a position, in the order of positions.
    pub async fn sums_changed(
        &self,
        after_seq: i64,
        limit: usize,
    ) -> Result<Vec<(i64, String, i64)>, StoreError> {
        match self {
            Store::Sqlite(db) => db.sums_changed(after_seq, limit).await,
        }
    }

    /// Doubts in the order of `seq`, after one of them (0: from the first).
    pub async fn doubts(
        &self,
        of: Doubts,
        after_seq: i64,
        limit: usize,
    ) -> Result<Vec<DoubtRow>, StoreError> {
        match self {
            Store::Sqlite(db) => db.doubts(of, after_seq, limit).await,
        }
    }

    /// All sources in the order of their names.
    pub async fn sources(&self) -> Result<Vec<SourceRow>, StoreError> {
        match self {
            Store::Sqlite(db) => db.sources().await,
        }
    }

    /// An access token by its digest (`Batch::grant`).
    pub async fn token(&self, digest: &str) -> Result<Option<TokenRow>, StoreError> {
        match self {
            Store::Sqlite(db) => db.token(digest).await,
        }
    }

    /// A small fact of the service itself (`Batch::marks`).
    pub async fn mark(&self, name: &str) -> Result<Option<String>, StoreError> {
        match self {
            Store::Sqlite(db) => db.mark(name).await,
        }
    }

    /// Dead letters in the order of their numbers.
    ///
    /// Errors: those of reading.
    pub async fn letters(&self, query: LetterQuery) -> Result<Vec<Letter>, StoreError> {
        match self {
            Store::Sqlite(db) => db.letters(query).await,
        }
    }

    /// The dead letter with a number.
    ///
    /// Errors: those of reading.
    pub async fn letter(&self, number: i64) -> Result<Option<Letter>, StoreError> {
        match self {
            Store::Sqlite(db) => db.letter(number).await,
        }
    }

    /// How many dead letters there are, by way and place.
    ///
    /// Errors: those of reading.
    pub async fn letter_counts(&self) -> Result<Vec<(Way, String, u64)>, StoreError> {
        match self {
            Store::Sqlite(db) => db.letter_counts().await,
        }
    }

    /// Documents to be written at a place now: the first of each lane, unless something in the lane before it has to wait.
    /// The longest waiting first.
    ///
    /// Errors: those of reading.
    pub async fn deliveries_due(
        &self,
        place: &str,
        now_us: i64,
        limit: usize,
    ) -> Result<Vec<Delivery>, StoreError> {
        match self {
            Store::Sqlite(db) => db.deliveries_due(place, now_us, limit).await,
        }
    }

    /// Documents that wait to be written at a place, the longest waiting first.
    ///
    /// Errors: those of reading.
    pub async fn deliveries_waiting(&self, place: &str, limit: usize) -> Result<Vec<Delivery>, StoreError> {
        match self {
            Store::Sqlite(db) => db.deliveries_waiting(place, limit).await,
        }
    }

    /// What is known of a document at a place.
    ///
    /// Errors: those of reading.
    pub async fn delivery(&self, parcel: &Parcel) -> Result<Option<Delivery>, StoreError> {
        match self {
            Store::Sqlite(db) => db.delivery(parcel).await,
        }
    }

    /// The document of ours that has the logical id `there` at a place.
    ///
    /// Errors: those of reading.
    pub async fn delivery_there(
        &self,
        place: &str,
        kind: &str,
        there: &str,
    ) -> Result<Option<Delivery>, StoreError> {
        match self {
            Store::Sqlite(db) => db.delivery_there(place, kind, there).await,
        }
    }

    /// The first instant after `now_us` at which a document that has to wait may be written at a place.
    ///
    /// Errors: those of reading.
    pub async fn next_delivery(&self, place: &str, now_us: i64) -> Result<Option<i64>, StoreError> {
        match self {
            Store::Sqlite(db) => db.next_delivery(place, now_us).await,
        }
    }

    /// How much waits, by place; places at which nothing waits are not listed.
    ///
    /// Errors: those of reading.
    pub async fn outboxes(&self) -> Result<Vec<Outbox>, StoreError> {
        match self {
            Store::Sqlite(db) => db.outboxes().await,
        }
    }

    /// Audit rows that fit a query, the newest first.
    pub async fn audits(&self, query: AuditQuery) -> Result<Vec<AuditRow>, StoreError> {
        match self {
            Store::Sqlite(db) => db.audits(query).await,
        }
    }

    /// Audit rows in the order of their numbers, after one of them (`i64::MIN`: from the first), to walk along.
    pub async fn audits_after(&self, number: i64, limit: usize) -> Result<Vec<AuditFound>, StoreError> {
        match self {
            Store::Sqlite(db) => db.audits_after(number, limit).await,
        }
    }

    /// How far the chain of audit rows goes.
    pub async fn audit_head(&self) -> Result<ChainHead, StoreError> {
        match self {
            Store::Sqlite(db) => db.audit_head().await,
        }
    }

    /// Walks along the chain of audit rows, so many at a time: how far it goes, and where it is broken. `heads`: heads that
    /// were kept elsewhere. What is written meanwhile is not looked at.
    pub async fn walk_audits(
        &self,
        heads: Vec<ChainHead>,
        rows: usize,
    ) -> Result<(ChainHead, Vec<Break>), StoreError> {
        match self {
            Store::Sqlite(db) => db.walk_audits(heads, rows).await,
        }
    }

    /// Removes audit rows from the beginning of the chain, as far as they are from before an instant and at most `limit`,
    /// and adds `audit`, which tells up to which: the chain is whole from there. Returns how many were removed.
    pub async fn retire_audits(
        &self,
        before_us: i64,
        limit: usize,
        now_us: i64,
        audit: Audit,
    ) -> Result<u64, StoreError> {
        match self {
            Store::Sqlite(db) => db.retire_audits(before_us, limit, now_us, audit).await,
        }
    }

    /// How much there is, for metrics: a scan of patients and doubts, but not of documents.
    pub async fn counts(&self) -> Result<Counts, StoreError> {
        match self {
            Store::Sqlite(db) => db.counts().await,
        }
    }

    /// A UUID made with the database, which tells it from others.
    pub async fn instance(&self) -> Result<String, StoreError> {
        match self {
            Store::Sqlite(db) => db.instance().await,
        }
    }

    /// Makes every patient dirty, under a new generation. Returns how many there are.
    pub async fn redo(&self, derived: Derived) -> Result<u64, StoreError> {
        match self {
            Store::Sqlite(db) => db.redo(derived).await,
        }
    }

    /// Keeps the database file from growing beyond so many bytes: commits that need more answer `NoSpace`.
    /// Holds until it is changed or the store is closed.
    pub async fn limit_size(&self, bytes: u64) -> Result<(), StoreError> {
        match self {
            Store::Sqlite(db) => db.limit_size(bytes).await,
        }
    }

    /// Stores what has been handed over, then ends the writer. Later commits and reads answer `Closed`.
    pub async fn close(&self) -> Result<(), StoreError> {
        match self {
            Store::Sqlite(db) => db.close().await,
        }
    }
}
