//! How a file becomes a database that can be trusted: checks, settings, migrations.

use std::path::Path;
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, TransactionBehavior};

use super::fault::at_open;
use crate::store::{StoreError, limits};

/// The oldest SQLite that is used: earlier ones can damage a file in WAL mode with several connections
/// (<https://sqlite.org/wal.html#walresetbug>).
const OLDEST_SQLITE: i32 = 3_051_003;

/// Marks a file as ours: `terc`.
const APPLICATION_ID: i32 = 0x7465_7263;

/// After how long a file that is busy is opened again.
const OPEN_AGAIN_MS: u64 = 20;

/// Under which name `meta` keeps the UUID of the database.
pub(super) const INSTANCE: &str = "instance";

/// What makes the schema, in order; never changed once released, only added to.
const MIGRATIONS: [&str; 7] = [
    include_str!("migrations/0001_first.sql"),
    include_str!("migrations/0002_access.sql"),
    include_str!("migrations/0003_sums.sql"),
    include_str!("migrations/0004_places.sql"),
    include_str!("migrations/0005_audit.sql"),
    include_str!("migrations/0006_letters.sql"),
    include_str!("migrations/0007_delivery.sql"),
];

/// What a connection is for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Role {
    /// The one that commits.
    Write,
    /// One of those that read.
    Read,
    /// The one that copies the log into the file.
    Copy,
}

/// Opens the database for writing: checks what is there, and makes or migrates it. None: in memory.
///
/// Two processes may make a file at once. `SQLite` does not wait with its busy timeout where waiting could be a deadlock,
/// as when both want to change a new file to WAL: so a busy one is opened again, as long as a commit would wait.
pub(super) fn open(path: Option<&Path>) -> Result<Connection, StoreError> {
    let until = std::time::Instant::now() + Duration::from_millis(limits::BUSY_MS);
    loop {
        match attempt(path) {
            Err(StoreError::Busy) if std::time::Instant::now() < until => {
                std::thread::sleep(Duration::from_millis(OPEN_AGAIN_MS));
            }
            opened_or_refused => return opened_or_refused,
        }
    }
}

fn attempt(path: Option<&Path>) -> Result<Connection, StoreError> {
    if rusqlite::version_number() < OLDEST_SQLITE {
        return Err(StoreError::Unusable(format!("SQLite {} is too old", rusqlite::version())));
    }
    let mut conn = match path {
        None => Connection::open_in_memory(),
        Some(path) => Connection::open(path),
    }
    .map_err(|e| at_open(&e))?;
    conn.busy_timeout(Duration::from_millis(limits::BUSY_MS)).map_err(|e| at_open(&e))?;
    check(&conn)?;
    set(&conn, Role::Write).map_err(|e| at_open(&e))?;
    migrate(&mut conn)?;
    Ok(conn)
}

/// Opens another connection to a database that is open.
pub(super) fn connect(path: &Path, role: Role) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let conn = Connection::open_with_flags(path, flags)?;
    conn.busy_timeout(Duration::from_millis(limits::BUSY_MS))?;
    set(&conn, role)?;
    Ok(conn)
}

/// Refuses what is damaged and what is not ours, before anything is changed.
fn check(conn: &Connection) -> Result<(), StoreError> {
    let number = |sql: &str| conn.query_row(sql, [], |r| r.get::<_, i64>(0)).map_err(|e| at_open(&e));
    if number("SELECT COUNT(*) FROM sqlite_schema")? == 0 {
        return Ok(());
    }
    if number("PRAGMA application_id")? != i64::from(APPLICATION_ID) {
        return Err(StoreError::Unusable("it is the file of another program".into()));
    }
    let found: String = conn.query_row("PRAGMA quick_check(1)", [], |r| r.get(0)).map_err(|e| at_open(&e))?;
    if found == "ok" { Ok(()) } else { Err(StoreError::Damaged(found)) }
}

/// No memory-mapped reads: an error of the disk would be a signal that ends the process, not an error.
fn set(conn: &Connection, role: Role) -> rusqlite::Result<()> {
    conn.set_prepared_statement_cache_capacity(limits::STATEMENTS);
    // else a statement is prepared again for each value that might make a partial index usable
    conn.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    conn.pragma_update(None, "mmap_size", 0)?;
    conn.pragma_update(None, "cell_size_check", true)?;
    conn.pragma_update(None, "foreign_keys", false)?;
    // what a savepoint may have to undo is kept in memory
    conn.pragma_update(None, "temp_store", "MEMORY")?;
    // a commit returns when it is on the disk, not when it is on its way
    conn.pragma_update(None, "synchronous", "FULL")?;
    // the log is copied into the file by a connection of its own, not by whichever commit made it long
    conn.pragma_update(None, "wal_autocheckpoint", 0)?;
    conn.pragma_update(None, "journal_size_limit", limits::LOG_BYTES)?;
    match role {
        Role::Write => {
            conn.pragma_update(None, "cache_size", -limits::WRITER_CACHE_KIB)?;
            // in memory the answer is `memory`, which is as good
            conn.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))
        }
        Role::Read => {
            conn.pragma_update(None, "cache_size", -limits::READER_CACHE_KIB)?;
            conn.pragma_update(None, "query_only", true)
        }
        Role::Copy => Ok(()),
    }
}

/// Brings the schema to this version, one transaction for each step. Two processes may do so at once.
fn migrate(conn: &mut Connection) -> Result<(), StoreError> {
    let found: i64 = conn.query_row("PRAGMA user_version", [], |r| r.get(0)).map_err(|e| at_open(&e))?;
    let newest = i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX);
    if found > newest {
        let why =
            format!("its schema has version {found}, this program knows {newest}; use the newer program");
        return Err(StoreError::Unusable(why));
    }
    for (version, sql) in (1_i64..).zip(MIGRATIONS).filter(|(version, _)| *version > found) {
        step(conn, version, sql).map_err(|e| at_open(&e))?;
    }
    Ok(())
}

/// Applies one migration unless it has been.
fn step(conn: &mut Connection, version: i64, sql: &str) -> rusqlite::Result<()> {
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let found: i64 = tx.query_row("PRAGMA user_version", [], |r| r.get(0))?;
    if found < version {
        tx.execute_batch(sql)?;
        if version == 1 {
            tx.pragma_update(None, "application_id", APPLICATION_ID)?;
            let instance = uuid::Uuid::new_v4().to_string();
            tx.execute(crate::store::sql::SET_MARK, (INSTANCE, instance))?;
        }
        tx.pragma_update(None, "user_version", version)?;
        tracing::info!(version, "migrated the database");
    }
    tx.commit()
}
