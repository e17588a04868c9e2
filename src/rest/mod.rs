//! FHIR REST: what clients send and ask.
//!
//! Generic over one table of resource types ([`types`]). A write goes from its bytes to the store in one hop: read as
//! a document, committed with the patient marked, answered when it is durable; what follows from it is the
//! reconciler's, which is only woken here. No rule about care is in this module. In reading order:
//!
//! * [`types`]: what each resource type can be asked, [`parameters`]: what it can be searched by;
//! * `edge`: every request comes in and goes out here: headers, refusals, counting, the way to what answers it;
//! * `access`: who asks, and what they may do; `audit`: what is recorded of it;
//! * `ask`, `body`: what a request says; `answer`, `refused`: what is said back;
//! * `write`, `patch`, `read`, `history`, `search`, `bundle`: the interactions; `subset`: parts of resources; `operations`;
//!   `capability`, `openapi`; `probes`;
//! * `token`: tokens for registered systems;
//! * [`serve`]: connections, their limits and their end.

mod access;
mod answer;
mod ask;
mod audit;
mod body;
mod bundle;
mod capability;
mod cds;
mod edge;
mod history;
mod json;
mod letters;
pub mod limits;
mod metrics;
mod notices;
mod openapi;
mod operations;
pub mod parameters;
mod patch;
mod patience;
mod places;
mod probes;
mod read;
mod refused;
mod search;
mod server;
mod subscriptions;
pub mod subset;
mod table;
mod text;
mod token;
pub mod types;
mod write;

pub use access::unknown_types;
pub use audit::{Auditor, record_page};
pub use metrics::Metrics;
pub use operations::{explanation_json, explanation_text};
pub use server::{Listening, Times, serve, serve_within};
pub use types::types_fed;

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use tokio::sync::Notify;
use tower_http::catch_panic::CatchPanicLayer;

use crate::access::{Door, source_of};
use crate::care::time::Instant;
use crate::clock::Clock;
use crate::config::{Access, Config};
use crate::feed::{Feeds, Notices};
use crate::outward::Outward;
use crate::stays::Stays;
use crate::store::{Batch, Change, Committed, Derived, Followed, Store, StoreError};
use crate::telemetry::{Counters, Deliveries};
use crate::translate::Refusal;
use crate::translate::document::Bases;
use crate::translate::subscription::{self, Subscriber};
use refused::Refused;
use types::Effect;

/// What the interface works with. Cloning gives another handle on the same.
#[derive(Clone, Debug)]
pub struct Rest {
    store: Store,
    stays: Stays,
    feeds: Feeds,
    clock: Clock,
    /// Notified after each commit.
    wake: Arc<Notify>,
    counters: Arc<Counters>,
    /// Notified after each commit that subscribers may be told of.
    told: Arc<Notify>,
    deliveries: Arc<Deliveries>,
    /// Where subscribers may be called.
    subscribers: Arc<Outward>,
    /// Where sources tell by themselves.
    notices: Notices,
    /// Servers that are given what is said.
    places: Arc<[String]>,
    auditor: Auditor,
    metrics: Arc<Metrics>,
    /// The address of `/fhir` as clients call it, without a final slash; none: `http://` and the request's `Host`.
    public_base: Option<Arc<str>>,
    /// Addresses under which references mean this server's documents.
    own_bases: Arc<Bases>,
    /// Who lets in those that are registered; none: everybody may do everything.
    door: Option<Door>,
    /// Counts from 1 to less than this are hidden in reports about many; 0: none.
    smallest: u64,
    body_bytes: usize,
    in_flight_bytes: usize,
    body_time: Duration,
}

