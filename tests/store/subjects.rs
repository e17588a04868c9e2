//! Who must be reconciled, and what a reconciliation leaves behind.

use terce::store::{
    Batch, Doubtful, Doubts, Failed, Part, Reconciled, Share, StayQuery, StayRow, Store, StoreError, Sums,
    SumsQuery, Write,
};

use super::{commit, delete, due, on_each, put, reconcile, text};

fn of_encounter(write: Write, encounter: &str) -> Write {
    Write { encounter: Some(encounter.into()), ..write }
}

async fn reconciled(store: &Store, now_us: i64, reconciled: Reconciled) {
    let read = store.documents_of(&reconciled.patient, 0).await.unwrap();
    let reconciled = vec![Reconciled { generation: read.generation, depends_seq: read.seq, ..reconciled }];
    store.commit(Batch { now_us, reconciled, ..Batch::default() }).await.unwrap();
}

#[tokio::test]
async fn a_write_makes_its_patient_due_until_it_is_reconciled() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "a", "x"), put("Patient", "new", "x@")]).await;
        assert_eq!(due(&store, 0).await, ["p", "new"]);
        assert_eq!(store.next_wake().await.unwrap(), Some(i64::MIN));
        reconcile(&store, "p", Some(50)).await;
        reconcile(&store, "new", None).await;
        assert_eq!(due(&store, 49).await, [""; 0]);
        assert_eq!(store.next_wake().await.unwrap(), Some(50));
        assert_eq!(due(&store, 50).await, ["p"]);
        reconcile(&store, "p", None).await;
        assert_eq!((due(&store, i64::MAX).await, store.next_wake().await.unwrap()), (vec![], None));
    })
    .await;
}

#[tokio::test]
async fn the_longest_waiting_come_first_and_both_queues_take_turns() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "1", "x@w1"), put("A", "2", "x@w2")]).await;
        reconcile(&store, "w1", Some(20)).await;
        reconcile(&store, "w2", Some(10)).await;
        for (n, patient) in ["d1", "d2", "d3", "d1"].iter().enumerate() {
            commit(&store, 2, vec![put("A", &format!("{n}d"), &format!("x@{patient}"))]).await;
        }
        assert_eq!(due(&store, 30).await, ["w2", "d1", "w1", "d2", "d3"]);
        assert_eq!(store.due(30, 3).await.unwrap().len(), 3);
    })
    .await;
}

#[tokio::test]
async fn a_failing_patient_is_left_alone_for_a_while_and_shown() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "a", "x"), put("A", "b", "x@q")]).await;
        let failed = |retry_us| Failed { patient: "p".into(), error: "poison".into(), retry_us };
        for retry_us in [60, 100] {
            store.commit(Batch { failed: vec![failed(retry_us)], ..Batch::default() }).await.unwrap();
        }
        assert_eq!(due(&store, 99).await, ["q"]);
        let shown = store.failing(9).await.unwrap().remove(0);
        assert_eq!((shown.failures, shown.retry_us, shown.error.as_deref()), (2, 100, Some("poison")));
        assert_eq!(store.counts().await.unwrap().failing, 1);
        reconcile(&store, "q", None).await;
        assert_eq!(store.next_wake().await.unwrap(), Some(100));
        assert_eq!(due(&store, 100).await, ["p"]);
        reconcile(&store, "p", None).await;
        let shown = store.subject("p").await.unwrap().unwrap();
        assert_eq!((shown.failures, shown.retry_us, shown.error), (0, 0, None));
    })
    .await;
}

#[tokio::test]
async fn a_reader_of_a_document_becomes_dirty_with_it() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "a", "x"), put("Location", "l", "x@"), put("Patient", "old", "x@")])
            .await;
        let depends = Some(vec![("Location".into(), "l".into()), ("Patient".into(), "old".into())]);
        reconciled(&store, 1, Reconciled { patient: "p".into(), depends, ..Default::default() }).await;
        reconcile(&store, "old", None).await;
        commit(&store, 2, vec![put("Location", "l", "y@")]).await;
        assert_eq!(due(&store, 9).await, ["p"]);
        reconcile(&store, "p", None).await;
        commit(&store, 3, vec![put("A", "b", "x@old")]).await;
        assert_eq!(due(&store, 9).await, ["old", "p"], "any document of a patient that was read");
        reconciled(
            &store,
            1,
            Reconciled { patient: "p".into(), depends: Some(vec![]), ..Default::default() },
        )
        .await;
        reconcile(&store, "old", None).await;
        commit(&store, 4, vec![put("Location", "l", "z@")]).await;
        assert_eq!(due(&store, 9).await, [""; 0]);
    })
    .await;
}

