//! SQLite: one thread writes, a few connections read, one more copies the log into the file.

mod apply;
mod audit;
mod concern;
mod delivery;
mod derived;
mod fault;
mod group;
mod letters;
mod names;
mod open;
mod read;
mod readers;
mod search;
mod sums;
mod writer;

use std::path::{Path, PathBuf};
use std::sync::PoisonError;

use rusqlite::Connection;
use tokio::sync::{mpsc, oneshot, watch};

use self::fault::Health;
use self::readers::Readers;
use self::writer::{Inbox, Job, Pending, Urgent, Writer};
use super::{
    Audit, AuditFound, AuditQuery, AuditRow, Batch, Break, ChainHead, Changes, Committed, Counts, Delivery,
    Derived, Document, DoubtRow, Doubts, Heard, Letter, LetterQuery, Outbox, Page, Parcel, Past, PastQuery,
    Query, Shares, SourceRow, StayQuery, StayRow, StoreError, Subject, Summed, SumsQuery, Token, TokenRow,
    Way, limits,
};

/// A handle on a SQLite database. The writer ends when the last handle is dropped.
#[derive(Clone, Debug)]
pub struct Sqlite {
    jobs: mpsc::Sender<Job>,
    urgent: Urgent,
    health: Health,
    /// None for a database in memory: its one connection belongs to the writer, which reads as well.
    readers: Option<Readers>,
    changed: watch::Sender<()>,
}

impl Sqlite {
    pub(super) async fn open(path: Option<&Path>) -> Result<Sqlite, StoreError> {
        let path = path.map(Path::to_path_buf);
        let opened = tokio::task::spawn_blocking(move || Sqlite::open_now(path)).await;
        opened.map_err(|e| StoreError::Internal(e.to_string()))?
    }

    fn open_now(path: Option<PathBuf>) -> Result<Sqlite, StoreError> {
        let health = Health::default();
        let conn = open::open(path.as_deref())?;
        let (jobs, queue) = mpsc::channel(limits::QUEUE_BATCHES);
        let urgent = Urgent::default();
        let inbox = Inbox { queue, urgent: urgent.clone() };
        Writer::start(conn, inbox, health.clone(), path.as_deref())?;
        let readers = path.map(|path| Readers::new(path, health.clone()));
        Ok(Sqlite { jobs, urgent, health, readers, changed: watch::Sender::new(()) })
    }

    pub(super) async fn commit(&self, batch: Batch) -> Result<Committed, StoreError> {
        let bytes = bytes(&batch);
        if batch.writes.len() > limits::BATCH_WRITES {
            return Err(StoreError::TooLarge { what: "the number of writes", limit: limits::BATCH_WRITES });
        }
        if bytes > limits::BATCH_BYTES {
            return Err(StoreError::TooLarge { what: "the bytes of bodies", limit: limits::BATCH_BYTES });
        }
        self.health.check()?;
        let digests = batch.writes.iter().map(|w| w.body.as_deref().map_or(0, apply::digest)).collect();
        if only_records(&batch) {
            return self.hand_over_before_others(batch).await;
        }
        // of what was only recorded nobody need know
        let waits = !batch.deliveries.is_empty() || !batch.letters.is_empty();
        let tells = waits || !batch.writes.is_empty() || !batch.reconciled.is_empty();
        let pending = |reply| Job::Commit(Box::new(Pending { batch, digests, bytes, reply }));
        let committed = self.hand_over(pending).await;
        if tells && committed.is_ok() {
            self.changed.send_replace(());
        }
        committed
    }

    pub(super) fn changed(&self) -> watch::Receiver<()> {
        self.changed.subscribe()
    }

    /// For what somebody waits for who only reads: it does not wait behind what others write, but for the transaction that
    /// is under way.
    async fn hand_over_before_others(&self, batch: Batch) -> Result<Committed, StoreError> {
        let (reply, answer) = oneshot::channel();
        let pending = Pending { batch, digests: Vec::new(), bytes: 0, reply };
        self.urgent.lock().unwrap_or_else(PoisonError::into_inner).push(pending);
        self.jobs.send(Job::Look).await.map_err(|_| StoreError::Closed)?;
        answer.await.unwrap_or_else(|_| Err(StoreError::Fatal("the writer ended".into())))
    }

