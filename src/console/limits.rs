//! Limits of the pages, each beside its reason.

use std::time::Duration;

/// Stays on one ward page: three large units, and what a screen can still show.
pub(super) const WARD_STAYS: usize = 120;

/// Documents read for the items of one day, to say who charted them; a stay has a few dozen a day.
pub(super) const DAY_DOCUMENTS: usize = 200;

/// Doubts on one page: beyond it a list is not read any more, and the search of documents serves better.
pub(super) const DOUBTS: usize = 100;

/// A page is told of changes at most so often: a burst of charting is one change to a reader.
pub(super) const TOLD_EVERY: Duration = Duration::from_millis(500);

/// The strips move on with the time: a page is refreshed at least so often.
pub(super) const MOVED_EVERY: Duration = Duration::from_secs(60);

/// Days of one compliance page: three years, as of one report.
pub(super) const COMPLIANCE_DAYS: i64 = 3 * 366;

/// Points of a chart that can still be told apart on a screen.
pub(super) const CHART_POINTS: usize = 62;

/// Documents of each type that are looked at for codes: those of some days, in about a second.
pub(super) const QUALITY_DOCUMENTS: u64 = 5_000;

/// Codes on one page: who maps more of them at once writes the map elsewhere.
pub(super) const CODES: usize = 100;

/// Bytes of an OperationOutcome.
pub(super) const OUTCOME_BYTES: usize = 64 << 10;

/// Patients of one trial: some weeks of a hospital, counted within seconds.
pub(super) const TRIED_PATIENTS: usize = 1_000;

/// Weeks of one trial; of more, `terce replay` and `terce compare` tell.
pub(super) const TRIED_WEEKS: u64 = 26;

/// Dead letters on a page: more than anybody mends before looking again.
pub(super) const LETTERS: usize = 50;
