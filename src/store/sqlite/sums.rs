//! What stays contribute, and the sums of it.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, Row, params};

use super::apply::run;
use super::read::{list, natural, rows};
use crate::store::sums::{FAN, LEVELS, Named, Run, Share, SumRow, add, blocks, by_place, decode, encode};
use crate::store::{AheadRow, Part, ShareRow, Shares, Summed, SumsQuery, sql};

/// Changes of sums of single days, by topic, day and unit.
pub(super) type Deltas = BTreeMap<(u8, i64, String), Named>;

/// Replaces what stays contribute by `shares`, all of `stays`; what that changes is added to `deltas`.
pub(super) fn replace(
    conn: &Connection,
    stays: &[&str],
    shares: &[Share],
    deltas: &mut Deltas,
) -> rusqlite::Result<()> {
    let mut wanted: BTreeMap<(&str, i64), &Share> = BTreeMap::new();
    for share in shares {
        if wanted.insert((share.stay.as_str(), share.day), share).is_some() {
            // a day of a stay is told once
            return Err(rusqlite::Error::InvalidQuery);
        }
    }
    for stay in stays {
        let known: Vec<(i64, Vec<u8>)> =
            list(conn, sql::SHARES_OF_STAY, params![stay], |r| Ok((r.get(0)?, r.get(1)?)))?;
        for (day, before) in known {
            match wanted.remove(&(*stay, day)) {
                None => {
                    change(deltas, day, &unpacked(&before)?, -1);
                    run(conn, sql::REMOVE_SHARE, params![stay, day])?;
                }
                Some(share) => {
                    let body = packed(share);
                    if body != before {
                        change(deltas, day, &unpacked(&before)?, -1);
                        change(deltas, day, &unpacked(&body)?, 1);
                        run(conn, sql::SET_SHARE, params![stay, day, body])?;
                    }
                }
            }
        }
    }
    for ((stay, day), share) in wanted {
        let body = packed(share);
        change(deltas, day, &unpacked(&body)?, 1);
        run(conn, sql::SET_SHARE, params![stay, day, body])?;
    }
    Ok(())
}

/// What separates topic, unit and name in a share: none of them has it.
const BETWEEN: char = '\u{1e}';

fn packed(share: &Share) -> Vec<u8> {
    let places = by_place(&share.parts);
    let mut all: BTreeMap<String, &Vec<i64>> = BTreeMap::new();
    for ((topic, unit), named) in &places {
        for (name, numbers) in named {
            all.insert(format!("{topic}{BETWEEN}{unit}{BETWEEN}{name}"), numbers);
        }
    }
    encode(all.iter().map(|(name, numbers)| (name.as_str(), *numbers)))
}

fn unpacked(body: &[u8]) -> rusqlite::Result<Vec<Part>> {
    if body.is_empty() {
        return Ok(Vec::new());
    }
    let named = decode(body).ok_or(rusqlite::Error::InvalidQuery)?;
    let part = |(name, numbers): (String, Vec<i64>)| {
        let mut pieces = name.splitn(3, BETWEEN);
        let (topic, unit, name) = (pieces.next()?, pieces.next()?, pieces.next()?);
        let topic = topic.parse().ok()?;
        Some(Part { topic, unit: unit.to_owned(), name: name.to_owned(), numbers })
    };
    named.into_iter().map(|one| part(one).ok_or(rusqlite::Error::InvalidQuery)).collect()
}

fn change(deltas: &mut Deltas, day: i64, parts: &[Part], times: i64) {
    for Part { topic, unit, name, numbers } in parts {
        let named = deltas.entry((*topic, day, unit.clone())).or_default();
        add(named.entry(name.clone()).or_default(), numbers, times);
    }
}

/// Adds the changes of a transaction to the blocks of every level. True if anything changed.
pub(super) fn apply(conn: &Connection, deltas: &Deltas, seq: i64) -> rusqlite::Result<bool> {
    let mut by_block: BTreeMap<(u8, i64, i64, &str), Named> = BTreeMap::new();
    for ((topic, day, unit), named) in deltas {
        if named.values().flatten().all(|n| *n == 0) {
            continue;
        }
        let mut length = 1;
        for level in 0..LEVELS {
            let block = by_block.entry((*topic, level, day.div_euclid(length), unit)).or_default();
            for (name, numbers) in named {
                add(block.entry(name.clone()).or_default(), numbers, 1);
            }
            length *= FAN;
        }
    }
    for ((topic, level, block, unit), named) in &by_block {
        let place = params![topic, level, block, unit];
        let before: Option<Vec<u8>> =
            conn.prepare_cached(sql::SUMS_OF)?.query_row(place, |r| r.get(0)).optional()?;
        let mut sum = match before.filter(|body| !body.is_empty()) {
            Some(body) => decode(&body).ok_or(rusqlite::Error::InvalidQuery)?,
            None => Named::new(),
        };
        for (name, numbers) in named {
            add(sum.entry(name.clone()).or_default(), numbers, 1);
        }
        let body = encode(sum.iter().map(|(name, numbers)| (name.as_str(), numbers)));
        // a block that came to nothing is kept: that it changed is told by its row
        run(conn, sql::SET_SUMS, params![topic, level, block, unit, seq, body])?;
    }
    Ok(!by_block.is_empty())
}