    /// Runs on the connection that writes, between two transactions.
    async fn on_writer<T: Send + 'static>(
        &self,
        run: impl FnOnce(&Connection) -> rusqlite::Result<T> + Send + 'static,
    ) -> Result<T, StoreError> {
        let health = self.health.clone();
        self.hand_over(|reply| {
            Job::Run(Box::new(move |conn| {
                // nobody waits for it any more: not an error
                let _ = reply.send(run(conn).map_err(|e| health.judge(&e)));
            }))
        })
        .await
    }

    /// Runs in one read transaction: all that it reads is as of one instant.
    async fn read<T: Send + 'static>(
        &self,
        run: impl FnOnce(&Connection) -> rusqlite::Result<T> + Send + 'static,
    ) -> Result<T, StoreError> {
        match &self.readers {
            Some(readers) => readers.read(run).await,
            None => self.on_writer(run).await,
        }
    }

    async fn hand_over<T>(
        &self,
        job: impl FnOnce(oneshot::Sender<Result<T, StoreError>>) -> Job,
    ) -> Result<T, StoreError> {
        let (reply, answer) = oneshot::channel();
        self.jobs.send(job(reply)).await.map_err(|_| StoreError::Closed)?;
        // an answer that never comes: the writer ended by a panic, and whether it had stored the batch is not known
        answer.await.unwrap_or_else(|_| Err(StoreError::Fatal("the writer ended".into())))
    }

    pub(super) async fn close(&self) -> Result<(), StoreError> {
        if let Some(readers) = &self.readers {
            readers.close();
        }
        self.hand_over(Job::Close).await
    }

    pub(super) async fn limit_size(&self, bytes: u64) -> Result<(), StoreError> {
        self.on_writer(move |conn| {
            let page = conn.query_row("PRAGMA page_size", [], |r| read::natural(r, 0))?;
            let pages = (bytes / page.max(1)).clamp(1, u64::from(u32::MAX - 1));
            conn.query_row(&format!("PRAGMA max_page_count = {pages}"), [], |_| Ok(()))
        })
        .await
    }

    pub(super) async fn redo(&self, derived: Derived) -> Result<u64, StoreError> {
        self.health.check()?;
        self.on_writer(move |conn| derived::redo(conn, derived)).await
    }

    pub(super) async fn document(&self, kind: &str, id: &str) -> Result<Option<Document>, StoreError> {
        let (kind, id) = (kind.to_owned(), id.to_owned());
        self.read(move |conn| read::current(conn, &kind, &id)).await
    }

    pub(super) async fn version(
        &self,
        kind: &str,
        id: &str,
        version: u64,
    ) -> Result<Option<Document>, StoreError> {
        let (kind, id) = (kind.to_owned(), id.to_owned());
        self.read(move |conn| read::version(conn, &kind, &id, version)).await
    }

    pub(super) async fn history(
        &self,
        kind: &str,
        id: &str,
        before: Option<u64>,
        limit: usize,
    ) -> Result<Vec<Document>, StoreError> {
        let (kind, id) = (kind.to_owned(), id.to_owned());
        self.read(move |conn| read::history(conn, &kind, &id, before, limit)).await
    }

    pub(super) async fn past(&self, query: PastQuery) -> Result<Vec<Past>, StoreError> {
        self.read(move |conn| search::past(conn, &query)).await
    }

    pub(super) async fn document_at(&self, seq: i64) -> Result<Option<Document>, StoreError> {
        self.read(move |conn| read::at(conn, seq)).await
    }

    pub(super) async fn count(&self, kind: &str) -> Result<u64, StoreError> {
        let kind = kind.to_owned();
        self.read(move |conn| read::count(conn, &kind)).await
    }

    pub(super) async fn by_identifier(&self, kind: &str, token: &Token) -> Result<Vec<String>, StoreError> {
        let (kind, token) = (kind.to_owned(), token.clone());
        self.read(move |conn| read::by_identifier(conn, &kind, &token, limits::PAGE_ROWS)).await
    }

    pub(super) async fn search(&self, query: Query) -> Result<Page, StoreError> {
        self.read(move |conn| search::search(conn, &query)).await
    }

    pub(super) async fn documents_of(&self, patient: &str, after_seq: i64) -> Result<Changes, StoreError> {
        let patient = patient.to_owned();
        let changes = self.read(move |conn| read::documents_of(conn, &patient, after_seq)).await?;
        changes.ok_or(StoreError::TooLarge {
            what: "the bytes of a patient's documents",
            limit: limits::PATIENT_BYTES,
        })
    }

    pub(super) async fn due(&self, now_us: i64, limit: usize) -> Result<Vec<Subject>, StoreError> {
        self.read(move |conn| read::due(conn, now_us, limit)).await
    }

    pub(super) async fn next_wake(&self) -> Result<Option<i64>, StoreError> {
        self.read(read::next_wake).await
    }

    pub(super) async fn subjects(
        &self,
        after: Option<&str>,
        limit: usize,
    ) -> Result<Vec<Subject>, StoreError> {
        let after = after.unwrap_or_default().to_owned();
        self.read(move |conn| read::subjects(conn, &after, limit)).await
    }

    pub(super) async fn subject(&self, patient: &str) -> Result<Option<Subject>, StoreError> {
        let patient = patient.to_owned();
        self.read(move |conn| read::subject_of(conn, &patient)).await
    }

    pub(super) async fn failing(&self, limit: usize) -> Result<Vec<Subject>, StoreError> {
        self.read(move |conn| read::failing(conn, limit)).await
    }

    pub(super) async fn stays(&self, query: StayQuery) -> Result<Vec<StayRow>, StoreError> {
        self.read(move |conn| search::stays(conn, &query)).await
    }

    pub(super) async fn heard_of(&self, unit: &str, kind: &str) -> Result<Heard, StoreError> {
        let (unit, kind) = (unit.to_owned(), kind.to_owned());
        self.read(move |conn| search::heard_of(conn, &unit, &kind)).await
    }

    pub(super) async fn summed(&self, query: SumsQuery) -> Result<Summed, StoreError> {
        self.read(move |conn| sums::summed(conn, &query)).await
    }

    pub(super) async fn shares(&self, patient: &str, from: i64, to: i64) -> Result<Shares, StoreError> {
        let patient = patient.to_owned();
        self.read(move |conn| sums::shares(conn, &patient, from, to)).await
    }

    pub(super) async fn counted(&self, from: i64, to: i64, limit: usize) -> Result<Vec<String>, StoreError> {
        self.read(move |conn| sums::counted(conn, from, to, limit)).await
    }

    pub(super) async fn encounters_changed(
        &self,
        after_us: i64,
        limit: usize,
    ) -> Result<Vec<String>, StoreError> {
        self.read(move |conn| sums::encounters_changed(conn, after_us, limit)).await
    }

    pub(super) async fn sums_changed(
        &self,
        after_seq: i64,
        limit: usize,
    ) -> Result<Vec<(i64, String, i64)>, StoreError> {
        self.read(move |conn| sums::changed(conn, after_seq, limit)).await
    }

    pub(super) async fn doubts(
        &self,
        of: Doubts,
        after_seq: i64,
        limit: usize,
    ) -> Result<Vec<DoubtRow>, StoreError> {
        self.read(move |conn| read::doubts(conn, &of, after_seq, limit)).await
    }

    pub(super) async fn sources(&self) -> Result<Vec<SourceRow>, StoreError> {
        self.read(read::sources).await
    }

    pub(super) async fn token(&self, digest: &str) -> Result<Option<TokenRow>, StoreError> {
        let digest = digest.to_owned();
        self.read(move |conn| read::token(conn, &digest)).await
    }

    pub(super) async fn mark(&self, name: &str) -> Result<Option<String>, StoreError> {
        let name = apply::mark_name(name);
        self.read(move |conn| read::meta(conn, &name)).await
    }

    pub(super) async fn instance(&self) -> Result<String, StoreError> {
        Ok(self.read(|conn| read::meta(conn, open::INSTANCE)).await?.unwrap_or_default())
    }

    pub(super) async fn letters(&self, query: LetterQuery) -> Result<Vec<Letter>, StoreError> {
        self.read(move |conn| letters::letters(conn, &query)).await
    }

    pub(super) async fn letter(&self, number: i64) -> Result<Option<Letter>, StoreError> {
        self.read(move |conn| letters::letter_at(conn, number)).await
    }

    pub(super) async fn letter_counts(&self) -> Result<Vec<(Way, String, u64)>, StoreError> {
        self.read(letters::counts).await
    }

    pub(super) async fn deliveries_due(
        &self,
        place: &str,
        now_us: i64,
        limit: usize,
    ) -> Result<Vec<Delivery>, StoreError> {
        let place = place.to_owned();
        self.read(move |conn| delivery::due(conn, &place, now_us, limit)).await
    }

    pub(super) async fn deliveries_waiting(
        &self,
        place: &str,
        limit: usize,
    ) -> Result<Vec<Delivery>, StoreError> {
        let place = place.to_owned();
        self.read(move |conn| delivery::waiting(conn, &place, limit)).await
    }

    pub(super) async fn delivery(&self, parcel: &Parcel) -> Result<Option<Delivery>, StoreError> {
        let parcel = parcel.clone();
        self.read(move |conn| delivery::of(conn, &parcel)).await
    }

    pub(super) async fn delivery_there(
        &self,
        place: &str,
        kind: &str,
        there: &str,
    ) -> Result<Option<Delivery>, StoreError> {
        let (place, kind, there) = (place.to_owned(), kind.to_owned(), there.to_owned());
        self.read(move |conn| delivery::known_as(conn, &place, &kind, &there)).await
    }

    pub(super) async fn next_delivery(&self, place: &str, now_us: i64) -> Result<Option<i64>, StoreError> {
        let place = place.to_owned();
        self.read(move |conn| delivery::next(conn, &place, now_us)).await
    }

    pub(super) async fn outboxes(&self) -> Result<Vec<Outbox>, StoreError> {
        self.read(delivery::outboxes).await
    }

    pub(super) async fn audits(&self, query: AuditQuery) -> Result<Vec<AuditRow>, StoreError> {
        self.read(move |conn| audit::audits(conn, &query)).await
    }

    pub(super) async fn audits_after(
        &self,
        number: i64,
        limit: usize,
    ) -> Result<Vec<AuditFound>, StoreError> {
        self.read(move |conn| audit::found(conn, number, limit)).await
    }

    pub(super) async fn audit_head(&self) -> Result<ChainHead, StoreError> {
        self.read(audit::last).await
    }

    pub(super) async fn walk_audits(
        &self,
        heads: Vec<ChainHead>,
        rows: usize,
    ) -> Result<(ChainHead, Vec<Break>), StoreError> {
        self.read(move |conn| audit::walk(conn, heads, rows)).await
    }

    pub(super) async fn retire_audits(
        &self,
        before_us: i64,
        limit: usize,
        now_us: i64,
        audit: Audit,
    ) -> Result<u64, StoreError> {
        self.health.check()?;
        self.on_writer(move |conn| audit::retire(conn, before_us, limit, now_us, audit)).await
    }

    pub(super) async fn counts(&self) -> Result<Counts, StoreError> {
        self.read(read::counts).await
    }
}

/// Whether a batch says only what was done, and writes nothing.
fn only_records(batch: &Batch) -> bool {
    let Batch {
        now_us: _,
        writes,
        reconciled,
        failed,
        heartbeat,
        grant,
        rests_on,
        audits,
        letters,
        settled,
        deliveries,
        marks,
    } = batch;
    let others = [
        writes.is_empty(),
        reconciled.is_empty(),
        failed.is_empty(),
        marks.is_empty(),
        letters.is_empty(),
        settled.is_empty(),
        deliveries.is_empty(),
    ];
    let none = heartbeat.is_none() && grant.is_none() && rests_on.is_empty();
    !audits.is_empty() && none && others.into_iter().all(|empty| empty)
}

/// The bytes of the bodies of a batch.
fn bytes(batch: &Batch) -> usize {
    let writes = batch.writes.iter().filter_map(|w| w.body.as_ref());
    writes.chain(batch.letters.iter().filter_map(|l| l.body.as_ref())).map(Vec::len).sum()
}
