//! What the service counts about itself, and how Prometheus reads it.

use std::fmt::Write as _;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering::Relaxed};

use axum::http::StatusCode;

use super::types::{KINDS, Kind};
use crate::store::{Counts, StoreError};
use crate::telemetry::{Counters, Deliveries};

/// Statuses that are counted by themselves; others are counted together.
const STATUSES: &[u16] =
    &[200, 201, 204, 304, 400, 404, 405, 406, 408, 410, 412, 413, 415, 422, 429, 431, 500, 503];
/// One row for each type, and one for everything else.
const ROWS: usize = KINDS.len() + 1;
/// One column for each status, and one for all others.
const COLUMNS: usize = STATUSES.len() + 1;

/// Counters; all of them only grow but the gauges at the end.
#[derive(Debug)]
pub struct Metrics {
    requests: [[AtomicU64; COLUMNS]; ROWS],
    ingested: [AtomicU64; ROWS],
    entries_refused: AtomicU64,
    commits: AtomicU64,
    panics: AtomicU64,
    /// When a write last found no room, in microseconds; 0: none since one succeeded.
    no_space_us: AtomicI64,
    /// The store has said that it can no longer be trusted.
    fatal: AtomicBool,
    /// When no patient was last seen waiting, in microseconds; 0: not looked yet.
    clean_us: AtomicI64,
}

impl Default for Metrics {
    fn default() -> Self {
        Metrics {
            requests: std::array::from_fn(|_| std::array::from_fn(|_| AtomicU64::new(0))),
            ingested: std::array::from_fn(|_| AtomicU64::new(0)),
            entries_refused: AtomicU64::new(0),
            commits: AtomicU64::new(0),
            panics: AtomicU64::new(0),
            no_space_us: AtomicI64::new(0),
            fatal: AtomicBool::new(false),
            clean_us: AtomicI64::new(0),
        }
    }
}

impl Metrics {
    /// Whether the store has said that it can no longer be trusted: the process should end.
    pub fn is_fatal(&self) -> bool {
        self.fatal.load(Relaxed)
    }

    pub(super) fn answered(&self, row: usize, status: StatusCode) {
        let column = STATUSES.iter().position(|s| *s == status.as_u16()).unwrap_or(STATUSES.len());
        if let Some(counter) = self.requests.get(row).and_then(|r| r.get(column)) {
            counter.fetch_add(1, Relaxed);
        }
    }

    pub(super) fn ingested(&self, kind: &Kind, documents: u64) {
        if let Some(counter) = self.ingested.get(kind.index()) {
            counter.fetch_add(documents, Relaxed);
        }
    }

    pub(super) fn committed(&self) {
        self.commits.fetch_add(1, Relaxed);
        self.no_space_us.store(0, Relaxed);
    }

    pub(super) fn entries_refused(&self, entries: u64) {
        self.entries_refused.fetch_add(entries, Relaxed);
    }

    pub(super) fn panicked(&self) {
        self.panics.fetch_add(1, Relaxed);
    }

    /// Notes what a failed commit says about the store.
    pub(super) fn failed(&self, error: &StoreError, now_us: i64) {
        if matches!(error, StoreError::NoSpace) {
            self.no_space_us.store(now_us.max(1), Relaxed);
        }
        if matches!(error, StoreError::Fatal(_)) {
            self.fatal.store(true, Relaxed);
        }
    }

    pub(super) fn no_space_us(&self) -> Option<i64> {
        Some(self.no_space_us.load(Relaxed)).filter(|us| *us != 0)
    }

    /// For how long patients have waited at most: since they were last seen with none of them waiting.
    fn lag_us(&self, dirty: u64, now_us: i64) -> i64 {
        if dirty == 0 {
            self.clean_us.store(now_us, Relaxed);
            return 0;
        }
        match self.clean_us.compare_exchange(0, now_us, Relaxed, Relaxed) {
            Ok(_) => 0,
            Err(clean_us) => (now_us - clean_us).max(0),
        }
    }

