//! Who did what: every request below `/fhir`, every one for a token, and every page, leaves a row in the chain of the
//! store, and the rows are served as AuditEvents (`serve`).
//!
//! # Guarantees
//! - What writes leaves its row in the transaction of the write: there is none without the other.
//! - What reads leaves its row before its answer: nobody has been told what is not recorded. Where the disk is full
//!   a row cannot be stored; then the answer leaves nevertheless, for the worklist is wanted at the bedside, and how
//!   often that was is recorded when there is room again. The configuration can have it refused.
//! - Each entry of a Bundle, each document of a history and each patient of a search is an AuditEvent of its own.
//! - What was refused is recorded, up to [`limits::AUDIT_REFUSED`] a minute; what is beyond is counted, and the count
//!   is recorded.
//!
//! # Not recorded
//! - What tells of nobody: the CapabilityStatement, the description, whether the service is alive, metrics, heartbeats.

mod flood;
mod pages;
mod serve;
mod shown;

pub use pages::record_page;

pub(super) use serve::{document, document_at, page, past};

use std::collections::BTreeSet;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use axum::http::{HeaderValue, Method, StatusCode};
use tokio::sync::watch;

use self::flood::Flood;
use super::access::Who;
use super::refused::Refused;
use super::{Outcome, Rest, limits, text, types};
use crate::clock::Clock;
use crate::config::Auditing;
use crate::store::{Audit, Batch, Document, Store, StoreError, Thing};
use crate::translate::audit::{by, deed};
use crate::translate::subscription::Subscriber;

/// A request while it is answered, as it will be recorded.
#[derive(Debug)]
pub(super) struct Act {
    row: Mutex<Audit>,
    /// A row was left with what was written.
    has_written: AtomicBool,
    /// Entries that were refused and are not listed.
    unlisted: Mutex<u64>,
}

impl Act {
    /// A request that begins: from where, under which id, and what it asks.
    pub(super) fn new(from: std::net::IpAddr, id: &HeaderValue, method: &Method, asked: &str) -> Self {
        let row = Audit {
            by: by::UNKNOWN.into(),
            from: from.to_canonical().to_string(),
            request: id.to_str().unwrap_or_default().to_owned(),
            asked: text::cut(&format!("{method} {asked}"), limits::AUDIT_ASKED_BYTES).to_owned(),
            ..Audit::default()
        };
        Act { row: Mutex::new(row), has_written: AtomicBool::new(false), unlisted: Mutex::new(0) }
    }

