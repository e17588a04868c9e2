//! The chain of audit rows, and what is done to it.

use std::path::Path;

use proptest::prelude::*;
use terce::store::{Audit, AuditQuery, Batch, Break, ChainHead, Precondition, RETIRE, Store, Thing};

use super::{batch, on_each, put};

fn act(deed: &'static str) -> Audit {
    Audit { deed: deed.into(), of_writes: true, ..Audit::default() }
}

fn about(patients: &[&str]) -> Audit {
    let things = patients.iter().map(|p| Thing { patient: Some((*p).to_owned()), ..Thing::default() });
    Audit { deed: "read".into(), things: things.collect(), ..Audit::default() }
}

async fn record(store: &Store, at_us: i64, audits: Vec<Audit>) {
    store.commit(Batch { now_us: at_us, audits, ..Batch::default() }).await.unwrap();
}

async fn rows(store: &Store) -> Vec<(i64, i64, Audit)> {
    let found = store.audits_after(i64::MIN, 1_000).await.unwrap();
    found.into_iter().map(|f| (f.row.number, f.row.at_us, f.row.audit().unwrap())).collect()
}

/// A few rows at a time, so that a walk goes over the seam.
async fn walk(store: &Store, heads: &[ChainHead]) -> (ChainHead, Vec<Break>) {
    store.walk_audits(heads.to_vec(), 3).await.unwrap()
}

async fn whole(store: &Store) -> ChainHead {
    let (head, broken) = walk(store, &[]).await;
    assert_eq!(broken, []);
    head
}

#[tokio::test]
async fn an_act_is_recorded_with_what_it_wrote_or_neither_is_there() {
    on_each(async |store| {
        let mut written = batch(5, vec![put("Procedure", "a", "1@p"), put("Procedure", "b", "1@q")]);
        written.audits = vec![act("transaction")];
        store.commit(written.clone()).await.unwrap();
        // the same again changes nothing, and was asked for nevertheless
        written.now_us = 6;
        store.commit(written).await.unwrap();
        let mut refused = batch(7, vec![put("Procedure", "c", "1@p")]);
        refused.writes[0].precondition = Precondition::Version(7);
        refused.audits = vec![act("update")];
        store.commit(refused).await.unwrap_err();
        let rows = rows(&store).await;
        let told = |(number, at_us, audit): &(i64, i64, Audit)| {
            let things = audit.things.iter();
            let things = things.map(|t| {
                format!("{} {}/{}/{} of {}", t.deed, t.kind, t.id, t.version, t.patient.as_deref().unwrap())
            });
            (*number, *at_us, things.collect::<Vec<_>>().join(", "))
        };
        assert_eq!(rows.len(), 2);
        let (first, again) = (told(&rows[0]), told(&rows[1]));
        assert_eq!(first, (1, 5, "create Procedure/a/1 of p, create Procedure/b/1 of q".to_owned()));
        assert_eq!(again, (2, 6, "update Procedure/a/1 of p, update Procedure/b/1 of q".to_owned()));
        assert_eq!(whole(&store).await.number, 2);
    })
    .await;
}

#[tokio::test]
async fn a_batch_that_is_refused_leaves_no_row_between_those_of_others_in_the_same_transaction() {
    on_each(async |store| {
        let one = |at: i64, id: &str, precondition: Precondition| {
            let mut one = batch(at, vec![put("Procedure", id, "1@p")]);
            one.writes[0].precondition = precondition;
            one.audits = vec![act("update")];
            store.commit(one)
        };
        let (first, second, third) = tokio::join!(
            one(1, "a", Precondition::None),
            one(2, "b", Precondition::Version(3)),
            one(3, "c", Precondition::Absent)
        );
        assert!(first.is_ok() && second.is_err() && third.is_ok());
        let ids: Vec<String> = rows(&store).await.iter().map(|(_, _, a)| a.things[0].id.clone()).collect();
        assert_eq!(ids, ["a", "c"]);
        assert_eq!(whole(&store).await.number, 2);
    })
    .await;
}

