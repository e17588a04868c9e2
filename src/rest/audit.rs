//! Who did what: every request below `/fhir` leaves a row in the chain of the store, and the rows are served as
//! AuditEvents.
//!
//! What writes leaves its row in the transaction of the write: there is none without the other. What reads leaves its
//! row afterwards, many together, unless the configuration is strict: then the row is durable before the answer leaves,
//! and where it cannot be stored nothing is answered. One request leaves one row, however many documents it is about;
//! a Bundle that both writes and reads leaves one for each.

use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Mutex, PoisonError};

use axum::http::{Method, StatusCode};
use tokio::sync::{mpsc, watch};

use super::answer::Answer;
use super::ask::{self, Ask};
use super::refused::Refused;
use super::search::span;
use super::{Outcome, Rest, limits, text};
use crate::config::Auditing;
use crate::store::{Audit, AuditQuery, AuditRow, Batch, Document, Store, StoreError};
use crate::translate::audit::{Recorded, event};

/// A request while it is answered, as it will be recorded.
#[derive(Debug)]
pub(super) struct Act {
    row: Mutex<Audit>,
    /// A row was left with what was written.
    is_left: AtomicBool,
}

impl Act {
    /// A request that begins.
    pub(super) fn new(row: Audit) -> Self {
        Act { row: Mutex::new(row), is_left: AtomicBool::new(false) }
    }

    fn change(&self, change: impl FnOnce(&mut Audit)) {
        change(&mut self.row.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// R4's code of what is done, once it is known better.
    pub(super) fn is(&self, deed: &str) {
        self.change(|row| deed.clone_into(&mut row.deed));
    }

    /// A document is shown.
    pub(super) fn saw(&self, document: &Document) {
        let Document { kind, id, version, patient, .. } = document;
        self.change(|row| row.add(format!("{kind}/{id}/_history/{version}"), patient.as_deref()));
    }

    /// Documents were found: whose they are is recorded, and by the profile not which.
    pub(super) fn found(&self, documents: &[Document]) {
        self.change(|row| {
            for document in documents {
                row.about(document.patient.as_deref());
            }
        });
    }

    /// The row that goes with what is written.
    pub(super) fn of_writes(&self) -> Audit {
        self.is_left.store(true, Ordering::Relaxed);
        let row = self.row.lock().unwrap_or_else(PoisonError::into_inner);
        let Audit { deed, who, from, request, asked, .. } = row.clone();
        let outcome = "200".to_owned();
        Audit { deed, outcome, who, from, request, asked, of_writes: true, ..Audit::default() }
    }

    /// What was announced with [`Act::of_writes`] was not written.
    pub(super) fn was_refused(&self) {
        self.is_left.store(false, Ordering::Relaxed);
    }

    /// What is left to record when the answer is known.
    fn left(&self, status: StatusCode) -> Option<Audit> {
        let mut row = self.row.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if self.is_left.load(Ordering::Relaxed) && row.what.is_empty() && row.patients.is_empty() {
            return None;
        }
        row.outcome = status.as_u16().to_string();
        Some(row)
    }
}

/// R4's code of what a request does, by its method and path below `/fhir`; none: it concerns no document.
pub(super) fn deed(method: &Method, path: &[&str]) -> Option<&'static str> {
    let reads = method == Method::GET || method == Method::HEAD;
    Some(match path {
        ["metadata" | "openapi.json" | ".well-known", ..] => return None,
        [.., last] if last.starts_with('$') => "operation",
        [] => "transaction",
        [_, "_search"] => "search-type",
        [_, _, "_history", _] => "vread",
        [.., "_history"] => "history-instance",
        [_] if reads => "search-type",
        _ if reads => "read",
        _ if method == Method::POST => "create",
        _ if method == Method::DELETE => "delete",
        _ if method == Method::PATCH => "patch",
        _ => "update",
    })
}

/// Where rows go that no write takes along.
#[derive(Clone, Debug)]
pub struct Auditor {
    store: Store,
    mode: Auditing,
    /// To the task that stores many together; none: each is stored by itself.
    queue: Option<mpsc::Sender<(i64, Audit)>>,
}

impl Auditor {
    /// That stores each row by itself.
    pub fn direct(store: Store, mode: Auditing) -> Self {
        Auditor { store, mode, queue: None }
    }

