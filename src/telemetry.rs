//! Logs: one line of JSON an event, or plain lines for people; and what the reconciler counts.

use std::sync::atomic::{AtomicI64, AtomicU64};

use tracing_subscriber::EnvFilter;

/// Starts logging to standard error, once per process. `level` is a filter such as `info` or `terce=debug`.
pub fn start(level: &str, json: bool) {
    let filter = EnvFilter::try_new(level).unwrap_or_else(|_| EnvFilter::new("info"));
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    // a second start (tests) is no error
    let _ = if json { builder.json().try_init() } else { builder.with_ansi(false).try_init() };
}

/// What the reconciler has done since the start.
#[derive(Debug, Default)]
pub struct Counters {
    /// Documents that clients wrote: the reconciler gives way while many arrive.
    pub ingested: AtomicU64,
    /// Patients reconciled.
    pub patients: AtomicU64,
    /// Tasks and DetectedIssues written.
    pub written: AtomicU64,
    /// Patients whose documents changed while they were reconciled: done again.
    pub stale: AtomicU64,
    /// Patients that could not be reconciled.
    pub failed: AtomicU64,
    /// Patients with an announcement that is held back now.
    pub held: AtomicU64,
}

/// What subscribers have been told since the start, and what waits for them.
#[derive(Debug)]
pub struct Deliveries {
    /// Calls that the subscriber took.
    pub taken: AtomicU64,
    /// Calls that it did not.
    pub failed: AtomicU64,
    /// Documents that were passed over because the subscriber refused them again and again.
    pub passed_over: AtomicU64,
    /// Subscriptions that are served.
    pub served: AtomicU64,
    /// Subscribers that were not reached the last time.
    pub failing: AtomicU64,
    /// Failures in a row of the one with most.
    pub tries: AtomicU64,
    /// Documents that wait for them, each counted up to a limit.
    pub waiting: AtomicU64,
    /// Since when the first of them fails, in microseconds; `i64::MAX`: none does.
    pub failing_since_us: AtomicI64,
}

impl Default for Deliveries {
    fn default() -> Self {
        Deliveries {
            taken: AtomicU64::new(0),
            failed: AtomicU64::new(0),
            passed_over: AtomicU64::new(0),
            served: AtomicU64::new(0),
            failing: AtomicU64::new(0),
            tries: AtomicU64::new(0),
            waiting: AtomicU64::new(0),
            failing_since_us: AtomicI64::new(i64::MAX),
        }
    }
}