#[tokio::test]
async fn what_a_reader_waits_for_does_not_wait_behind_what_others_write() {
    on_each(async |store| {
        let many = 4_000;
        let mut all = tokio::task::JoinSet::new();
        let mut begin = |batch: Batch| {
            let store = store.clone();
            all.spawn(async move { store.commit(batch).await.unwrap() })
        };
        // more than the queue holds, and what is read last
        for n in 0..many {
            let body = format!("{}@p", "x".repeat(5_000));
            let mut one = batch(1, vec![put("Procedure", &format!("a{n}"), &body)]);
            one.audits = vec![act("update")];
            begin(one);
        }
        begin(Batch { now_us: 1, audits: vec![about(&["p"])], ..Batch::default() });
        while let Some(done) = all.join_next().await {
            done.unwrap();
        }
        let rows = store.audits_after(i64::MIN, 10_000).await.unwrap();
        let place = rows.iter().position(|f| f.row.audit().unwrap().deed == "read").unwrap();
        assert!(place < many - 100, "{place}");
        assert_eq!(whole(&store).await.number, i64::try_from(many).unwrap() + 1);
    })
    .await;
}

#[tokio::test]
async fn a_deletion_is_about_whom_the_document_was_about() {
    on_each(async |store| {
        super::commit(&store, 1, vec![put("Procedure", "a", "1@p")]).await;
        let mut deletes = batch(2, vec![super::delete("Procedure", "a"), super::delete("Procedure", "none")]);
        deletes.audits = vec![act("batch")];
        store.commit(deletes).await.unwrap();
        let rows = rows(&store).await;
        let things: Vec<_> = rows[0].2.things.iter().map(|t| (&*t.deed, t.patient.as_deref())).collect();
        assert_eq!(things, [("delete", Some("p")), ("delete", None)]);
    })
    .await;
}

#[tokio::test]
async fn rows_are_found_by_time_and_patient_the_newest_first() {
    on_each(async |store| {
        for (at_us, patients) in [(10, ["p", "p"]), (20, ["q", "q"]), (30, ["p", "q"]), (40, ["p", "r"])] {
            record(&store, at_us, vec![about(&patients)]).await;
        }
        let numbers = async |query: AuditQuery| -> Vec<i64> {
            store.audits(query).await.unwrap().iter().map(|r| r.number).collect()
        };
        let all = AuditQuery { limit: 10, ..AuditQuery::default() };
        assert_eq!(numbers(all.clone()).await, [4, 3, 2, 1]);
        let of_p = AuditQuery { patients: vec!["p".into()], ..all.clone() };
        assert_eq!(numbers(of_p.clone()).await, [4, 3, 1]);
        assert_eq!(numbers(AuditQuery { before: Some(3), ..of_p.clone() }).await, [1]);
        assert_eq!(numbers(AuditQuery { from_us: Some(20), to_us: Some(40), ..all.clone() }).await, [3, 2]);
        assert_eq!(numbers(AuditQuery { limit: 1, ..of_p.clone() }).await, [4]);
        let several = AuditQuery { patients: vec!["p".into(), "r".into()], ..all.clone() };
        assert_eq!(numbers(several.clone()).await, [4, 3, 1]);
        assert_eq!(numbers(AuditQuery { before: Some(4), from_us: Some(20), ..several }).await, [3]);
        let oldest = AuditQuery { oldest_first: true, ..all };
        assert_eq!(numbers(oldest.clone()).await, [1, 2, 3, 4]);
        assert_eq!(numbers(AuditQuery { after: Some(2), limit: 1, ..oldest }).await, [3]);
        assert_eq!(numbers(AuditQuery { oldest_first: true, after: Some(1), ..of_p }).await, [3, 4]);
    })
    .await;
}

