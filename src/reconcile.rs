//! Everything that is due now; then sleep until the next wake.
//!
//! The reconciler is told that a patient changed, never what: it reads all that is known, decides what should be so, and
//! writes what differs. One path serves the ordinary day, a restart, a lost signal and a correction.
//!
//! # Guarantees
//! - What is decided of a patient is committed whole, under the generation of the documents it rests on, and
//!   refused if a document of others that it rests on has been written since the pass began.
//! - A patient that cannot be reconciled is left alone for a while and does not hold up the others.

mod breaker;
mod parts;
mod silences;

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tokio::task::JoinSet;
use tracing::{error, info, warn};

use self::breaker::Breaker;
use crate::care::ledger::{Feed, Ledger, State};
use crate::care::plan::plan;
use crate::care::reconcile::reconcile_ahead;
use crate::care::surveillance::charted::Charting;
use crate::care::surveillance::denominators::Watched;
use crate::care::time::{Instant, Length};
use crate::clock::Clock;
use crate::feed::Feeds;
use crate::stays::{Reading, Shared, Stays, outcome_row, recorded, stay_id, survey_of};
use crate::store::{
    Batch, Derived, Doubtful, Failed, Identifier, Part, Precondition, Reconciled, Share, StayRow, Store,
    StoreError, Subject, Write,
};
use crate::telemetry::Counters;
use crate::translate::outcomes::{self, Setting, Utterance, said, utterances};
use crate::translate::tallies;

/// Patients in one pass: their commits share a transaction, and the clock is read again after each pass.
const PASS: usize = 256;

/// While clients write more than so many documents for each patient that is reconciled, a backlog is being loaded.
const BACKLOG: u64 = 2;

/// While a backlog is being loaded the reconciler rests this many times as long as it works: what is loaded is
/// reconciled together afterwards, and once instead of again and again.
const REST: u32 = 9;

/// The longest such rest: what becomes overdue meanwhile is announced no later than this.
const LONGEST_REST: Duration = Duration::from_secs(1);

/// How soon a lapse that waits for the feed's watermark is looked at again if no heartbeat brings it up before.
const HELD: Length = Length::minutes(1);

/// The first pause after a failure; it doubles with each further one.
const FIRST_PAUSE: Length = Length::seconds(30);

/// The longest pause after failures.
const LONGEST_PAUSE: Length = Length::hours(1);

/// The reconciler.
#[derive(Clone, Debug)]
pub struct Reconciler {
    store: Store,
    stays: Stays,
    feeds: Feeds,
    clock: Clock,
    signal: Arc<Notify>,
    counters: Arc<Counters>,
    /// Notified after something was said.
    told: Arc<Notify>,
    held: Held,
    /// Whether the feed was silent when that was last acted on; none before the first time.
    silent: Arc<Mutex<Option<bool>>>,
    breaker: Arc<Mutex<Breaker>>,
    /// When the parts of the sources were looked at last.
    looked: Arc<Mutex<Option<Instant>>>,
}

/// Patients with a lapse that is announced as soon as the feed has told everything up to an instant.
#[derive(Clone, Debug, Default)]
struct Held(Arc<Mutex<BTreeMap<String, Instant>>>);

/// Whether a pass is broken off for patients about whom something was just charted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Pass {
    /// It is not: it is made of them, or nobody else takes them up.
    Whole,
    /// It is.
    GivesWay,
}

/// What was decided of one patient.
struct Decided {
    reconciled: Reconciled,
    utterances: Vec<Utterance>,
    held_until: Option<Instant>,
}

impl Held {
    fn note(&self, patient: &str, until: Option<Instant>) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        match until {
            Some(until) => all.insert(patient.to_owned(), until),
            None => all.remove(patient),
        };
    }

    /// Those whose wait is over.
    fn ready(&self, watermark: Instant, most: usize) -> Vec<String> {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.iter().filter(|(_, until)| **until <= watermark).map(|(p, _)| p.clone()).take(most).collect()
    }
}

impl Reconciler {
    /// A reconciler that is woken by `signal`.
    pub fn new(store: Store, stays: Stays, feeds: Feeds, clock: Clock, signal: Arc<Notify>) -> Self {
        Reconciler {
            store,
            stays,
            feeds,
            clock,
            signal,
            counters: Arc::default(),
            told: Arc::default(),
            held: Held::default(),
            silent: Arc::default(),
            breaker: Arc::default(),
            looked: Arc::default(),
        }
    }

