//! The record as it was known at an instant: the versions of documents that had been received by then.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use chrono::{Days, NaiveDate, NaiveTime};

use super::surveys::survey_of;
use super::{CHUNK, ROUNDS, StayLedger, Stays, What, stay_id, stored};
use crate::care::compare::Changed;
use crate::care::ledger::Feed;
use crate::care::reconcile::reconcile;
use crate::care::surveillance::charted::Charting;
use crate::care::surveillance::denominators::Watched;
use crate::care::surveillance::events::Event;
use crate::care::time::{Instant, local_instant};
use crate::site::{Definitions, Site};
use crate::stays::Who;
use crate::store::{Document, Order, Query, StayQuery, StoreError};
use crate::translate::dossier::{Dossier, StayFacts};
use crate::translate::extract::{Extract, watch};

/// A patient's stays as they were known at an instant.
#[derive(Clone, Debug)]
pub struct Known {
    /// The instant.
    pub at: Instant,
    /// The stays, with their ledgers of that instant.
    pub stays: Vec<KnownStay>,
    /// By what they were counted.
    pub site: Arc<Site>,
    versions: BTreeMap<Arc<str>, Version>,
}

/// A stay as it was known at an instant.
#[derive(Clone, Debug)]
pub struct KnownStay {
    /// The stay, with its ledger.
    pub stay: StayLedger,
    /// Ventilator-associated events, where they are asked for.
    pub events: Vec<Event>,
    /// What surveillance adds to the sums, where it is asked for.
    pub watched: BTreeMap<(Arc<str>, NaiveDate), Watched>,
}

impl KnownStay {
    /// The stay at `at`, surveyed by what was charted if that is given.
    fn read(
        stay: StayFacts,
        patient: &str,
        at: Instant,
        site: &Site,
        charting: Option<&Charting>,
    ) -> KnownStay {
        let ledger = reconcile(&stay.facts, &site.rules, Feed::unwatched(), at);
        let doubts = stay.doubts.into_iter().chain(ledger.doubts.iter().cloned()).collect();
        let (id, facts, places) = (stay_id(&stay.facts).to_owned(), stay.facts, stay.places);
        let surveyed = charting.map(|charting| survey_of(&facts, &ledger, charting, &site.rules));
        let (events, watched) =
            surveyed.map(|(survey, watched)| (survey.events, watched)).unwrap_or_default();
        let stay = StayLedger { patient: patient.to_owned(), stay: id, facts, ledger, places, doubts };
        KnownStay { stay, events, watched }
    }
}

/// A version of a document that is in force.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Version {
    number: u64,
    received: Instant,
    deleted: bool,
}

impl Known {
    /// The documents of which `later` has other versions.
    pub fn changed(&self, later: &Known) -> Vec<Changed> {
        let names: BTreeSet<&Arc<str>> = self.versions.keys().chain(later.versions.keys()).collect();
        let alive = |known: &Known, name: &Arc<str>| {
            known.versions.get(name).filter(|v| !v.deleted).map(|v| v.number)
        };
        let changed = names.into_iter().filter_map(|name| {
            let (before, after) = (alive(self, name), alive(later, name));
            let received = later.versions.get(name).map_or(later.at, |v| v.received);
            (before != after).then(|| Changed { document: name.clone(), before, after, received })
        });
        changed.collect()
    }
}

impl Stays {
    /// Codes, protocols and settings as they were at `at`: the definitions that had been received by then, under the
    /// configuration of today, of which no earlier one is kept.
    ///
    /// # Errors
    /// The store; or the configuration names a protocol that was not there.
    pub async fn site_at(&self, at: Instant) -> anyhow::Result<Arc<Site>> {
        let definitions = Definitions {
            maps: self.definitions_at("ConceptMap", at).await?,
            value_sets: self.definitions_at("ValueSet", at).await?,
            plans: self.definitions_at("PlanDefinition", at).await?,
        };
        Ok(Arc::new(Site::of(&self.0.config, &definitions)?))
    }

