//! Lists whose statement depends on what is asked. Values are always parameters; only fixed text is composed.

use rusqlite::{Connection, OptionalExtension, Row, ToSql, params, params_from_iter};

use super::read::{document, list, rows};
use crate::store::{
    Among, Heard, Listed, Order, OutcomeQuery, Page, Past, PastQuery, Query, StayQuery, StayRow, limits, sql,
};

/// A condition composed of fixed text and parameters.
#[derive(Default)]
pub(super) struct Where<'q> {
    pub(super) text: String,
    pub(super) values: Vec<&'q dyn ToSql>,
}

impl<'q> Where<'q> {
    /// Adds `condition`, in which `?` stands for the value.
    pub(super) fn and(&mut self, condition: &str, value: &'q dyn ToSql) {
        self.values.push(value);
        self.add(&condition.replace('?', &format!("?{}", self.values.len())));
    }

    /// Adds that `column` is one of the values; no values: no condition.
    pub(super) fn among(&mut self, column: &str, values: &'q [String]) {
        let mut places = String::new();
        for value in values {
            self.values.push(value);
            let comma = if places.is_empty() { "" } else { ", " };
            places.push_str(&format!("{comma}?{}", self.values.len()));
        }
        if !values.is_empty() {
            self.add(&format!("{column} IN ({places})"));
        }
    }

    fn add(&mut self, condition: &str) {
        self.text.push_str(if self.text.is_empty() { " WHERE " } else { " AND " });
        self.text.push_str(condition);
    }
}

pub(super) fn search(conn: &Connection, query: &Query) -> rusqlite::Result<Page> {
    let now: i64 = conn.prepare_cached(sql::SEQ)?.query_row([], |r| r.get(0))?;
    let as_of = query.as_of.unwrap_or(now).min(now);
    let above = seen(conn, query.updated_from_us)?;
    let mut reach = Reach { kind: &query.kind, above, upto: as_of, fresh: as_of == now, query };
    match (query.order, query.after) {
        (_, None) => {}
        (Order::OldestFirst, Some(after)) => reach.above = above.max(after),
        (Order::NewestFirst, Some(after)) => reach.upto = as_of.min(after - 1),
    }
    let (documents, next) = match &query.among {
        Among::All => all(conn, &reach, as_of)?,
        among @ (Among::Ids(_) | Among::Patients(_) | Among::Encounters(_) | Among::Outcomes(_)) => {
            some(conn, &reach, as_of, among)?
        }
    };
    Ok(Page { documents, as_of, next })
}

/// The places that a page may hold: above one, up to another.
struct Reach<'q> {
    kind: &'q str,
    above: i64,
    upto: i64,
    /// Nothing has been written since.
    fresh: bool,
    query: &'q Query,
}

/// The last position at which nothing that was received since `from_us` can be.
fn seen(conn: &Connection, from_us: Option<i64>) -> rusqlite::Result<i64> {
    let Some(from_us) = from_us else { return Ok(0) };
    let seq: Option<i64> = conn.prepare_cached(sql::SEEN_BEFORE)?.query_row([from_us], |r| r.get(0))?;
    Ok(seq.unwrap_or(0))
}

type Rows = (Vec<Listed>, Option<i64>);

fn listed(row: &Row<'_>) -> rusqlite::Result<Listed> {
    Ok(Listed { place: row.get(10)?, document: document(row)? })
}

/// Rows until there are enough, and where those that are left begin.
fn cut(query: &Query, found: impl Iterator<Item = rusqlite::Result<Listed>>) -> rusqlite::Result<Rows> {
    let wanted = usize::try_from(rows(query.limit)).unwrap_or(usize::MAX);
    let (mut bytes, mut documents) = (0, Vec::<Listed>::new());
    for row in found {
        let row = row?;
        bytes += row.document.body.as_ref().map_or(0, Vec::len);
        if documents.len() >= wanted || (bytes > limits::PAGE_BYTES && !documents.is_empty()) {
            let next = documents.last().map(|d| d.place);
            return Ok((documents, next));
        }
        documents.push(row);
    }
    Ok((documents, None))
}

fn all(conn: &Connection, reach: &Reach<'_>, as_of: i64) -> rusqlite::Result<Rows> {
    let query = reach.query;
    let direction = match query.order {
        Order::OldestFirst => "",
        Order::NewestFirst => " DESC",
    };
    let text = if reach.fresh { sql::LISTED_NOW } else { sql::LISTED };
    let mut statement = conn.prepare_cached(&format!("{text}{direction}"))?;
    let (from_us, to_us) =
        (query.updated_from_us.unwrap_or(i64::MIN), query.updated_to_us.unwrap_or(i64::MAX));
    let found =
        statement.query_map(params![reach.kind, reach.above, as_of, from_us, to_us, reach.upto], listed)?;
    cut(query, found)
}

/// Those of a set that is found whole: their places are few, their bodies are read a page at a time.
fn some(conn: &Connection, reach: &Reach<'_>, as_of: i64, among: &Among) -> rusqlite::Result<Rows> {
    let query = reach.query;
    let mut places = Vec::new();
    for (seq, id) in candidates(conn, reach.kind, among)? {
        let place = if seq <= as_of { Some(seq) } else { place_at(conn, reach.kind, &id, as_of)? };
        places.extend(place.filter(|p| reach.above < *p && *p <= reach.upto).map(|place| (place, seq)));
    }
    places.sort_unstable();
    places.dedup();
    if query.order == Order::NewestFirst {
        places.reverse();
    }
    let mut statement = conn.prepare_cached(sql::AT)?;
    let read = |(place, seq): (i64, i64)| {
        let document = statement.query_row([seq], document)?;
        Ok(Listed { place, document })
    };
    let fits = |row: &rusqlite::Result<Listed>| match row {
        Ok(row) => {
            let us = row.document.received_us;
            query.updated_from_us.is_none_or(|from| us >= from)
                && query.updated_to_us.is_none_or(|to| us < to)
        }
        Err(_) => true,
    };
    cut(query, places.into_iter().map(read).filter(fits))
}

