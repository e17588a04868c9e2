//! Sources that are read from by searching them for what has changed.
//!
//! Each type has its own place, the latest time of change that has been taken in; a round asks for what was changed since
//! a little before it. Pages are cut by that time, not by a server's page links, wherever the answer is sorted by it: then
//! nothing is skipped when documents change while pages are read. What is read again has no effect. A round in which
//! every type was read whole is the source's word that it has told everything up to when the round began.
//!
//! R4's search does not tell of deletions: `deletions` has histories asked for them.

use std::sync::Arc;

use tokio::sync::{Notify, watch};

use super::intake::{Intake, NotNow, Told};
use super::{Feeds, limits};
use crate::care::time::{Instant, Length};
use crate::clock::Clock;
use crate::config::{Poll, Source};
use crate::outward::{Failure, Page, Request, Server, jitter_us};
use crate::store::{Batch, Heartbeat, Store, StoreError};

/// Reads from one source.
#[derive(Clone, Debug)]
pub struct Poller {
    source: String,
    poll: Poll,
    server: Server,
    intake: Intake,
    store: Store,
    feeds: Feeds,
    clock: Clock,
    wake: Arc<Notify>,
}

/// Why a round did not come to its end.
struct Trouble {
    why: String,
    /// When the server wants to be asked again, in microseconds from now.
    pause_us: Option<i64>,
}

impl Trouble {
    fn new(why: impl Into<String>) -> Self {
        Trouble { why: why.into(), pause_us: None }
    }
}

impl From<NotNow> for Trouble {
    fn from(NotNow(why): NotNow) -> Self {
        Trouble::new(why)
    }
}

impl From<StoreError> for Trouble {
    fn from(error: StoreError) -> Self {
        Trouble::new(error.to_string())
    }
}

impl From<Failure> for Trouble {
    fn from(failure: Failure) -> Self {
        Trouble::new(failure.to_string())
    }
}

impl Poller {
    /// Of a source that is polled; none for others, and for one whose server is not configured.
    pub fn new(
        source: &Source,
        server: impl Fn(&str) -> Option<Server>,
        fhir: axum::Router,
        (store, feeds, clock, wake): (Store, Feeds, Clock, Arc<Notify>),
    ) -> Option<Self> {
        let poll = source.poll.clone()?;
        let server = server(&poll.server)?;
        let intake = Intake::new(fhir, store.clone(), clock.clone());
        Some(Poller { source: source.name.clone(), poll, server, intake, store, feeds, clock, wake })
    }

    /// Reads again and again until `stop` says so.
    pub async fn run(self, mut stop: watch::Receiver<bool>) {
        let mut tries = 0_u32;
        while !*stop.borrow() {
            let began = self.clock.now();
            let came = tokio::select! {
                came = self.round(began) => came,
                _ = stop.changed() => return,
            };
            let now = self.clock.now();
            let pause_us = match came {
                Ok(taken) => {
                    if tries > 0 {
                        tracing::info!(source = self.source, tries, "the source is read again");
                    }
                    tries = 0;
                    self.feeds.polled(&self.source, now, Ok(taken));
                    i64::from(self.poll.every_seconds) * 1_000_000
                }
                Err(Trouble { why, pause_us }) => {
                    tries = tries.saturating_add(1);
                    tracing::warn!(source = self.source, tries, why, "the source could not be read");
                    self.feeds.polled(&self.source, now, Err(why));
                    pause_us.unwrap_or_else(|| jitter_us(tries))
                }
            };
            tokio::select! {
                () = self.clock.sleep_until(Some(now + Length::micros(pause_us))) => {}
                _ = stop.changed() => return,
            }
        }
    }

    /// Reads every type once; returns how many documents were new or changed.
    async fn round(&self, began: Instant) -> Result<usize, Trouble> {
        let mut taken = 0;
        let mut trouble = None;
        for kind in &self.poll.types {
            match self.of_kind(kind).await {
                Ok(some) => taken += some,
                // what is wrong with one type holds up no other, but then not everything has been told
                Err(Trouble { why, pause_us }) => {
                    trouble.get_or_insert(Trouble { why: format!("{kind}: {why}"), pause_us });
                }
            }
        }
        if let Some(trouble) = trouble {
            return Err(trouble);
        }
        let heartbeat = Some(Heartbeat { source: self.source.clone(), us: began.micros(), cursor: None });
        let now_us = self.clock.now().micros();
        self.store.commit(Batch { now_us, heartbeat, ..Batch::default() }).await?;
        self.feeds.heard(&self.source, began);
        self.wake.notify_one();
        Ok(taken)
    }

