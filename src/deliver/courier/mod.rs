//! Other FHIR servers are given what this service says: its Tasks are put where nurses look.
//!
//! What has changed is noted as wanted at the place, in the order of the store, with the position up to which that is done;
//! then each document is written as it is at last, however often it has changed meanwhile. Documents of one stay are
//! written one after the other, an issue before the Task that refers to it; stays do not wait for each other. What people
//! make of a Task there comes back and is taken in through the interface itself, as if they had done it here.
//!
//! # Guarantees
//! - Nothing that is said is left out, whatever ends the process: it is noted with the position, and waits until the
//!   place has taken it or refused it for good; then it is a dead letter.
//! - Nothing is there twice: a document has one id there, or one identifier where the place gives ids of its own; what may
//!   have arrived though no answer did is read before it is written again.
//! - What a person set there is not overwritten: a document is written only over the version that was read, and after
//!   another one was, both are brought together ([`merged`](crate::translate::outcomes::merged)).
//! - A place that does not answer is left alone for longer and longer, and asked for one document before all others.

mod back;
mod errand;
mod there;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use axum::Router;
use tokio::sync::watch;
use tokio::task::{Id, JoinSet};

use self::errand::{Came, Errand};
use super::limits;
use crate::care::time::Instant;
use crate::clock::Clock;
use crate::config::Delivery as Settings;
use crate::outward::{Server, jitter_us};
use crate::store::{Among, Batch, Document, Order, OutcomeQuery, Parcel, Query, Step, Store, StoreError};

/// Writes to one server.
#[derive(Debug)]
pub struct Courier {
    parts: Arc<Parts>,
    settings: Settings,
}

/// What every errand needs.
#[derive(Debug)]
struct Parts {
    server: Server,
    store: Store,
    /// The interface itself, for what comes back.
    fhir: Router,
    clock: Clock,
    /// Whether the server gives ids of its own, as configured or as it has turned out.
    gives_ids: AtomicBool,
    /// When this process began, in microseconds: what waited before may have been sent by another.
    began_us: i64,
}

/// What goes on.
struct Board {
    errands: JoinSet<Result<Came, StoreError>>,
    /// Lanes in which one is under way; none: what comes back is looked for.
    under_way: BTreeMap<Id, Option<String>>,
    /// Failures of the place in a row.
    failures: u32,
    /// Failures of documents in a row, with no success between.
    refusing: u32,
    /// The place is left alone until then, in microseconds.
    rests_until_us: i64,
    /// When it is next looked for what comes back.
    back_us: Option<i64>,
}

impl Parts {
    fn place(&self) -> &str {
        self.server.name()
    }

    fn mark(&self, what: &str) -> String {
        format!("deliver.{}.{what}", self.server.name())
    }

    fn parcel(&self, document: &Document) -> Parcel {
        let Document { kind, id, .. } = document;
        Parcel { place: self.place().to_owned(), kind: kind.clone(), id: id.clone() }
    }
}

impl Courier {
    /// To `server`; `fhir` is the interface itself.
    pub fn new(settings: Settings, server: Server, store: Store, fhir: Router, clock: Clock) -> Self {
        let gives_ids = AtomicBool::new(settings.gives_ids);
        let began_us = clock.now().micros();
        let parts = Parts { server, store, fhir, clock, gives_ids, began_us };
        Courier { parts: Arc::new(parts), settings }
    }

    /// Runs until `stop` says so; what is under way then is done again by the next process. Ends early only if the store
    /// can no longer be trusted.
    ///
    /// # Errors
    /// The store's `Fatal`.
    pub async fn run(self, mut stop: watch::Receiver<bool>) -> Result<(), StoreError> {
        let mut changed = self.parts.store.changed();
        let mut board = Board {
            errands: JoinSet::new(),
            under_way: BTreeMap::new(),
            failures: 0,
            refusing: 0,
            rests_until_us: i64::MIN,
            back_us: (self.settings.changes_seconds > 0).then_some(i64::MIN),
        };
        while !*stop.borrow() {
            changed.borrow_and_update();
            let until_us = match self.turn(&mut board).await {
                Ok(until_us) => until_us,
                Err(error) => {
                    super::pause(error).await?;
                    continue;
                }
            };
            let until = until_us.map(Instant::from_micros);
            tokio::select! {
                Some(ended) = board.errands.join_next_with_id() => {
                    if let Err(error) = self.end(&mut board, ended) {
                        super::pause(error).await?;
                    }
                }
                () = self.parts.clock.sleep_until(until) => {}
                changed = changed.changed() => match changed {
                    // commits come in swarms
                    Ok(()) => tokio::time::sleep(limits::SWARM).await,
                    Err(_) => return Ok(()),
                },
                _ = stop.changed() => {}
            }
        }
        Ok(())
    }

