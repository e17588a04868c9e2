//! Limits of the store, each beside its reason.

/// Batches that wait for the writer. Callers beyond it wait before their batch is queued, so that memory is theirs
/// to bound; a few times what one transaction takes keeps the writer busy.
pub(super) const QUEUE_BATCHES: usize = 2_048;

/// Batches in one transaction: more gains nothing measurable and makes the first caller wait for the last.
pub(super) const GROUP_BATCHES: usize = 1_024;

/// Bytes of bodies in one transaction. Each transaction writes once the index pages that its documents fall on, so
/// large ones write less: 16 MiB take a quarter longer than 64. But whoever comes after waits for all of it.
pub(super) const GROUP_BYTES: usize = 32 << 20;

/// Documents in one batch: the largest Bundle that the service takes is far smaller.
pub(super) const BATCH_WRITES: usize = 20_000;

/// Bytes of bodies in one batch: four of the largest request bodies.
pub(super) const BATCH_BYTES: usize = 64 << 20;

/// Connections that read at once: more than cores only makes them share the disk.
pub(super) const READERS: usize = 4;

/// Rows in one page of any list.
pub(super) const PAGE_ROWS: usize = 10_000;

/// Bytes of bodies in one page of any list; a page has one row at least.
pub(super) const PAGE_BYTES: usize = 64 << 20;

/// Bytes of bodies of one patient: some hundred thousand documents, years of charting. More is a mistake upstream
/// (one id for all patients) and must not take the memory of everybody else.
pub(super) const PATIENT_BYTES: usize = 256 << 20;

/// Milliseconds for which a lock of another process is waited for: longer than any of our own transactions.
pub(super) const BUSY_MS: u64 = 5_000;

/// Cache of the writer in KiB: the inner pages of all indexes, and the pages of one transaction.
pub(super) const WRITER_CACHE_KIB: i64 = 80 << 10;

/// Cache of each reader in KiB: the sums of a year of a thousand units, so that one report after the other does not read
/// them from the file again. It is filled only with what is read.
pub(super) const READER_CACHE_KIB: i64 = 48 << 10;

/// Pages written to the log, of 4 KiB, before it is copied into the database file in the background. Smaller steps write
/// the same index pages more often, larger ones make a longer log to recover, and to look through for each page read.
pub(super) const CHECKPOINT_PAGES: i64 = 16 << 10;

/// Pages in the log at which the writer stops to finish the copying, so that the log starts again from its beginning:
/// while writes never pause, the background alone never catches up.
pub(super) const LOG_PAGES: i64 = 64 << 10;

/// Bytes to which the log file is cut when it starts again.
pub(super) const LOG_BYTES: i64 = 256 << 20;

/// Places at which a chain of audit rows is broken that are told: whoever broke it in more has made it anew.
pub(super) const BREAKS: usize = 100;

/// Prepared statements kept by a connection: all of the store's fixed ones and some of the composed searches.
pub(super) const STATEMENTS: usize = 96;

/// Microseconds of receiving after which it is noted again how far all has been received: a list that is asked for
/// since a time begins at most so much too early.
pub(super) const SEEN_STEP_US: i64 = 60_000_000;
