//! The thread that writes: what waits is put into one transaction, committed, and answered.

use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc as std_mpsc;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};

use rusqlite::{Connection, Transaction, TransactionBehavior};
use tokio::sync::{mpsc, oneshot};

use super::apply::Stop;
use super::fault::{Health, at_open};
use super::group::Group;
use super::open::{Role, connect};
use crate::store::{Batch, Committed, StoreError, limits};

/// What the writer is asked for.
pub(super) enum Job {
    /// Store a batch.
    Commit(Box<Pending>),
    /// Nothing: what is urgent is there.
    Look,
    /// Run something between two transactions; it answers for itself.
    Run(Box<dyn FnOnce(&Connection) + Send>),
    /// End, after what has been asked for already.
    Close(oneshot::Sender<Result<(), StoreError>>),
}

/// A batch and who waits for it.
pub(super) struct Pending {
    pub(super) batch: Batch,
    /// Of each body; 0 where there is none.
    pub(super) digests: Vec<u64>,
    /// Of all bodies together.
    pub(super) bytes: usize,
    pub(super) reply: oneshot::Sender<Result<Committed, StoreError>>,
}

impl std::fmt::Debug for Pending {
    /// Without what is in it.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Pending").field("bytes", &self.bytes).finish_non_exhaustive()
    }
}

/// Batches that a reader waits for: they go with the next transaction, whatever waits before them.
pub(super) type Urgent = Arc<Mutex<Vec<Pending>>>;

/// What the writer is asked, from both sides.
pub(super) struct Inbox {
    pub(super) queue: mpsc::Receiver<Job>,
    pub(super) urgent: Urgent,
}

impl Drop for Inbox {
    /// Whoever waits is told that nobody comes, however the writer ended: first nothing more comes in.
    fn drop(&mut self) {
        self.queue.close();
        self.urgent.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }
}

/// The connection that writes, and its queue.
pub(super) struct Writer {
    conn: Connection,
    inbox: Inbox,
    health: Health,
    copier: Option<Copier>,
}

impl Writer {
    /// Starts the thread. It ends when it is asked to, or when nobody can ask any more.
    pub(super) fn start(
        conn: Connection,
        inbox: Inbox,
        health: Health,
        path: Option<&Path>,
    ) -> Result<(), StoreError> {
        let copier = path.map(|path| Copier::start(path, health.clone())).transpose()?;
        let writer = Writer { conn, inbox, health, copier };
        spawn("store-writer", move || writer.run())?;
        Ok(())
    }

    fn run(mut self) {
        let mut closing = None;
        let mut next = None;
        while let Some(job) = next.take().or_else(|| self.inbox.queue.blocking_recv()) {
            match job {
                Job::Commit(first) => {
                    let (group, other) = self.gather(*first);
                    next = other;
                    self.commit(group);
                }
                Job::Look => {
                    let urgent = self.take_urgent();
                    if !urgent.is_empty() {
                        self.commit(urgent);
                    }
                }
                Job::Run(run) => run(&self.conn),
                Job::Close(reply) => {
                    self.inbox.queue.close();
                    closing = Some(reply);
                }
            }
        }
        let ended = self.end();
        if let Some(reply) = closing {
            let _ = reply.send(ended);
        }
    }

    fn take_urgent(&self) -> Vec<Pending> {
        std::mem::take(&mut *self.inbox.urgent.lock().unwrap_or_else(PoisonError::into_inner))
    }

    /// What is urgent and what waits already, up to the limits of a transaction, and the job that is not a batch and comes
    /// after it.
    fn gather(&mut self, first: Pending) -> (Vec<Pending>, Option<Job>) {
        let mut bytes = first.bytes;
        let mut group = self.take_urgent();
        group.push(first);
        while group.len() < limits::GROUP_BATCHES && bytes < limits::GROUP_BYTES {
            match self.inbox.queue.try_recv() {
                Ok(Job::Commit(pending)) => {
                    bytes += pending.bytes;
                    group.push(*pending);
                }
                Ok(other) => return (group, Some(other)),
                Err(_) => break,
            }
        }
        (group, None)
    }

    /// Commits a group and answers everybody in it.
    fn commit(&mut self, group: Vec<Pending>) {
        let outcomes = self.health.check().and_then(|()| {
            let outcomes = self.transact(&group);
            outcomes.map_err(|e| self.health.judge(&e))
        });
        match outcomes {
            Ok(outcomes) => {
                for (pending, outcome) in group.into_iter().zip(outcomes) {
                    // the caller may have gone; what is stored is stored
                    let _ = pending.reply.send(outcome);
                }
                self.copy_log();
            }
            // whatever one batch did to the transaction must not be the others' loss: each alone
            Err(StoreError::NoSpace | StoreError::Internal(_)) if group.len() > 1 => {
                for pending in group {
                    self.commit(vec![pending]);
                }
            }
            Err(error) => {
                for pending in group {
                    let _ = pending.reply.send(Err(error.clone()));
                }
            }
        }
    }