    /// Notes what has changed and begins what can be; returns when there is more to do.
    async fn turn(&self, board: &mut Board) -> Result<Option<i64>, StoreError> {
        for kind in &self.settings.types {
            self.note(kind).await?;
        }
        let now_us = self.parts.clock.now().micros();
        if now_us < board.rests_until_us {
            return Ok(Some(board.rests_until_us));
        }
        // one document tells whether a place is back
        let most = if board.failures > 0 { 1 } else { limits::LANES };
        // a look and the errands wait for each other: what one of them finds the other must not have changed meanwhile
        let is_looking = board.under_way.values().any(Option::is_none);
        let looks = board.failures == 0 && board.back_us.is_some_and(|at| at <= now_us);
        let free = if looks || is_looking { 0 } else { most.saturating_sub(board.under_way.len()) };
        let (store, place) = (&self.parts.store, self.parts.place());
        if free > 0 {
            let asked = free + board.under_way.len();
            let due = store.deliveries_due(place, now_us, asked).await?;
            let lanes: Vec<Option<String>> = board.under_way.values().cloned().collect();
            let due = due.into_iter().filter(|d| !lanes.contains(&Some(d.lane.clone())));
            for delivery in due.take(free) {
                let lane = Some(delivery.lane.clone());
                let errand = Errand::new(self.parts.clone(), delivery, now_us);
                let handle = board.errands.spawn(errand.run());
                board.under_way.insert(handle.id(), lane);
            }
        }
        if looks && board.under_way.is_empty() {
            board.back_us = Some(now_us.saturating_add(self.looks_every_us()));
            let handle = board.errands.spawn(back::changes(self.parts.clone(), now_us));
            board.under_way.insert(handle.id(), None);
        }
        let next = store.next_delivery(place, now_us).await?;
        Ok(next.into_iter().chain(board.back_us.filter(|at| *at > now_us)).min())
    }

    /// Notes what of a type has changed as wanted; at the very first, what is still open.
    async fn note(&self, kind: &str) -> Result<(), StoreError> {
        let Parts { store, clock, .. } = &*self.parts;
        let mark = self.parts.mark(kind);
        let position = store.mark(&mark).await?.and_then(|text| text.parse::<i64>().ok());
        let open = if position.is_none() { Some(true) } else { None };
        let (mut after, mut as_of) = (position, None);
        loop {
            let among = Among::Outcomes(OutcomeQuery { open, ..OutcomeQuery::default() });
            let (kind, order, limit) = (kind.to_owned().into(), Order::OldestFirst, limits::NOTED);
            let page = store.search(Query { kind, among, after, order, limit, ..Query::default() }).await?;
            as_of = as_of.or(Some(page.as_of));
            let Some(last) = page.documents.last() else { break };
            after = Some(last.place);
            let wanted = page.documents.iter().map(|row| {
                let document = &row.document;
                let own = || format!("{}/{}", document.kind, document.id);
                let lane = document.encounter.clone().or(document.patient.clone()).unwrap_or_else(own);
                (self.parts.parcel(document), Step::Wanted { lane, seq: document.seq })
            });
            let deliveries = wanted.collect();
            let marks = match position {
                Some(_) => vec![(mark.clone().into(), last.place.to_string())],
                None => Vec::new(),
            };
            let now_us = clock.now().micros();
            store.commit(Batch { now_us, deliveries, marks, ..Batch::default() }).await?;
            fail::fail_point!("deliver-noted", |_| std::process::abort());
        }
        if position.is_none() {
            let marks = vec![(mark.into(), as_of.unwrap_or(0).to_string())];
            store.commit(Batch { now_us: clock.now().micros(), marks, ..Batch::default() }).await?;
        }
        Ok(())
    }

    fn looks_every_us(&self) -> i64 {
        i64::from(self.settings.changes_seconds) * 1_000_000
    }

    /// Takes in how an errand or a look ended.
    fn end(
        &self,
        board: &mut Board,
        ended: Result<(Id, Result<Came, StoreError>), tokio::task::JoinError>,
    ) -> Result<(), StoreError> {
        let place = self.parts.place();
        let (id, came) = match ended {
            Ok((id, came)) => (id, came),
            Err(error) => {
                tracing::error!(place, "writing to a server was given up because the code panicked");
                (error.id(), Ok(Came::Stuck))
            }
        };
        let lane = board.under_way.remove(&id);
        let now_us = self.parts.clock.now().micros();
        if lane == Some(None) {
            // from its end on: however long a look takes, there is time for errands after it
            board.back_us = Some(now_us.saturating_add(self.looks_every_us()));
        }
        match came? {
            Came::Nothing => {}
            Came::Done => (board.failures, board.refusing) = (0, 0),
            Came::Stuck => {
                board.refusing = board.refusing.saturating_add(1);
                if board.refusing > limits::STUCK {
                    let pause_us = jitter_us(board.refusing - limits::STUCK);
                    board.rests_until_us = board.rests_until_us.max(now_us + pause_us);
                }
            }
            Came::Away { why, pause_us } => {
                board.failures = board.failures.saturating_add(1);
                let pause_us = jitter_us(board.failures).max(pause_us.unwrap_or(0));
                board.rests_until_us = board.rests_until_us.max(now_us.saturating_add(pause_us));
                tracing::warn!(
                    place,
                    failures = board.failures,
                    why,
                    "a server is not written to for a while"
                );
            }
        }
        Ok(())
    }
}
