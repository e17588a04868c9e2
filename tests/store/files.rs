//! What only a file can show: it lasts, fills up, is damaged, is shared.

use std::fs;
use std::path::Path;

use terce::store::{Audit, Batch, Change, Precondition, Query, Store, StoreError, Write};

use super::{batch, commit, file, named, put, token};

#[tokio::test]
async fn everything_is_there_after_a_new_start() {
    let dir = tempfile::tempdir().unwrap();
    let store = file(dir.path()).await;
    commit(&store, 1, vec![named(put("A", "a", "one"), "s", "1"), super::task("t", "requested")]).await;
    commit(&store, 2, vec![put("A", "a", "two")]).await;
    let (instance, counts) = (store.instance().await.unwrap(), store.counts().await.unwrap());
    store.close().await.unwrap();
    assert!(!dir.path().join("terce.db-wal").exists(), "a closed file needs no log");
    let store = file(dir.path()).await;
    assert_eq!(store.instance().await.unwrap(), instance);
    assert_eq!(store.counts().await.unwrap(), counts);
    assert_eq!(store.history("A", "a", None, 9).await.unwrap().len(), 2);
    assert_eq!(commit(&store, 3, vec![put("A", "a", "three")]).await[0].version, 3);
}

#[tokio::test]
async fn the_log_is_copied_into_the_file_whatever_was_written() {
    let dir = tempfile::tempdir().unwrap();
    let store = file(dir.path()).await;
    let copied = || fs::metadata(dir.path().join("terce.db")).unwrap().len() > 1 << 20;
    let row = || Audit { deed: "read".into(), asked: "x".repeat(8 << 10), ..Audit::default() };
    let mut commits = 0;
    while !copied() {
        // rows without a body, of 4 MiB each time
        let audits = std::iter::repeat_with(row).take(512).collect();
        store.commit(Batch { now_us: commits, audits, ..Batch::default() }).await.unwrap();
        commits += 1;
        assert!(commits < 100, "the log grows, and nothing of it is copied");
    }
    store.close().await.unwrap();
}

#[tokio::test]
async fn a_store_that_was_not_closed_is_there_too() {
    let dir = tempfile::tempdir().unwrap();
    let first = file(dir.path()).await;
    commit(&first, 1, vec![put("A", "a", "x")]).await;
    // as after a crash: the log is there, and the file is another process's
    let copy = tempfile::tempdir().unwrap();
    for name in ["terce.db", "terce.db-wal"] {
        fs::copy(dir.path().join(name), copy.path().join(name)).unwrap();
    }
    let second = file(copy.path()).await;
    assert!(second.document("A", "a").await.unwrap().is_some());
}

#[tokio::test]
async fn no_space_refuses_commits_goes_on_reading_and_recovers() {
    let dir = tempfile::tempdir().unwrap();
    let store = file(dir.path()).await;
    commit(&store, 1, vec![put("A", "first", "x")]).await;
    store.limit_size(400 << 10).await.unwrap();
    let large = |n: usize| Write { body: Some(vec![b'x'; 10 << 10]), ..put("A", &format!("{n:03}"), "") };
    let mut stored = 0;
    let refused = loop {
        match store.commit(batch(1, vec![large(stored)])).await {
            Ok(_) => stored += 1,
            Err(error) => break error,
        }
    };
    assert_eq!(refused, StoreError::NoSpace);
    assert!(stored > 5);
    assert_eq!(store.commit(batch(2, vec![large(900), large(901)])).await, Err(StoreError::NoSpace));
    assert_eq!(store.document("A", "900").await.unwrap(), None);
    assert!(store.document("A", "first").await.unwrap().is_some());
    assert_eq!(store.due(9, 9).await.unwrap().len(), 1);
    store.limit_size(u64::MAX).await.unwrap();
    commit(&store, 3, vec![large(900), large(901)]).await;
    store.close().await.unwrap();
    let store = file(dir.path()).await;
    assert_eq!(store.counts().await.unwrap().documents["A"], 1 + stored as u64 + 2);
}

#[tokio::test]
async fn among_many_at_once_only_what_does_not_fit_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let store = file(dir.path()).await;
    store.limit_size(600 << 10).await.unwrap();
    let tasks: Vec<_> = (0..40)
        .map(|n| {
            let store = store.clone();
            let size = if n % 2 == 0 { 1 << 20 } else { 10 };
            let write = Write { body: Some(vec![b'x'; size]), ..put("A", &n.to_string(), "") };
            tokio::spawn(async move { store.commit(batch(1, vec![write])).await })
        })
        .collect();
    for (n, task) in tasks.into_iter().enumerate() {
        let outcome = task.await.unwrap();
        assert_eq!(outcome.is_ok(), n % 2 == 1, "{n}: {outcome:?}");
    }
}

async fn open(path: &Path) -> StoreError {
    Store::open_sqlite(Some(path)).await.err().unwrap()
}

