//! Logs: one line of JSON an event, or plain lines for people; and what the reconciler counts.

use std::sync::atomic::AtomicU64;

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
}
