//! Preconditions and business identifiers.

use terce::store::{Change, Precondition, Store, StoreError, Write};

use super::{commit, delete, named, on_each, put, refused, token};

const S: &str = "urn:s";

fn when(precondition: Precondition, write: Write) -> Write {
    Write { precondition, ..write }
}

fn conditional(body: &str) -> Write {
    let write = Write { id: None, ..named(put("Procedure", "", body), S, "1") };
    when(Precondition::IfNoneExist(token(Some(S), "1")), write)
}

#[tokio::test]
async fn a_write_under_another_version_is_refused() {
    on_each(async |store| {
        commit(&store, 1, vec![put("Task", "t", "one")]).await;
        let at = |version, body| when(Precondition::Version(version), put("Task", "t", body));
        let written = commit(&store, 2, vec![at(1, "two")]).await;
        assert_eq!((written[0].version, written[0].change), (2, Change::Updated));
        let error = refused(&store, vec![put("Task", "u", "x"), at(1, "three")]).await;
        assert_eq!(error, StoreError::VersionConflict { index: 1, expected: 1, current: 2 });
        assert_eq!(store.document("Task", "u").await.unwrap(), None, "nothing of the batch is stored");
        commit(&store, 3, vec![delete("Task", "t")]).await;
        let error = refused(&store, vec![at(3, "four")]).await;
        assert_eq!(error, StoreError::VersionConflict { index: 0, expected: 3, current: 0 });
        let error = refused(&store, vec![when(Precondition::Version(0), put("Task", "never", "x"))]).await;
        assert_eq!(error, StoreError::VersionConflict { index: 0, expected: 0, current: 0 });
    })
    .await;
}

#[tokio::test]
async fn what_must_be_absent_is_created_once_and_again_after_a_deletion() {
    on_each(async |store| {
        let create = || when(Precondition::Absent, put("Task", "t", "x"));
        commit(&store, 1, vec![create()]).await;
        assert_eq!(refused(&store, vec![create()]).await, StoreError::Exists { index: 0, id: "t".into() });
        commit(&store, 2, vec![delete("Task", "t")]).await;
        assert_eq!(commit(&store, 3, vec![create()]).await[0].version, 3);
    })
    .await;
}

#[tokio::test]
async fn a_conditional_create_answers_what_is_there() {
    on_each(async |store| {
        let first = commit(&store, 1, vec![conditional("one")]).await.remove(0);
        let second = commit(&store, 2, vec![conditional("two")]).await.remove(0);
        assert_eq!((second.id, second.version, second.change), (first.id.clone(), 1, Change::Unchanged));
        assert_eq!(store.document("Procedure", &first.id).await.unwrap().unwrap().body.unwrap(), b"one");
        commit(&store, 3, vec![named(put("Procedure", "other", "x"), S, "1")]).await;
        assert_eq!(
            refused(&store, vec![conditional("three")]).await,
            StoreError::MultipleMatches { index: 0 }
        );
    })
    .await;
}

#[tokio::test]
async fn many_conditional_creates_at_once_make_one_document() {
    on_each(async |store| {
        let tasks: Vec<_> = (0..200)
            .map(|n| {
                let store: Store = store.clone();
                tokio::spawn(async move {
                    commit(&store, n, vec![conditional(&format!("from {n}"))]).await.remove(0)
                })
            })
            .collect();
        let mut created = 0;
        let mut ids = std::collections::BTreeSet::new();
        for task in tasks {
            let written = task.await.unwrap();
            created += usize::from(written.change == Change::Created);
            ids.insert(written.id);
        }
        assert_eq!((created, ids.len()), (1, 1));
        assert_eq!(store.counts().await.unwrap().documents["Procedure"], 1);
    })
    .await;
}

#[tokio::test]
async fn a_conditional_update_finds_its_document() {
    on_each(async |store| {
        let update = |id: Option<&str>, body| {
            let write = Write { id: id.map(Into::into), ..named(put("Procedure", "", body), S, "1") };
            when(Precondition::Match(token(Some(S), "1")), write)
        };
        let first = commit(&store, 1, vec![update(Some("a"), "one")]).await.remove(0);
        assert_eq!((first.id.as_str(), first.change), ("a", Change::Created));
        let second = commit(&store, 2, vec![update(None, "two")]).await.remove(0);
        assert_eq!((second.id.as_str(), second.version), ("a", 2));
        let error = refused(&store, vec![update(Some("b"), "three")]).await;
        assert_eq!(error, StoreError::OtherId { index: 0, id: "a".into() });
        let remove = || Write { body: None, identifiers: Vec::new(), ..update(None, "") };
        assert_eq!(commit(&store, 3, vec![remove()]).await[0].change, Change::Deleted);
        let nothing = commit(&store, 4, vec![remove()]).await.remove(0);
        assert_eq!((nothing.id.as_str(), nothing.version, nothing.change), ("", 0, Change::Unchanged));
    })
    .await;
}

#[tokio::test]
async fn what_must_be_unmatched_is_refused_once_it_is_matched() {
    on_each(async |store| {
        let create =
            |id| when(Precondition::Unmatched(token(None, "1")), named(put("Procedure", id, "x"), S, "1"));
        commit(&store, 1, vec![create("a")]).await;
        let error = refused(&store, vec![put("Procedure", "refers", "a"), create("b")]).await;
        assert_eq!(error, StoreError::Exists { index: 1, id: "a".into() });
        assert_eq!(store.document("Procedure", "refers").await.unwrap(), None);
    })
    .await;
}

#[tokio::test]
async fn identifiers_are_those_of_the_current_version() {
    on_each(async |store| {
        commit(&store, 1, vec![named(put("A", "a", "one"), S, "1"), named(put("A", "b", "x"), "", "1")])
            .await;
        assert_eq!(store.by_identifier("A", &token(Some(S), "1")).await.unwrap(), ["a"]);
        assert_eq!(store.by_identifier("A", &token(Some(""), "1")).await.unwrap(), ["b"]);
        assert_eq!(store.by_identifier("A", &token(None, "1")).await.unwrap(), ["a", "b"]);
        assert_eq!(store.by_identifier("B", &token(None, "1")).await.unwrap(), [""; 0]);
        commit(&store, 2, vec![named(put("A", "a", "two"), S, "2"), delete("A", "b")]).await;
        assert_eq!(store.by_identifier("A", &token(None, "1")).await.unwrap(), [""; 0]);
        assert_eq!(store.by_identifier("A", &token(None, "2")).await.unwrap(), ["a"]);
    })
    .await;
}