#[tokio::test]
async fn rows_whose_time_is_over_are_removed_from_the_beginning_and_the_chain_stays_whole() {
    on_each(async |store| {
        for at_us in [10, 20, 30, 25, 40] {
            record(&store, at_us, vec![about(&["p"])]).await;
        }
        let kept = whole(&store).await;
        let retire = async |before_us, limit, now_us| {
            store.retire_audits(before_us, limit, now_us, Audit::default()).await.unwrap()
        };
        assert_eq!(retire(30, 1, 50).await, 1);
        assert_eq!(retire(30, 10, 51).await, 1);
        // what is behind a row that stays, stays: the clock had been put back
        assert_eq!(retire(30, 10, 52).await, 0);
        let left: Vec<i64> = rows(&store).await.iter().map(|r| r.0).collect();
        assert_eq!(left, [3, 4, 5, 6, 7]);
        let told = &rows(&store).await[4].2;
        assert_eq!((&*told.deed, told.more, &told.asked[..2]), (RETIRE, 1, "2:"));
        assert_eq!(whole(&store).await.number, 7);
        assert_eq!(walk(&store, &[kept]).await.1, []);
        let of_p = AuditQuery { patients: vec!["p".into()], limit: 10, ..AuditQuery::default() };
        assert_eq!(store.audits(of_p).await.unwrap().len(), 3);
        // even all of them: but for the rows that tell of it
        assert_eq!(retire(100, 10, 200).await, 5);
        assert_eq!(whole(&store).await.number, 8);
        record(&store, 210, vec![about(&["p"])]).await;
        assert_eq!(whole(&store).await.number, 9);
    })
    .await;
}

/// Changes the file behind the store's back.
fn tamper(dir: &Path, sql: &str) {
    rusqlite::Connection::open(dir.join("terce.db")).unwrap().execute_batch(sql).unwrap();
}

/// Five rows; their head.
async fn chain(dir: &Path) -> ChainHead {
    let store = super::file(dir).await;
    for number in 1..=5 {
        record(&store, 10 * number, vec![about(&[&format!("p{number}"), "q"])]).await;
    }
    let head = whole(&store).await;
    store.close().await.unwrap();
    head
}

#[tokio::test]
async fn what_is_done_to_the_chain_is_told_with_its_place() {
    let swap = "UPDATE audit SET number = -1 WHERE number = 3; UPDATE audit SET number = 3 WHERE number = 4; \
                UPDATE audit SET number = 4 WHERE number = -1";
    let moved = "UPDATE audit SET number = 9 WHERE number = 3";
    let copied = "UPDATE audit SET body = (SELECT body FROM audit WHERE number = 1) WHERE number = 4";
    let added = "INSERT INTO audit SELECT 6, at_us, body, hash FROM audit WHERE number = 5";
    let before = "INSERT INTO audit SELECT 0, at_us, body, hash FROM audit WHERE number = 1";
    let put_back = "UPDATE audit_end SET number = 4, hash = (SELECT hash FROM audit WHERE number = 4) \
                    WHERE name = 'last'";
    let shortened = "INSERT INTO audit_end SELECT 'gone', 2, hash FROM audit WHERE number = 2; \
                     DELETE FROM audit WHERE number < 3; DELETE FROM audit_patient WHERE number < 3";
    let cases = [
        ("UPDATE audit SET body = X'7B7D' WHERE number = 3", vec![Break::Changed { number: 3 }]),
        ("UPDATE audit SET at_us = at_us + 1 WHERE number = 5", vec![Break::Changed { number: 5 }]),
        ("UPDATE audit SET hash = zeroblob(32) WHERE number = 2", vec![Break::Changed { number: 2 }]),
        (copied, vec![Break::Changed { number: 4 }, Break::Unlisted { number: 4 }]),
        (
            swap,
            vec![Break::Changed { number: 3 }, Break::Unlisted { number: 3 }, Break::Changed { number: 4 }],
        ),
        (moved, vec![Break::Inserted { number: 9 }, Break::Removed { from: 3, to: 3 }]),
        ("DELETE FROM audit WHERE number IN (2, 3)", vec![Break::Removed { from: 2, to: 3 }]),
        ("DELETE FROM audit WHERE number = 1", vec![Break::Removed { from: 1, to: 1 }]),
        ("DELETE FROM audit WHERE number > 3", vec![Break::Removed { from: 4, to: 5 }]),
        (added, vec![Break::Inserted { number: 6 }]),
        (before, vec![Break::Inserted { number: 0 }]),
        ("DELETE FROM audit_patient WHERE patient = 'p2'", vec![Break::Unlisted { number: 2 }]),
        ("INSERT INTO audit_patient VALUES ('z', 2)", vec![Break::Listed { more: 1 }]),
        (put_back, vec![Break::Inserted { number: 5 }]),
        ("UPDATE audit_end SET hash = zeroblob(32)", vec![Break::End { number: 5 }]),
        ("DELETE FROM audit_end", vec![Break::Inserted { number: 1 }]),
        (shortened, vec![Break::Beginning { number: 2 }]),
        ("DELETE FROM audit", vec![Break::Removed { from: 1, to: 5 }]),
    ];
    for (sql, wanted) in cases {
        let dir = tempfile::tempdir().unwrap();
        chain(dir.path()).await;
        tamper(dir.path(), sql);
        let store = super::file(dir.path()).await;
        let (_, broken) = walk(&store, &[]).await;
        for told in &wanted {
            assert!(broken.contains(told), "{sql}: {told:?} is not among {broken:?}");
        }
    }
}

