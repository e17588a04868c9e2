//! What is to be written to other servers.

use rusqlite::{Connection, params};

use super::read::{natural, rows};
use crate::store::delivery::{Delivery, Outbox, Parcel, Step, There};
use crate::store::sql;

/// Notes what happened to a parcel.
pub(super) fn note(conn: &Connection, now_us: i64, parcel: &Parcel, step: &Step) -> rusqlite::Result<()> {
    let Parcel { place, kind, id } = parcel;
    match step {
        Step::Wanted { lane, seq } => {
            conn.prepare_cached(sql::WANT_DELIVERY)?.execute(params![place, kind, id, lane, seq, now_us])
        }
        Step::Sending { there, sent } => {
            if let Some(There { id: there, version, mixed, body }) = there {
                conn.prepare_cached(sql::READ_DELIVERY)?
                    .execute(params![place, kind, id, there, version, mixed, body])?;
            }
            conn.prepare_cached(sql::SENDING_DELIVERY)?.execute(params![place, kind, id, sent])
        }
        Step::Arrived { seq, there: There { id: there, version, mixed, body } } => conn
            .prepare_cached(sql::ARRIVED_DELIVERY)?
            .execute(params![place, kind, id, seq, there, version, mixed, body]),
        Step::Changed => {
            conn.prepare_cached(sql::CHANGED_DELIVERY)?.execute(params![place, kind, id, now_us])
        }
        Step::Failed { why, not_before_us } => {
            conn.prepare_cached(sql::FAILED_DELIVERY)?.execute(params![place, kind, id, why, not_before_us])
        }
        Step::Dropped { why, gone } => {
            conn.prepare_cached(sql::DROPPED_DELIVERY)?.execute(params![place, kind, id, why, gone])
        }
    }
    .map(|_| ())
}

/// The first of each lane that may be tried, the longest waiting first.
pub(super) fn due(
    conn: &Connection,
    place: &str,
    now_us: i64,
    limit: usize,
) -> rusqlite::Result<Vec<Delivery>> {
    let mut statement = conn.prepare_cached(sql::DUE_DELIVERIES)?;
    statement.query_map(params![place, now_us, rows(limit)], delivery)?.collect()
}

/// Those that wait, the longest waiting first.
pub(super) fn waiting(conn: &Connection, place: &str, limit: usize) -> rusqlite::Result<Vec<Delivery>> {
    let mut statement = conn.prepare_cached(sql::WAITING_DELIVERIES)?;
    statement.query_map(params![place, rows(limit)], delivery)?.collect()
}

pub(super) fn of(conn: &Connection, parcel: &Parcel) -> rusqlite::Result<Option<Delivery>> {
    let mut statement = conn.prepare_cached(sql::DELIVERY)?;
    let mut found = statement.query_map(params![parcel.place, parcel.kind, parcel.id], delivery)?;
    found.next().transpose()
}

/// The document of ours that has this id there.
pub(super) fn known_as(
    conn: &Connection,
    place: &str,
    kind: &str,
    there_id: &str,
) -> rusqlite::Result<Option<Delivery>> {
    let mut statement = conn.prepare_cached(sql::DELIVERY_THERE)?;
    let mut found = statement.query_map(params![place, kind, there_id], delivery)?;
    found.next().transpose()
}

/// When the next one that has to wait may be tried.
pub(super) fn next(conn: &Connection, place: &str, now_us: i64) -> rusqlite::Result<Option<i64>> {
    conn.prepare_cached(sql::NEXT_DELIVERY)?.query_row(params![place, now_us], |r| r.get(0))
}

pub(super) fn outboxes(conn: &Connection) -> rusqlite::Result<Vec<Outbox>> {
    let mut statement = conn.prepare_cached(sql::OUTBOXES)?;
    let found = statement.query_map([], |r| {
        Ok(Outbox { place: r.get(0)?, waiting: natural(r, 1)?, since_us: r.get(2)?, failing: natural(r, 3)? })
    })?;
    found.collect()
}

fn delivery(r: &rusqlite::Row<'_>) -> rusqlite::Result<Delivery> {
    let there_id: Option<String> = r.get(9)?;
    let there = match there_id {
        Some(id) => {
            let body = r.get::<_, Option<_>>(12)?.unwrap_or_default();
            Some(There { id, version: r.get(10)?, mixed: r.get(11)?, body })
        }
        None => None,
    };
    Ok(Delivery {
        parcel: Parcel { place: r.get(0)?, kind: r.get(1)?, id: r.get(2)? },
        lane: r.get(3)?,
        seq: r.get(4)?,
        waiting_us: r.get(5)?,
        not_before_us: r.get(6)?,
        tries: natural(r, 7)?,
        why: r.get(8)?,
        there,
        sent: r.get(13)?,
    })
}
