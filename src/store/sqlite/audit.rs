//! Audit rows: the chain within a transaction, and lists of it.

use rusqlite::{Connection, OptionalExtension, Row, params, params_from_iter};

use super::apply::run;
use super::open::INSTANCE;
use super::read::{list, meta, rows};
use super::search::Where;
use crate::store::{Audit, AuditQuery, AuditRow, ChainHead, sql};

/// The end of the chain.
pub(super) fn head(conn: &Connection) -> rusqlite::Result<ChainHead> {
    let mut statement = conn.prepare_cached(sql::AUDIT_HEAD)?;
    let last =
        statement.query_row([], |r| Ok(ChainHead { number: r.get(0)?, hash: r.get(1)? })).optional()?;
    match last {
        Some(head) => Ok(head),
        None => Ok(ChainHead::start(&meta(conn, INSTANCE)?.unwrap_or_default())),
    }
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
    for patient in &audit.patients {
        run(conn, sql::ADD_AUDIT_PATIENT, params![patient, next.number])?;
    }
    Ok(next)
}

pub(super) fn after(conn: &Connection, number: i64, limit: usize) -> rusqlite::Result<Vec<AuditRow>> {
    list(conn, sql::AUDITS_AFTER, params![number, rows(limit)], row)
}

pub(super) fn audits(conn: &Connection, query: &AuditQuery) -> rusqlite::Result<Vec<AuditRow>> {
    let mut fits = Where::default();
    let from = match &query.patient {
        Some(patient) => {
            fits.and("p.patient = ?", patient);
            "audit_patient p JOIN audit a ON a.number = p.number"
        }
        None => "audit a",
    };
    for (condition, value) in
        [("a.at_us >= ?", &query.from_us), ("a.at_us < ?", &query.to_us), ("a.number < ?", &query.before)]
    {
        if let Some(value) = value {
            fits.and(condition, value);
        }
    }
    let sql = format!(
        "SELECT a.number, a.at_us, a.body, a.hash FROM {from}{} ORDER BY a.number DESC LIMIT {}",
        fits.text,
        rows(query.limit)
    );
    list(conn, &sql, params_from_iter(&fits.values), row)
}

fn row(row: &Row<'_>) -> rusqlite::Result<AuditRow> {
    Ok(AuditRow { number: row.get(0)?, at_us: row.get(1)?, body: row.get(2)?, hash: row.get(3)? })
}
