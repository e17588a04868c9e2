//! Reads with fixed statements. Each is called in one read transaction.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, Params, Row, params};

use crate::store::{
    Changes, Counts, Document, DoubtRow, Doubts, SourceRow, Subject, Token, TokenRow, limits, sql,
};

pub(super) fn current(conn: &Connection, kind: &str, id: &str) -> rusqlite::Result<Option<Document>> {
    conn.prepare_cached(sql::CURRENT)?.query_row([kind, id], document).optional()
}

pub(super) fn at(conn: &Connection, seq: i64) -> rusqlite::Result<Option<Document>> {
    conn.prepare_cached(sql::AT)?.query_row([seq], document).optional()
}

pub(super) fn count(conn: &Connection, kind: &str) -> rusqlite::Result<u64> {
    let found = conn.prepare_cached(sql::COUNT_OF)?.query_row([kind], |r| natural(r, 0)).optional()?;
    Ok(found.unwrap_or(0))
}

pub(super) fn version(
    conn: &Connection,
    kind: &str,
    id: &str,
    version: u64,
) -> rusqlite::Result<Option<Document>> {
    let row = params![kind, id, version.cast_signed()];
    conn.prepare_cached(sql::VERSION)?.query_row(row, document).optional()
}

pub(super) fn history(
    conn: &Connection,
    kind: &str,
    id: &str,
    before: Option<u64>,
    limit: usize,
) -> rusqlite::Result<Vec<Document>> {
    let before = before.map_or(i64::MAX, |v| i64::try_from(v).unwrap_or(i64::MAX));
    let mut statement = conn.prepare_cached(sql::HISTORY)?;
    Ok(page(statement.query_map(params![kind, id, before, rows(limit)], document)?)?.0)
}

/// Documents until there are enough bytes of them, and at least one; and whether it stopped for that.
pub(super) fn page(
    rows: impl Iterator<Item = rusqlite::Result<Document>>,
) -> rusqlite::Result<(Vec<Document>, bool)> {
    let mut bytes = 0;
    let mut documents = Vec::new();
    for row in rows {
        let document = row?;
        bytes += document.body.as_ref().map_or(0, Vec::len);
        if bytes > limits::PAGE_BYTES && !documents.is_empty() {
            return Ok((documents, true));
        }
        documents.push(document);
    }
    Ok((documents, false))
}

/// None if they are more than memory can be given to.
pub(super) fn documents_of(
    conn: &Connection,
    patient: &str,
    after_seq: i64,
) -> rusqlite::Result<Option<Changes>> {
    let seq = conn.prepare_cached(sql::SEQ)?.query_row([], |r| r.get(0))?;
    let subject = conn.prepare_cached(sql::GENERATION)?.query_row([patient], |r| Ok((r.get(0)?, r.get(1)?)));
    let (generation, reset_seq): (i64, i64) = subject.optional()?.unwrap_or_default();
    let all = after_seq <= 0 || after_seq < reset_seq;
    let after_seq = if all { 0 } else { after_seq };
    let mut bytes = 0;
    let mut documents = Vec::new();
    let mut statement = conn.prepare_cached(sql::OF_PATIENT)?;
    for row in statement.query_map(params![patient, after_seq], document)? {
        let document = row?;
        bytes += document.body.as_ref().map_or(0, Vec::len);
        if bytes > limits::PATIENT_BYTES {
            return Ok(None);
        }
        documents.push(document);
    }
    Ok(Some(Changes { generation, seq, all, documents }))
}

pub(super) fn by_identifier(
    conn: &Connection,
    kind: &str,
    token: &Token,
    limit: usize,
) -> rusqlite::Result<Vec<String>> {
    match &token.system {
        Some(system) => {
            list(conn, sql::BY_IDENTIFIER, params![kind, token.value, system, rows(limit)], |r| r.get(0))
        }
        None => list(conn, sql::BY_VALUE, params![kind, token.value, rows(limit)], |r| r.get(0)),
    }
}

pub(super) fn due(conn: &Connection, now_us: i64, limit: usize) -> rusqlite::Result<Vec<Subject>> {
    let mut dirty = list(conn, sql::DIRTY, params![now_us, rows(limit)], subject)?.into_iter();
    let mut woken = list(conn, sql::WOKEN, params![now_us, rows(limit)], subject)?.into_iter();
    let mut due = Vec::new();
    loop {
        let before = due.len();
        due.extend(woken.next());
        due.extend(dirty.next());
        if due.len() == before || due.len() >= limit {
            due.truncate(limit);
            return Ok(due);
        }
    }
}

pub(super) fn next_wake(conn: &Connection) -> rusqlite::Result<Option<i64>> {
    if conn.prepare_cached(sql::ANY_DIRTY)?.exists([])? {
        return Ok(Some(i64::MIN));
    }
    conn.prepare_cached(sql::NEXT_WAKE)?.query_row([], |r| r.get(0))
}

