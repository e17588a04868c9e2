//! What is known of one subscription between two steps: when it is its turn again.

use super::call::Failure;
use super::step::{Came, Turn};
use super::{Began, limits};
use crate::store::Document;
use crate::translate::subscription::{Hook, Progress, Subscriber, hook};

/// One subscription. Each has its own turn and its own pauses: one that fails holds up no other.
pub(super) struct Line {
    /// The version of the Subscription that is served, with its bytes.
    pub(super) document: Document,
    /// What it asks for; none: what was let in once cannot be served by this version of the service.
    hook: Option<Hook>,
    /// How far it has been told; none: not begun.
    pub(super) progress: Option<Progress>,
    /// Who wrote it, if that is known.
    subscriber: Option<Subscriber>,
    /// Failures in a row.
    pub(super) tries: u32,
    /// Documents that wait for it, as far as they were counted.
    pub(super) waiting: usize,
    /// There are more subscriptions than are served.
    pub(super) surplus: bool,
    /// A step is under way.
    pub(super) busy: bool,
    /// Its Subscription was written while a step was under way.
    pub(super) outdated: bool,
    /// When it was last told anything, in microseconds.
    told_us: i64,
    /// Up to which signal everything was told.
    heard: u64,
    /// Not before, in microseconds.
    not_before_us: i64,
}

impl Line {
    pub(super) fn new(
        document: Document,
        progress: Option<Progress>,
        subscriber: Option<Subscriber>,
        surplus: bool,
        now_us: i64,
    ) -> Self {
        let hook = match hook(document.body.as_deref().unwrap_or_default()) {
            Ok(hook) => Some(hook),
            Err(refusals) => {
                let path = refusals.first().map(|r| r.path.as_str());
                tracing::error!(subscription = document.id, path, "a stored Subscription cannot be served");
                None
            }
        };
        Line {
            document,
            hook,
            progress,
            subscriber,
            tries: 0,
            waiting: 0,
            surplus,
            busy: false,
            outdated: false,
            told_us: now_us,
            heard: 0,
            not_before_us: i64::MIN,
        }
    }

    /// Its step, if it is its turn; `signals` have come so far.
    pub(super) fn turn(&self, signals: u64, now_us: i64) -> Option<Turn> {
        let wakes = self.wakes_us().is_some_and(|at| at <= now_us);
        let due = !self.busy && (self.heard < signals || wakes) && self.not_before_us <= now_us;
        let hook = self.hook.clone().filter(|_| due)?;
        Some(Turn {
            document: self.document.clone(),
            hook,
            progress: self.progress.clone(),
            subscriber: self.subscriber.clone(),
            tries: self.tries,
            beats: self.beats_us().is_some_and(|at| at <= now_us),
            surplus: self.surplus,
            numbered: None,
            taken: None,
            now_us,
        })
    }

    /// When it is its turn though no signal comes, in microseconds.
    pub(super) fn next_us(&self, signals: u64) -> Option<i64> {
        if self.busy || self.hook.is_none() {
            return None;
        }
        let retry = (self.heard < signals).then_some(self.not_before_us);
        let wakes = self.wakes_us().map(|at| at.max(self.not_before_us));
        retry.into_iter().chain(wakes).min()
    }

    /// When it wants something though nothing has changed: a heartbeat, or its end.
    fn wakes_us(&self) -> Option<i64> {
        let end = self.hook.as_ref().and_then(|h| h.end_us);
        self.beats_us().into_iter().chain(end).min()
    }

    fn beats_us(&self) -> Option<i64> {
        let period = self.hook.as_ref()?.heartbeat_s?;
        Some(self.told_us.saturating_add(i64::from(period) * 1_000_000))
    }

    /// Takes in what a step came to.
    pub(super) fn take(&mut self, came: Came, began: Began, now_us: i64) {
        self.busy = false;
        match came {
            Came::Idle(progress) => {
                self.progress = Some(progress);
                self.heard = began.signals;
                self.rest();
            }
            Came::More(progress) => {
                self.progress = Some(progress);
                self.told_us = began.at_us;
                self.rest();
            }
            Came::Further(progress) => {
                self.progress = Some(progress);
                self.rest();
            }
            // it is read again, as another line
            Came::Changed => self.heard = began.signals,
            Came::Failed { progress, failure, waiting } => {
                self.progress = Some(progress);
                self.waiting = waiting;
                self.tries = self.tries.saturating_add(1);
                self.not_before_us = now_us.saturating_add(pause_us(&failure, self.tries));
            }
        }
    }

    /// A step did not come to an end.
    pub(super) fn failed(&mut self, now_us: i64) {
        self.busy = false;
        self.tries = self.tries.saturating_add(1);
        let failure = Failure::Later { why: String::new(), after_us: None };
        self.not_before_us = now_us.saturating_add(pause_us(&failure, self.tries));
    }

    fn rest(&mut self) {
        self.tries = 0;
        self.waiting = 0;
        self.not_before_us = i64::MIN;
    }
}

/// How long to wait after so many failures in a row.
fn pause_us(failure: &Failure, tries: u32) -> i64 {
    let doubled = limits::FIRST_PAUSE_US << tries.saturating_sub(1).min(20);
    // by lot between nothing and the whole, so that those who failed together do not come back together
    let drawn = fastrand::i64(0..=doubled.min(limits::LONGEST_PAUSE_US)).max(limits::SHORTEST_PAUSE_US);
    match failure {
        Failure::Later { after_us: Some(asked), .. } => drawn.max(*asked),
        Failure::Denied { .. } => drawn.max(limits::DENIED_PAUSE_US),
        Failure::Later { after_us: None, .. } | Failure::Refused { .. } | Failure::Never { .. } => drawn,
    }
}