    /// One transaction for all of the group: an answer for each, or an error that stands for all.
    fn transact(&mut self, group: &[Pending]) -> rusqlite::Result<Vec<Result<Committed, StoreError>>> {
        let tx = Transaction::new(&mut self.conn, TransactionBehavior::Immediate)?;
        let mut open = Group::begin(&tx)?;
        let mut outcomes = Vec::with_capacity(group.len());
        for pending in group {
            match open.apply(&pending.batch, &pending.digests) {
                Ok(committed) => outcomes.push(Ok(committed)),
                Err(Stop::Refused(why)) => outcomes.push(Err(why)),
                Err(Stop::Fault(error)) => return Err(error),
            }
        }
        open.finish()?;
        fail::fail_point!("committing", |_| std::process::abort());
        tx.commit()?;
        fail::fail_point!("committed", |_| std::process::abort());
        Ok(outcomes)
    }

    /// Has the log copied in the background, and finishes the copying itself if the log has become too long. By its pages:
    /// sums and audit rows fill it too, and have no bodies.
    fn copy_log(&mut self) {
        let Some(copier) = &mut self.copier else { return };
        let pages = copy(&self.conn, "NOOP", &self.health);
        if pages < copier.asked_at {
            // the log has begun again from its beginning
            copier.asked_at = 0;
        }
        if pages - copier.asked_at >= limits::CHECKPOINT_PAGES {
            copier.asked_at = pages;
            copier.ask();
        }
        if copier.behind.swap(false, Ordering::AcqRel) {
            copy(&self.conn, "PASSIVE", &self.health);
        }
    }

    /// Leaves the file without a log, if nobody else has it open.
    fn end(mut self) -> Result<(), StoreError> {
        if let Some(copier) = self.copier.take() {
            copier.end();
            if self.health.check().is_ok() {
                copy(&self.conn, "TRUNCATE", &self.health);
            }
        }
        self.health.check()?;
        self.conn.close().map_err(|(_, e)| at_open(&e))
    }
}

/// The thread that copies the log into the file, in steps.
struct Copier {
    ask: std_mpsc::SyncSender<()>,
    thread: JoinHandle<()>,
    /// Set when the log is so long that the writer should finish the copying.
    behind: Arc<AtomicBool>,
    /// Pages in the log when it was last asked.
    asked_at: i64,
}

impl Copier {
    fn start(path: &Path, health: Health) -> Result<Copier, StoreError> {
        let conn = connect(path, Role::Copy).map_err(|e| at_open(&e))?;
        let (ask, asked) = std_mpsc::sync_channel::<()>(1);
        let behind = Arc::new(AtomicBool::new(false));
        let is_behind = Arc::clone(&behind);
        let thread = spawn("store-copier", move || {
            while asked.recv().is_ok() && health.check().is_ok() {
                if copy(&conn, "PASSIVE", &health) >= limits::LOG_PAGES {
                    // what came meanwhile: the less is left, the shorter the writer stops for it
                    copy(&conn, "PASSIVE", &health);
                    is_behind.store(true, Ordering::Release);
                }
            }
        })?;
        Ok(Copier { ask, thread, behind, asked_at: 0 })
    }

    fn ask(&self) {
        // full: it has been asked and has not begun
        let _ = self.ask.try_send(());
    }

    fn end(self) {
        drop(self.ask);
        let _ = self.thread.join();
    }
}

/// Copies what the log has into the file (`NOOP`: nothing of it); returns the pages in the log. A full disk or a lock ends it early: there
/// will be a next time. An error of the disk is fatal, as for a commit.
fn copy(conn: &Connection, mode: &str, health: &Health) -> i64 {
    let pages = conn
        .prepare_cached(&format!("PRAGMA wal_checkpoint({mode})"))
        .and_then(|mut asked| asked.query_row([], |r| r.get(1)));
    match pages.map_err(|e| health.judge(&e)) {
        Ok(pages) => pages,
        Err(StoreError::Fatal(_)) => 0,
        Err(error) => {
            tracing::warn!(%error, "the log could not be copied into the database file; it is tried again");
            0
        }
    }
}

fn spawn(name: &str, run: impl FnOnce() + Send + 'static) -> Result<JoinHandle<()>, StoreError> {
    thread::Builder::new().name(name.into()).spawn(run).map_err(|e| StoreError::Unusable(e.to_string()))
}
