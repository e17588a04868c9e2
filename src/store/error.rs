//! What can go wrong, one variant for each thing that a caller does differently.

/// Why a batch was not committed, or a read or an open did not succeed.
///
/// Guarantees: the text never contains a body, an identifier or a logical id.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum StoreError {
    /// The batch is refused: the document is not, or no longer, at the version that the caller read. Read it again.
    #[error("write {index} expects version {expected} but version {current} is current")]
    VersionConflict {
        /// Index into `Batch::writes`.
        index: usize,
        /// The version that was asked for.
        expected: u64,
        /// The current version; 0 if there is no such document, or if it is deleted.
        current: u64,
    },
    /// The batch is refused: what was to be created is there already.
    #[error("write {index} creates a document that is there already")]
    Exists {
        /// Index into `Batch::writes`.
        index: usize,
        /// Logical id of the document that is there.
        id: String,
    },
    /// The batch is refused: the criteria of a conditional write fit more than one document.
    #[error("write {index} has criteria that more than one document fits")]
    MultipleMatches {
        /// Index into `Batch::writes`.
        index: usize,
    },
    /// The batch is refused: the criteria of a conditional write fit a document with another id than the one given.
    #[error("write {index} has criteria that a document with another id fits")]
    OtherId {
        /// Index into `Batch::writes`.
        index: usize,
        /// Logical id of the document that fits.
        id: String,
    },
    /// The batch is refused: the patient's documents have changed since they were read. Read them and decide again.
    #[error("the documents of a patient have changed since they were read")]
    StaleGeneration {
        /// Logical id of the patient.
        patient: String,
    },
    /// The batch is refused: a document that it rests on is not, or no longer, at the version that the caller read.
    #[error("a document that the batch rests on was written")]
    Moved,
    /// The batch is refused: the assertion of its `grant` was used before.
    #[error("the assertion was used before")]
    Used,
    /// More was asked for in one go than the store takes. Ask for less.
    #[error("{what} is larger than the limit of {limit}")]
    TooLarge {
        /// What is too large.
        what: &'static str,
        /// The limit, in the unit that `what` names.
        limit: usize,
    },
    /// There is no room on the disk. Nothing of the batch is stored; reads go on, and so do commits once there is room.
    #[error("there is no room for the database to grow")]
    NoSpace,
    /// Another process has held the database for longer than the store waits. Nothing is stored; try again.
    #[error("the database is held by another process")]
    Busy,
    /// The store has been closed. Nothing is stored.
    #[error("the store is closed")]
    Closed,
    /// The disk or the database has failed: whether the batch is stored is not known, and nothing will be from now on.
    /// The process must end; the next start recovers what was acknowledged.
    #[error("the database can no longer be trusted: {0}")]
    Fatal(String),
    /// The file is damaged and was not opened. Restore it from a backup.
    #[error("the database file is damaged ({0}); restore it from a backup")]
    Damaged(String),
    /// The file cannot be used, though nothing says that it is damaged: wrong place, rights, program or version.
    #[error("the database cannot be used: {0}")]
    Unusable(String),
    /// A mistake of this program. Nothing of the batch is stored; other batches are not affected.
    #[error("the database refused a statement: {0}")]
    Internal(String),
}