    fn place(&self, kind: &str) -> String {
        format!("poll.{}.{kind}", self.source)
    }

    async fn of_kind(&self, kind: &str) -> Result<usize, Trouble> {
        let place = self.store.mark(&self.place(kind)).await?.and_then(|text| text.parse::<i64>().ok());
        let overlap_us = i64::from(self.poll.overlap_seconds) * 1_000_000;
        let first = self.poll.since.as_deref().and_then(fhir_models::primitive::Point::read);
        let first_us = first.and_then(|point| point.instant_us());
        let mut since_us = place.map(|us| us.saturating_sub(overlap_us)).or(first_us);
        let began_us = since_us;
        let (mut to, mut latest_us, mut taken) = (self.query(kind, since_us), place, 0);
        for _ in 0..limits::PAGES {
            let page = self.page(&to).await?;
            let next = page.next();
            let told: Vec<Told> = page.found().map(Told::Document).collect();
            let changed: Vec<Option<i64>> = told.iter().map(Told::changed_us).collect();
            taken += self.intake.take(&self.source, &told).await?;
            let last_us = changed.iter().flatten().max().copied();
            latest_us = latest_us.max(last_us);
            let sorted = changed.is_sorted() && changed.iter().all(Option::is_some);
            // some servers cut a page short and do not say so
            let more = next.is_some() || told.len() >= self.poll.page as usize;
            if more && sorted && last_us > since_us {
                // a place in time, which what changes meanwhile does not move
                self.reached(kind, latest_us).await?;
                since_us = last_us;
                to = self.query(kind, last_us);
            } else if let Some(next) = next {
                to = next;
            } else {
                self.reached(kind, latest_us).await?;
                if self.poll.deletions
                    && let Some(since_us) = began_us
                {
                    taken += self.deletions(kind, since_us).await?;
                }
                return Ok(taken);
            }
        }
        Err(Trouble::new("its pages come to no end"))
    }

    /// What was deleted since.
    async fn deletions(&self, kind: &str, since_us: i64) -> Result<usize, Trouble> {
        let since = Instant::from_micros(since_us);
        let mut to = format!("{kind}/_history?_since={since}&_count={}", self.poll.page);
        let mut taken = 0;
        for _ in 0..limits::PAGES {
            let page = self.page(&to).await?;
            let next = page.next();
            let gone = page.deleted(kind).into_iter();
            let gone: Vec<Told> =
                gone.map(|(id, at_us)| Told::Deleted { kind: kind.to_owned(), id, at_us }).collect();
            taken += self.intake.take(&self.source, &gone).await?;
            let Some(next) = next else { return Ok(taken) };
            to = next;
        }
        Err(Trouble::new("its history comes to no end"))
    }

    fn query(&self, kind: &str, since_us: Option<i64>) -> String {
        let since =
            since_us.map_or_else(String::new, |us| format!("_lastUpdated=ge{}&", Instant::from_micros(us)));
        format!("{kind}?{since}_sort=_lastUpdated&_count={}", self.poll.page)
    }

    async fn reached(&self, kind: &str, latest_us: Option<i64>) -> Result<(), StoreError> {
        let Some(latest_us) = latest_us else { return Ok(()) };
        let marks = vec![(self.place(kind).into(), latest_us.to_string())];
        self.store.commit(Batch { now_us: self.clock.now().micros(), marks, ..Batch::default() }).await?;
        Ok(())
    }

    async fn page(&self, to: &str) -> Result<Page, Trouble> {
        let now_us = self.clock.now().micros();
        let answer = self.server.ask(Request::get(to), now_us).await?;
        if answer.status != 200 {
            let why = match answer.status.as_u16() {
                400 | 404 | 405 | 422 => "the server does not take the search",
                401 | 403 => "the server does not let us read it",
                _ => "the server answered",
            };
            let why = format!("{why} (status {})", answer.status.as_u16());
            return Err(Trouble { why, pause_us: answer.pause_us(now_us) });
        }
        Page::read(&answer).ok_or_else(|| Trouble::new("the answer is no Bundle in FHIR's JSON"))
    }
}