impl Rest {
    /// On a store and what follows from it; `wake` is notified after each commit.
    pub fn new(
        store: Store,
        stays: Stays,
        feeds: Feeds,
        clock: Clock,
        wake: Arc<Notify>,
        config: Arc<Config>,
        counters: Arc<Counters>,
    ) -> Self {
        let public_base = config.public_base.as_deref().map(|b| Arc::from(b.trim_end_matches('/')));
        let door = match &config.access {
            Access::Open => None,
            Access::Registered(registry) => Some(Door::new((**registry).clone(), store.clone())),
        };
        let own_bases = Arc::new(stays.site().settings.own_bases.clone());
        let auditor = Auditor::new(store.clone(), config.audit);
        Rest {
            store,
            stays,
            feeds,
            clock,
            wake,
            counters,
            told: Arc::default(),
            deliveries: Arc::default(),
            subscribers: Arc::new(config.subscribers.clone()),
            notices: Notices::default(),
            places: config.deliveries.iter().map(|d| d.server.clone()).collect(),
            auditor,
            metrics: Arc::default(),
            public_base,
            own_bases,
            door,
            smallest: config.reports.suppress_below,
            body_bytes: limits::BODY_BYTES,
            in_flight_bytes: limits::IN_FLIGHT_BYTES,
            body_time: limits::BODY_TIME,
        }
    }

    /// With `notices` taken in.
    #[must_use]
    pub fn receiving(mut self, notices: Notices) -> Self {
        self.notices = notices;
        self
    }

    /// With `told` notified after each commit that subscribers may be told of, and what they have been told.
    pub fn telling(mut self, told: Arc<Notify>, deliveries: Arc<Deliveries>) -> Self {
        self.told = told;
        self.deliveries = deliveries;
        self
    }

    /// Who lets in those that are registered; none where the service is open.
    pub fn door(&self) -> Option<&Door> {
        self.door.as_ref()
    }

    /// The query of the store for what a subscription with these criteria is about: `Type?parameters`, read as a
    /// search is read; `subscriber`: who wrote it, if that is known.
    ///
    /// # Errors
    /// A parameter that is not known for the type, or means nothing where nobody asks; a subscriber that may not, or no
    /// longer, read the type.
    pub fn followed(&self, criteria: &str, subscriber: Option<&Subscriber>) -> Result<Followed, Refusal> {
        let followed = search::followed(self, criteria)?;
        subscriptions::permitted(self.door.as_ref(), subscriber, &followed.query.kind)?;
        Ok(followed)
    }

    /// With other limits on one body, and on all bodies that are held at once.
    pub fn with_limits(mut self, body_bytes: usize, in_flight_bytes: usize) -> Self {
        self.body_bytes = body_bytes;
        self.in_flight_bytes = in_flight_bytes;
        self
    }

    /// With another time for the body of a request to be complete.
    pub fn with_body_time(mut self, time: Duration) -> Self {
        self.body_time = time;
        self
    }

    /// What records what is done.
    pub fn auditor(&self) -> Auditor {
        self.auditor.clone()
    }

    /// What is counted.
    pub fn metrics(&self) -> Arc<Metrics> {
        self.metrics.clone()
    }
}

/// The routes of the interface; whatever else is asked is answered with an OperationOutcome, too.
pub fn router(rest: Rest) -> Router {
    routes(rest, edge::answer)
}

/// The routes for those who run the service: what machines ask that watch over it. Nobody is asked who they are there.
pub fn admin_router(rest: Rest) -> Router {
    routes(rest, edge::answer_admin)
}

fn routes<H, T>(rest: Rest, answer: H) -> Router
where
    H: axum::handler::Handler<T, Arc<edge::Edge>>,
    T: 'static,
{
    let metrics = rest.metrics.clone();
    let edge = Arc::new(edge::Edge::new(rest));
    Router::new().fallback(answer).with_state(edge).layer(CatchPanicLayer::custom(edge::Panicked(metrics)))
}

/// The mark that a batch with new rules leaves, and the one that says they have been taken up.
const RULES_WRITTEN: &str = "rules-written";
const RULES_SETTLED: &str = "rules-settled";

