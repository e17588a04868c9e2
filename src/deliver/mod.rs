//! Subscribers are told what this service has said: Tasks, DetectedIssues, MeasureReports.
//!
//! Told that something has changed, never what: for each subscription the documents that fit its criteria and have
//! changed since its position are read, sent, and the position is moved. The changes are those of the store, in its
//! order; a document that changes often is told as it is at last.
//!
//! # Guarantees
//! - Nothing that still is so is left out, whatever ends the process: the position moves after the subscriber has
//!   taken it. After an end at the wrong moment something may be told twice; what is numbered keeps its number.
//! - A subscriber that fails holds up no other: each has its own turn, pauses and end.
//! - Before each call it is asked whether the Subscription still stands as it was read, and whether who wrote it may still
//!   read what it is told: whoever was struck from the configuration is told no more. What is turned off is forgotten with
//!   that write, and a step that was under way then stores no position, only that it has told.
//! - Only addresses that the configuration allows are called ([`crate::outward`]).
//!
//! # Not guaranteed
//! - As in R4, nobody is told of a deletion, or of a document that no longer fits.

mod call;
mod courier;
mod limits;
mod line;
mod step;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::Ordering;

use chrono::{DateTime, SecondsFormat};
use fhir_models::codes::SubscriptionStatus;
use fhir_models::json;
use tokio::sync::{Notify, watch};
use tokio::task::{Id, JoinError, JoinSet};

pub use self::courier::Courier;
use self::line::Line;
use self::step::Came;
use crate::care::time::Instant;
use crate::clock::Clock;
use crate::outward::{self, Outward};
use crate::store::{Among, Document, Followed, OutcomeQuery, Query, Store, StoreError};
use crate::telemetry::Deliveries;
use crate::translate::Refusal;
use crate::translate::subscription::{Progress, Subscriber, mark, subscriber_mark};

/// Reads the criteria of a subscription as those of a search are read, and refuses a subscriber that may not be told.
pub type Follows = Arc<dyn Fn(&str, Option<&Subscriber>) -> Result<Followed, Refusal> + Send + Sync>;

/// Tells subscribers.
pub struct Deliverer {
    parts: Arc<Parts>,
    clock: Clock,
    wake: Arc<Notify>,
}

/// What every step needs.
struct Parts {
    store: Store,
    client: reqwest::Client,
    outward: Arc<Outward>,
    follows: Follows,
    /// The address of `/fhir` as subscribers know it, without a final slash.
    base: String,
    deliveries: Arc<Deliveries>,
}

/// Steps under way.
type Steps = JoinSet<Ended>;

/// How a step ended.
type Ended = (Began, Result<Came, StoreError>);

/// When a step began.
#[derive(Clone, Copy)]
struct Began {
    /// How many signals had come.
    signals: u64,
    /// In microseconds.
    at_us: i64,
}

/// The subscriptions that are served.
struct Board {
    lines: BTreeMap<String, Line>,
    steps: Steps,
    under_way: BTreeMap<String, Id>,
    /// How often something may have changed.
    signals: u64,
    /// A Subscription may have been written.
    stale: bool,
}

impl Deliverer {
    /// On a store; `wake` is notified after each commit that subscribers may be told of.
    ///
    /// # Errors
    /// TLS cannot be set up on this machine.
    pub fn new(
        store: Store,
        outward: Arc<Outward>,
        follows: Follows,
        base: String,
        clock: Clock,
        wake: Arc<Notify>,
        deliveries: Arc<Deliveries>,
    ) -> Result<Self, reqwest::Error> {
        let client = outward::client(outward.clone())?;
        let parts = Arc::new(Parts { store, client, outward, follows, base, deliveries });
        Ok(Deliverer { parts, clock, wake })
    }

    /// Runs until `stop` says so; calls under way are given up and made again by the next process. Ends early only if
    /// the store can no longer be trusted.
    ///
    /// # Errors
    /// The store's `Fatal`.
    pub async fn run(self, mut stop: watch::Receiver<bool>) -> Result<(), StoreError> {
        let mut board = Board {
            lines: BTreeMap::new(),
            steps: JoinSet::new(),
            under_way: BTreeMap::new(),
            signals: 1,
            stale: true,
        };
        while !*stop.borrow() {
            let now_us = self.clock.now().micros();
            if board.stale {
                board.stale = false;
                if let Err(error) = self.look(&mut board, now_us).await {
                    board.stale = true;
                    pause(error).await?;
                    continue;
                }
            }
            self.begin_steps(&mut board, now_us);
            self.parts.show(&board);
            let until = board.lines.values().filter_map(|l| l.next_us(board.signals)).min();
            tokio::select! {
                () = self.wake.notified() => board.signal(),
                () = self.clock.sleep_until(until.map(Instant::from_micros)) => {
                    // after a long sleep, or with the clock set, who knows what others have written
                    if until.is_none_or(|until| self.clock.now().micros() < until) {
                        board.signal();
                    }
                }
                Some(ended) = board.steps.join_next_with_id() => {
                    board.end_step(ended, self.clock.now().micros()).await?;
                }
                _ = stop.changed() => {}
            }
        }
        Ok(())
    }