    /// As Prometheus reads it.
    pub(super) fn text(
        &self,
        counts: &Counts,
        reconciler: &Counters,
        deliveries: &Deliveries,
        now_us: i64,
    ) -> String {
        let mut out = String::with_capacity(8 << 10);
        out.push_str("# TYPE terce_http_requests_total counter\n");
        for (row, columns) in self.requests.iter().enumerate() {
            let kind = KINDS.get(row).map_or("other", |k| k.name);
            for (column, counter) in columns.iter().enumerate() {
                let count = counter.load(Relaxed);
                if count > 0 {
                    let status = STATUSES.get(column).map_or_else(|| "other".to_owned(), u16::to_string);
                    let _ = writeln!(
                        out,
                        "terce_http_requests_total{{type=\"{kind}\",status=\"{status}\"}} {count}"
                    );
                }
            }
        }
        out.push_str("# TYPE terce_resources_ingested_total counter\n");
        for (kind, counter) in KINDS.iter().zip(&self.ingested) {
            let _ = writeln!(
                out,
                "terce_resources_ingested_total{{type=\"{}\"}} {}",
                kind.name,
                counter.load(Relaxed)
            );
        }
        let single = [
            ("terce_bundle_entries_refused_total", "counter", self.entries_refused.load(Relaxed)),
            ("terce_commits_total", "counter", self.commits.load(Relaxed)),
            ("terce_panics_total", "counter", self.panics.load(Relaxed)),
            ("terce_patients_reconciled_total", "counter", reconciler.patients.load(Relaxed)),
            ("terce_outcomes_written_total", "counter", reconciler.written.load(Relaxed)),
            ("terce_announcements_held", "gauge", reconciler.held.load(Relaxed)),
            ("terce_reconciliations_stale_total", "counter", reconciler.stale.load(Relaxed)),
            ("terce_reconciliations_failed_total", "counter", reconciler.failed.load(Relaxed)),
            ("terce_notifications_taken_total", "counter", deliveries.taken.load(Relaxed)),
            ("terce_notifications_failed_total", "counter", deliveries.failed.load(Relaxed)),
            ("terce_notifications_passed_over_total", "counter", deliveries.passed_over.load(Relaxed)),
            ("terce_notifications_waiting", "gauge", deliveries.waiting.load(Relaxed)),
            ("terce_subscriptions_served", "gauge", deliveries.served.load(Relaxed)),
            ("terce_subscriptions_failing", "gauge", deliveries.failing.load(Relaxed)),
            ("terce_subscriptions_failures_in_a_row", "gauge", deliveries.tries.load(Relaxed)),
            ("terce_subjects", "gauge", counts.subjects),
            ("terce_subjects_dirty", "gauge", counts.dirty),
            ("terce_subjects_failing", "gauge", counts.failing),
            ("terce_doubts", "gauge", counts.doubts),
            ("terce_documents_unlinked", "gauge", counts.unlinked),
        ];
        for (name, sort, value) in single {
            let _ = writeln!(out, "# TYPE {name} {sort}\n{name} {value}");
        }
        let failing = (now_us - deliveries.failing_since_us.load(Relaxed)).max(0) as f64 / 1e6;
        let _ = writeln!(
            out,
            "# TYPE terce_subscriptions_failing_seconds gauge\nterce_subscriptions_failing_seconds {failing}"
        );
        let lag = self.lag_us(counts.dirty, now_us) as f64 / 1e6;
        let _ = writeln!(out, "# TYPE terce_reconcile_lag_seconds gauge\nterce_reconcile_lag_seconds {lag}");
        for (name, by_kind) in [("terce_documents", &counts.documents), ("terce_open", &counts.open)] {
            let _ = writeln!(out, "# TYPE {name} gauge");
            for (kind, count) in by_kind {
                let _ = writeln!(out, "{name}{{type=\"{kind}\"}} {count}");
            }
        }
        out
    }
}
