//! Lists: what fits, in which order, page by page.

use terce::store::{
    Among, Batch, Order, OutcomeQuery, OutcomeRow, Page, Query, Reconciled, StayQuery, StayRow, Store, Write,
};

use super::{commit, delete, on_each, put, task};

fn all(kind: &'static str, limit: usize) -> Query {
    Query { kind: kind.into(), limit, ..Query::default() }
}

fn ids(page: &Page) -> Vec<&str> {
    page.documents.iter().map(|d| d.document.id.as_str()).collect()
}

async fn found(store: &Store, query: Query) -> Vec<String> {
    store.search(query).await.unwrap().documents.into_iter().map(|d| d.document.id).collect()
}

#[tokio::test]
async fn a_search_finds_current_documents_by_each_criterion() {
    on_each(async |store| {
        let b = Write { encounter: Some("e".into()), ..put("A", "b", "x@q") };
        commit(&store, 10, vec![put("A", "a", "x"), b, put("B", "a", "x"), put("A", "gone", "x")]).await;
        commit(&store, 20, vec![put("A", "c", "x"), put("A", "a", "y"), delete("A", "gone")]).await;
        assert_eq!(found(&store, all("A", 9)).await, ["b", "c", "a"]);
        let query = Query { order: Order::NewestFirst, ..all("A", 9) };
        assert_eq!(found(&store, query).await, ["a", "c", "b"]);
        let query = Query { among: Among::Ids(["a", "b", "gone"].map(Into::into).into()), ..all("A", 9) };
        assert_eq!(found(&store, query).await, ["b", "a"]);
        let among = |among: Among| Query { among, ..all("A", 9) };
        assert_eq!(found(&store, among(Among::Patients(vec!["p".into()]))).await, ["c", "a"]);
        let both = Among::Patients(vec!["q".into(), "p".into(), "p".into()]);
        assert_eq!(found(&store, among(both)).await, ["b", "c", "a"]);
        assert_eq!(found(&store, among(Among::Encounters(vec!["e".into()]))).await, ["b"]);
        assert_eq!(found(&store, Query { updated_from_us: Some(20), ..all("A", 9) }).await, ["c", "a"]);
        assert_eq!(found(&store, Query { updated_to_us: Some(20), ..all("A", 9) }).await, ["b"]);
        let late =
            Query { updated_from_us: Some(20), ..among(Among::Patients(vec!["p".into(), "q".into()])) };
        assert_eq!(found(&store, late).await, ["c", "a"]);
        assert_eq!((store.count("A").await.unwrap(), store.count("none").await.unwrap()), (3, 0));
    })
    .await;
}

#[tokio::test]
async fn a_search_finds_outcomes_by_each_column() {
    on_each(async |store| {
        let row = |n: &str| OutcomeRow {
            stay: Some(format!("stay{n}")),
            topic: Some(format!("topic{n}")),
            status: Some(format!("status{n}")),
            owner: Some(format!("owner{n}")),
            location: Some(format!("location{n}")),
            code: Some(format!("code{n}")),
            focus: Some(format!("focus{n}")),
            open: n == "1",
        };
        for n in ["1", "2", "3"] {
            let write = Write { outcome: Some(row(n)), ..put("Task", n, "x") };
            commit(&store, 1, vec![write]).await;
        }
        let by = async |outcome: OutcomeQuery| {
            found(&store, Query { among: Among::Outcomes(outcome), ..all("Task", 9) }).await
        };
        let two = |name: &str| vec![format!("{name}2"), format!("{name}3"), "none".to_owned()];
        let none = OutcomeQuery::default;
        assert_eq!(by(OutcomeQuery { stay: two("stay"), ..none() }).await, ["2", "3"]);
        assert_eq!(by(OutcomeQuery { topic: two("topic"), ..none() }).await, ["2", "3"]);
        assert_eq!(by(OutcomeQuery { status: two("status"), ..none() }).await, ["2", "3"]);
        assert_eq!(by(OutcomeQuery { owner: two("owner"), ..none() }).await, ["2", "3"]);
        assert_eq!(by(OutcomeQuery { location: two("location"), ..none() }).await, ["2", "3"]);
        assert_eq!(by(OutcomeQuery { code: two("code"), ..none() }).await, ["2", "3"]);
        assert_eq!(by(OutcomeQuery { focus: two("focus"), ..none() }).await, ["2", "3"]);
        assert_eq!(by(OutcomeQuery { open: Some(true), ..none() }).await, ["1"]);
        assert_eq!(by(OutcomeQuery { open: Some(false), owner: two("owner"), ..none() }).await, ["2", "3"]);
        assert_eq!(by(OutcomeQuery { open: Some(true), owner: two("owner"), ..none() }).await, [""; 0]);
    })
    .await;
}

