//! Sources that are read from by this service itself: in rounds, each in the way that is configured for it.

use std::collections::BTreeMap;
use std::sync::Arc;

use tokio::sync::{Notify, watch};

use super::Feeds;
use super::bulk::Export;
use super::folder::Folder;
use super::intake::{Intake, NotNow};
use super::notices::{Notices, Place};
use super::poll::Search;
use super::stream::Messages;
use crate::care::time::{Instant, Length};
use crate::clock::Clock;
use crate::config::Source;
use crate::outward::{Answer, Failure, Server, jitter_us};
use crate::store::{Batch, Heartbeat, Store, StoreError};

/// Reads from one source.
#[derive(Debug)]
pub struct Reader {
    parts: Parts,
    way: Way,
    every_seconds: u32,
    poke: Arc<Notify>,
}

/// What every round needs.
#[derive(Clone, Debug)]
pub(super) struct Parts {
    pub(super) source: String,
    pub(super) intake: Intake,
    pub(super) store: Store,
    pub(super) clock: Clock,
    pub(super) feeds: Feeds,
    pub(super) wake: Arc<Notify>,
}

#[derive(Debug)]
enum Way {
    Search(Search),
    Export(Export),
    Folder(Folder),
    Stream(Box<Messages>),
}

/// Why a round did not come to its end.
pub(super) struct Trouble {
    pub(super) why: String,
    /// When the server wants to be asked again, in microseconds from now.
    pub(super) pause_us: Option<i64>,
}

impl Trouble {
    pub(super) fn new(why: impl Into<String>) -> Self {
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

impl Trouble {
    /// What an answer that is none of those that were expected means.
    pub(super) fn answered(what: &str, answer: &Answer, now_us: i64) -> Self {
        let why = match answer.status.as_u16() {
            400 | 404 | 405 | 422 => format!("the server does not take {what}"),
            401 | 403 => format!("the server does not let us ask for {what}"),
            _ => "the server answered".to_owned(),
        };
        let why = format!("{why} (status {})", answer.status.as_u16());
        Trouble { why, pause_us: answer.pause_us(now_us) }
    }
}

impl Parts {
    /// The source has told everything up to `at`.
    pub(super) async fn heard(&self, at: Instant) -> Result<(), StoreError> {
        let heartbeat = Some(Heartbeat { source: self.source.clone(), us: at.micros(), cursor: None });
        let now_us = self.clock.now().micros();
        self.store.commit(Batch { now_us, heartbeat, ..Batch::default() }).await?;
        self.feeds.heard(&self.source, at);
        self.wake.notify_one();
        Ok(())
    }

    /// So many documents were new or changed, and there may be more.
    pub(super) fn took(&self, documents: usize) -> usize {
        if documents > 0 {
            self.feeds.catches_up(&self.source);
        }
        documents
    }

    /// Stores a small fact.
    pub(super) async fn mark(&self, name: String, value: String) -> Result<(), StoreError> {
        let marks = vec![(name.into(), value)];
        self.store.commit(Batch { now_us: self.clock.now().micros(), marks, ..Batch::default() }).await?;
        Ok(())
    }
}

/// Where notifications of the sources are taken; `pokes` has each source read anew.
pub fn notices(
    sources: &[Source],
    server: impl Fn(&str) -> Option<Server>,
    fhir: &axum::Router,
    (store, feeds, clock, wake): &(Store, Feeds, Clock, Arc<Notify>),
    pokes: &BTreeMap<String, Arc<Notify>>,
) -> Notices {
    let place = |source: &Source| {
        let notify = source.notify.as_ref()?;
        let (store, clock) = (store.clone(), clock.clone());
        let intake = Intake::new(fhir.clone(), store.clone(), clock.clone());
        let (feeds, wake) = (feeds.clone(), wake.clone());
        let parts = Parts { source: source.name.clone(), intake, store, clock, feeds, wake };
        let server = notify.server.as_deref().and_then(&server);
        let poke = pokes.get(&source.name).cloned().unwrap_or_default();
        Some((source.name.clone(), Place { parts, server, secret: notify.secret_digest.clone(), poke }))
    };
    Notices::new(sources.iter().filter_map(place).collect())
}

impl Reader {
    /// Of a source, one for each way in which it is read; none for those that are only told.
    pub fn all(
        source: &Source,
        server: impl Fn(&str) -> Option<Server>,
        fhir: axum::Router,
        (store, feeds, clock, wake): (Store, Feeds, Clock, Arc<Notify>),
        poke: &Arc<Notify>,
    ) -> Vec<Reader> {
        let intake = Intake::new(fhir, store.clone(), clock.clone());
        let parts = Parts { source: source.name.clone(), intake, store, clock, feeds, wake };
        let searched = source.poll.clone().and_then(|poll| {
            let server = server(&poll.server)?;
            Some((poll.every_seconds, Way::Search(Search::new(poll, server))))
        });
        let exported = source.bulk.clone().and_then(|bulk| {
            let server = server(&bulk.server)?;
            Some((bulk.every_seconds, Way::Export(Export { bulk, server })))
        });
        let watched = source.folder.clone().map(|f| (f.every_seconds, Way::Folder(Folder::new(f))));
        // a round waits by itself for what comes
        let streamed = source.stream.clone().map(|s| (0, Way::Stream(Box::new(Messages::new(s)))));
        let ways = searched.into_iter().chain(exported).chain(watched).chain(streamed);
        let reader = |(every_seconds, way)| {
            let (parts, poke) = (parts.clone(), poke.clone());
            Reader { parts, way, every_seconds, poke }
        };
        ways.map(reader).collect()
    }

    /// Reads again and again until `stop` says so.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        let mut tries = 0_u32;
        let Parts { source, clock, feeds, .. } = self.parts.clone();
        while !*stop.borrow() {
            let began = clock.now();
            let came = tokio::select! {
                came = self.round(began) => came,
                _ = stop.changed() => return,
            };
            let now = clock.now();
            let pause_us = match came {
                Ok(taken) => {
                    if tries > 0 {
                        tracing::info!(source, tries, "the source is read again");
                    }
                    tries = 0;
                    feeds.polled(&source, now, Ok(taken));
                    i64::from(self.every_seconds) * 1_000_000
                }
                Err(Trouble { why, pause_us }) => {
                    tries = tries.saturating_add(1);
                    tracing::warn!(source, tries, why, "the source could not be read");
                    feeds.polled(&source, now, Err(why));
                    pause_us.unwrap_or_else(|| jitter_us(tries))
                }
            };
            tokio::select! {
                () = clock.wait_until(now + Length::micros(pause_us)) => {}
                // somebody says that there is something new; what failed goes on resting
                () = self.poke.notified(), if tries == 0 => {}
                _ = stop.changed() => return,
            }
        }
    }

    async fn round(&mut self, began: Instant) -> Result<usize, Trouble> {
        match &mut self.way {
            Way::Search(search) => search.round(&self.parts, began).await,
            Way::Export(export) => export.round(&self.parts, began).await,
            Way::Folder(folder) => folder.round(&self.parts, began).await,
            Way::Stream(messages) => messages.round(&self.parts).await,
        }
    }
}