    async fn definitions_at(
        &self,
        kind: &'static str,
        at: Instant,
    ) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
        let mut out = Vec::new();
        let (mut after, mut as_of) = (None, None);
        loop {
            let order = Order::OldestFirst;
            let query = Query { kind: kind.into(), as_of, after, limit: CHUNK, order, ..Query::default() };
            let page = self.0.store.search(query).await?;
            for row in page.documents {
                if let Some(then) = self.version_at(row.document, at).await? {
                    out.extend(then.body.map(|body| (then.id, body)));
                }
            }
            (after, as_of) = (page.next, Some(page.as_of));
            if after.is_none() {
                return Ok(out);
            }
        }
    }

    /// The newest version of a document that had been received by `at`, which may be its deletion.
    async fn version_at(&self, newest: Document, at: Instant) -> Result<Option<Document>, StoreError> {
        if newest.received_us <= at.micros() {
            return Ok(Some(newest));
        }
        let mut before = newest.version;
        loop {
            let older = self.0.store.history(&newest.kind, &newest.id, Some(before), CHUNK).await?;
            let Some(oldest) = older.last() else { return Ok(None) };
            before = oldest.version;
            if let Some(found) = older.into_iter().find(|d| d.received_us <= at.micros()) {
                return Ok(Some(found));
            }
        }
    }

    /// What was known of `patient` at `at`, counted by `site`. Charting is taken to have reached the service by then:
    /// when a feed was silent is not kept.
    ///
    /// # Errors
    /// The store.
    pub async fn known_at(
        &self,
        patient: &str,
        at: Instant,
        site: &Arc<Site>,
        what: What,
    ) -> Result<Known, StoreError> {
        let surveyed = what == What::CountsAndEvents;
        let (mut charting, mut aside) = (Charting::default(), Vec::new());
        let mut known = Known { at, stays: Vec::new(), site: site.clone(), versions: BTreeMap::new() };
        let mut dossier = Dossier::new(patient);
        for document in self.0.store.documents_of(patient, 0).await?.documents {
            if matches!(document.kind.as_str(), "DetectedIssue" | "MeasureReport") {
                continue;
            }
            let Some(then) = self.version_at(document, at).await? else { continue };
            if surveyed {
                let (codes, settings) = (&site.codes, &site.settings);
                watch(&stored(&then), codes, settings, &mut charting, &mut aside);
                // what nothing but surveillance reads makes a difference, too
                if then.kind != "Task" {
                    known.note(&then);
                }
            }
            let extract = match &then.body {
                Some(_) => Some(self.extract(&then, site).await?),
                None => None,
            };
            // of the Tasks only those that a person rejected tell something
            if then.kind == "Task" && extract.as_ref().is_none_or(Extract::is_silent) {
                continue;
            }
            known.note(&then);
            extract.into_iter().for_each(|extract| dossier.put(extract));
        }
        let mut shared: HashMap<(String, String), Option<Arc<Extract>>> = HashMap::new();
        let look = |shared: &HashMap<(String, String), Option<Arc<Extract>>>, kind: &str, id: &str| {
            shared.get(&(kind.to_owned(), id.to_owned())).cloned().flatten()
        };
        let mut assembled = dossier.stays(&|kind, id| look(&shared, kind, id), &site.settings);
        for _ in 0..ROUNDS {
            let unread = |d: &&(String, String)| !shared.contains_key(*d);
            let wanted: Vec<(String, String)> = assembled.depends.iter().filter(unread).cloned().collect();
            if wanted.is_empty() {
                break;
            }
            for (kind, id) in wanted {
                let mut extract = None;
                if let Some(document) = self.0.store.document(&kind, &id).await?
                    && let Some(then) = self.version_at(document, at).await?
                {
                    known.note(&then);
                    if then.body.is_some() {
                        extract = Some(Arc::new(self.extract(&then, site).await?));
                    }
                }
                shared.insert((kind, id), extract);
            }
            assembled = dossier.stays(&|kind, id| look(&shared, kind, id), &site.settings);
        }
        let charting = surveyed.then_some(&charting);
        let stays = assembled.stays.into_iter();
        known.stays = stays.map(|stay| KnownStay::read(stay, patient, at, site, charting)).collect();
        Ok(known)
    }

    /// The patients of `who` that may have a stay in the local days `from..=to`, by what is known now or was at `since` or
    /// later: at most `most + 1` of them.
    ///
    /// # Errors
    /// The store.
    pub async fn patients_since(
        &self,
        who: &Who,
        (from, to): (NaiveDate, NaiveDate),
        since: Instant,
        most: usize,
    ) -> Result<BTreeSet<String>, StoreError> {
        if let Who::Patients(patients, _) = who {
            return Ok(patients.iter().cloned().collect());
        }
        let zone = self.site().rules.zone;
        let start = |day: NaiveDate| local_instant(day, NaiveTime::MIN, zone).micros();
        let end = start(to.checked_add_days(Days::new(1)).unwrap_or(to));
        let mut out: BTreeSet<String> =
            self.0.store.encounters_changed(since.micros(), most + 1).await?.into_iter().collect();
        let mut after = None;
        while out.len() <= most {
            let overlaps_us = Some((start(from), end));
            let query = StayQuery { overlaps_us, after, limit: CHUNK, ..StayQuery::default() };
            let stays = self.0.store.stays(query).await?;
            out.extend(stays.iter().map(|stay| stay.patient.clone()));
            let Some(last) = stays.last().filter(|_| stays.len() == CHUNK) else { break };
            after = Some(last.stay.clone());
        }
        Ok(out)
    }
}

impl Known {
    fn note(&mut self, document: &Document) {
        let name: Arc<str> = format!("{}/{}", document.kind, document.id).into();
        let received = Instant::from_micros(document.received_us);
        let deleted = document.body.is_none();
        self.versions.insert(name, Version { number: document.version, received, deleted });
    }
}
