//! Batches that are committed at the same time.

use terce::store::{Batch, Precondition, Reconciled, Store, StoreError, Write};

use super::{batch, commit, on_each, put};

#[tokio::test]
async fn a_refused_batch_leaves_those_beside_it_alone() {
    on_each(async |store| {
        commit(&store, 0, vec![put("A", "taken", "x")]).await;
        let tasks: Vec<_> = (0..300)
            .map(|n| {
                let store: Store = store.clone();
                let good = put("A", &format!("good{n}"), "x");
                let bad = Write { precondition: Precondition::Absent, ..put("A", "taken", "y") };
                let mut writes = vec![good];
                writes.extend((n % 3 == 0).then_some(bad));
                tokio::spawn(async move { store.commit(batch(n, writes)).await })
            })
            .collect();
        for (n, task) in tasks.into_iter().enumerate() {
            let outcome = task.await.unwrap();
            let stored = store.document("A", &format!("good{n}")).await.unwrap().is_some();
            assert_eq!(outcome.is_ok(), n % 3 != 0);
            assert_eq!(stored, n % 3 != 0, "batch {n}");
        }
        assert_eq!(store.counts().await.unwrap().documents["A"], 201);
    })
    .await;
}

#[tokio::test]
async fn a_batch_that_the_database_refuses_does_not_take_others_with_it() {
    on_each(async |store| {
        let share = terce::store::Share { stay: "s".into(), day: 1, ..Default::default() };
        let twice =
            Reconciled { patient: "p".into(), shares: vec![share.clone(), share], ..Default::default() };
        let tasks: Vec<_> = (0..60)
            .map(|n| {
                let store: Store = store.clone();
                let mut batch = batch(n, vec![put("A", &n.to_string(), "x@q")]);
                batch.reconciled.extend((n == 30).then(|| twice.clone()));
                tokio::spawn(async move { store.commit(batch).await })
            })
            .collect();
        for (n, task) in tasks.into_iter().enumerate() {
            match task.await.unwrap() {
                Ok(_) => assert_ne!(n, 30),
                Err(error) => assert!(matches!(error, StoreError::Internal(_)) && n == 30, "{n}: {error}"),
            }
        }
        assert_eq!(store.document("A", "30").await.unwrap(), None);
        assert_eq!(store.counts().await.unwrap().documents["A"], 59);
    })
    .await;
}

#[tokio::test]
async fn one_of_two_decisions_on_the_same_facts_is_stale() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "a", "x")]).await;
        let generation = store.documents_of("p", 0).await.unwrap().generation;
        commit(&store, 2, vec![put("A", "b", "x")]).await;
        let decided = |generation| Batch {
            now_us: 3,
            reconciled: vec![Reconciled { patient: "p".into(), generation, ..Default::default() }],
            writes: vec![super::task("t", "requested")],
            ..Batch::default()
        };
        let stale = store.commit(decided(generation)).await.unwrap_err();
        assert_eq!(stale, StoreError::StaleGeneration { patient: "p".into() });
        assert_eq!(store.document("Task", "t").await.unwrap(), None);
        let generation = store.documents_of("p", 0).await.unwrap().generation;
        store.commit(decided(generation)).await.unwrap();
        assert!(store.document("Task", "t").await.unwrap().is_some());
        assert_eq!(super::due(&store, 9).await, [""; 0], "what a reconciliation writes makes nobody dirty");
    })
    .await;
}

#[tokio::test]
async fn a_batch_beyond_the_limits_is_refused_before_it_is_queued() {
    on_each(async |store| {
        let many = (0..20_001).map(|n| put("A", &n.to_string(), "x")).collect();
        assert!(matches!(store.commit(batch(1, many)).await, Err(StoreError::TooLarge { .. })));
        let large = Write { body: Some(vec![b' '; (64 << 20) + 1]), ..put("A", "a", "") };
        assert!(matches!(store.commit(batch(1, vec![large])).await, Err(StoreError::TooLarge { .. })));
    })
    .await;
}

#[tokio::test]
async fn a_closed_store_stores_what_it_was_given_and_takes_no_more() {
    on_each(async |store| {
        let given = store.commit(batch(1, vec![put("A", "a", "x")]));
        let (given, closed) = tokio::join!(given, store.close());
        assert!(given.is_ok() && closed.is_ok());
        assert_eq!(store.commit(batch(2, vec![put("A", "b", "x")])).await, Err(StoreError::Closed));
        assert_eq!(store.document("A", "a").await, Err(StoreError::Closed));
        assert_eq!(store.close().await, Err(StoreError::Closed));
    })
    .await;
}
