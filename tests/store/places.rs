//! Places in lists, which stay while documents change; and versions.

use std::collections::BTreeSet;
use std::path::Path;

use rusqlite::Connection;
use terce::store::{Among, Order, OutcomeQuery, PastQuery, Query, Store, Write};

use super::{commit, delete, file, on_each, put, task};

const MANY: usize = 50;

fn name(n: usize) -> String {
    format!("{n:02}")
}

/// Goes through pages of seven, and changes documents between them: one that was listed, one that was not, one that
/// goes, one that goes and comes back, one that is new. Returns what was listed, and what was written.
async fn walked(store: &Store, query: Query) -> (Vec<(i64, String)>, BTreeSet<String>) {
    let (mut seen, mut changed) = (Vec::new(), BTreeSet::new());
    let (mut after, mut as_of) = (None, None);
    for round in 0.. {
        let page = store.search(Query { after, as_of, limit: 7, ..query.clone() }).await.unwrap();
        assert!(as_of.is_none_or(|as_of| as_of == page.as_of));
        seen.extend(page.documents.iter().map(|d| (d.place, d.document.id.clone())));
        (after, as_of) = (page.next, Some(page.as_of));
        if after.is_none() {
            return (seen, changed);
        }
        let write = |id: &str| Write {
            body: Some(format!("y{round}").into()),
            kind: query.kind.clone(),
            ..task(id, "requested")
        };
        let gone = |id: &str| Write { kind: query.kind.clone(), ..delete("A", id) };
        let (listed, not_yet, goes, back) = (round, 40 - round, 49 - round, 20 + round);
        commit(store, 5, vec![write(&name(listed)), write(&name(not_yet)), gone(&name(goes))]).await;
        commit(store, -1, vec![gone(&name(back))]).await;
        commit(store, 6, vec![write(&name(back)), write(&format!("new{round}"))]).await;
        changed.extend([name(goes), format!("new{round}")]);
    }
    unreachable!("a list ends")
}

#[tokio::test]
async fn paging_neither_skips_nor_repeats_while_documents_change() {
    let requested = OutcomeQuery { status: vec!["requested".into()], ..OutcomeQuery::default() };
    let every_id = (0..MANY).map(name).collect();
    let ways =
        [Among::All, Among::Patients(vec!["p".into()]), Among::Outcomes(requested), Among::Ids(every_id)];
    for among in ways {
        for order in [Order::OldestFirst, Order::NewestFirst] {
            let (among, order) = (among.clone(), order);
            on_each(async |store| {
                for n in 0..MANY {
                    commit(&store, 0, vec![task(&name(n), "requested")]).await;
                }
                let query = Query { kind: "Task".into(), among: among.clone(), order, ..Query::default() };
                let (seen, changed) = walked(&store, query).await;
                let ids: BTreeSet<String> = seen.iter().map(|(_, id)| id.clone()).collect();
                assert_eq!(ids.len(), seen.len(), "nothing is listed twice: {seen:?}");
                let places: Vec<i64> = seen.iter().map(|(place, _)| *place).collect();
                let ascends = places.windows(2).all(|p| p[0] < p[1]);
                let descends = places.windows(2).all(|p| p[0] > p[1]);
                assert!(if order == Order::OldestFirst { ascends } else { descends }, "{places:?}");
                // what was deleted may have been listed before; all else is listed, in its old place
                let stays: BTreeSet<String> =
                    (0..MANY).map(name).filter(|id| !changed.contains(id)).collect();
                assert!(stays.is_subset(&ids), "{order:?} {among:?}: {:?}", stays.difference(&ids));
                assert!(ids.iter().all(|id| !id.starts_with("new")), "what is new is not listed");
            })
            .await;
        }
    }
}

#[tokio::test]
async fn a_list_since_a_time_misses_nothing_whatever_the_clock_did() {
    const MINUTE: i64 = 60_000_000;
    on_each(async |store| {
        let times = [0, 5, 6, 3, 7, 8, 1, 9, 12, 2, 10].map(|m| m * MINUTE);
        for (n, us) in times.into_iter().enumerate() {
            commit(&store, us, vec![put("A", &name(n), "x")]).await;
        }
        for from in (-1..14).map(|m| m * MINUTE) {
            let query = |order| Query {
                kind: "A".into(),
                updated_from_us: Some(from),
                order,
                limit: 99,
                ..Query::default()
            };
            let want: Vec<String> =
                (0..).zip(times).filter(|(_, us)| *us >= from).map(|(n, _)| name(n)).collect();
            let page = store.search(query(Order::OldestFirst)).await.unwrap();
            let found: Vec<String> = page.documents.into_iter().map(|d| d.document.id).collect();
            assert_eq!(found, want);
            let since =
                PastQuery { kind: "A".into(), since_us: Some(from), limit: 99, ..PastQuery::default() };
            let past = store.past(since).await.unwrap();
            let found: Vec<String> = past.into_iter().rev().map(|p| p.document.id).collect();
            assert_eq!(found, want);
        }
    })
    .await;
}