#[tokio::test]
async fn a_chain_that_was_made_anew_shows_against_a_head_that_was_kept() {
    let dir = tempfile::tempdir().unwrap();
    let kept = chain(dir.path()).await;
    // all of it, with what is noted beside it
    tamper(dir.path(), "DELETE FROM audit; DELETE FROM audit_patient; DELETE FROM audit_end");
    let store = super::file(dir.path()).await;
    record(&store, 10, vec![about(&["somebody else"])]).await;
    whole(&store).await;
    assert_eq!(walk(&store, &[kept]).await.1, [Break::CutOff { head: 5, last: 1 }]);
    for at_us in 11..=15 {
        record(&store, at_us, vec![about(&["somebody else"])]).await;
    }
    whole(&store).await;
    assert_eq!(walk(&store, &[kept]).await.1, [Break::Replaced { head: 5 }]);
}

#[test]
fn a_head_is_read_as_it_is_printed() {
    let head = ChainHead::start("x").next(5, b"{}");
    assert_eq!(head.to_string().parse(), Ok(head));
    for wrong in
        ["", "1", "1:", "1:zz", "x:00", &format!("1:{}", "é".repeat(32)), &format!("1:{}", "+1".repeat(32))]
    {
        assert!(wrong.parse::<ChainHead>().is_err(), "{wrong}");
    }
}

/// One thing that is done to a chain by somebody who can write the database and does not make it anew.
#[derive(Clone, Debug)]
enum Tampering {
    Byte { number: i64, at: usize, flip: u8 },
    Time { number: i64, by: i64 },
    Hash { number: i64, at: usize, flip: u8 },
    Remove { from: i64, to: i64 },
    Exchange { one: i64, other: i64 },
    Insert { at: i64, like: i64 },
    Append { like: i64, by: i64 },
    End { number: i64 },
    Gone { number: i64 },
}

fn tampering() -> impl Strategy<Value = Tampering> {
    let (row, byte, flip) = (1..=7_i64, 0..400_usize, 1..=255_u8);
    prop_oneof![
        (row.clone(), byte.clone(), flip.clone()).prop_map(|(number, at, flip)| Tampering::Byte {
            number,
            at,
            flip
        }),
        (row.clone(), -50..50_i64)
            .prop_map(|(number, by)| Tampering::Time { number, by: if by == 0 { 1 } else { by } }),
        (row.clone(), 0..32_usize, flip).prop_map(|(number, at, flip)| Tampering::Hash { number, at, flip }),
        (row.clone(), row.clone()).prop_map(|(a, b)| Tampering::Remove { from: a.min(b), to: a.max(b) }),
        (row.clone(), 1..7_i64)
            .prop_map(|(one, by)| Tampering::Exchange { one, other: (one + by - 1) % 7 + 1 }),
        (row.clone(), row.clone()).prop_map(|(at, like)| Tampering::Insert { at, like }),
        (row.clone(), 1..5_i64).prop_map(|(like, by)| Tampering::Append { like, by }),
        (0..7_i64).prop_map(|number| Tampering::End { number }),
        (1..=7_i64).prop_map(|number| Tampering::Gone { number }),
    ]
}