fn place_at(conn: &Connection, kind: &str, id: &str, as_of: i64) -> rusqlite::Result<Option<i64>> {
    let mut statement = conn.prepare_cached(sql::PLACE_AT)?;
    let found = statement.query_row(params![kind, id, as_of], |r| Ok((r.get(0)?, r.get(1)?))).optional()?;
    Ok(found.filter(|(_, there)| *there).map(|(seq, _)| seq))
}

/// Position and id of each current document of a set.
fn candidates(conn: &Connection, kind: &str, among: &Among) -> rusqlite::Result<Vec<(i64, String)>> {
    let pair = |r: &Row<'_>| Ok((r.get(0)?, r.get(1)?));
    let (text, keys) = match among {
        Among::All => return Ok(Vec::new()),
        Among::Ids(ids) => (sql::ID_PLACES, ids),
        Among::Patients(ids) => (sql::PATIENT_PLACES, ids),
        Among::Encounters(ids) => (sql::ENCOUNTER_PLACES, ids),
        Among::Outcomes(query) => {
            let mut fits = Where::default();
            fits.and("o.kind = ?", &kind);
            outcome(&mut fits, query);
            let text = format!("SELECT o.seq, o.id FROM outcome o{}", fits.text);
            return list(conn, &text, params_from_iter(&fits.values), pair);
        }
    };
    let mut found = Vec::new();
    for key in keys {
        found.extend(list(conn, text, params![kind, key], pair)?);
    }
    Ok(found)
}

pub(super) fn past(conn: &Connection, query: &PastQuery) -> rusqlite::Result<Vec<Past>> {
    let (at_from, at_to) = query.at_us.unwrap_or((i64::MIN, i64::MAX));
    let (since_us, above) = (query.since_us.unwrap_or(i64::MIN), seen(conn, query.since_us)?);
    let (before, limit) = (query.before.unwrap_or(i64::MAX), rows(query.limit));
    let end = if query.id.is_some() { sql::PAST_OF_ONE } else { sql::PAST_OF_KIND };
    let mut statement = conn.prepare_cached(&format!("{}{end}", sql::PAST))?;
    let mut values: Vec<&dyn ToSql> = vec![&query.kind, &before, &above, &since_us, &at_to, &at_from, &limit];
    values.extend(query.id.as_ref().map(|id| id as &dyn ToSql));
    let past = |r: &Row<'_>| {
        let before: Option<bool> = r.get(10)?;
        Ok(Past { document: document(r)?, created: !before.unwrap_or(false) })
    };
    let mut bytes = 0;
    let mut found = Vec::new();
    for row in statement.query_map(params_from_iter(values), past)? {
        let row = row?;
        bytes += row.document.body.as_ref().map_or(0, Vec::len);
        if bytes > limits::PAGE_BYTES && !found.is_empty() {
            break;
        }
        found.push(row);
    }
    Ok(found)
}

fn outcome<'q>(fits: &mut Where<'q>, query: &'q OutcomeQuery) {
    let OutcomeQuery { stay, topic, status, owner, location, code, focus, open } = query;
    fits.among("o.stay", stay);
    fits.among("o.topic", topic);
    fits.among("o.status", status);
    fits.among("o.owner", owner);
    fits.among("o.location", location);
    fits.among("o.code", code);
    fits.among("o.focus", focus);
    match open {
        Some(true) => fits.add("o.open = 1"),
        Some(false) => fits.add("o.open = 0"),
        None => {}
    }
}

pub(super) fn stays(conn: &Connection, query: &StayQuery) -> rusqlite::Result<Vec<StayRow>> {
    let mut fits = Where::default();
    for (column, value) in [("patient", &query.patient), ("unit", &query.unit)] {
        if let Some(value) = value {
            fits.and(&format!("{column} = ?"), value);
        }
    }
    match query.open {
        Some(true) => fits.add("open = 1"),
        Some(false) => fits.add("open = 0"),
        None => {}
    }
    if let Some((from_us, to_us)) = &query.overlaps_us {
        fits.and("(begins_us IS NULL OR begins_us < ?)", to_us);
        fits.and("(ends_us IS NULL OR ends_us > ?)", from_us);
    }
    if let Some(after) = &query.after {
        fits.and("stay > ?", after);
    }
    let sql = format!(
        "SELECT stay, patient, begins_us, ends_us, open, ledger_us, unit, ahead FROM stay{} ORDER BY stay LIMIT {}",
        fits.text,
        rows(query.limit)
    );
    list(conn, &sql, params_from_iter(&fits.values), |r| {
        Ok(StayRow {
            stay: r.get(0)?,
            patient: r.get(1)?,
            begins_us: r.get(2)?,
            ends_us: r.get(3)?,
            open: r.get(4)?,
            ledger_us: r.get(5)?,
            unit: r.get(6)?,
            ahead: r.get(7)?,
        })
    })
}

pub(super) fn heard_of(conn: &Connection, unit: &str, kind: &str) -> rusqlite::Result<Heard> {
    conn.prepare_cached(sql::HEARD_OF)?.query_row([unit, kind], |r| {
        Ok(Heard { patients: r.get::<_, i64>(0)?.cast_unsigned(), last_us: r.get(1)? })
    })
}
