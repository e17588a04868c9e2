//! Limits of the REST interface, each beside its reason.

use std::time::Duration;

/// Bytes of a body, as sent and as inflated: three times a Bundle of [`BUNDLE_ENTRIES`] ordinary documents.
pub const BODY_BYTES: usize = 16 << 20;

/// Bytes of bodies that are held at once, whoever sent them: what a burst may take of the memory of everything else.
pub const IN_FLIGHT_BYTES: usize = 64 << 20;

/// Bytes that are set aside for a body before they have come, whatever length it says that it has.
pub const SET_ASIDE_BYTES: usize = 1 << 20;

/// Entries of one Bundle: they are answered together, so the sender waits for the last of them.
pub const BUNDLE_ENTRIES: usize = 5_000;

/// Bytes of one Bundle, resources left out: hundreds for each entry.
pub const BUNDLE_FRAME_BYTES: usize = 4 << 20;

/// Bytes of a request for a token: an assertion, and scopes for each type.
pub const TOKEN_REQUEST_BYTES: usize = 32 << 10;

/// Parameters of one query: no page of people asks for more.
pub const QUERY_PARAMETERS: usize = 64;

/// Bytes of one parameter's value: a hundred ids.
pub const QUERY_VALUE_BYTES: usize = 8 << 10;

/// Alternatives in one parameter's value: what one statement of the database takes without trouble.
pub const QUERY_ALTERNATIVES: usize = 200;

/// Rows of a page, where the request says nothing.
pub const PAGE_ROWS: usize = 50;

/// Rows of a page at most; a larger `_count` is brought down to it.
pub const PAGE_ROWS_MAX: usize = 1_000;

/// Days that one report may cover: ten years and their leap days.
pub const REPORT_DAYS: i64 = 3_653;

/// Points of a chart: ten years by month, two years by week. Each is read by itself, and no eye takes in more.
pub const CHART_POINTS: usize = 120;

/// Patients whose record is read as it was known earlier: each takes some milliseconds.
pub const AS_OF_PATIENTS: usize = 1_000;

/// Differences of two reports that are told: more than anybody reads.
pub const DIFFERENCES: usize = 10_000;

/// Documents of each type that are looked at for their quality, the newest first: some weeks of a ward, and some seconds.
pub const QUALITY_DOCUMENTS: u64 = 50_000;

/// Patients of a Group that a report is about: each is read by itself.
pub const GROUP_PATIENTS: usize = 1_000;

/// Patients of a report that lists them: each has a report of its own in it, of some kilobytes.
pub const SUBJECTS: usize = 500;

/// Patients of a Group whose gaps in care are told: each is a document of some tens of kilobytes.
pub const GAP_PATIENTS: usize = 200;

/// Documents that a report of one patient refers to: the charting of some months.
pub const EVALUATED_RESOURCES: usize = 5_000;

/// How often a write that was overtaken by another is tried again before the client is told.
pub const RETRIES: usize = 4;

/// Entries that one thread prepares at a time: below it, handing work over costs more than it saves.
pub const ENTRIES_PER_THREAD: usize = 128;

/// Threads that prepare one Bundle: one client must not take all of them.
pub const THREADS_PER_BUNDLE: usize = 2;

/// Bytes of what an error answer says beside its fixed text; the whole stays below 4 KiB.
pub const DIAGNOSTICS_BYTES: usize = 600;

/// Issues in one error answer, for the same reason.
pub const ISSUES: usize = 5;

/// Issues in the answer of `$validate`, and refusals in that of `$try`: more than anybody mends before asking again.
pub const VALIDATE_ISSUES: usize = 100;

/// Connections at once; when there are more, who has waited longest makes room.
pub const CONNECTIONS: usize = 512;

/// For how long a body may be under way before its sender makes room, too, for others who want in.
pub const PATIENCE: Duration = Duration::from_secs(2);