#[tokio::test]
async fn a_plan_that_rests_on_what_others_changed_meanwhile_is_stale() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "a", "x"), put("Location", "l", "x@"), put("A", "o", "x@old")]).await;
        let write = async |kind, id, body| commit(&store, 2, vec![put(kind, id, body)]).await;
        let position = async || store.documents_of("p", 0).await.unwrap().seq;
        let plan = async |depends_seq, kind: &str, id: &str| {
            let generation = store.documents_of("p", 0).await.unwrap().generation;
            let depends = Some(vec![("Location".into(), "far".into()), (kind.into(), id.into())]);
            let plan =
                Reconciled { patient: "p".into(), generation, depends, depends_seq, ..Default::default() };
            store.commit(Batch { reconciled: vec![plan], ..Batch::default() }).await.map(|_| ())
        };
        let stale = Err(StoreError::StaleGeneration { patient: "p".into() });
        let cases = [("Location", "l", "y@"), ("Location", "new", "x@"), ("Patient", "old", "x@old")];
        for (kind, id, body) in cases {
            let before = position().await;
            let written = if kind == "Patient" { "A" } else { kind };
            write(written, id, body).await;
            assert_eq!(plan(before, kind, id).await, stale, "{kind}/{id}: read before it was written");
            assert!(due(&store, 9).await.contains(&"p".to_owned()), "it comes again");
            assert_eq!(plan(position().await, kind, id).await, Ok(()), "{kind}/{id}: read after it");
            assert!(!due(&store, 9).await.contains(&"p".to_owned()));
            write("A", "a", id).await;
        }
        // known by now: the generation tells of the write, and not of when the document was read
        let before = position().await;
        write("Location", "far", "x@").await;
        assert_eq!(plan(before, "Location", "l").await, stale);
        assert_eq!(plan(position().await, "Location", "l").await, Ok(()));
    })
    .await;
}

#[tokio::test]
async fn a_write_may_touch_other_patients() {
    on_each(async |store| {
        let write = Write { touches: vec!["q".into()], ..put("A", "a", "x@") };
        commit(&store, 1, vec![write]).await;
        assert_eq!(due(&store, 9).await, ["q"]);
    })
    .await;
}

#[tokio::test]
async fn a_patient_has_what_names_only_its_encounter_whichever_came_first() {
    on_each(async |store| {
        let only = |id: &str, body: &str| of_encounter(put("A", id, &format!("{body}@")), "e");
        commit(&store, 1, vec![only("early", "x"), put("A", "own", "x")]).await;
        let before = store.documents_of("p", 0).await.unwrap();
        assert_eq!(text(&before), ["own=x"]);
        commit(&store, 2, vec![put("Encounter", "e", "x")]).await;
        let after = store.documents_of("p", before.seq).await.unwrap();
        assert_eq!((text(&after), after.all), (vec!["early=x".to_owned(), "e=x".to_owned()], false));
        reconcile(&store, "p", None).await;
        commit(&store, 3, vec![only("late", "x")]).await;
        assert_eq!(due(&store, 9).await, ["p"]);
        assert_eq!(text(&store.documents_of("p", after.seq).await.unwrap()), ["late=x"]);
        assert_eq!(store.documents_of("p", 0).await.unwrap().documents.len(), 4);
    })
    .await;
}

#[tokio::test]
async fn changes_tell_of_deletions_and_of_nothing_twice() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "a", "x"), put("A", "b", "x")]).await;
        let first = store.documents_of("p", 0).await.unwrap();
        assert!(first.all);
        commit(&store, 2, vec![put("A", "a", "y"), delete("A", "b"), put("A", "c", "x@q")]).await;
        let second = store.documents_of("p", first.seq).await.unwrap();
        assert_eq!((text(&second), second.all), (vec!["a=y".to_owned(), "b deleted".to_owned()], false));
        assert_eq!(text(&store.documents_of("p", second.seq).await.unwrap()), [""; 0]);
        let unknown = store.documents_of("nobody", 0).await.unwrap();
        assert_eq!((unknown.generation, unknown.documents.len()), (0, 0));
    })
    .await;
}

#[tokio::test]
async fn what_moves_to_another_patient_makes_both_dirty_and_the_first_forget() {
    on_each(async |store| {
        let only = of_encounter(put("A", "only", "x@"), "e");
        commit(&store, 1, vec![put("Encounter", "e", "x"), only, put("A", "a", "x"), put("A", "b", "x")])
            .await;
        reconcile(&store, "p", None).await;
        let before = store.documents_of("p", 0).await.unwrap();
        commit(&store, 2, vec![put("A", "a", "x2@q")]).await;
        assert_eq!(due(&store, 9).await, ["p", "q"]);
        let after = store.documents_of("p", before.seq).await.unwrap();
        assert_eq!((text(&after), after.all), (["e=x", "only=x", "b=x"].map(Into::into).to_vec(), true));
        commit(&store, 3, vec![put("Encounter", "e", "x2@q")]).await;
        let after = store.documents_of("p", after.seq).await.unwrap();
        assert_eq!((text(&after), after.all), (vec!["b=x".to_owned()], true));
        let other = store.documents_of("q", 0).await.unwrap();
        assert_eq!(text(&other), ["only=x", "a=x2", "e=x2"]);
    })
    .await;
}