    fn change(&self, change: impl FnOnce(&mut Audit)) {
        change(&mut self.row.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// R4's code of what is done, once it is known or known better; empty: what is not recorded.
    pub(super) fn is(&self, deed: &'static str) {
        self.change(|row| row.deed = deed.into());
    }

    /// Who asks.
    pub(super) fn of(&self, who: &Who) {
        self.change(|row| match who {
            Who::Anybody => row.by = by::ANYBODY.into(),
            Who::Holder(holder) => {
                row.by = by::CLIENT.into();
                row.who.clone_from(&holder.client);
                row.issuer.clone_from(&holder.issuer);
            }
        });
    }

    /// Who somebody says it is, without proof.
    pub(super) fn claims(&self, who: &str) {
        let who = text::cut(who, crate::access::limits::NAME_BYTES);
        self.change(|row| row.who = who.to_owned());
    }

    /// Parameters that came in the body.
    pub(super) fn asks(&self, form: &str) {
        let form = text::cut(form, limits::AUDIT_ASKED_BYTES);
        self.change(|row| {
            let asked = format!("{}\n\n{form}", row.asked);
            row.asked = text::cut(&asked, limits::AUDIT_ASKED_BYTES).to_owned();
        });
    }

    /// A document is shown, which is about `patient`.
    fn saw(&self, deed: &'static str, document: &Document, patient: Option<String>) {
        let Document { kind, id, version, .. } = document;
        let thing = Thing {
            deed: deed.into(),
            kind: kind.clone().into(),
            id: id.clone(),
            // an AuditEvent never has another
            version: if kind == types::AUDIT { 0 } else { *version },
            patient,
            ..Thing::default()
        };
        self.change(|row| row.things.push(thing));
    }

    /// What is no document of the store is shown.
    pub(super) fn saw_other(&self, deed: &'static str, kind: &'static str, id: &str) {
        let thing = Thing { deed: deed.into(), kind: kind.into(), id: id.to_owned(), ..Thing::default() };
        self.change(|row| row.things.push(thing));
    }

    /// Documents were found: whose they are is recorded, and as the profile has it not which.
    fn found(&self, patients: BTreeSet<String>) {
        let thing = |patient: String| Thing {
            deed: "search-type".into(),
            patient: Some(patient),
            ..Thing::default()
        };
        self.change(|row| row.things.extend(patients.into_iter().map(thing)));
    }

    /// An operation tells of patients.
    pub(super) fn tells_of<'p>(&self, patients: impl Iterator<Item = &'p str>) {
        let things =
            patients.map(|p| Thing { patient: Some(p.to_owned()), ..Thing::default() }).collect::<Vec<_>>();
        self.change(|row| row.things.extend(things));
    }

    /// With how many things it was done so far.
    pub(super) fn many(&self) -> usize {
        self.row.lock().unwrap_or_else(PoisonError::into_inner).things.len()
    }

    /// What it was done with beyond the first `before` was for an entry of a Bundle: it is told of as what the entry
    /// asked. An entry that was done with nothing is told of, too, unless what it asks tells of nobody.
    pub(super) fn of_entry(&self, before: usize, deed: &'static str, asked: &str) {
        let asked = text::cut(asked, limits::AUDIT_ASKED_BYTES);
        self.change(|row| {
            if row.things.len() == before && !deed.is_empty() {
                row.things.push(Thing { deed: deed.into(), ..Thing::default() });
            }
            for thing in row.things.iter_mut().skip(before) {
                if thing.deed.is_empty() {
                    thing.deed = deed.into();
                }
                if thing.kind.is_empty() {
                    asked.clone_into(&mut thing.asked);
                }
            }
        });
    }

    /// What it was done with beyond the first `before` was not answered after all.
    pub(super) fn forget(&self, before: usize) {
        self.change(|row| row.things.truncate(before));
    }

    /// An entry of a Bundle was refused.
    pub(super) fn refused(&self, deed: &'static str, asked: &str, status: StatusCode) {
        let mut row = self.row.lock().unwrap_or_else(PoisonError::into_inner);
        let refused = row.things.iter().filter(|t| t.status >= 400).count();
        if refused >= limits::AUDIT_REFUSED_ENTRIES {
            *self.unlisted.lock().unwrap_or_else(PoisonError::into_inner) += 1;
            return;
        }
        row.things.push(Thing {
            deed: deed.into(),
            status: status.as_u16(),
            asked: text::cut(asked, limits::AUDIT_REFUSED_BYTES).to_owned(),
            ..Thing::default()
        });
    }

    /// Who asks, as whom a Subscription tells.
    pub(super) fn subscriber(&self) -> Subscriber {
        let row = self.row.lock().unwrap_or_else(PoisonError::into_inner);
        let some = |text: &String| Some(text.clone()).filter(|t| !t.is_empty());
        Subscriber { client: some(&row.who), issuer: some(&row.issuer) }
    }

    /// The row that goes with a token that is given out.
    pub(super) fn granted(&self) -> Audit {
        Audit { by: by::CLIENT.into(), of_writes: false, ..self.of_writes() }
    }

    /// The row that goes with what is written.
    pub(super) fn of_writes(&self) -> Audit {
        let row = self.row.lock().unwrap_or_else(PoisonError::into_inner).clone();
        Audit { status: 200, asked: String::new(), things: Vec::new(), of_writes: true, ..row }
    }

    /// What went with [`Act::of_writes`] is stored.
    pub(super) fn has_written(&self) {
        self.has_written.store(true, Ordering::Relaxed);
    }

    /// What is left to record when the answer is known.
    fn left(&self, status: StatusCode) -> Option<Audit> {
        let mut row = self.row.lock().unwrap_or_else(PoisonError::into_inner).clone();
        let is_well = status.as_u16() < 400;
        let is_told = is_well && self.has_written.load(Ordering::Relaxed) && row.things.is_empty();
        if is_told || row.deed.is_empty() {
            return None;
        }
        row.status = status.as_u16();
        if !is_well {
            row.things.clear();
            row.asked = text::cut(&row.asked, limits::AUDIT_REFUSED_BYTES).to_owned();
        } else if !row.things.is_empty() && !matches!(&*row.deed, "search-type" | "operation") {
            // what it was done with says it
            row.asked.clear();
        }
        Some(row)
    }
}

/// R4's code of what a request does, by its method and path below `/fhir`; empty: it tells of nobody.
pub(super) fn interaction(method: &Method, path: &[&str]) -> &'static str {
    let reads = method == Method::GET || method == Method::HEAD;
    match path {
        ["metadata" | ".well-known", ..] => "",
        [.., last] if last.starts_with('$') => "operation",
        [] => "transaction",
        [_, "_search"] => "search-type",
        [_, _, "_history", _] => "vread",
        ["_history"] => "history-system",
        [_, "_history"] => "history-type",
        [.., "_history"] => "history-instance",
        [_] if reads => "search-type",
        _ if reads => "read",
        _ if method == Method::POST => "create",
        _ if method == Method::DELETE => "delete",
        _ if method == Method::PATCH => "patch",
        _ => "update",
    }
}