/// Bytes of a request's head.
pub const HEAD_BYTES: usize = 32 << 10;

/// Header lines of a request.
pub const HEADERS: usize = 100;

/// For the head of a request to be complete, and for a connection to be idle.
pub const HEAD_TIME: Duration = Duration::from_secs(5);

/// For the body of a request to be complete.
pub const BODY_TIME: Duration = Duration::from_secs(15);

/// For the client to take some of an answer.
pub const WRITE_TIME: Duration = Duration::from_secs(30);

/// For the client to take all of an answer: a page of 1 000 rows over a slow line.
pub const ANSWER_TIME: Duration = Duration::from_secs(120);

/// For requests under way to end when the process is asked to stop.
pub const GRACE: Duration = Duration::from_secs(10);

/// For how long the service is not ready after a write found no room, unless one succeeds.
pub const REFUSING: Duration = Duration::from_secs(30);

/// Refusals that are recorded a minute, one by one; those beyond are counted. With [`AUDIT_REFUSED_BYTES`] of what was
/// asked a row takes half a KiB or so: some 50 MB a day at most, whoever knocks, and more than a client that is set up
/// wrongly makes while somebody looks for the cause.
pub const AUDIT_REFUSED: u32 = 60;

/// Bytes that are recorded of what was asked and refused.
pub const AUDIT_REFUSED_BYTES: usize = 256;

/// Refused entries of one Bundle that are recorded, for the same reason.
pub const AUDIT_REFUSED_ENTRIES: usize = 100;

/// Bytes that are recorded of what was asked: the longest of a query's values.
pub const AUDIT_ASKED_BYTES: usize = 8 << 10;

/// Audit rows that are read at a time.
pub const AUDIT_CHUNK: usize = 500;

/// Audit rows that are removed at a time when their time is over: writes wait for it.
pub const AUDIT_RETIRED: usize = 5_000;

/// How often rows are looked for whose time is over: their time is told in days.
pub const AUDIT_RETIRES: Duration = Duration::from_secs(3_600);

/// Seconds after which a client that was told to wait should try again.
pub const RETRY_AFTER_S: &str = "2";

/// Documents that one page of a search looks at, whether they fit or not: half a second. A page may end there, and
/// the next goes on.
pub const LOOKED_AT: usize = 20_000;

/// Documents that are looked at in one go, between which others get their turn.
pub const LOOKED_AT_ONCE: usize = 500;

/// Documents that a search can sort by their content, or count: all of them are read for each page.
pub const SORTED: usize = 20_000;

/// Resources that are found by an identifier that they share; beyond it is no use as one, and the store lists no more than
/// some thousands.
pub const IDENTIFIED: usize = 1_000;

/// References that a chain or a `_has` goes over.
pub const LINKS: usize = 3;

/// References that all chains and `_has` of a query go over: each may look at as many documents as a sorted search does.
pub const LINKS_OF_QUERY: usize = 6;

/// `_include` and `_revinclude` of a query.
pub const INCLUDES: usize = 16;

/// Resources that fit where a chain or a `_has` leads: each is compared with each that is looked at.
pub const LINKED: usize = 1_000;

/// Keys to sort by.
pub const SORT_KEYS: usize = 4;

/// Resources that are sent along with a page because it refers to them, or they to it.
pub const INCLUDED: usize = 2_000;

/// Operations of one patch: a person changes a handful of elements, a program some dozens.
pub const PATCH_OPERATIONS: usize = 1_000;
/// Seconds for which browsers are told to come back by TLS only: a year, as is usual.
pub const HSTS: &str = "max-age=31536000";

/// Bytes of the id of a call of a hook: a UUID has 36.
pub const HOOK_INSTANCE_BYTES: usize = 128;

/// More documents than this in one commit are a backlog that is loaded, not something that was just charted: a round at
/// the bedside is some ten documents, and what records hand over together is a few of those (common practice, no source).
pub(super) const LIVE_WRITES: usize = 50;