#[tokio::test]
async fn an_outcome_is_searched_as_it_is_now() {
    on_each(async |store| {
        commit(&store, 1, vec![task("t", "requested"), task("u", "requested")]).await;
        commit(&store, 2, vec![task("t", "completed"), delete("Task", "u")]).await;
        let by = |status: &str| Query {
            among: Among::Outcomes(OutcomeQuery { status: vec![status.into()], ..Default::default() }),
            ..all("Task", 9)
        };
        assert_eq!(found(&store, by("requested")).await, [""; 0]);
        let page = store.search(by("completed")).await.unwrap();
        assert_eq!((page.documents.len(), page.documents[0].document.version), (1, 2));
        assert_eq!(found(&store, Query { updated_from_us: Some(2), ..by("completed") }).await, ["t"]);
        assert_eq!(found(&store, Query { updated_from_us: Some(3), ..by("completed") }).await, [""; 0]);
    })
    .await;
}

#[tokio::test]
async fn the_last_page_says_so() {
    on_each(async |store| {
        commit(&store, 1, (0..6).map(|n| put("A", &n.to_string(), "x")).collect()).await;
        let first = store.search(all("A", 3)).await.unwrap();
        let second = store.search(Query { after: first.next, ..all("A", 3) }).await.unwrap();
        assert_eq!((ids(&first), ids(&second)), (vec!["0", "1", "2"], vec!["3", "4", "5"]));
        assert_eq!(second.next, None);
        let back = Query { order: Order::NewestFirst, after: Some(second.documents[0].place), ..all("A", 3) };
        assert_eq!(found(&store, back).await, ["2", "1", "0"]);
    })
    .await;
}

#[tokio::test]
async fn a_page_is_bounded_by_bytes_and_the_next_goes_on() {
    on_each(async |store| {
        for n in 0..3 {
            let body = Some(vec![b'x'; 40 << 20]);
            commit(&store, n, vec![Write { body, ..put("A", &n.to_string(), "") }]).await;
        }
        let (mut after, mut sizes) = (None, Vec::new());
        loop {
            let page = store.search(Query { after, ..all("A", 9) }).await.unwrap();
            sizes.push(page.documents.len());
            after = page.next;
            if after.is_none() {
                break;
            }
        }
        assert_eq!(sizes, [1, 1, 1]);
    })
    .await;
}

#[tokio::test]
async fn subjects_are_listed_in_pages() {
    on_each(async |store| {
        commit(&store, 1, ["b", "a", "c"].map(|p| put("A", p, &format!("x@{p}"))).into()).await;
        let names = async |after, limit| -> Vec<String> {
            store.subjects(after, limit).await.unwrap().into_iter().map(|s| s.patient).collect()
        };
        assert_eq!(names(None, 2).await, ["a", "b"]);
        assert_eq!(names(Some("b"), 2).await, ["c"]);
    })
    .await;
}

#[tokio::test]
async fn stays_are_listed_by_time() {
    on_each(async |store| {
        let stay = |stay: &str, begins_us, ends_us: Option<i64>, unit: &str| StayRow {
            stay: stay.into(),
            patient: "p".into(),
            begins_us,
            ends_us,
            open: ends_us.is_none(),
            ledger_us: 0,
            unit: Some(unit.into()),
            ahead: None,
        };
        let stays = vec![
            stay("a", Some(10), Some(20), "icu"),
            stay("b", Some(20), None, "icu"),
            stay("c", None, Some(5), "ward"),
        ];
        let reconciled = vec![Reconciled { patient: "p".into(), stays, ..Default::default() }];
        store.commit(Batch { reconciled, ..Batch::default() }).await.unwrap();
        let listed = async |query: StayQuery| -> Vec<String> {
            let query = StayQuery { limit: 9, ..query };
            store.stays(query).await.unwrap().into_iter().map(|s| s.stay).collect()
        };
        let none = StayQuery::default;
        assert_eq!(listed(none()).await, ["a", "b", "c"]);
        assert_eq!(listed(StayQuery { after: Some("a".into()), ..none() }).await, ["b", "c"]);
        assert_eq!(listed(StayQuery { open: Some(true), ..none() }).await, ["b"]);
        assert_eq!(listed(StayQuery { open: Some(false), unit: Some("icu".into()), ..none() }).await, ["a"]);
        assert_eq!(listed(StayQuery { patient: Some("q".into()), ..none() }).await, [""; 0]);
        assert_eq!(listed(StayQuery { overlaps_us: Some((5, 20)), ..none() }).await, ["a"]);
        assert_eq!(listed(StayQuery { overlaps_us: Some((4, 21)), ..none() }).await, ["a", "b", "c"]);
    })
    .await;
}
