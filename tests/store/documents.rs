//! Documents and their versions.

use terce::store::{Batch, Change, Derived, Heartbeat, Write};

use super::{commit, delete, on_each, put};

#[tokio::test]
async fn a_document_comes_back_byte_for_byte() {
    on_each(async |store| {
        let body = b"{ \"a\":\r\n1.50, \"\\u00e9\": \"\xc3\xa9\" }\0".to_vec();
        let write =
            Write { body: Some(body.clone()), encounter: Some("e".into()), ..put("Procedure", "a", "") };
        let written = commit(&store, 5, vec![write]).await.remove(0);
        assert_eq!((written.id.as_str(), written.version, written.change), ("a", 1, Change::Created));
        let read = store.document("Procedure", "a").await.unwrap().unwrap();
        assert_eq!(read.body, Some(body));
        assert_eq!((read.seq, read.version, read.first_us, read.received_us), (written.seq, 1, 5, 5));
        assert_eq!((read.patient.as_deref(), read.encounter.as_deref()), (Some("p"), Some("e")));
        assert_eq!(store.document("Task", "a").await.unwrap(), None);
        assert_eq!(store.document("Procedure", "b").await.unwrap(), None);
    })
    .await;
}

#[tokio::test]
async fn every_version_is_kept() {
    on_each(async |store| {
        for (now_us, body) in [(1, "one"), (2, "two"), (3, "three")] {
            commit(&store, now_us, vec![put("Device", "d", body)]).await;
        }
        let read = store.version("Device", "d", 2).await.unwrap().unwrap();
        assert_eq!((read.body.as_deref(), read.first_us, read.received_us), (Some(&b"two"[..]), 1, 2));
        assert_eq!(store.version("Device", "d", 4).await.unwrap(), None);
        let versions =
            |documents: Vec<terce::store::Document>| documents.iter().map(|d| d.version).collect::<Vec<_>>();
        assert_eq!(versions(store.history("Device", "d", None, 2).await.unwrap()), [3, 2]);
        assert_eq!(versions(store.history("Device", "d", Some(2), 2).await.unwrap()), [1]);
        assert_eq!(versions(store.history("Device", "d", Some(1), 2).await.unwrap()), Vec::<u64>::new());
    })
    .await;
}

#[tokio::test]
async fn equal_content_makes_no_version_and_wakes_nobody() {
    on_each(async |store| {
        let first = commit(&store, 1, vec![put("Procedure", "a", "same")]).await.remove(0);
        super::reconcile(&store, "p", None).await;
        let second = commit(&store, 2, vec![put("Procedure", "a", "same")]).await.remove(0);
        assert_eq!((second.version, second.seq, second.updated_us), (1, first.seq, 1));
        assert_eq!(second.change, Change::Unchanged);
        assert_eq!(super::due(&store, 9).await, [""; 0]);
        assert_eq!(store.history("Procedure", "a", None, 9).await.unwrap().len(), 1);
    })
    .await;
}

#[tokio::test]
async fn a_deleted_document_keeps_its_history_and_its_patient() {
    on_each(async |store| {
        commit(&store, 1, vec![put("Procedure", "a", "one")]).await;
        let deleted = commit(&store, 2, vec![delete("Procedure", "a")]).await.remove(0);
        assert_eq!((deleted.version, deleted.change), (2, Change::Deleted));
        let read = store.document("Procedure", "a").await.unwrap().unwrap();
        assert_eq!((read.body, read.patient.as_deref(), read.version), (None, Some("p"), 2));
        assert_eq!(store.version("Procedure", "a", 1).await.unwrap().unwrap().body.unwrap(), b"one");
    })
    .await;
}

#[tokio::test]
async fn what_is_created_again_goes_on_counting() {
    on_each(async |store| {
        commit(&store, 1, vec![put("Procedure", "a", "one")]).await;
        commit(&store, 2, vec![delete("Procedure", "a")]).await;
        let again = commit(&store, 3, vec![put("Procedure", "a", "one")]).await.remove(0);
        assert_eq!((again.version, again.change), (3, Change::Created));
        assert_eq!(store.document("Procedure", "a").await.unwrap().unwrap().first_us, 1);
    })
    .await;
}