    /// Reads which subscriptions are to be served.
    async fn look(&self, board: &mut Board, now_us: i64) -> Result<(), StoreError> {
        let wanted = [SubscriptionStatus::Requested, SubscriptionStatus::Active].map(|s| s.to_string());
        let query = Query {
            kind: "Subscription".into(),
            among: Among::Outcomes(OutcomeQuery { status: wanted.into(), ..OutcomeQuery::default() }),
            limit: 2 * limits::SUBSCRIPTIONS,
            ..Query::default()
        };
        let listed = self.parts.store.search(query).await?.documents;
        let documents: Vec<Document> = listed.into_iter().map(|row| row.document).collect();
        // how far they were told is forgotten with the write that ended them
        board.lines.retain(|id, _| documents.iter().any(|d| d.id == *id));
        for (index, document) in documents.into_iter().enumerate() {
            let surplus = index >= limits::SUBSCRIPTIONS;
            match board.lines.get_mut(&document.id) {
                Some(line) if line.document.seq == document.seq => line.surplus = surplus,
                Some(line) if line.busy => {
                    // its step ends with what it began; then it is read again
                    line.outdated = true;
                }
                _ => {
                    let stored = self.parts.store.mark(&mark(&document.id)).await?;
                    let progress = stored.as_deref().and_then(Progress::read);
                    let subscriber = self.parts.store.mark(&subscriber_mark(&document.id)).await?;
                    let subscriber = subscriber.as_deref().and_then(Subscriber::read);
                    let line = Line::new(document, progress, subscriber, surplus, now_us);
                    board.lines.insert(line.document.id.clone(), line);
                }
            }
        }
        Ok(())
    }

    fn begin_steps(&self, board: &mut Board, now_us: i64) {
        let began = Began { signals: board.signals, at_us: now_us };
        for (id, line) in &mut board.lines {
            let Some(turn) = line.turn(began.signals, now_us) else { continue };
            line.busy = true;
            let parts = self.parts.clone();
            let step = board.steps.spawn(async move { (began, turn.step(&parts).await) });
            board.under_way.insert(id.clone(), step.id());
        }
    }
}

impl Board {
    fn signal(&mut self) {
        self.signals += 1;
        self.stale = true;
    }

    /// Takes in how a step ended.
    async fn end_step(
        &mut self,
        ended: Result<(Id, Ended), JoinError>,
        now_us: i64,
    ) -> Result<(), StoreError> {
        let (step, came) = match ended {
            Ok((step, (began, came))) => (step, Some((began, came))),
            Err(error) => {
                tracing::error!("telling a subscriber was given up because the code panicked");
                (error.id(), None)
            }
        };
        let id = self.under_way.iter().find(|(_, at)| **at == step).map(|(id, _)| id.clone());
        let Some(id) = id else { return Ok(()) };
        self.under_way.remove(&id);
        let Some(line) = self.lines.get_mut(&id) else { return Ok(()) };
        self.stale |= line.outdated;
        match came {
            Some((began, Ok(came))) => {
                self.stale |= matches!(came, Came::Changed);
                line.take(came, began, now_us);
            }
            Some((_, Err(error))) => {
                line.failed(now_us);
                pause(error).await?;
            }
            None => line.failed(now_us),
        }
        Ok(())
    }
}

/// Waits after the store did not answer.
///
/// # Errors
/// It never will.
async fn pause(error: StoreError) -> Result<(), StoreError> {
    if matches!(error, StoreError::Fatal(_) | StoreError::Closed) {
        return Err(error);
    }
    tracing::error!(%error, "telling subscribers paused: the store did not answer");
    tokio::time::sleep(limits::STORE_PAUSE).await;
    Ok(())
}

impl Parts {
    /// A document as it is served; none for a deletion.
    fn served(&self, document: &Document) -> Option<Vec<u8>> {
        let at = DateTime::from_timestamp_micros(document.received_us).unwrap_or_default();
        let at = at.to_rfc3339_opts(SecondsFormat::Micros, true);
        let body = document.body.as_deref()?;
        json::with_id_and_meta(body, &document.id, &document.version.to_string(), &at).ok()
    }

    fn counted(&self, taken: bool) {
        let counter = if taken { &self.deliveries.taken } else { &self.deliveries.failed };
        counter.fetch_add(1, Ordering::Relaxed);
    }

    fn passed_over(&self, id: &str, events: usize) {
        tracing::error!(
            subscription = id,
            events,
            "a subscriber refused a notification again and again: passed over"
        );
        self.deliveries.passed_over.fetch_add(events as u64, Ordering::Relaxed);
    }

    /// What the metrics say of the present.
    fn show(&self, board: &Board) {
        let failing = board.lines.values().filter(|l| l.tries > 0);
        let since = failing.clone().filter_map(|l| l.progress.as_ref()?.failing_since_us).min();
        let tries = failing.clone().map(|l| l.tries).max().unwrap_or(0);
        let waiting: usize = board.lines.values().map(|l| l.waiting).sum();
        self.deliveries.served.store(board.lines.len() as u64, Ordering::Relaxed);
        self.deliveries.failing.store(failing.count() as u64, Ordering::Relaxed);
        self.deliveries.tries.store(tries.into(), Ordering::Relaxed);
        self.deliveries.waiting.store(waiting as u64, Ordering::Relaxed);
        self.deliveries.failing_since_us.store(since.unwrap_or(i64::MAX), Ordering::Relaxed);
    }
}

impl std::fmt::Debug for Deliverer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Deliverer").field("base", &self.parts.base).finish_non_exhaustive()
    }
}
