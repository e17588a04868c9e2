//! Dead letters.

use rusqlite::{Connection, params};

use super::read::{natural, rows};
use crate::store::letters::{About, Letter, LetterQuery, Undelivered, Way};
use crate::store::sql;

/// Keeps what could not be taken in or delivered.
pub(super) fn keep(conn: &Connection, now_us: i64, letter: &Undelivered) -> rusqlite::Result<()> {
    let Undelivered { about, why, body } = letter;
    let row = params![about.way.code(), about.place, about.name, why, now_us, body];
    conn.prepare_cached(sql::KEEP_LETTER)?.execute(row).map(|_| ())
}

/// Forgets the letter about something, if there is one.
pub(super) fn settle(conn: &Connection, about: &About) -> rusqlite::Result<()> {
    let of = params![about.way.code(), about.place, about.name];
    conn.prepare_cached(sql::SETTLE_LETTER)?.execute(of).map(|_| ())
}

pub(super) fn letters(conn: &Connection, query: &LetterQuery) -> rusqlite::Result<Vec<Letter>> {
    let mut statement = conn.prepare_cached(sql::LETTERS)?;
    let way = query.way.map(Way::code);
    let asked = params![way, query.place, query.after, query.bodies, rows(query.limit)];
    let found = statement.query_map(asked, letter)?;
    found.collect()
}

pub(super) fn letter_at(conn: &Connection, number: i64) -> rusqlite::Result<Option<Letter>> {
    let mut statement = conn.prepare_cached(sql::LETTER)?;
    let found: Vec<Letter> = statement.query_map([number], letter)?.collect::<rusqlite::Result<_>>()?;
    Ok(found.into_iter().next())
}

/// How many there are, by way and place.
pub(super) fn counts(conn: &Connection) -> rusqlite::Result<Vec<(Way, String, u64)>> {
    let mut statement = conn.prepare_cached(sql::COUNT_LETTERS)?;
    let found = statement.query_map([], |r| Ok((way(r, 0)?, r.get(1)?, natural(r, 2)?)))?;
    found.collect()
}

fn letter(r: &rusqlite::Row<'_>) -> rusqlite::Result<Letter> {
    Ok(Letter {
        number: r.get(0)?,
        about: About { way: way(r, 1)?, place: r.get(2)?, name: r.get(3)? },
        why: r.get(4)?,
        first_us: r.get(5)?,
        last_us: r.get(6)?,
        tries: natural(r, 7)?,
        body: r.get(8)?,
    })
}

fn way(r: &rusqlite::Row<'_>, column: usize) -> rusqlite::Result<Way> {
    let code: String = r.get(column)?;
    Way::read(&code)
        .map_err(|e| rusqlite::Error::FromSqlConversionFailure(column, rusqlite::types::Type::Text, e.into()))
}