#[tokio::test]
async fn versions_are_listed_newest_first_with_what_they_were() {
    on_each(async |store| {
        commit(&store, 10, vec![put("A", "a", "1"), put("A", "b", "1"), put("B", "a", "1")]).await;
        commit(&store, 20, vec![delete("A", "a")]).await;
        commit(&store, 30, vec![put("A", "a", "2")]).await;
        commit(&store, 40, vec![put("A", "a", "3")]).await;
        let listed = async |query: PastQuery| -> Vec<(String, u64, bool)> {
            let query = PastQuery {
                kind: "A".into(),
                limit: if query.limit == 0 { 9 } else { query.limit },
                ..query
            };
            let past = store.past(query).await.unwrap();
            past.into_iter().map(|p| (p.document.id, p.document.version, p.created)).collect()
        };
        let row = |id: &str, version, created| (id.to_owned(), version, created);
        let none = PastQuery::default;
        let all =
            [row("a", 4, false), row("a", 3, true), row("a", 2, false), row("b", 1, true), row("a", 1, true)];
        assert_eq!(listed(none()).await, all);
        assert_eq!(
            listed(PastQuery { id: Some("a".into()), ..none() }).await,
            [0, 1, 2, 4].map(|n: usize| all[n].clone())
        );
        assert_eq!(listed(PastQuery { since_us: Some(30), ..none() }).await, all[..2]);
        // a at 25 is deleted; b has been there all the time
        assert_eq!(listed(PastQuery { at_us: Some((25, 26)), ..none() }).await, all[2..4]);
        assert_eq!(
            listed(PastQuery { at_us: Some((30, 31)), ..none() }).await,
            [1, 3].map(|n: usize| all[n].clone())
        );
        assert_eq!(listed(PastQuery { at_us: Some((0, 10)), ..none() }).await, []);
        let first = store.past(PastQuery { kind: "A".into(), limit: 2, ..none() }).await.unwrap();
        let before = Some(first[1].document.seq);
        assert_eq!(listed(PastQuery { before, ..none() }).await, all[2..]);
        let seq = first[1].document.seq;
        assert_eq!(store.document_at(seq).await.unwrap().unwrap(), first[1].document);
    })
    .await;
}

/// What made the schema before there were places.
const BEFORE: [&str; 3] = [
    include_str!("../../src/store/sqlite/migrations/0001_first.sql"),
    include_str!("../../src/store/sqlite/migrations/0002_access.sql"),
    include_str!("../../src/store/sqlite/migrations/0003_sums.sql"),
];

/// Makes the file in `old` as the program before would have: the same rows as in `new`.
fn made_before(new: &Path, old: &Path) {
    let conn = Connection::open(old.join("terce.db")).unwrap();
    for sql in BEFORE {
        conn.execute_batch(sql).unwrap();
    }
    let head = "PRAGMA application_id = 0x74657263; PRAGMA user_version = 3; ATTACH ? AS new";
    let (head, attach) = head.rsplit_once("; ").unwrap();
    conn.execute_batch(head).unwrap();
    conn.execute(attach, [new.join("terce.db").to_str().unwrap()]).unwrap();
    let mut tables = conn.prepare("SELECT name FROM main.sqlite_schema WHERE type = 'table'").unwrap();
    let tables: Vec<String> = tables.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
    assert!(tables.len() > 10 && !tables.contains(&"seen".to_owned()), "{tables:?}");
    for table in tables {
        conn.execute_batch(&format!(
            "DELETE FROM main.{table}; INSERT INTO main.{table} SELECT * FROM new.{table}"
        ))
        .unwrap();
    }
}

#[tokio::test]
async fn what_was_stored_by_the_version_before_is_listed_and_paged_as_what_is_stored_now() {
    const MINUTE: i64 = 60_000_000;
    let (new, old) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let store = file(new.path()).await;
    for (n, minute) in [0, 5, 6, 3, 7, 7, 8, 1, 9, 12, 2, 10].into_iter().enumerate() {
        let about = |write: Write| Write { patient: Some("p".into()), encounter: Some("e".into()), ..write };
        commit(&store, minute * MINUTE, vec![about(put("A", &name(n), "x"))]).await;
        commit(&store, minute * MINUTE, vec![task(&name(n), "requested"), put("A", &name(n / 2), &name(n))])
            .await;
    }
    commit(&store, 13 * MINUTE, vec![delete("A", "03")]).await;
    store.close().await.unwrap();
    made_before(new.path(), old.path());
    let (store, upgraded) = (file(new.path()).await, file(old.path()).await);
    let seen = |dir: &Path| -> Vec<(i64, i64)> {
        let conn = Connection::open(dir.join("terce.db")).unwrap();
        let mut rows = conn.prepare("SELECT us, seq FROM seen ORDER BY us").unwrap();
        rows.query_map([], |r| Ok((r.get(0)?, r.get(1)?))).unwrap().map(Result::unwrap).collect()
    };
    let places = seen(old.path());
    assert!(
        places.len() >= seen(new.path()).len(),
        "a list since a time begins no earlier than before: {places:?}"
    );
    let status = OutcomeQuery { status: vec!["requested".into()], ..OutcomeQuery::default() };
    let ways = [
        ("A", Among::All),
        ("A", Among::Patients(vec!["p".into()])),
        ("A", Among::Encounters(vec!["e".into()])),
        ("Task", Among::Outcomes(status)),
    ];
    for from in (-1..15).map(|m| m * MINUTE) {
        for (kind, among) in &ways {
            let (kind, among) = ((*kind).into(), among.clone());
            let query = Query { kind, among, updated_from_us: Some(from), limit: 99, ..Query::default() };
            let (want, found) =
                (store.search(query.clone()).await.unwrap(), upgraded.search(query).await.unwrap());
            assert_eq!(found, want);
        }
        let since = PastQuery { kind: "A".into(), since_us: Some(from), limit: 99, ..PastQuery::default() };
        assert_eq!(upgraded.past(since.clone()).await.unwrap(), store.past(since).await.unwrap());
    }
    let (listed, _) = walked(&upgraded, Query { kind: "A".into(), ..Query::default() }).await;
    assert_eq!(listed.iter().map(|(_, id)| id).collect::<BTreeSet<_>>().len(), listed.len());
}
