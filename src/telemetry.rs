//! Logs: one line of JSON an event, or plain lines for people; and what the reconciler counts.

use std::collections::BTreeSet;
use std::sync::atomic::{AtomicI64, AtomicU64};
use std::sync::{Mutex, PoisonError};

use tokio::sync::Notify;
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
    /// Patients about whom something was just charted: they go before what is loaded in bulk.
    pub live: Live,
}

/// Patients that go before others.
#[derive(Debug, Default)]
pub struct Live {
    patients: Mutex<BTreeSet<String>>,
    came: Notify,
}

impl Live {
    /// So many at most: more are a backlog themselves. A hospital has some hundreds of ventilated patients (common
    /// practice, no source), so all of them may be charted for within one pass.
    const MOST: usize = 1_000;

    /// Adds some.
    pub fn add(&self, patients: impl Iterator<Item = String>) {
        let mut all = self.patients.lock().unwrap_or_else(PoisonError::into_inner);
        for patient in patients {
            if all.len() < Self::MOST {
                all.insert(patient);
            }
        }
        self.came.notify_one();
    }

    /// Takes all of them out.
    pub fn take(&self) -> BTreeSet<String> {
        std::mem::take(&mut self.patients.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// Whether there are any.
    pub fn any(&self) -> bool {
        !self.patients.lock().unwrap_or_else(PoisonError::into_inner).is_empty()
    }

    /// Returns when some come.
    pub async fn come(&self) {
        while !self.any() {
            self.came.notified().await;
        }
    }
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

#[cfg(test)]
mod tests {
    use super::Live;

    #[test]
    fn who_goes_first_is_told_once_and_a_crowd_is_no_news() {
        let live = Live::default();
        assert!(!live.any());
        live.add(["a".to_owned(), "b".to_owned(), "a".to_owned()].into_iter());
        assert_eq!(live.take().into_iter().collect::<Vec<_>>(), ["a", "b"]);
        assert!(!live.any() && live.take().is_empty());
        live.add((0..5_000).map(|n| n.to_string()));
        assert_eq!(live.take().len(), Live::MOST);
    }
}
