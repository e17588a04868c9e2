//! Assertions that are used up, and the tokens that are given out for them.

use terce::store::{Batch, Grant, StoreError, TokenRow};

use super::{file, on_each, put};

fn grant(client: &str, assertion: &str, digest: &str) -> Grant {
    Grant {
        client: client.to_owned(),
        assertion: assertion.to_owned(),
        assertion_until_us: 100,
        digest: digest.to_owned(),
        scopes: "system/*.r".to_owned(),
        until_us: 200,
        forget_before_us: 0,
    }
}

fn at(now_us: i64, grant: Grant) -> Batch {
    Batch { now_us, grant: Some(Box::new(grant)), ..Batch::default() }
}

#[tokio::test]
async fn an_assertion_is_used_once_for_as_long_as_it_could_be_used() {
    on_each(async |store| {
        store.commit(at(1, grant("c", "a", "1"))).await.unwrap();
        let again = store.commit(at(2, grant("c", "a", "2"))).await;
        assert_eq!(again, Err(StoreError::Used));
        assert_eq!(store.token("2").await.unwrap(), None, "no token for it");
        store.commit(at(3, grant("d", "a", "3"))).await.unwrap();
        assert_eq!(store.commit(at(100, grant("c", "a", "4"))).await, Err(StoreError::Used));
        store.commit(at(101, grant("c", "a", "5"))).await.unwrap();
    })
    .await;
}

#[tokio::test]
async fn a_token_is_found_by_its_digest_until_it_is_forgotten() {
    on_each(async |store| {
        store.commit(at(1, grant("c", "a", "1"))).await.unwrap();
        let row = TokenRow { client: "c".to_owned(), scopes: "system/*.r".to_owned(), until_us: 200 };
        assert_eq!(store.token("1").await.unwrap(), Some(row));
        assert_eq!(store.token("2").await.unwrap(), None);
        store.commit(at(300, Grant { forget_before_us: 200, ..grant("c", "b", "2") })).await.unwrap();
        assert!(store.token("1").await.unwrap().is_some());
        store.commit(at(301, Grant { forget_before_us: 201, ..grant("c", "c", "3") })).await.unwrap();
        assert_eq!(store.token("1").await.unwrap(), None);
    })
    .await;
}

#[tokio::test]
async fn a_batch_whose_assertion_was_used_stores_nothing() {
    on_each(async |store| {
        store.commit(at(1, grant("c", "a", "1"))).await.unwrap();
        let refused = Batch { writes: vec![put("Task", "t", "x")], ..at(2, grant("c", "a", "2")) };
        assert_eq!(store.commit(refused).await, Err(StoreError::Used));
        assert_eq!(store.document("Task", "t").await.unwrap(), None);
    })
    .await;
}

#[tokio::test]
async fn of_two_processes_with_the_same_assertion_one_gets_a_token() {
    let dir = tempfile::tempdir().unwrap();
    let (one, two) = (file(dir.path()).await, file(dir.path()).await);
    let (first, second) =
        tokio::join!(one.commit(at(1, grant("c", "a", "1"))), two.commit(at(1, grant("c", "a", "2"))));
    let used = [&first, &second].into_iter().filter(|r| **r == Err(StoreError::Used)).count();
    assert_eq!((used, first.is_ok() || second.is_ok()), (1, true), "{first:?} {second:?}");
    let granted = if first.is_ok() { "1" } else { "2" };
    assert!(one.token(granted).await.unwrap().is_some() && two.token(granted).await.unwrap().is_some());
    one.close().await.unwrap();
    two.close().await.unwrap();
}