    /// With `told` notified after each commit of something that was said.
    pub fn telling(mut self, told: Arc<Notify>) -> Self {
        self.told = told;
        self
    }

    /// True if the feed has brought something that is not acted on yet: its silence or its return, or a lapse that may
    /// now be announced.
    pub fn hears_news(&self, now: Instant) -> bool {
        self.acted_on() != Some(self.is_silent(now))
            || self.looks(now)
            || !self.held.ready(self.feeds.at(now).watermark(), 1).is_empty()
    }

    fn is_silent(&self, now: Instant) -> bool {
        matches!(self.feeds.at(now), Feed::Silent { .. })
    }

    fn acted_on(&self) -> Option<bool> {
        *self.silent.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// What has been done.
    pub fn counters(&self) -> Arc<Counters> {
        self.counters.clone()
    }

    /// Runs until `stop` says so. Ends early only if the store can no longer be trusted.
    ///
    /// # Errors
    /// The store's `Fatal`.
    pub async fn run(self, mut stop: watch::Receiver<bool>) -> Result<(), StoreError> {
        while !*stop.borrow() {
            let now = self.clock.now();
            match self.turn(now).await {
                Ok(true) => continue,
                Ok(false) => {}
                Err(fatal @ (StoreError::Fatal(_) | StoreError::Closed)) => return Err(fatal),
                Err(other) => {
                    error!(error = %other, "reconciling paused: the store did not answer");
                    tokio::time::sleep(Duration::from_secs(1)).await;
                }
            }
            let wake = self.store.next_wake().await?.map(Instant::from_micros);
            let until = wake.into_iter().chain(self.feeds.next_silence(now)).min();
            tokio::select! {
                () = self.signal.notified() => {}
                () = self.clock.sleep_until(until) => {}
                _ = stop.changed() => {}
            }
        }
        Ok(())
    }

    /// One look at the feeds, and one pass over those who are due: first those about whom something was just charted.
    /// True if there may be more to do at once.
    ///
    /// # Errors
    /// The store, where it is not about one patient.
    pub async fn turn(&self, now: Instant) -> Result<bool, StoreError> {
        let (is_silent, was) = (self.is_silent(now), self.acted_on());
        if was != Some(is_silent) {
            if was.is_some() {
                info!(silent = is_silent, "the feed changed its state");
                // what was verified no longer is, or is again
                self.store.redo(Derived::Keep).await?;
            }
            self.tell_silences(now).await?;
            self.tell_unverified(now).await?;
            *self.silent.lock().unwrap_or_else(PoisonError::into_inner) = Some(is_silent);
        }
        self.look_at_parts(now).await?;
        self.tell_held(is_silent, now).await?;
        let mut first = Vec::new();
        for patient in self.counters.live.take() {
            let subject = self.store.subject(&patient).await?;
            // who was seen to meanwhile, or is left alone for a while, is not seen to again
            first.extend(subject.filter(|s| s.dirty_seq > s.done_seq && s.retry_us <= now.micros()));
        }
        if !first.is_empty() {
            self.reconcile(first, now, Pass::Whole).await?;
        }
        let mut due = self.store.due(now.micros(), PASS).await?;
        for patient in self.held.ready(self.feeds.at(now).watermark(), PASS) {
            if due.iter().all(|s| s.patient != patient) {
                match self.store.subject(&patient).await? {
                    Some(subject) => due.push(subject),
                    None => self.held.note(&patient, None),
                }
            }
        }
        let (any, patients) = (!due.is_empty(), due.len() as u64);
        let (begun, before) = (tokio::time::Instant::now(), self.counters.ingested.load(Ordering::Relaxed));
        self.reconcile(due, now, Pass::GivesWay).await?;
        let ingested = self.counters.ingested.load(Ordering::Relaxed) - before;
        if any && ingested > BACKLOG * patients {
            let rest = (begun.elapsed() * REST).min(LONGEST_REST);
            let _ = tokio::time::timeout(rest, self.counters.live.come()).await;
        }
        Ok(any)
    }

    /// Reconciles all of `subjects`. Returns how many Tasks and DetectedIssues were written.
    ///
    /// # Errors
    /// The store, where it is not about one patient.
    pub async fn pass(&self, subjects: Vec<Subject>, now: Instant) -> Result<usize, StoreError> {
        self.reconcile(subjects, now, Pass::Whole).await
    }

    async fn reconcile(&self, subjects: Vec<Subject>, now: Instant, kind: Pass) -> Result<usize, StoreError> {
        let mut shared = Shared::default();
        let mut commits = JoinSet::new();
        for subject in subjects {
            // the others are to be reconciled still, and come again; one of them goes on each time, however many go first
            if kind == Pass::GivesWay && !commits.is_empty() && self.counters.live.any() {
                break;
            }
            let mut held_until = None;
            let batch = match self.read(&subject.patient, &mut shared).await {
                Ok((reading, charting)) => {
                    let decide = || decide(&subject.patient, &reading, &charting, &self.feeds, now);
                    match catch_unwind(AssertUnwindSafe(decide)) {
                        Ok(mut decided) => {
                            self.hold_back(&mut decided, now).await?;
                            held_until = decided.held_until;
                            batch(decided, now)
                        }
                        Err(_) => self.leave_alone(&subject, "its documents could not be reconciled", now),
                    }
                }
                Err(fatal @ (StoreError::Fatal(_) | StoreError::Closed)) => return Err(fatal),
                Err(error) => self.leave_alone(&subject, &error.to_string(), now),
            };
            let store = self.store.clone();
            commits.spawn(async move {
                let written = batch.writes.len();
                (subject, held_until, store.commit(batch).await.map(|_| written))
            });
        }
        let mut written = 0;
        while let Some(done) = commits.join_next().await {
            let Ok((subject, held_until, result)) = done else { continue };
            self.counters.patients.fetch_add(1, Ordering::Relaxed);
            match result {
                Ok(count) => {
                    self.held.note(&subject.patient, held_until);
                    written += count;
                }
                // what was decided is out of date: the patient is still dirty, woken or held, and comes again
                Err(
                    StoreError::StaleGeneration { .. }
                    | StoreError::VersionConflict { .. }
                    | StoreError::Exists { .. },
                ) => {
                    self.counters.stale.fetch_add(1, Ordering::Relaxed);
                }
                Err(fatal @ (StoreError::Fatal(_) | StoreError::Closed)) => return Err(fatal),
                Err(error @ (StoreError::NoSpace | StoreError::Busy)) => return Err(error),
                Err(error) => {
                    let batch = self.leave_alone(&subject, &error.to_string(), now);
                    self.store.commit(batch).await?;
                }
            }
        }
        self.counters.written.fetch_add(written as u64, Ordering::Relaxed);
        if written > 0 {
            self.told.notify_one();
        }
        Ok(written)
    }

    /// All that is known of a patient, and what surveillance looks at: that is kept with the tallies of a stay that is
    /// over, and not read before.
    async fn read(&self, patient: &str, shared: &mut Shared) -> Result<(Reading, Charting), StoreError> {
        let reading = self.stays.read(patient, shared).await?;
        if reading.assembled.stays.iter().all(|stay| stay.facts.ends.is_none()) {
            return Ok((reading, Charting::default()));
        }
        let charting = match self.stays.charting(patient, &reading.site).await {
            Ok((charting, _)) => charting,
            // the worklist must not wait for what only a report asks
            Err(error @ StoreError::TooLarge { .. }) => {
                warn!(error = %error, "a patient's events are not looked for: there are too many documents");
                Charting::default()
            }
            Err(error) => return Err(error),
        };
        Ok((reading, charting))
    }

    fn leave_alone(&self, subject: &Subject, why: &str, now: Instant) -> Batch {
        self.held.note(&subject.patient, None);
        self.counters.failed.fetch_add(1, Ordering::Relaxed);
        warn!(
            failures = subject.failures + 1,
            error = why,
            "a patient could not be reconciled and is left alone for a while"
        );
        let doubled = FIRST_PAUSE.as_micros().saturating_mul(1 << subject.failures.min(20));
        let pause = Length::micros(doubled).min(LONGEST_PAUSE);
        let failed = Failed {
            patient: subject.patient.clone(),
            error: why.to_owned(),
            retry_us: (now + pause).micros(),
        };
        Batch { now_us: now.micros(), failed: vec![failed], ..Batch::default() }
    }
}

/// Everything that follows for a patient from what is known at `now`.
fn decide(patient: &str, reading: &Reading, charting: &Charting, feeds: &Feeds, now: Instant) -> Decided {
    let site = &reading.site;
    let mut decided = Decided { reconciled: Reconciled::default(), utterances: Vec::new(), held_until: None };
    let mut wake: Option<Instant> = None;
    let mut doubts: Vec<Doubtful> = reading.assembled.waiting.iter().map(doubtful).collect();
    for stay in &reading.assembled.stays {
        let id = stay_id(&stay.facts);
        let feed = feeds.of(stay.facts.unit_at(now).as_deref(), now);
        let (ledger, ahead) = reconcile_ahead(&stay.facts, &site.rules, feed, now);
        let plan = plan(&ledger, &stay.facts, &site.rules, &said(id, &reading.said));
        let fresh = feed.watermark().min(now);
        let setting = Setting { rules: &site.rules, stay: id, patient, owners: &site.owners, now, fresh };
        decided.utterances.extend(utterances(&plan, &reading.said, &setting));
        let held = ledger.held_until.map(|_| now + HELD);
        decided.held_until = [decided.held_until, ledger.held_until].into_iter().flatten().min();
        wake = [wake, ledger.wake, plan.wake, held].into_iter().flatten().min();
        let over = matches!(ledger.state, State::Ended { .. })
            && ledger.wake.is_none()
            && ledger.unverified_since.is_none();
        let row = stay_row(patient, id, &ledger, &stay.facts, over);
        decided.reconciled.stays.push(StayRow { ahead: tallies::encode_ahead(&ahead), ..row });
        // of a stay that is not over surveillance is asked when somebody wants to know
        let watched = over.then(|| survey_of(&stay.facts, &ledger, charting, &site.rules).1);
        decided.reconciled.shares.extend(shares(id, &ledger, &watched.unwrap_or_default()));
        doubts.extend(stay.doubts.iter().chain(&ledger.doubts).map(doubtful));
    }
    doubts.sort();
    doubts.dedup();
    decided.reconciled.patient = patient.to_owned();
    decided.reconciled.generation = reading.generation;
    decided.reconciled.wake_us = wake.map(Instant::micros);
    decided.reconciled.depends_seq = reading.shared_seq;
    decided.reconciled.depends = Some(reading.assembled.depends.iter().cloned().collect());
    decided.reconciled.doubts = Some(doubts);
    decided
}

fn stay_row(
    patient: &str,
    id: &str,
    ledger: &Ledger,
    facts: &crate::care::facts::Facts,
    over: bool,
) -> StayRow {
    StayRow {
        stay: id.to_owned(),
        patient: patient.to_owned(),
        begins_us: facts.begins.map(Instant::micros),
        ends_us: facts.ends.as_ref().map(|e| e.at.micros()),
        open: !over,
        ledger_us: ledger.now.micros(),
        unit: ledger.unit.as_ref().map(|u| u.to_string()),
        ahead: None,
    }
}

/// What a stay contributes to the sums.
fn shares(
    stay: &str,
    ledger: &Ledger,
    watched: &BTreeMap<(Arc<str>, chrono::NaiveDate), Watched>,
) -> impl Iterator<Item = Share> {
    let part = |part: tallies::Part| {
        let tallies::Part { topic, unit, name, numbers } = part;
        Part { topic, unit: unit.to_string(), name, numbers }
    };
    tallies::parts(ledger, watched).into_iter().map(move |(day, parts)| Share {
        stay: stay.to_owned(),
        day: tallies::day_number(day),
        parts: parts.into_iter().map(part).collect(),
    })
}

fn doubtful(doubt: &crate::care::ledger::Doubt) -> Doubtful {
    let mut parts = doubt.source.0.splitn(3, '/');
    let (kind, id) = (parts.next().unwrap_or_default(), parts.next().unwrap_or_default());
    Doubtful { kind: kind.to_owned(), id: id.to_owned(), why: doubt.why.to_string() }
}

fn batch(decided: Decided, now: Instant) -> Batch {
    let audits = if decided.utterances.is_empty() { Vec::new() } else { vec![recorded()] };
    Batch {
        audits,
        now_us: now.micros(),
        writes: decided.utterances.into_iter().map(write).collect(),
        reconciled: vec![decided.reconciled],
        ..Batch::default()
    }
}

/// How something the service says is stored: under the version it replaces, and without making anyone dirty.
fn write(said: Utterance) -> Write {
    let row = said.row;
    Write {
        kind: said.kind.into(),
        id: Some(said.id),
        body: Some(said.body),
        precondition: said.replaces.map_or(Precondition::Absent, Precondition::Version),
        patient: row.patient.clone(),
        encounter: row.encounter.clone(),
        identifiers: identifier(&row).into_iter().collect(),
        outcome: Some(outcome_row(row)),
        ..Write::default()
    }
}

fn identifier(row: &outcomes::Row) -> Option<Identifier> {
    let (system, value) = row.identifier.as_ref()?.split_once('|')?;
    Some(Identifier { system: system.to_owned(), value: value.to_owned() })
}
