//! The ledgers of a patient's stays, read from the store: one way for the reconciler, reports, explanations and pages.
//!
//! What each document says is kept by patient for as long as the document does not change; the site's codes, protocols
//! and settings are kept together as a [`Site`] and replaced as a whole.

mod as_of;
mod difference;
mod quality;
mod surveys;
mod totals;
mod trial;

pub use as_of::{Known, KnownStay};
pub use difference::{Changed, Difference, Stands};
pub use surveys::{StaySurvey, survey_of};
pub use totals::{Counted, Steps, What, Who};
pub use trial::{Side, Trial, Tried, with_protocol};

use std::collections::{BTreeMap, HashMap};
use std::sync::{Arc, Mutex, PoisonError, RwLock};

use lru::LruCache;

use crate::care::facts::Facts;
use crate::care::ledger::{Doubt, Feed, Ledger};
use crate::care::protocol::Rules;
use crate::care::reconcile::reconcile;
use crate::care::time::Instant;
use crate::config::Config;
use crate::feed::Feeds;
use crate::site::{Definitions, Site};
use crate::store::{self, Audit, Document, OutcomeRow, Store, StoreError};
use crate::translate::audit;
use crate::translate::document::Stored;
use crate::translate::dossier::{Assembled, Dossier, Stayed};
use crate::translate::extract::{Extract, extract, extract_versions};
use crate::translate::outcomes::{self, SaidDocument, task_that_is_over};

/// What the cache may hold, in units of about 200 bytes: 200 MB. A day of an intensive care stay takes some 100 units.
const CACHE_UNITS: usize = 1_000_000;

/// How often a site's definitions, or the documents of others, may lead to further ones that are not at hand yet.
const ROUNDS: usize = 16;

/// How many documents or rows are read from the store at a time.
const CHUNK: usize = 1_000;

/// Ledgers from the store. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Stays(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    store: Store,
    config: Arc<Config>,
    feeds: Feeds,
    site: RwLock<Arc<Site>>,
    cache: Mutex<Cache>,
}

/// A stay with its ledger.
#[derive(Clone, Debug)]
pub struct StayLedger {
    /// `Patient` id.
    pub patient: String,
    /// `Encounter` id of the root encounter.
    pub stay: String,
    /// What the record says.
    pub facts: Facts,
    /// What follows.
    pub ledger: Ledger,
    /// Where its encounters say that the patient was.
    pub places: Vec<Stayed>,
    /// What could not be used.
    pub doubts: Vec<Doubt>,
}

/// All that is known of a patient at one position of the store.
#[derive(Debug)]
pub struct Reading {
    /// What a decision that rests on it is committed under.
    pub generation: i64,
    /// The position of the store before any document of others was read.
    pub shared_seq: i64,
    /// The stays, and what could not be placed.
    pub assembled: Assembled,
    /// The Tasks and DetectedIssues of the patient.
    pub said: Vec<SaidDocument>,
    /// The site it was read with.
    pub site: Arc<Site>,
}

/// What others' documents say, kept for the length of one pass.
#[derive(Debug, Default)]
pub struct Shared {
    extracts: HashMap<(String, String), Option<Arc<Extract>>>,
    /// The position of the store at which the pass began; none before its first patient.
    seq: Option<i64>,
}

impl Shared {
    fn look(&self, kind: &str, id: &str) -> Option<Arc<Extract>> {
        self.extracts.get(&(kind.to_owned(), id.to_owned())).cloned().flatten()
    }
}

impl Stays {
    /// Reads the site's definitions from `store`.
    ///
    /// # Errors
    /// The store; or the configuration names a protocol that is neither shipped nor stored.
    pub async fn open(store: Store, config: Arc<Config>, feeds: Feeds) -> anyhow::Result<Self> {
        let site = site(&store, &config).await?;
        let cache = Mutex::new(Cache::new());
        Ok(Stays(Arc::new(Inner { store, config, feeds, site: RwLock::new(Arc::new(site)), cache })))
    }