fn only_reads(deed: &str) -> bool {
    matches!(deed, "read" | "vread" | "search-type" | "operation") || deed.starts_with("history")
}

/// Where rows go that no write takes along. Cloning gives another handle on the same.
#[derive(Clone, Debug)]
pub struct Auditor {
    store: Store,
    settings: Auditing,
    flood: Arc<Mutex<Flood>>,
}

impl Auditor {
    /// For a store.
    pub(super) fn new(store: Store, settings: Auditing) -> Self {
        Auditor { store, settings, flood: Arc::default() }
    }

    fn flood(&self) -> std::sync::MutexGuard<'_, Flood> {
        self.flood.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Records what no write takes along.
    ///
    /// # Errors
    /// It could not be stored.
    async fn record(&self, now_us: i64, row: Audit) -> Result<(), StoreError> {
        if !self.settings.reads && only_reads(&row.deed) {
            return Ok(());
        }
        let (is_recorded, told) = self.flood().take(now_us, row.status >= 400);
        if !is_recorded {
            return Ok(());
        }
        let audits = told.map(unlisted).into_iter().chain([row]).collect();
        match self.store.commit(Batch { now_us, audits, ..Batch::default() }).await {
            Ok(_) => Ok(()),
            Err(error) => {
                self.flood().lost(1 + told.unwrap_or(0));
                if error == StoreError::NoSpace && !self.settings.strict {
                    tracing::error!("there is no room to record what is read; it is counted, and answered");
                    return Ok(());
                }
                Err(error)
            }
        }
    }

    /// Records what was counted and not listed, for the end.
    ///
    /// # Errors
    /// The store.
    async fn finish(&self, now_us: i64) -> Result<(), StoreError> {
        let told = self.flood().rest();
        let Some(many) = told else { return Ok(()) };
        let audits = vec![unlisted(many)];
        self.store.commit(Batch { now_us, audits, ..Batch::default() }).await.map(|_| ())
    }
}

impl Auditor {
    /// Removes what is older than the configuration keeps, now and then; at the end records what was only counted. Runs
    /// until `stop` says so.
    pub async fn run(self, clock: Clock, mut stop: watch::Receiver<bool>) {
        while !*stop.borrow() {
            if let Err(error) = self.retire(clock.now().micros()).await {
                tracing::warn!(%error, "audit rows whose time is over could not be removed; it is tried again");
            }
            // whoever keeps the log has a head that the chain must fit with
            if let Ok(head) = self.store.audit_head().await {
                tracing::info!(%head, "the chain of audit rows goes up to here");
            }
            tokio::select! {
                () = tokio::time::sleep(limits::AUDIT_RETIRES) => {}
                _ = stop.changed() => {}
            }
        }
        if let Err(error) = self.finish(clock.now().micros()).await {
            tracing::error!(%error, "how many acts are not listed in the audit could not be recorded");
        }
    }

    async fn retire(&self, now_us: i64) -> Result<(), StoreError> {
        let Some(days) = self.settings.keep_days else { return Ok(()) };
        let before_us = now_us.saturating_sub(i64::from(days) * DAY_US);
        loop {
            let row = Audit { status: 200, by: by::SERVICE.into(), ..Audit::default() };
            if self.store.retire_audits(before_us, limits::AUDIT_RETIRED, now_us, row).await? == 0 {
                return Ok(());
            }
        }
    }
}

const DAY_US: i64 = 86_400_000_000;

/// The row that stands for acts that are not listed.
fn unlisted(many: u64) -> Audit {
    let (deed, by) = (deed::UNLISTED.into(), by::SERVICE.into());
    Audit { deed, status: 403, by, more: many, ..Audit::default() }
}

impl Rest {
    /// Records a request whose answer is known; what cannot be recorded is not answered.
    pub(super) async fn record(&self, act: &Act, now_us: i64, answered: Outcome) -> Outcome {
        let status = match &answered {
            Ok(answer) => answer.status,
            Err(refused) => refused.status_and_code().0,
        };
        let unlisted = std::mem::take(&mut *act.unlisted.lock().unwrap_or_else(PoisonError::into_inner));
        self.auditor.flood().lost(unlisted);
        let Some(row) = act.left(status) else { return answered };
        match self.auditor.record(now_us, row).await {
            Err(error) if answered.is_ok() => Err(Refused::from(error)),
            Ok(()) | Err(_) => answered,
        }
    }
}