    /// That stores many together; the task that does so runs until `stop` says so, and stores what is left then.
    pub fn queued(
        store: Store,
        mode: Auditing,
        stop: watch::Receiver<bool>,
    ) -> (Self, impl Future<Output = ()> + Send) {
        let (queue, rows) = mpsc::channel(limits::AUDIT_QUEUE);
        let run = collect(store.clone(), rows, stop);
        (Auditor { store, mode, queue: Some(queue) }, run)
    }

    /// Whether anything is recorded.
    pub(super) fn is_on(&self) -> bool {
        self.mode != Auditing::Off
    }

    /// Records what no write takes along.
    ///
    /// # Errors
    /// It could not be stored, and nothing may be answered without it.
    async fn record(&self, now_us: i64, row: Audit) -> Result<(), StoreError> {
        let row = match &self.queue {
            Some(queue) if self.mode != Auditing::Strict => match queue.send((now_us, row)).await {
                Ok(()) => return Ok(()),
                // the service is ending
                Err(mpsc::error::SendError((_, row))) => row,
            },
            Some(_) | None => row,
        };
        let stored = self.store.commit(Batch { now_us, audits: vec![row], ..Batch::default() }).await;
        match stored {
            Ok(_) => Ok(()),
            Err(error) if self.mode == Auditing::Strict => Err(error),
            Err(error) => {
                tracing::error!(%error, "what was read could not be recorded");
                Ok(())
            }
        }
    }
}

/// Stores what comes, many rows in one commit.
async fn collect(store: Store, mut rows: mpsc::Receiver<(i64, Audit)>, mut stop: watch::Receiver<bool>) {
    let mut some = Vec::with_capacity(limits::AUDIT_GROUP);
    loop {
        tokio::select! {
            many = rows.recv_many(&mut some, limits::AUDIT_GROUP) => if many == 0 { return },
            _ = stop.wait_for(|stop| *stop), if !rows.is_closed() => {
                rows.close();
                continue;
            }
        }
        let now_us = some.last().map_or(0, |(at, _)| *at);
        let audits: Vec<Audit> = some.drain(..).map(|(_, row)| row).collect();
        let many = audits.len();
        if let Err(error) = store.commit(Batch { now_us, audits, ..Batch::default() }).await {
            tracing::error!(%error, rows = many, "what was read could not be recorded");
        }
    }
}

impl Rest {
    /// Records a request whose answer is known; in strict mode the answer is withheld if that fails.
    pub(super) async fn record(&self, act: &Act, now_us: i64, answered: Outcome) -> Outcome {
        let status = match &answered {
            Ok(answer) => answer.status,
            Err(refused) => refused.status_and_code().0,
        };
        match act.left(status).filter(|_| self.auditor.is_on()) {
            None => answered,
            Some(row) => self.auditor.record(now_us, row).await.map_err(Refused::from).and(answered),
        }
    }
}

/// `GET /fhir/AuditEvent` and `/fhir/AuditEvent/number`.
pub(super) async fn serve(rest: &Rest, ask: &Ask<'_>, path: &[&str]) -> Outcome {
    if ask.method != Method::GET {
        return Err(Refused::Method("GET, HEAD"));
    }
    match path {
        [] => search(rest, ask).await,
        [id] => {
            let number = id.parse::<i64>().ok().filter(|n| *n > 0).ok_or(Refused::NotFound)?;
            let found =
                rest.store.audits_after(number - 1, 1).await?.into_iter().find(|r| r.number == number);
            let row = found.ok_or(Refused::NotFound)?;
            Ok(Answer::json(StatusCode::OK, rendered(rest, ask, &row).await?))
        }
        _ => Err(Refused::NotFound),
    }
}

async fn rendered(rest: &Rest, ask: &Ask<'_>, row: &AuditRow) -> Result<Vec<u8>, Refused> {
    let instance = rest.store.instance().await?;
    let audit = row.audit().ok_or(Refused::Failed)?;
    let recorded = Recorded {
        at_us: row.at_us,
        deed: &audit.deed,
        status: audit.outcome.parse().unwrap_or(500),
        who: &audit.who,
        from: &audit.from,
        request: &audit.request,
        asked: &audit.asked,
        what: &audit.what,
        more: audit.more,
        patients: &audit.patients,
        base: ask.base,
        instance: &instance,
    };
    Ok(event(&row.number.to_string(), &recorded))
}

/// By `date` (twice for a span) and `patient`, the newest first; anything else is refused, not left out.
async fn search(rest: &Rest, ask: &Ask<'_>) -> Outcome {
    let mut query = AuditQuery { limit: limits::PAGE_ROWS, ..AuditQuery::default() };
    let zone = rest.stays.site().settings.zone;
    let mut own = String::new();
    for (name, value) in ask::parameters(ask.query)? {
        match name.as_ref() {
            "date" => {
                let why = "expected a date or time after ge, gt, le, lt or nothing";
                let (from, to) = span(&value, zone).ok_or_else(|| Refused::value("date", why))?;
                query.from_us = query.from_us.max(from);
                query.to_us = [query.to_us, to].into_iter().flatten().min();
            }
            "patient" | "entity" => {
                let id = value.strip_prefix("Patient/").or((name == "patient").then_some(&*value));
                let id = id.filter(|id| fhir_models::primitive::is_id(id));
                let why = "expected one Patient/id";
                query.patient = Some(id.ok_or_else(|| Refused::value(&*name, why))?.to_owned());
            }
            "_count" => {
                let count = value.parse::<usize>().ok().filter(|c| *c > 0);
                let why = "expected a positive number";
                query.limit = count.ok_or_else(|| Refused::value("_count", why))?.min(limits::PAGE_ROWS_MAX);
            }
            "_cursor" => {
                let why = "expected what a link said";
                query.before = Some(value.parse().map_err(|_| Refused::value("_cursor", why))?);
                continue;
            }
            "_format" | "_pretty" => continue,
            other => {
                let why = "AuditEvents are searched by date, patient and entity";
                return Err(Refused::not_supported(other, why));
            }
        }
        own.push(if own.is_empty() { '?' } else { '&' });
        text::push_encoded(&mut own, &name);
        own.push('=');
        text::push_encoded(&mut own, &value);
    }
    let wanted = query.limit;
    query.limit += 1;
    let mut rows = rest.store.audits(query).await?;
    let more = rows.len() > wanted;
    rows.truncate(wanted);
    let mut out = String::from(
        "{\"resourceType\":\"Bundle\",\"type\":\"searchset\",\"link\":[{\"relation\":\"self\",\"url\":",
    );
    text::push_json(&mut out, &format!("{}/AuditEvent{own}", ask.base));
    if let Some(last) = rows.last().filter(|_| more) {
        out.push_str("},{\"relation\":\"next\",\"url\":");
        let mark = if own.is_empty() { '?' } else { '&' };
        text::push_json(&mut out, &format!("{}/AuditEvent{own}{mark}_cursor={}", ask.base, last.number));
    }
    out.push_str("}]");
    for (index, row) in rows.iter().enumerate() {
        out.push_str(if index == 0 { ",\"entry\":[{\"fullUrl\":" } else { ",{\"fullUrl\":" });
        text::push_json(&mut out, &format!("{}/AuditEvent/{}", ask.base, row.number));
        let event = String::from_utf8(rendered(rest, ask, row).await?).map_err(|_| Refused::Failed)?;
        out.push_str(&format!(",\"resource\":{event},\"search\":{{\"mode\":\"match\"}}}}"));
    }
    out.push_str(if rows.is_empty() { "}" } else { "]}" });
    Ok(Answer::json(StatusCode::OK, out))
}