    /// Codes, protocols and settings in force.
    pub fn site(&self) -> Arc<Site> {
        self.0.site.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// The rules in force.
    pub fn rules(&self) -> Rules {
        self.site().rules.clone()
    }

    /// Reads the site's definitions anew after one was written; with other meanings every patient is made dirty.
    ///
    /// # Errors
    /// As [`Stays::open`]; the definitions that were in force stay so.
    pub async fn reload(&self) -> anyhow::Result<()> {
        let site = site(&self.0.store, &self.0.config).await?;
        let same = {
            let before = self.site();
            before.rules == site.rules && before.codes == site.codes
        };
        *self.0.site.write().unwrap_or_else(PoisonError::into_inner) = Arc::new(site);
        if !same {
            self.cache().forget_all();
            self.0.store.redo(store::Derived::Keep).await?;
        }
        Ok(())
    }

    /// How far the feed has told everything about the patients of `unit`, at `now`.
    pub fn feed_of(&self, unit: Option<&str>, now: Instant) -> Feed {
        self.0.feeds.of(unit, now)
    }

    /// How far the feed has told everything, at `now`.
    pub fn feed(&self, now: Instant) -> Feed {
        self.0.feeds.at(now)
    }

    /// The stays of a patient with their ledgers at `now`.
    ///
    /// # Errors
    /// The store.
    pub async fn ledgers(&self, patient: &str, now: Instant) -> Result<Vec<StayLedger>, StoreError> {
        let reading = self.read(patient, &mut Shared::default()).await?;
        let stays = reading.assembled.stays.into_iter().map(|stay| {
            let feed = self.feed_of(stay.facts.unit_at(now).as_deref(), now);
            let ledger = reconcile(&stay.facts, &reading.site.rules, feed, now);
            let doubts = stay.doubts.into_iter().chain(ledger.doubts.iter().cloned()).collect();
            let id = stay_id(&stay.facts).to_owned();
            let (facts, places) = (stay.facts, stay.places);
            StayLedger { patient: patient.to_owned(), stay: id, facts, ledger, places, doubts }
        });
        Ok(stays.collect())
    }

    /// The current documents of a kind that is not a patient's: id and bytes.
    ///
    /// # Errors
    /// The store.
    pub async fn documents(&self, kind: &'static str) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
        documents(&self.0.store, kind).await
    }

    /// All that is known of `patient` now.
    ///
    /// # Errors
    /// The store.
    pub async fn read(&self, patient: &str, shared: &mut Shared) -> Result<Reading, StoreError> {
        let site = self.site();
        let mut kept = self.cache().take(patient, &site);
        let changes = self.0.store.documents_of(patient, kept.seq).await?;
        if changes.all {
            kept = Kept::new(patient, &site);
        }
        for document in &changes.documents {
            self.note(document, &mut kept, &site).await?;
        }
        kept.seq = changes.seq;
        // of the first patient, for all: each of the others may be told what was read for that one
        let shared_seq = *shared.seq.get_or_insert(changes.seq);
        let mut assembled = kept.dossier.stays(&|kind, id| shared.look(kind, id), &site.settings);
        for _ in 0..ROUNDS {
            let unread = |d: &&(String, String)| !shared.extracts.contains_key(*d);
            let wanted: Vec<(String, String)> = assembled.depends.iter().filter(unread).cloned().collect();
            if wanted.is_empty() {
                break;
            }
            for (kind, id) in wanted {
                let found = self.shared_extract(&kind, &id, &site).await?;
                shared.extracts.insert((kind, id), found);
            }
            assembled = kept.dossier.stays(&|kind, id| shared.look(kind, id), &site.settings);
        }
        let said = kept.said.values().cloned().collect();
        self.cache().keep(patient, kept);
        Ok(Reading { generation: changes.generation, shared_seq, assembled, said, site })
    }

    /// Notes a changed document of a patient.
    async fn note(&self, document: &Document, kept: &mut Kept, site: &Site) -> Result<(), StoreError> {
        let name = (document.kind.clone(), document.id.clone());
        match (document.kind.as_str(), &document.body) {
            ("Task" | "DetectedIssue" | "MeasureReport", None) => {
                kept.said.remove(&name);
                kept.dossier.forget(&document.kind, &document.id);
            }
            ("Task" | "DetectedIssue" | "MeasureReport", Some(body)) => {
                let said = SaidDocument {
                    kind: document.kind.clone(),
                    id: document.id.clone(),
                    version: document.version,
                    updated: Instant::from_micros(document.received_us),
                    body: body.as_slice().into(),
                };
                kept.keep_said(said);
                // hardly one of the Tasks is one that a person rejected; only those tell something
                if document.kind == "Task" {
                    let extract = extract(&stored(document), &site.codes, &site.settings.own_bases);
                    if extract.is_silent() {
                        kept.dossier.forget("Task", &document.id);
                    } else {
                        kept.dossier.put(extract);
                    }
                }
            }
            (_, None) => kept.dossier.forget(&document.kind, &document.id),
            (_, Some(_)) => {
                let extract = self.extract(document, site).await?;
                kept.dossier.put(extract);
            }
        }
        Ok(())
    }

    async fn shared_extract(
        &self,
        kind: &str,
        id: &str,
        site: &Site,
    ) -> Result<Option<Arc<Extract>>, StoreError> {
        match self.0.store.document(kind, id).await? {
            Some(document) if document.body.is_some() => {
                Ok(Some(Arc::new(self.extract(&document, site).await?)))
            }
            Some(_) | None => Ok(None),
        }
    }

    async fn extract(&self, document: &Document, site: &Site) -> Result<Extract, StoreError> {
        let first = extract(&stored(document), &site.codes, &site.settings.own_bases);
        if !first.wants_versions() {
            return Ok(first);
        }
        let mut versions = Vec::new();
        let mut before = None;
        loop {
            let older = self.0.store.history(&document.kind, &document.id, before, CHUNK).await?;
            let Some(oldest) = older.last() else { break };
            before = Some(oldest.version);
            versions.extend(older);
        }
        versions.retain(|v| v.version <= document.version);
        versions.reverse();
        let versions: Vec<Stored<'_>> = versions.iter().map(stored).collect();
        Ok(extract_versions(&versions, &site.codes, &site.settings.own_bases).unwrap_or(first))
    }

    fn cache(&self) -> std::sync::MutexGuard<'_, Cache> {
        self.0.cache.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// `Encounter` id of the stay of `facts`.
pub fn stay_id(facts: &Facts) -> &str {
    facts.stay.strip_prefix("Encounter/").unwrap_or(&facts.stay)
}

/// A document as translate/ reads it.
pub fn stored(document: &Document) -> Stored<'_> {
    Stored {
        kind: &document.kind,
        id: &document.id,
        version: document.version,
        first_us: document.first_us,
        received_us: document.received_us,
        deleted: document.body.is_none(),
        body: document.body.as_deref().unwrap_or_default(),
    }
}

/// The search columns of what a row says.
pub fn outcome_row(row: outcomes::Row) -> OutcomeRow {
    OutcomeRow {
        stay: row.encounter,
        topic: None,
        status: Some(row.status),
        owner: row.owner,
        location: row.location,
        code: row.code,
        focus: None,
        open: row.open,
    }
}

/// That this service wrote what is in a batch.
pub fn recorded() -> Audit {
    Audit {
        deed: "update".into(),
        status: 200,
        by: audit::by::SERVICE.into(),
        of_writes: true,
        ..Audit::default()
    }
}

/// The site of `config` with the shipped definitions and those of `store`.
async fn site(store: &Store, config: &Config) -> anyhow::Result<Site> {
    Site::of(config, &definitions(store).await?)
}

async fn definitions(store: &Store) -> Result<Definitions, StoreError> {
    Ok(Definitions {
        maps: documents(store, "ConceptMap").await?,
        value_sets: documents(store, "ValueSet").await?,
        plans: documents(store, "PlanDefinition").await?,
    })
}

/// All current documents of a kind: id and bytes.
async fn documents(store: &Store, kind: &'static str) -> Result<Vec<(String, Vec<u8>)>, StoreError> {
    let mut out = Vec::new();
    let mut after = None;
    loop {
        let page = store
            .search(store::Query { kind: kind.into(), after, limit: CHUNK, ..Default::default() })
            .await?;
        out.extend(page.documents.into_iter().filter_map(|d| Some((d.document.id, d.document.body?))));
        after = page.next;
        if after.is_none() {
            return Ok(out);
        }
    }
}

/// What is kept of a patient.
#[derive(Debug)]
struct Kept {
    /// Position of the store up to which it was read; 0: nothing yet.
    seq: i64,
    site: Arc<Site>,
    dossier: Dossier,
    said: BTreeMap<(String, String), SaidDocument>,
    /// The last Task that is over, by stay: its round and its id.
    over: BTreeMap<String, (Instant, String)>,
}

impl Kept {
    fn new(patient: &str, site: &Arc<Site>) -> Self {
        Kept {
            seq: 0,
            site: site.clone(),
            dossier: Dossier::new(patient),
            said: BTreeMap::new(),
            over: BTreeMap::new(),
        }
    }