pub(super) fn subjects(conn: &Connection, after: &str, limit: usize) -> rusqlite::Result<Vec<Subject>> {
    list(conn, sql::SUBJECTS, params![after, rows(limit)], subject)
}

pub(super) fn subject_of(conn: &Connection, patient: &str) -> rusqlite::Result<Option<Subject>> {
    conn.prepare_cached(sql::SUBJECT)?.query_row([patient], subject).optional()
}

pub(super) fn failing(conn: &Connection, limit: usize) -> rusqlite::Result<Vec<Subject>> {
    list(conn, sql::FAILING, [rows(limit)], subject)
}

pub(super) fn doubts(
    conn: &Connection,
    of: &Doubts,
    after_seq: i64,
    limit: usize,
) -> rusqlite::Result<Vec<DoubtRow>> {
    let doubt = |r: &Row<'_>| {
        let patient: String = r.get(1)?;
        Ok(DoubtRow {
            seq: r.get(0)?,
            patient: (!patient.is_empty()).then_some(patient),
            kind: r.get(2)?,
            id: r.get(3)?,
            why: r.get(4)?,
            since_us: r.get(5)?,
        })
    };
    match of {
        Doubts::All => list(conn, sql::ALL_DOUBTS, params![after_seq, rows(limit)], doubt),
        Doubts::Of(patient) => list(conn, sql::DOUBTS, params![after_seq, rows(limit), patient], doubt),
        Doubts::Unlinked => list(conn, sql::DOUBTS, params![after_seq, rows(limit), ""], doubt),
    }
}

pub(super) fn sources(conn: &Connection) -> rusqlite::Result<Vec<SourceRow>> {
    list(conn, sql::SOURCES, [], |r| Ok(SourceRow { name: r.get(0)?, last_us: r.get(1)?, cursor: r.get(2)? }))
}

pub(super) fn meta(conn: &Connection, name: &str) -> rusqlite::Result<Option<String>> {
    conn.prepare_cached(sql::MARK)?.query_row([name], |r| r.get(0)).optional()
}

pub(super) fn counts(conn: &Connection) -> rusqlite::Result<Counts> {
    let by_kind = |sql: &str| -> rusqlite::Result<BTreeMap<String, u64>> {
        Ok(list(conn, sql, [], |r| Ok((r.get(0)?, natural(r, 1)?)))?.into_iter().collect())
    };
    let documents = by_kind(sql::COUNT_DOCUMENTS)?;
    let open = by_kind(sql::COUNT_OPEN)?;
    let (subjects, dirty, failing) = conn
        .prepare_cached(sql::COUNT_SUBJECTS)?
        .query_row([], |r| Ok((natural(r, 0)?, natural(r, 1)?, natural(r, 2)?)))?;
    let (all, unlinked) =
        conn.prepare_cached(sql::COUNT_DOUBTS)?.query_row([], |r| Ok((natural(r, 0)?, natural(r, 1)?)))?;
    Ok(Counts { documents, open, subjects, dirty, failing, doubts: all - unlinked, unlinked })
}

pub(super) fn token(conn: &Connection, digest: &str) -> rusqlite::Result<Option<TokenRow>> {
    let row = |r: &Row<'_>| Ok(TokenRow { client: r.get(0)?, scopes: r.get(1)?, until_us: r.get(2)? });
    conn.prepare_cached(sql::TOKEN)?.query_row([digest], row).optional()
}

/// All rows of a statement.
pub(super) fn list<T>(
    conn: &Connection,
    sql: &str,
    params: impl Params,
    read: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    conn.prepare_cached(sql)?.query_map(params, read)?.collect()
}

/// A row of `sql::DOCUMENT`.
pub(super) fn document(row: &Row<'_>) -> rusqlite::Result<Document> {
    Ok(Document {
        seq: row.get(0)?,
        kind: row.get(1)?,
        id: row.get(2)?,
        version: natural(row, 3)?,
        first_us: row.get(4)?,
        received_us: row.get(5)?,
        digest: row.get::<_, i64>(6)?.cast_unsigned(),
        patient: row.get(7)?,
        encounter: row.get(8)?,
        body: row.get(9)?,
    })
}

fn subject(row: &Row<'_>) -> rusqlite::Result<Subject> {
    Ok(Subject {
        patient: row.get(0)?,
        dirty_seq: row.get(1)?,
        done_seq: row.get(2)?,
        wake_us: row.get(3)?,
        failures: row.get(4)?,
        retry_us: row.get(5)?,
        error: row.get(6)?,
    })
}

/// A number that is not negative.
pub(super) fn natural(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    row.get::<_, i64>(column).map(|n| n.max(0).cast_unsigned())
}

/// A limit as a statement takes it.
pub(super) fn rows(limit: usize) -> i64 {
    i64::try_from(limit.min(limits::PAGE_ROWS)).unwrap_or(i64::MAX)
}