/// What a query of sums comes to, as of one instant.
pub(super) fn summed(conn: &Connection, query: &SumsQuery) -> rusqlite::Result<Summed> {
    let mut out = Summed::default();
    for Run { taken, level, first, last } in blocks(query.from_day, query.to_day) {
        let row = |r: &Row<'_>| Ok(SumRow { unit: r.get(0)?, taken, body: r.get(1)? });
        for topic in &query.topics {
            let Some(units) = &query.units else {
                out.rows.extend(list(conn, sql::SUMS_ALL, params![topic, level, first, last], row)?);
                continue;
            };
            // a unit is found in each block; a range of them would read those of all units
            for block in first..=last {
                for unit in units {
                    let place = params![topic, level, block, unit];
                    out.rows.extend(list(conn, sql::SUMS_OF_UNIT, place, row)?);
                }
            }
        }
    }
    out.rows.retain(|row| !row.body.is_empty());
    out.ahead = list(conn, sql::AHEAD, [query.ahead_before_us], ahead)?;
    let dirty: Vec<(String, u64)> = list(conn, sql::UNSETTLED, [rows(query.fresh.saturating_add(1))], |r| {
        Ok((r.get(0)?, natural(r, 1)?))
    })?;
    let (settling, failing): (Vec<_>, Vec<_>) = dirty.into_iter().partition(|(_, failures)| *failures == 0);
    if settling.len() + failing.len() > query.fresh {
        out.waiting = conn.prepare_cached(sql::COUNT_DIRTY)?.query_row([], |r| natural(r, 0))?;
        return Ok(out);
    }
    out.waiting = failing.len() as u64;
    for (patient, _) in settling {
        out.fresh.push((patient.clone(), shares(conn, &patient, query.from_day, query.to_day)?));
    }
    Ok(out)
}

/// What the stays of a patient contribute to the days `from..=to`.
pub(super) fn shares(conn: &Connection, patient: &str, from: i64, to: i64) -> rusqlite::Result<Shares> {
    let dirty = conn.prepare_cached(sql::IS_DIRTY)?.exists([patient])?;
    let shares = list(conn, sql::SHARES_OF_PATIENT, params![patient, from, to], |r| {
        let (stay, day, body): (String, i64, Vec<u8>) = (r.get(0)?, r.get(1)?, r.get(2)?);
        Ok((stay, day, body))
    })?;
    let mut rows = Vec::with_capacity(shares.len());
    for (stay, day, body) in shares {
        rows.extend(unpacked(&body)?.into_iter().map(|part| ShareRow { stay: stay.clone(), day, part }));
    }
    let ahead = list(conn, sql::AHEAD_OF_PATIENT, [patient], ahead)?;
    Ok(Shares { dirty, rows, ahead })
}

fn ahead(row: &Row<'_>) -> rusqlite::Result<AheadRow> {
    Ok(AheadRow { stay: row.get(0)?, patient: row.get(1)?, body: row.get(2)? })
}

/// The patients of whom something was counted on the days `from..=to`, in order, at most so many.
pub(super) fn counted(conn: &Connection, from: i64, to: i64, limit: usize) -> rusqlite::Result<Vec<String>> {
    list(conn, sql::COUNTED, params![from, to, rows(limit)], |r| r.get(0))
}

/// The patients of whom an encounter was received after an instant, in order.
pub(super) fn encounters_changed(
    conn: &Connection,
    after_us: i64,
    limit: usize,
) -> rusqlite::Result<Vec<String>> {
    list(conn, sql::ENCOUNTERS_CHANGED, params![after_us, rows(limit)], |r| r.get(0))
}

/// Unit and day of each sum that changed after a position, with the position of the change; at most so many.
pub(super) fn changed(
    conn: &Connection,
    after_seq: i64,
    limit: usize,
) -> rusqlite::Result<Vec<(i64, String, i64)>> {
    list(conn, sql::SUMS_CHANGED, params![after_seq, rows(limit)], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))
}