    /// Keeps a Task, DetectedIssue or MeasureReport. Of a Task that is over only what is asked for again is kept, and
    /// of several that are over only the last of each stay.
    fn keep_said(&mut self, mut said: SaidDocument) {
        if let Some((stay, round, short)) = task_that_is_over(&said) {
            said.body = short.into();
            match self.over.get(&stay) {
                Some((last, _)) if *last > round => {
                    self.said.remove(&(said.kind, said.id));
                    return;
                }
                Some((_, id)) if *id != said.id => {
                    self.said.remove(&("Task".to_owned(), id.clone()));
                }
                Some(_) | None => {}
            }
            self.over.insert(stay, (round, said.id.clone()));
        }
        self.said.insert((said.kind.clone(), said.id.clone()), said);
    }

    fn units(&self) -> usize {
        1 + self.dossier.len() + self.said.values().map(|s| 1 + s.body.len() / 200).sum::<usize>()
    }
}

/// Patients read last; the longest unread go first when it is full.
#[derive(Debug)]
struct Cache {
    kept: LruCache<String, Kept>,
    units: usize,
}

impl Cache {
    fn new() -> Self {
        Cache { kept: LruCache::unbounded(), units: 0 }
    }

    /// Takes a patient out, to be kept again after reading: two readers at once read twice and harm nothing.
    fn take(&mut self, patient: &str, site: &Arc<Site>) -> Kept {
        let Some(kept) = self.kept.pop(patient) else { return Kept::new(patient, site) };
        self.units -= kept.units();
        if Arc::ptr_eq(&kept.site, site) { kept } else { Kept::new(patient, site) }
    }

    fn keep(&mut self, patient: &str, kept: Kept) {
        self.units += kept.units();
        if let Some(replaced) = self.kept.put(patient.to_owned(), kept) {
            self.units -= replaced.units();
        }
        while self.units > CACHE_UNITS && self.kept.len() > 1 {
            let Some((_, oldest)) = self.kept.pop_lru() else { break };
            self.units -= oldest.units();
        }
    }

    fn forget_all(&mut self) {
        self.kept.clear();
        self.units = 0;
    }
}