#[tokio::test]
async fn a_reconciliation_replaces_stays_and_what_they_contribute() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "a", "x")]).await;
        let stay =
            |stay: &str, open| StayRow { stay: stay.into(), patient: "p".into(), open, ..Default::default() };
        let share = |stay: &str, day, number| Share {
            stay: stay.into(),
            day,
            parts: vec![Part { topic: 0, unit: "u".into(), name: "n".into(), numbers: vec![number] }],
        };
        let (stays, patient) = (vec![stay("s1", false), stay("s2", true)], "p".to_owned());
        let shares = vec![share("s1", 1, 10), share("s1", 2, 20)];
        reconciled(&store, 1, Reconciled { patient: patient.clone(), stays, shares, ..Default::default() })
            .await;
        let all = || StayQuery { limit: 9, ..Default::default() };
        let kept = async || -> Vec<(i64, i64)> {
            let rows = store.shares("p", -9, 9).await.unwrap().rows;
            rows.into_iter().map(|row| (row.day, row.part.numbers[0])).collect()
        };
        assert_eq!(store.stays(all()).await.unwrap(), [stay("s1", false), stay("s2", true)]);
        assert_eq!(kept().await, [(1, 10), (2, 20)]);
        let (stays, shares) = (vec![stay("s1", false)], vec![share("s1", 2, 30)]);
        reconciled(&store, 2, Reconciled { patient, stays, shares, ..Default::default() }).await;
        assert_eq!(store.stays(all()).await.unwrap(), [stay("s1", false)]);
        assert_eq!(kept().await, [(2, 30)]);
    })
    .await;
}

#[tokio::test]
async fn sums_follow_what_stays_contribute_through_nothing_and_back() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "a", "x")]).await;
        let sums = async || -> i64 {
            let query = SumsQuery { topics: vec![0], from_day: -400, to_day: 900, ..SumsQuery::default() };
            let rows = store.summed(query).await.unwrap().rows;
            let mut sum = 0;
            for row in &rows {
                Sums::read(&row.body).unwrap().each(|_, numbers| sum += numbers.iter().sum::<i64>()).unwrap();
            }
            sum
        };
        for (now_us, days) in
            [(1, vec![1, 2, 700]), (2, vec![]), (3, vec![2, -300]), (4, vec![2]), (5, vec![])]
        {
            let part = Part { topic: 0, unit: "u".into(), name: "n".into(), numbers: vec![1, 10] };
            let share = |day: &i64| Share { stay: "s".into(), day: *day, parts: vec![part.clone()] };
            let stays = vec![StayRow { stay: "s".into(), patient: "p".into(), ..Default::default() }];
            let shares = days.iter().map(share).collect();
            reconciled(
                &store,
                now_us,
                Reconciled { patient: "p".into(), stays, shares, ..Default::default() },
            )
            .await;
            assert_eq!(sums().await, 11 * days.len() as i64, "{days:?}");
        }
    })
    .await;
}

#[tokio::test]
async fn a_doubt_that_persists_keeps_its_instant() {
    on_each(async |store| {
        commit(&store, 1, vec![put("A", "a", "x")]).await;
        let doubt = |why: &str| Doubtful { kind: "A".into(), id: "a".into(), why: why.into() };
        for (now_us, doubts) in
            [(10, vec![doubt("one"), doubt("two")]), (20, vec![doubt("three"), doubt("two")])]
        {
            let doubts = Some(doubts);
            reconciled(&store, now_us, Reconciled { patient: "p".into(), doubts, ..Default::default() })
                .await;
        }
        reconcile(&store, "p", None).await;
        let rows = store.doubts(Doubts::Of("p".into()), 0, 9).await.unwrap();
        let shown: Vec<_> = rows.iter().map(|d| (d.why.as_str(), d.since_us)).collect();
        assert_eq!(shown, [("two", 10), ("three", 20)]);
        assert_eq!(store.doubts(Doubts::All, rows[0].seq, 9).await.unwrap(), rows[1..]);
        assert_eq!(store.counts().await.unwrap().doubts, 2);
    })
    .await;
}

#[tokio::test]
async fn an_unlinked_document_is_shown_until_its_encounter_comes() {
    on_each(async |store| {
        let lost = |id: &str, encounter: &str| Write {
            unlinked: Some("no such encounter".into()),
            ..of_encounter(put("A", id, "x@"), encounter)
        };
        commit(&store, 5, vec![lost("a", "e"), lost("b", "f"), lost("c", "f")]).await;
        let unlinked = async || -> Vec<String> {
            let rows = store.doubts(Doubts::Unlinked, 0, 9).await.unwrap();
            rows.into_iter().map(|d| d.id).collect()
        };
        assert_eq!(unlinked().await, ["a", "b", "c"]);
        commit(&store, 6, vec![put("Encounter", "e", "x"), put("A", "c", "y")]).await;
        assert_eq!(unlinked().await, ["b"]);
        commit(&store, 7, vec![lost("d", "e")]).await;
        assert_eq!(unlinked().await, ["b"], "its encounter is known");
        assert_eq!(store.counts().await.unwrap().unlinked, 1);
    })
    .await;
}