impl Tampering {
    /// Does it. Returns a row that must be told of; none: whichever.
    fn apply(&self, conn: &rusqlite::Connection) -> Option<i64> {
        let body = |column: &str, number: i64| -> Vec<u8> {
            let sql = format!("SELECT {column} FROM audit WHERE number = ?1");
            conn.query_row(&sql, [number], |r| r.get(0)).unwrap()
        };
        let set = |column: &str, number: i64, at: usize, flip: u8| {
            let mut bytes = body(column, number);
            let at = at % bytes.len();
            bytes[at] ^= flip;
            let sql = format!("UPDATE audit SET {column} = ?1 WHERE number = ?2");
            conn.execute(&sql, rusqlite::params![bytes, number]).unwrap();
        };
        let run = |sql: &str, values: &[i64]| {
            conn.execute(sql, rusqlite::params_from_iter(values)).unwrap();
        };
        match *self {
            Tampering::Byte { number, at, flip } => {
                set("body", number, at, flip);
                Some(number)
            }
            Tampering::Time { number, by } => {
                run("UPDATE audit SET at_us = at_us + ?2 WHERE number = ?1", &[number, by]);
                Some(number)
            }
            Tampering::Hash { number, at, flip } => {
                set("hash", number, at, flip);
                Some(number)
            }
            Tampering::Remove { from, to } => {
                run("DELETE FROM audit WHERE number BETWEEN ?1 AND ?2", &[from, to]);
                Some(from)
            }
            Tampering::Exchange { one, other } => {
                run("UPDATE audit SET number = -1 WHERE number = ?1", &[one]);
                run("UPDATE audit SET number = ?1 WHERE number = ?2", &[one, other]);
                run("UPDATE audit SET number = ?1 WHERE number = -1", &[other]);
                Some(one)
            }
            Tampering::Insert { at, like } => {
                run("UPDATE audit SET number = -number WHERE number >= ?1", &[at]);
                run("UPDATE audit SET number = 1 - number WHERE number < 0", &[]);
                let like = if like >= at { like + 1 } else { like };
                run(
                    "INSERT INTO audit SELECT ?1, at_us, body, hash FROM audit WHERE number = ?2",
                    &[at, like],
                );
                // a copy of the next row in front of it looks like the row itself up to there
                None
            }
            Tampering::Append { like, by } => {
                run(
                    "INSERT INTO audit SELECT 7 + ?2, at_us, body, hash FROM audit WHERE number = ?1",
                    &[like, by],
                );
                Some(7 + by)
            }
            Tampering::End { number } => {
                run("UPDATE audit_end SET number = ?1 WHERE name = 'last'", &[number]);
                Some(number + 1)
            }
            Tampering::Gone { number } => {
                run(
                    "INSERT INTO audit_end SELECT 'gone', number, hash FROM audit WHERE number = ?1",
                    &[number],
                );
                run("DELETE FROM audit WHERE number <= ?1", &[number]);
                Some(number)
            }
        }
    }
}

/// The rows that a break is about.
fn numbers(broken: &Break) -> std::ops::RangeInclusive<i64> {
    match *broken {
        Break::Removed { from, to } => from..=to,
        Break::Changed { number }
        | Break::Inserted { number }
        | Break::Unlisted { number }
        | Break::Beginning { number }
        | Break::End { number } => number..=number,
        Break::Listed { .. } => 0..=0,
        Break::CutOff { head, last } => last + 1..=head,
        Break::Replaced { head } => head..=head,
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 120, ..ProptestConfig::default() })]

    #[test]
    fn whatever_single_thing_is_done_to_a_chain_is_found(
        tampering in tampering(),
        lengths in prop::collection::vec(0..3_usize, 7),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        let dir = tempfile::tempdir().unwrap();
        let (broken, must) = runtime.block_on(async {
            let store = super::file(dir.path()).await;
            let audits = (1..).zip(&lengths).map(|(number, length)| {
                let patients: Vec<String> = (0..*length).map(|n| format!("p{n}{number}")).collect();
                about(&patients.iter().map(String::as_str).collect::<Vec<_>>())
            });
            record(&store, 10, audits.collect()).await;
            whole(&store).await;
            let conn = rusqlite::Connection::open(dir.path().join("terce.db")).unwrap();
            let must = tampering.apply(&conn);
            drop(conn);
            let broken = walk(&store, &[]).await.1;
            store.close().await.unwrap();
            (broken, must)
        });
        prop_assert!(!broken.is_empty(), "{tampering:?}");
        if let Some(must) = must {
            prop_assert!(broken.iter().any(|b| numbers(b).contains(&must)), "{tampering:?}: {broken:?}");
        }
    }
}