#[tokio::test]
async fn deleting_what_is_not_there_changes_nothing() {
    on_each(async |store| {
        let never = commit(&store, 1, vec![delete("Procedure", "a")]).await.remove(0);
        assert_eq!((never.version, never.change), (0, Change::Unchanged));
        commit(&store, 2, vec![put("Procedure", "a", "one"), delete("Procedure", "a")]).await;
        let twice = commit(&store, 3, vec![delete("Procedure", "a")]).await.remove(0);
        assert_eq!((twice.version, twice.change), (2, Change::Unchanged));
        assert_eq!(store.document("Procedure", "never").await.unwrap(), None);
    })
    .await;
}

#[tokio::test]
async fn a_document_without_an_id_gets_one() {
    on_each(async |store| {
        let new = || Write { id: None, ..put("Procedure", "", "same") };
        let written = commit(&store, 1_700_000_000_000_000, vec![new(), new()]).await;
        assert_ne!(written[0].id, written[1].id);
        for written in written {
            assert_eq!(uuid::Uuid::parse_str(&written.id).unwrap().get_version_num(), 7);
            assert!(store.document("Procedure", &written.id).await.unwrap().is_some());
        }
    })
    .await;
}

#[tokio::test]
async fn writes_of_one_batch_see_those_before_them() {
    on_each(async |store| {
        let written =
            commit(&store, 1, vec![put("A", "a", "one"), put("A", "a", "two"), put("A", "a", "two")]).await;
        let got: Vec<_> = written.iter().map(|w| (w.version, w.change)).collect();
        assert_eq!(got, [(1, Change::Created), (2, Change::Updated), (2, Change::Unchanged)]);
    })
    .await;
}

#[tokio::test]
async fn counts_follow_the_documents() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "1", "x"), put("A", "2", "x"), put("B", "1", "x@")]).await;
        commit(&store, 2, vec![delete("A", "1"), put("A", "2", "y"), super::task("t", "requested")]).await;
        let counts = store.counts().await.unwrap();
        assert_eq!(counts.documents, [("A", 1), ("B", 1), ("Task", 1)].map(|(k, n)| (k.into(), n)).into());
        assert_eq!(counts.open, [("Task".into(), 1)].into());
        assert_eq!((counts.subjects, counts.dirty, counts.failing), (1, 1, 0));
    })
    .await;
}

#[tokio::test]
async fn marks_and_sources_are_kept_and_a_source_never_goes_back() {
    on_each(async |store| {
        let beat = |us, cursor: Option<&str>| {
            Some(Heartbeat { source: "ehr".into(), us, cursor: cursor.map(Into::into) })
        };
        for (heartbeat, mark) in [(beat(5, Some("page 2")), "x"), (beat(3, None), "y")] {
            let marks = vec![("clock".into(), mark.into()), ("instance".into(), "mine".into())];
            store.commit(Batch { heartbeat, marks, ..Batch::default() }).await.unwrap();
        }
        let sources = store.sources().await.unwrap();
        assert_eq!(sources.len(), 1);
        assert_eq!((sources[0].last_us, sources[0].cursor.as_deref()), (5, Some("page 2")));
        assert_eq!(store.mark("clock").await.unwrap().as_deref(), Some("y"));
        assert_eq!(store.mark("other").await.unwrap(), None);
        assert_eq!(store.instance().await.unwrap().len(), 36);
    })
    .await;
}

#[tokio::test]
async fn redo_makes_all_dirty_and_clears_what_was_derived() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "1", "x"), put("A", "2", "x@q")]).await;
        for patient in ["p", "q"] {
            super::reconcile(&store, patient, Some(7)).await;
        }
        let before = store.documents_of("p", 0).await.unwrap();
        assert_eq!(store.redo(Derived::Keep).await.unwrap(), 2);
        assert_eq!(super::due(&store, 0).await, ["p", "q"]);
        let after = store.documents_of("p", before.seq).await.unwrap();
        assert!(after.generation > before.generation && after.all, "{after:?}");
        assert_eq!(store.redo(Derived::Clear).await.unwrap(), 2);
        assert_eq!(store.documents_of("p", 0).await.unwrap().documents.len(), 1);
    })
    .await;
}
