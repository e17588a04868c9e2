//! What follows from documents: stays, tallies, dependencies, doubts, and who has been reconciled.

use std::collections::BTreeSet;

use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior, params};

use super::apply::{Applying, Stop, run};
use super::sums;
use crate::store::{Derived, Doubtful, Reconciled, StayRow, StoreError, sql};

/// Stores what a reconciliation made of a patient, unless the patient has changed since.
pub(super) fn reconcile(applying: &mut Applying<'_, '_>, reconciled: &Reconciled) -> Result<(), Stop> {
    let Reconciled { patient, generation, wake_us, stays: _, shares: _, depends, depends_seq, doubts } =
        reconciled;
    let conn = applying.conn;
    let mut changed = conn.prepare_cached(sql::RECONCILE)?.execute(params![patient, generation, wake_us])?;
    if changed == 0 && *generation == 0 {
        changed = conn.prepare_cached(sql::RECONCILE_UNKNOWN)?.execute(params![patient, wake_us])?;
    }
    if changed == 0 {
        return Err(stale(patient));
    }
    replace_stays(applying, reconciled)?;
    if let Some(depends) = depends {
        if any_written(conn, depends, *depends_seq)? {
            return Err(stale(patient));
        }
        replace_depends(conn, patient, depends)?;
    }
    if let Some(doubts) = doubts {
        replace_doubts(applying, patient, doubts)?;
    }
    Ok(())
}

fn replace_stays(applying: &mut Applying<'_, '_>, reconciled: &Reconciled) -> rusqlite::Result<()> {
    let conn = applying.conn;
    let known: Vec<String> = conn
        .prepare_cached(sql::STAYS_OF)?
        .query_map([&reconciled.patient], |r| r.get(0))?
        .collect::<Result<_, _>>()?;
    // what is listed and not known may have been another patient's
    let listed = reconciled.stays.iter().map(|s| s.stay.as_str()).filter(|s| !known.iter().any(|k| k == s));
    let stays: Vec<&str> = known.iter().map(String::as_str).chain(listed).collect();
    sums::replace(conn, &stays, &reconciled.shares, &mut applying.deltas)?;
    for stay in known.iter().filter(|known| !reconciled.stays.iter().any(|s| s.stay == **known)) {
        run(conn, sql::REMOVE_STAY, [stay])?;
    }
    for row in &reconciled.stays {
        let StayRow { stay, patient, begins_us, ends_us, open, ledger_us, unit, ahead } = row;
        let row = params![stay, patient, begins_us, ends_us, open, ledger_us, unit, ahead];
        run(conn, sql::SET_STAY, row)?;
    }
    Ok(())
}

fn stale(patient: &str) -> Stop {
    Stop::Refused(StoreError::StaleGeneration { patient: patient.to_owned() })
}

/// Whether one of `depends` has been written after a position.
fn any_written(conn: &Connection, depends: &[(String, String)], after_seq: i64) -> rusqlite::Result<bool> {
    for (kind, id) in depends {
        let written: Option<i64> = if kind == "Patient" {
            // the last write of anything of that patient
            conn.prepare_cached(sql::DIRTY_SEQ)?.query_row([id], |r| r.get(0)).optional()?
        } else {
            conn.prepare_cached(sql::LAST_SEQ)?.query_row([kind, id], |r| r.get(0)).optional()?
        };
        if written.is_some_and(|seq| seq > after_seq) {
            return Ok(true);
        }
    }
    Ok(false)
}

fn replace_depends(conn: &Connection, patient: &str, depends: &[(String, String)]) -> rusqlite::Result<()> {
    let wanted: BTreeSet<_> = depends.iter().cloned().collect();
    let known: BTreeSet<(String, String)> = conn
        .prepare_cached(sql::DEPENDS_OF)?
        .query_map([patient], |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect::<Result<_, _>>()?;
    for (kind, id) in known.difference(&wanted) {
        run(conn, sql::REMOVE_DEPENDS, [kind, id, patient])?;
    }
    for (kind, id) in wanted.difference(&known) {
        run(conn, sql::ADD_DEPENDS, [kind, id, patient])?;
    }
    Ok(())
}

/// A doubt that persists keeps its instant and its place.
fn replace_doubts(
    applying: &mut Applying<'_, '_>,
    patient: &str,
    doubts: &[Doubtful],
) -> rusqlite::Result<()> {
    let conn = applying.conn;
    let mut wanted: BTreeSet<_> = doubts.iter().cloned().collect();
    let known: Vec<(Doubtful, i64)> = conn
        .prepare_cached(sql::DOUBTS_OF)?
        .query_map([patient], |r| {
            Ok((Doubtful { kind: r.get(0)?, id: r.get(1)?, why: r.get(2)? }, r.get(3)?))
        })?
        .collect::<Result<_, _>>()?;
    for (doubt, seq) in known {
        if !wanted.remove(&doubt) {
            run(conn, sql::REMOVE_DOUBT, [seq])?;
        }
    }
    for Doubtful { kind, id, why } in wanted {
        let row = params![applying.next_seq(), patient, kind, id, why, None::<&str>, applying.now_us];
        run(conn, sql::ADD_DOUBT, row)?;
    }
    Ok(())
}

/// Makes every patient dirty; returns how many there are.
pub(super) fn redo(conn: &Connection, derived: Derived) -> rusqlite::Result<u64> {
    let tx = Transaction::new_unchecked(conn, TransactionBehavior::Immediate)?;
    match derived {
        Derived::Keep => {}
        Derived::Clear => {
            for sql in sql::CLEAR {
                tx.execute(sql, [])?;
            }
        }
    }
    let seq: i64 = tx.query_row(sql::SEQ, [], |r| r.get(0))?;
    let seq = seq + 1;
    tx.execute(sql::SET_SEQ, [seq])?;
    tx.execute(sql::KNOW_ALL, [])?;
    let subjects = tx.execute(sql::SOIL_ALL, [seq])?;
    tx.commit()?;
    Ok(u64::try_from(subjects).unwrap_or(u64::MAX))
}
