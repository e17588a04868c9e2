//! The connections that read.

use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

use rusqlite::Connection;
use tokio::sync::Semaphore;

use super::fault::Health;
use super::open::{Role, connect};
use crate::store::{StoreError, limits};

/// A few connections, opened when first needed. Reads beyond their number wait.
#[derive(Clone, Debug)]
pub(super) struct Readers(Arc<Pool>);

#[derive(Debug)]
struct Pool {
    path: PathBuf,
    health: Health,
    turns: Arc<Semaphore>,
    idle: Mutex<Vec<Connection>>,
}

impl Readers {
    pub(super) fn new(path: PathBuf, health: Health) -> Readers {
        let turns = Arc::new(Semaphore::new(limits::READERS));
        Readers(Arc::new(Pool { path, health, turns, idle: Mutex::default() }))
    }

    /// Runs in one read transaction, on a thread that may block.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        run: impl FnOnce(&Connection) -> rusqlite::Result<T> + Send + 'static,
    ) -> Result<T, StoreError> {
        let turn = Arc::clone(&self.0.turns).acquire_owned().await.map_err(|_| StoreError::Closed)?;
        let pool = Arc::clone(&self.0);
        let task = tokio::task::spawn_blocking(move || {
            // kept until the connection is back, even if the caller has gone
            let _turn = turn;
            pool.read_now(run).map_err(|e| pool.health.judge(&e))
        });
        task.await.map_err(|e| StoreError::Internal(e.to_string()))?
    }

    /// Later reads answer `Closed`.
    pub(super) fn close(&self) {
        self.0.turns.close();
        self.0.idle.lock().unwrap_or_else(PoisonError::into_inner).clear();
    }
}

impl Pool {
    fn read_now<T>(&self, run: impl FnOnce(&Connection) -> rusqlite::Result<T>) -> rusqlite::Result<T> {
        let idle = self.idle.lock().unwrap_or_else(PoisonError::into_inner).pop();
        let conn = match idle {
            Some(conn) => conn,
            None => connect(&self.path, Role::Read)?,
        };
        let tx = conn.unchecked_transaction()?;
        let outcome = run(&tx);
        tx.finish()?;
        if !self.turns.is_closed() {
            self.idle.lock().unwrap_or_else(PoisonError::into_inner).push(conn);
        }
        outcome
    }
}
