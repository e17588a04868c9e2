//! The chain of audit rows, and what is done to it.

use std::path::Path;

use terce::store::{Audit, AuditQuery, Batch, Break, ChainHead, Precondition, Store, Walk};

use super::{batch, on_each, put};

fn act(deed: &str) -> Audit {
    Audit { deed: deed.to_owned(), of_writes: true, ..Audit::default() }
}

fn about(patient: &str) -> Audit {
    Audit { deed: "read".to_owned(), patients: vec![patient.to_owned()], ..Audit::default() }
}

async fn record(store: &Store, at_us: i64, audits: Vec<Audit>) {
    store.commit(Batch { now_us: at_us, audits, ..Batch::default() }).await.unwrap();
}

async fn walked(store: &Store, heads: &[ChainHead]) -> Result<ChainHead, Break> {
    let mut walk = Walk::new(&store.instance().await.unwrap(), heads.to_vec());
    for row in store.audits_after(0, 10_000).await.unwrap() {
        walk.step(&row)?;
    }
    walk.end().map(|()| walk.head())
}

#[tokio::test]
async fn an_act_is_recorded_with_what_it_wrote_or_neither_is_there() {
    on_each(async |store| {
        let mut written = batch(5, vec![put("Procedure", "a", "1@p"), put("Procedure", "b", "1@q")]);
        written.audits = vec![act("transaction")];
        store.commit(written).await.unwrap();
        let mut refused = batch(6, vec![put("Procedure", "c", "1@p")]);
        refused.writes[0].precondition = Precondition::Version(7);
        refused.audits = vec![act("update")];
        store.commit(refused).await.unwrap_err();
        let rows = store.audits_after(0, 10).await.unwrap();
        assert_eq!(rows.len(), 1);
        let row = rows[0].audit().unwrap();
        assert_eq!((rows[0].number, rows[0].at_us, row.deed.as_str()), (1, 5, "transaction"));
        assert_eq!(row.what, ["Procedure/a/_history/1", "Procedure/b/_history/1"]);
        assert_eq!(row.patients, ["p", "q"]);
        assert_eq!(walked(&store, &[]).await.unwrap().number, 1);
    })
    .await;
}

#[tokio::test]
async fn a_large_act_is_one_row_that_tells_how_much_it_does_not_list() {
    on_each(async |store| {
        let writes = (0..1_000).map(|n| put("Procedure", "x", "1@p").tap(n)).collect();
        let mut written = batch(5, writes);
        written.audits = vec![act("batch")];
        store.commit(written).await.unwrap();
        let row = store.audits_after(0, 10).await.unwrap()[0].audit().unwrap();
        assert_eq!((row.what.len(), row.more, row.patients.len()), (64, 936, 64));
    })
    .await;
}

trait Tap {
    fn tap(self, n: usize) -> Self;
}

impl Tap for terce::store::Write {
    /// As the `n`th of many, each of another patient.
    fn tap(mut self, n: usize) -> Self {
        self.id = Some(format!("x{n}"));
        self.patient = Some(format!("p{n}"));
        self
    }
}

#[tokio::test]
async fn rows_are_found_by_time_and_patient_the_newest_first() {
    on_each(async |store| {
        for (at_us, patient) in [(10, "p"), (20, "q"), (30, "p"), (40, "p")] {
            record(&store, at_us, vec![about(patient)]).await;
        }
        let numbers = async |query: AuditQuery| -> Vec<i64> {
            store.audits(query).await.unwrap().iter().map(|r| r.number).collect()
        };
        let all = AuditQuery { limit: 10, ..AuditQuery::default() };
        assert_eq!(numbers(all.clone()).await, [4, 3, 2, 1]);
        let of_p = AuditQuery { patient: Some("p".into()), ..all.clone() };
        assert_eq!(numbers(of_p.clone()).await, [4, 3, 1]);
        assert_eq!(numbers(AuditQuery { before: Some(3), ..of_p.clone() }).await, [1]);
        assert_eq!(numbers(AuditQuery { from_us: Some(20), to_us: Some(40), ..all.clone() }).await, [3, 2]);
        assert_eq!(numbers(AuditQuery { limit: 1, ..of_p }).await, [4]);
    })
    .await;
}

/// Changes the file behind the store's back.
fn tamper(path: &Path, sql: &str) {
    rusqlite::Connection::open(path).unwrap().execute_batch(sql).unwrap();
}

#[tokio::test]
async fn what_is_done_to_the_chain_shows() {
    let swap = "UPDATE audit SET number = -1 WHERE number = 3; UPDATE audit SET number = 3 WHERE number = 4; \
                UPDATE audit SET number = 4 WHERE number = -1";
    let copied = "UPDATE audit SET body = (SELECT body FROM audit WHERE number = 1) WHERE number = 4";
    let cases = [
        ("UPDATE audit SET body = X'7B7D' WHERE number = 3", Err(Break::Changed { number: 3 })),
        ("UPDATE audit SET at_us = at_us + 1 WHERE number = 5", Err(Break::Changed { number: 5 })),
        ("UPDATE audit SET hash = zeroblob(32) WHERE number = 2", Err(Break::Changed { number: 2 })),
        (copied, Err(Break::Changed { number: 4 })),
        (swap, Err(Break::Changed { number: 3 })),
        ("DELETE FROM audit WHERE number IN (2, 3)", Err(Break::Removed { from: 2, to: 3 })),
        ("DELETE FROM audit WHERE number = 1", Err(Break::Removed { from: 1, to: 1 })),
        // alone, a chain cannot show that its end is missing
        ("DELETE FROM audit WHERE number > 4", Ok(4)),
        ("", Ok(5)),
    ];
    for (sql, wanted) in cases {
        let dir = tempfile::tempdir().unwrap();
        let store = super::file(dir.path()).await;
        for number in 1..=5 {
            record(&store, 10 * number, vec![about(&format!("p{number}"))]).await;
        }
        let head = walked(&store, &[]).await.unwrap();
        store.close().await.unwrap();
        tamper(&dir.path().join("terce.db"), sql);
        let store = super::file(dir.path()).await;
        assert_eq!(walked(&store, &[]).await.map(|head| head.number), wanted, "{sql}");
        if wanted == Ok(4) {
            let kept: ChainHead = head.to_string().parse().unwrap();
            assert_eq!(walked(&store, &[kept]).await, Err(Break::CutOff { head: 5, last: 4 }));
            // and what is written after the cut does not fit with what was kept
            record(&store, 60, vec![about("somebody else")]).await;
            assert_eq!(walked(&store, &[]).await.unwrap().number, 5);
            assert_eq!(walked(&store, &[kept]).await, Err(Break::Replaced { head: 5 }));
        }
    }
}

#[test]
fn a_head_is_read_as_it_is_printed() {
    let head = ChainHead::start("x").next(5, b"{}");
    assert_eq!(head.to_string().parse(), Ok(head));
    for wrong in ["", "1", "1:", "1:zz", "x:00", &format!("1:{}", "é".repeat(32))] {
        assert!(wrong.parse::<ChainHead>().is_err(), "{wrong}");
    }
}
