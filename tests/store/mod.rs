//! The contract of the store: every method, on every kind of database.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::wildcard_enum_match_arm,
    reason = "what a test relies on stops it"
)]

mod access;
mod audit;
mod conditional;
mod documents;
mod files;
mod letters;
mod lists;
mod model;
mod places;
mod subjects;
mod together;

use std::path::Path;

use terce::store::{
    Batch, Changes, Document, Identifier, OutcomeRow, Reconciled, Store, StoreError, Token, Write, Written,
};

/// Runs a claim on each kind of database, each new and empty.
async fn on_each(claim: impl AsyncFn(Store)) {
    claim(Store::open_sqlite(None).await.unwrap()).await;
    let dir = tempfile::tempdir().unwrap();
    let store = file(dir.path()).await;
    claim(store.clone()).await;
    // a claim may have closed it
    assert!(matches!(store.close().await, Ok(()) | Err(StoreError::Closed)));
}

/// The database file in a directory.
async fn file(dir: &Path) -> Store {
    Store::open_sqlite(Some(&dir.join("terce.db"))).await.unwrap()
}

/// A document to create or replace, of patient `p` unless the text names another (`body@q`) or none (`body@`).
fn put(kind: &'static str, id: &str, body: &str) -> Write {
    let (body, patient) = body.split_once('@').unwrap_or((body, "p"));
    Write {
        kind: kind.into(),
        id: Some(id.into()),
        body: Some(body.into()),
        patient: (!patient.is_empty()).then(|| patient.into()),
        dirty: true,
        ..Write::default()
    }
}

fn delete(kind: &'static str, id: &str) -> Write {
    Write { kind: kind.into(), id: Some(id.into()), dirty: true, ..Write::default() }
}

fn named(write: Write, system: &str, value: &str) -> Write {
    Write { identifiers: vec![Identifier { system: system.into(), value: value.into() }], ..write }
}

fn token(system: Option<&str>, value: &str) -> Token {
    Token { system: system.map(Into::into), value: value.into() }
}

/// What the service writes about a patient.
fn task(id: &str, status: &str) -> Write {
    let row =
        OutcomeRow { status: Some(status.into()), open: status == "requested", ..OutcomeRow::default() };
    Write { outcome: Some(row), dirty: false, ..put("Task", id, status) }
}

fn batch(now_us: i64, writes: Vec<Write>) -> Batch {
    Batch { now_us, writes, ..Batch::default() }
}

/// Commits documents at an instant.
async fn commit(store: &Store, now_us: i64, writes: Vec<Write>) -> Vec<Written> {
    store.commit(batch(now_us, writes)).await.unwrap().written
}

/// Why a batch of documents is refused.
async fn refused(store: &Store, writes: Vec<Write>) -> StoreError {
    store.commit(batch(9, writes)).await.unwrap_err()
}

/// Reconciles a patient as it is now.
async fn reconcile(store: &Store, patient: &str, wake_us: Option<i64>) {
    let generation = store.documents_of(patient, 0).await.unwrap().generation;
    let reconciled =
        vec![Reconciled { patient: patient.into(), generation, wake_us, ..Reconciled::default() }];
    store.commit(Batch { reconciled, ..Batch::default() }).await.unwrap();
}

/// The patients that are due, in order.
async fn due(store: &Store, now_us: i64) -> Vec<String> {
    store.due(now_us, 100).await.unwrap().into_iter().map(|s| s.patient).collect()
}

fn text(changes: &Changes) -> Vec<String> {
    let text = |d: &Document| match &d.body {
        Some(body) => format!("{}={}", d.id, String::from_utf8_lossy(body)),
        None => format!("{} deleted", d.id),
    };
    changes.documents.iter().map(text).collect()
}
