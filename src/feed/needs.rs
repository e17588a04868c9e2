//! What documents point at and is lacking is fetched from the server that has it.
//!
//! However a document came, what it refers to of a few types is asked for once: patients, encounters, devices, places.
//! What the server does not have is not asked for again for a while; it may still come by itself. Nothing is fetched from
//! any other address, whatever a reference says.

use std::collections::BTreeSet;
use std::num::NonZeroUsize;
use std::time::Duration;

use lru::LruCache;
use serde_json::Value;
use tokio::sync::watch;

use super::intake::{Intake, Told};
use super::limits;
use super::notices::fetch;
use super::reader::Trouble;
use crate::care::time::Length;
use crate::clock::Clock;
use crate::config::References;
use crate::outward::{Server, jitter_us};
use crate::store::{Batch, Order, Query, Store};
use crate::translate::document::{Bases, Target};
use crate::translate::outcomes::with_references;

/// The types whose documents are gone over.
const LOOKED_AT: [&str; 7] =
    ["Encounter", "Location", "Device", "DeviceUseStatement", "Condition", "Procedure", "Observation"];

/// Fetches what is lacking.
#[derive(Debug)]
pub struct Seeker {
    server: Server,
    types: Vec<String>,
    bases: Bases,
    intake: Intake,
    store: Store,
    clock: Clock,
    /// What is there, as far as was looked lately; with when it may be asked for again, in microseconds, what is not.
    known: LruCache<String, Option<i64>>,
}

impl Seeker {
    /// Asks `server`; `own_bases` are addresses of our own documents, beside the server's.
    pub fn new(
        references: &References,
        server: Server,
        own_bases: &[String],
        fhir: axum::Router,
        (store, clock): (Store, Clock),
    ) -> Self {
        let intake = Intake::new(fhir, store.clone(), clock.clone());
        let bases = Bases::new(own_bases.iter().map(String::as_str).chain([server.base()]));
        let known = LruCache::new(NonZeroUsize::new(limits::KNOWN).unwrap_or(NonZeroUsize::MIN));
        Seeker { server, types: references.types.clone(), bases, intake, store, clock, known }
    }

    /// Looks again and again until `stop` says so.
    pub async fn run(mut self, mut stop: watch::Receiver<bool>) {
        let mut changed = self.store.changed();
        let mut tries = 0_u32;
        while !*stop.borrow() {
            changed.borrow_and_update();
            let came = tokio::select! {
                came = self.round() => came,
                _ = stop.changed() => return,
            };
            let pause_us = match came {
                Ok(()) => {
                    tries = 0;
                    None
                }
                Err(Trouble { why, pause_us }) => {
                    tries = tries.saturating_add(1);
                    tracing::warn!(
                        server = self.server.name(),
                        tries,
                        why,
                        "what is lacking could not be fetched"
                    );
                    Some(pause_us.unwrap_or_else(|| jitter_us(tries)))
                }
            };
            let until = pause_us.map(|pause_us| self.clock.now() + Length::micros(pause_us));
            let rested = async {
                match until {
                    Some(until) => self.clock.wait_until(until).await,
                    None => self.clock.sleep_until(None).await,
                }
            };
            tokio::select! {
                () = rested => {}
                came = changed.changed(), if until.is_none() => match came {
                    Ok(()) => tokio::time::sleep(Duration::from_millis(limits::SEEK_MS)).await,
                    Err(_) => return,
                },
                _ = stop.changed() => return,
            }
        }
    }

    async fn round(&mut self) -> Result<(), Trouble> {
        for kind in LOOKED_AT {
            let mark = format!("needs.{}.{kind}", self.server.name());
            let mut after =
                self.store.mark(&mark).await?.and_then(|text| text.parse::<i64>().ok()).or(Some(0));
            loop {
                let (order, limit) = (Order::OldestFirst, limits::SOUGHT);
                let query = Query { kind: kind.into(), after, order, limit, ..Query::default() };
                let page = self.store.search(query).await?;
                let Some(last) = page.documents.last().map(|row| row.place) else { break };
                let mut wanted = BTreeSet::new();
                for row in &page.documents {
                    self.lacking(row.document.body.as_deref().unwrap_or_default(), &mut wanted);
                }
                self.fetch(wanted).await?;
                after = Some(last);
                let marks = vec![(mark.clone().into(), last.to_string())];
                let now_us = self.clock.now().micros();
                self.store.commit(Batch { now_us, marks, ..Batch::default() }).await?;
            }
        }
        Ok(())
    }

    /// What a document refers to and is not known to be there.
    fn lacking(&mut self, body: &[u8], wanted: &mut BTreeSet<(String, String)>) {
        let mut document: Value = serde_json::from_slice(body).unwrap_or_default();
        let now_us = self.clock.now().micros();
        with_references(&mut document, &mut |reference| {
            if let Target::Here(kind, id) = self.bases.target_of(reference)
                && self.types.iter().any(|known| known == kind)
            {
                let fresh = match self.known.get(&format!("{kind}/{id}")) {
                    Some(None) => true,
                    Some(Some(until_us)) => now_us < *until_us,
                    None => false,
                };
                if !fresh {
                    wanted.insert((kind.to_owned(), id.to_owned()));
                }
            }
            None
        });
    }

    async fn fetch(&mut self, wanted: BTreeSet<(String, String)>) -> Result<(), Trouble> {
        let mut told: Vec<Told> = Vec::new();
        for (kind, id) in wanted {
            let name = format!("{kind}/{id}");
            // what was deleted is known, too
            if self.store.document(&kind, &id).await?.is_some() {
                self.known.put(name, None);
                continue;
            }
            let now_us = self.clock.now().micros();
            match fetch(&self.server, &kind, &id, now_us).await? {
                Some(document) => {
                    told.push(document);
                    self.known.put(name, None);
                }
                None => {
                    self.known.put(name, Some(now_us + limits::ABSENT_US));
                }
            }
        }
        self.intake.take(self.server.name(), &told).await?;
        Ok(())
    }
}
