//! The one place that asks what time it is.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, SystemTime};

use tokio::sync::watch;

use crate::care::time::Instant;

/// The longest sleep before the clock is read again: a suspended machine or a corrected clock costs at most this.
pub const LONGEST_SLEEP: Duration = Duration::from_secs(60);

/// The machine's clock, or one that is set by hand (tests, the demo's fast clock). Cheap to clone.
#[derive(Clone, Debug)]
pub struct Clock(Kind);

#[derive(Clone, Debug)]
enum Kind {
    Machine {
        /// Microseconds added to the machine's time.
        ahead_us: Arc<AtomicI64>,
    },
    Settable(Arc<watch::Sender<Instant>>),
}

impl Clock {
    /// The machine's clock.
    pub fn machine() -> Self {
        Clock(Kind::Machine { ahead_us: Arc::default() })
    }

    /// The machine's clock, shifted so that it shows `now` now.
    pub fn machine_showing(now: Instant) -> Self {
        let ahead = now.micros() - machine_us();
        Clock(Kind::Machine { ahead_us: Arc::new(AtomicI64::new(ahead)) })
    }

    /// A clock that stands at `now` until it is set.
    pub fn settable(now: Instant) -> Self {
        Clock(Kind::Settable(Arc::new(watch::Sender::new(now))))
    }

    /// What time it is.
    pub fn now(&self) -> Instant {
        match &self.0 {
            Kind::Machine { ahead_us } => {
                Instant::from_micros(machine_us() + ahead_us.load(Ordering::Relaxed))
            }
            Kind::Settable(now) => *now.borrow(),
        }
    }

    /// Sets a settable clock; the machine's clock is shifted.
    pub fn set(&self, to: Instant) {
        match &self.0 {
            Kind::Machine { ahead_us } => ahead_us.store(to.micros() - machine_us(), Ordering::Relaxed),
            Kind::Settable(now) => {
                now.send_replace(to);
            }
        }
    }

    /// Returns at `until` and not before, however far off it is.
    pub async fn wait_until(&self, until: Instant) {
        while self.now() < until {
            self.sleep_until(Some(until)).await;
        }
    }

    /// Returns at `until` (none: after [`LONGEST_SLEEP`]), or earlier: when the clock was set, or after
    /// [`LONGEST_SLEEP`]. Read the clock again afterwards.
    pub async fn sleep_until(&self, until: Option<Instant>) {
        match &self.0 {
            Kind::Machine { .. } => {
                let left = until.map_or(i64::MAX, |u| (u.micros() - self.now().micros()).max(0));
                let left = Duration::from_micros(left.unsigned_abs());
                tokio::time::sleep(left.min(LONGEST_SLEEP)).await;
            }
            Kind::Settable(now) => {
                let mut changes = now.subscribe();
                if until.is_some_and(|u| *changes.borrow_and_update() >= u) {
                    return;
                }
                // an error means that the clock is gone, and whoever sleeps with it
                let _ = tokio::time::timeout(LONGEST_SLEEP, changes.changed()).await;
            }
        }
    }
}

#[allow(clippy::disallowed_methods, reason = "this is the place")]
fn machine_us() -> i64 {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::Clock;
    use crate::care::time::{Instant, Length};

    #[tokio::test]
    async fn whoever_waits_is_not_woken_before_the_time_by_a_clock_that_is_set() {
        let begun = Instant::from_micros(0);
        let clock = Clock::settable(begun);
        let waits = clock.clone();
        let waiting = tokio::spawn(async move { waits.wait_until(begun + Length::minutes(60)).await });
        for minutes in [1, 30, 59] {
            tokio::task::yield_now().await;
            clock.set(begun + Length::minutes(minutes));
            for _ in 0..10 {
                tokio::task::yield_now().await;
            }
            assert!(!waiting.is_finished(), "after {minutes} minutes");
        }
        clock.set(begun + Length::minutes(60));
        waiting.await.unwrap();
    }
}