impl Rest {
    /// Has everybody looked at again if rules were written that this was not done for. For the start: a process may
    /// have ended between the two.
    ///
    /// # Errors
    /// Those of the store.
    pub async fn settle_rules(&self) -> Result<(), StoreError> {
        let Some(written) = self.store.mark(RULES_WRITTEN).await? else { return Ok(()) };
        if self.store.mark(RULES_SETTLED).await?.as_ref() == Some(&written) {
            return Ok(());
        }
        self.store.redo(Derived::Keep).await?;
        self.settled(written).await
    }

    async fn settled(&self, written: String) -> Result<(), StoreError> {
        let marks = vec![(RULES_SETTLED.into(), written)];
        self.store.commit(Batch { now_us: self.clock.now().micros(), marks, ..Batch::default() }).await?;
        self.wake.notify_one();
        Ok(())
    }

    /// Takes up rules that were just written: they are read again, and if they mean something else everybody is
    /// looked at again. Rules that cannot be taken up leave those in force that were.
    async fn take_up_rules(&self, written: String) -> Result<(), StoreError> {
        match self.stays.reload().await {
            Ok(()) => self.settled(written).await,
            Err(error) => {
                tracing::error!(error = format!("{error:#}"), "rules were written that cannot be taken up");
                Ok(())
            }
        }
    }

    /// Commits what clients wrote with who did so, counts it and wakes the reconciler.
    async fn commit(&self, act: &audit::Act, mut batch: Batch) -> Result<Committed, StoreError> {
        let now_us = batch.now_us;
        batch.audits.push(act.of_writes());
        let subscriber = act.subscriber();
        subscriptions::mark_subscribers(&mut batch, &subscriber);
        let rules =
            batch.writes.iter().any(|w| types::kind(&w.kind).is_some_and(|k| k.effect == Effect::Rules));
        let tells = batch.writes.iter().any(|w| subscription::concerns(&w.kind));
        let source = subscriber.client.as_deref().and_then(source_of);
        // a backlog is no news of one patient: it comes in pieces of hundreds, or from a source that is behind
        let is_live = batch.writes.len() <= limits::LIVE_WRITES
            && !source.is_some_and(|source| self.feeds.is_catching_up(source, Instant::from_micros(now_us)));
        let live: BTreeSet<String> = match is_live {
            true => batch.writes.iter().filter_map(|write| write.patient.clone()).collect(),
            false => BTreeSet::new(),
        };
        // its own text each time: two commits of one instant are two
        let rules = rules.then(|| format!("{now_us} {}", uuid::Uuid::new_v4()));
        if let Some(written) = &rules {
            batch.marks.push((RULES_WRITTEN.into(), written.clone()));
        }
        let committed = match self.store.commit(batch).await {
            Ok(committed) => committed,
            Err(error) => {
                self.metrics.failed(&error, now_us);
                return Err(error);
            }
        };
        act.has_written();
        self.counters
            .ingested
            .fetch_add(committed.written.len() as u64, std::sync::atomic::Ordering::Relaxed);
        self.metrics.committed();
        self.count(&committed);
        if !live.is_empty() {
            self.counters.live.add(live.into_iter());
        }
        self.wake.notify_one();
        if tells {
            self.told.notify_one();
        }
        if let Some(written) = rules {
            self.take_up_rules(written).await?;
        }
        Ok(committed)
    }

    fn count(&self, committed: &Committed) {
        let mut same: Option<(&str, u64)> = None;
        for written in committed.written.iter().filter(|w| w.change != Change::Unchanged) {
            same = match same {
                Some((kind, many)) if kind == written.kind => Some((kind, many + 1)),
                before => {
                    self.add(before);
                    Some((&written.kind, 1))
                }
            };
        }
        self.add(same);
    }

    fn add(&self, counted: Option<(&str, u64)>) {
        if let Some((kind, many)) = counted.and_then(|(k, n)| types::kind(k).map(|k| (k, n))) {
            self.metrics.ingested(kind, many);
        }
    }
}

/// What answers a request, or refuses it.
type Outcome = Result<answer::Answer, Refused>;