#[tokio::test]
async fn a_damaged_file_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let store = file(dir.path()).await;
    commit(&store, 1, (0..500).map(|n| put("A", &n.to_string(), &"x".repeat(300))).collect()).await;
    store.close().await.unwrap();
    let path = dir.path().join("terce.db");
    let good = fs::read(&path).unwrap();
    let mut torn = good.clone();
    for page in torn.chunks_mut(4096).skip(1).step_by(5) {
        page[..64].fill(0xa5);
    }
    fs::write(&path, torn).unwrap();
    assert!(matches!(open(&path).await, StoreError::Damaged(_)));
    fs::write(&path, &good[..good.len() / 2 / 4096 * 4096]).unwrap();
    assert!(matches!(open(&path).await, StoreError::Damaged(_)));
    fs::write(&path, b"not a database, and longer than the header of one would be. ".repeat(50)).unwrap();
    assert!(matches!(open(&path).await, StoreError::Damaged(_)));
    fs::write(&path, good).unwrap();
    assert_eq!(file(dir.path()).await.counts().await.unwrap().documents["A"], 500);
}

#[tokio::test]
async fn a_file_that_is_not_ours_or_newer_is_refused_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let other = dir.path().join("other.db");
    rusqlite::Connection::open(&other).unwrap().execute_batch("CREATE TABLE theirs (a)").unwrap();
    let before = fs::read(&other).unwrap();
    assert!(matches!(open(&other).await, StoreError::Unusable(_)));
    assert_eq!(fs::read(&other).unwrap(), before);
    file(dir.path()).await.close().await.unwrap();
    let ours = dir.path().join("terce.db");
    rusqlite::Connection::open(&ours).unwrap().pragma_update(None, "user_version", 999).unwrap();
    let error = open(&ours).await.to_string();
    assert!(error.contains("999"), "{error}");
    assert!(matches!(open(&dir.path().join("no such place/terce.db")).await, StoreError::Unusable(_)));
}

#[tokio::test]
async fn a_file_that_turns_out_damaged_stops_all_commits() {
    let dir = tempfile::tempdir().unwrap();
    file(dir.path()).await.close().await.unwrap();
    let store = file(dir.path()).await;
    let path = dir.path().join("terce.db");
    let size = fs::metadata(&path).unwrap().len();
    fs::write(&path, vec![0xa5; usize::try_from(size).unwrap()]).unwrap();
    assert!(matches!(store.document("A", "a").await, Err(StoreError::Fatal(_))));
    assert!(matches!(store.commit(batch(1, vec![put("A", "a", "x")])).await, Err(StoreError::Fatal(_))));
    assert!(matches!(store.close().await, Err(StoreError::Fatal(_))));
}

#[tokio::test]
async fn two_stores_on_one_file_make_no_duplicates() {
    let dir = tempfile::tempdir().unwrap();
    let (one, two) = tokio::join!(file(dir.path()), file(dir.path()));
    let create = |n: usize| {
        let value = (n % 20).to_string();
        let write = named(put("A", "", "x"), "s", &value);
        Write { id: None, precondition: Precondition::IfNoneExist(token(Some("s"), &value)), ..write }
    };
    let tasks: Vec<_> = (0..200)
        .map(|n| {
            let store = if n % 2 == 0 { one.clone() } else { two.clone() };
            tokio::spawn(async move { commit(&store, 1, vec![create(n)]).await.remove(0).change })
        })
        .collect();
    let mut created = 0;
    for task in tasks {
        created += usize::from(task.await.unwrap() == Change::Created);
    }
    assert_eq!(created, 20);
    let page = two.search(Query { kind: "A".into(), limit: 99, ..Query::default() }).await.unwrap();
    assert_eq!(page.documents.len(), 20);
    assert_eq!(one.counts().await.unwrap(), two.counts().await.unwrap());
    // closing one leaves the other at work
    one.close().await.unwrap();
    commit(&two, 2, vec![put("A", "after", "x")]).await;
}

#[tokio::test]
async fn a_new_file_may_be_opened_by_many_at_once() {
    for _ in 0..20 {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("terce.db");
        let opened = (0..6).map(|_| {
            let path = path.clone();
            tokio::spawn(async move { Store::open_sqlite(Some(&path)).await })
        });
        for store in opened.collect::<Vec<_>>() {
            commit(&store.await.unwrap().unwrap(), 1, vec![put("A", "a", "x")]).await;
        }
    }
}

#[tokio::test]
async fn a_file_held_by_another_process_is_waited_for() {
    let dir = tempfile::tempdir().unwrap();
    let store = file(dir.path()).await;
    let other = rusqlite::Connection::open(dir.path().join("terce.db")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let waiting = tokio::spawn({
        let store = store.clone();
        async move { commit(&store, 1, vec![put("A", "a", "x")]).await }
    });
    assert_eq!(store.document("A", "a").await.unwrap(), None, "reads do not wait");
    other.execute_batch("COMMIT").unwrap();
    assert_eq!(waiting.await.unwrap()[0].version, 1);
}
