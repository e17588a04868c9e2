//! Audit rows: the chain within a transaction, lists of it, and its beginning that is removed.

use rusqlite::{
    Connection, OptionalExtension, Row, Transaction, TransactionBehavior, params, params_from_iter,
};

use super::apply::run;
use super::open::INSTANCE;
use super::read::{list, meta, natural, rows};
use super::search::Where;

use crate::store::{Audit, AuditEnds, AuditFound, AuditQuery, AuditRow, Break, ChainHead, RETIRE, Walk, sql};

const LAST: &str = "last";
const GONE: &str = "gone";

fn end(conn: &Connection, name: &str) -> rusqlite::Result<ChainHead> {
    let noted = conn
        .prepare_cached(sql::AUDIT_END)?
        .query_row([name], |r| Ok(ChainHead { number: r.get(0)?, hash: r.get(1)? }))
        .optional()?;
    match noted {
        Some(head) => Ok(head),
        None => Ok(ChainHead::start(&meta(conn, INSTANCE)?.unwrap_or_default())),
    }
}

/// The end of the chain.
pub(super) fn last(conn: &Connection) -> rusqlite::Result<ChainHead> {
    end(conn, LAST)
}

/// Notes the end of the chain.
pub(super) fn set_last(conn: &Connection, head: ChainHead) -> rusqlite::Result<()> {
    run(conn, sql::SET_AUDIT_END, params![LAST, head.number, head.hash])
}

/// Adds a row after `head`; the new end of the chain.
pub(super) fn add(
    conn: &Connection,
    head: ChainHead,
    at_us: i64,
    audit: &Audit,
) -> rusqlite::Result<ChainHead> {
    let body = serde_json::to_vec(audit).map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))?;
    let next = head.next(at_us, &body);
    run(conn, sql::ADD_AUDIT, params![next.number, at_us, body, next.hash])?;
    for patient in audit.patients() {
        run(conn, sql::ADD_AUDIT_PATIENT, params![patient, next.number])?;
    }
    Ok(next)
}

fn ends(conn: &Connection) -> rusqlite::Result<AuditEnds> {
    let listed = conn.query_row(sql::COUNT_AUDIT_PATIENTS, [], |r| natural(r, 0))?;
    Ok(AuditEnds { gone: end(conn, GONE)?, last: end(conn, LAST)?, listed })
}

/// Rows after one of them, each with whether it is found by its patients.
pub(super) fn found(conn: &Connection, after: i64, limit: usize) -> rusqlite::Result<Vec<AuditFound>> {
    let all: Vec<AuditRow> = list(conn, sql::AUDITS_AFTER, params![after, rows(limit)], row)?;
    let mut listed = conn.prepare_cached(sql::AUDIT_LISTED)?;
    let mut out = Vec::with_capacity(all.len());
    for row in all {
        let mut is_listed = true;
        if let Some(audit) = row.audit() {
            for patient in audit.patients() {
                is_listed &= listed.exists(params![patient, row.number])?;
            }
        }
        out.push(AuditFound { row, is_listed });
    }
    Ok(out)
}

/// Walks along the chain, `many` rows at a time.
pub(super) fn walk(
    conn: &Connection,
    heads: Vec<ChainHead>,
    many: usize,
) -> rusqlite::Result<(ChainHead, Vec<Break>)> {
    let mut walk = Walk::new(ends(conn)?, heads);
    let mut after = i64::MIN;
    loop {
        let rows = found(conn, after, many)?;
        let Some(last) = rows.last() else { return Ok(walk.end()) };
        after = last.row.number;
        rows.iter().for_each(|row| walk.step(row));
    }
}

pub(super) fn audits(conn: &Connection, query: &AuditQuery) -> rusqlite::Result<Vec<AuditRow>> {
    let mut fits = Where::default();
    let from = match query.patients.as_slice() {
        [] => "audit a",
        [patient] => {
            fits.and("p.patient = ?", patient);
            "audit_patient p JOIN audit a ON a.number = p.number"
        }
        // a row may be about several of them, and is listed once
        several => {
            fits.among("a.number IN (SELECT number FROM audit_patient WHERE patient", several);
            fits.text.push(')');
            "audit a"
        }
    };
    for (condition, value) in [
        ("a.at_us >= ?", &query.from_us),
        ("a.at_us < ?", &query.to_us),
        ("a.number < ?", &query.before),
        ("a.number > ?", &query.after),
    ] {
        if let Some(value) = value {
            fits.and(condition, value);
        }
    }
    let sql = format!(
        "SELECT a.number, a.at_us, a.body, a.hash FROM {from}{} ORDER BY a.number{} LIMIT {}",
        fits.text,
        if query.oldest_first { "" } else { " DESC" },
        rows(query.limit)
    );
    list(conn, &sql, params_from_iter(&fits.values), row)
}

fn row(row: &Row<'_>) -> rusqlite::Result<AuditRow> {
    Ok(AuditRow { number: row.get(0)?, at_us: row.get(1)?, body: row.get(2)?, hash: row.get(3)? })
}

/// Removes rows from the beginning of the chain up to the first that is from `before_us` or later, at most `limit`, and
/// adds `audit`, which says so. Returns how many.
pub(super) fn retire(
    conn: &Connection,
    before_us: i64,
    limit: usize,
    now_us: i64,
    mut audit: Audit,
) -> rusqlite::Result<u64> {
    let tx = Transaction::new_unchecked(conn, TransactionBehavior::Immediate)?;
    let first: Vec<AuditRow> = list(&tx, sql::AUDITS_AFTER, params![i64::MIN, rows(limit)], row)?;
    let over: Vec<AuditRow> = first.into_iter().take_while(|row| row.at_us < before_us).collect();
    let Some(newest) = over.last() else { return Ok(0) };
    let gone = ChainHead { number: newest.number, hash: newest.hash };
    for row in &over {
        for patient in row.audit().iter().flat_map(Audit::patients) {
            run(&tx, sql::REMOVE_AUDIT_PATIENT, params![patient, row.number])?;
        }
        run(&tx, sql::REMOVE_AUDIT, [row.number])?;
    }
    run(&tx, sql::SET_AUDIT_END, params![GONE, gone.number, gone.hash])?;
    audit.deed = RETIRE.into();
    audit.asked = gone.to_string();
    audit.more = over.len() as u64;
    let next = add(&tx, last(&tx)?, now_us, &audit)?;
    set_last(&tx, next)?;
    tx.commit()?;
    Ok(over.len() as u64)
}
