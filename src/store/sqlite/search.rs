//! Lists whose statement depends on what is asked. Values are always parameters; only fixed text is composed.

use rusqlite::{Connection, ToSql, params_from_iter};

use super::read::{document, list, natural, page, rows};
use crate::store::{Order, OutcomeQuery, Page, Query, StayQuery, StayRow, sql};

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
    fn among(&mut self, column: &str, values: &'q [String]) {
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
    let mut fits = Where::default();
    // a criterion on outcomes is met by outcomes only; the small table leads then
    let (from, t, updated) = if query.outcome == OutcomeQuery::default() {
        fits.add("d.state = 1");
        ("document d", "d", "d.received_us")
    } else {
        ("outcome o JOIN document d ON d.seq = o.seq", "o", "o.updated_us")
    };
    fits.and(&format!("{t}.kind = ?"), &query.kind);
    fits.among(&format!("{t}.id"), &query.ids);
    for (column, value) in [("patient", &query.patient), ("encounter", &query.encounter)] {
        if let Some(value) = value {
            fits.and(&format!("{t}.{column} = ?"), value);
        }
    }
    if let Some(from_us) = &query.updated_from_us {
        fits.and(&format!("{updated} >= ?"), from_us);
    }
    if let Some(to_us) = &query.updated_to_us {
        fits.and(&format!("{updated} < ?"), to_us);
    }
    outcome(&mut fits, &query.outcome);
    let total = if query.total {
        let sql = format!("SELECT COUNT(*) FROM {from}{}", fits.text);
        Some(conn.prepare_cached(&sql)?.query_row(params_from_iter(&fits.values), |r| natural(r, 0))?)
    } else {
        None
    };
    if query.limit == 0 {
        return Ok(Page { documents: Vec::new(), next: None, total });
    }
    let (direction, beyond) = match query.order {
        Order::OldestFirst => ("", "> ?"),
        Order::NewestFirst => (" DESC", "< ?"),
    };
    if let Some(after) = &query.after {
        fits.and(&format!("{t}.seq {beyond}"), after);
    }
    let limit = rows(query.limit);
    let sql = format!(
        "SELECT {} FROM {from}{} ORDER BY {t}.seq{direction} LIMIT {}",
        sql::DOCUMENT,
        fits.text,
        // one more tells whether this page is the last
        limit + 1
    );
    let mut statement = conn.prepare_cached(&sql)?;
    let mut found = statement.query_map(params_from_iter(&fits.values), document)?;
    let wanted = usize::try_from(limit).unwrap_or(usize::MAX);
    let (documents, full) = page(found.by_ref().take(wanted))?;
    let more = full || found.next().transpose()?.is_some();
    let next = documents.last().filter(|_| more).map(|d| d.seq);
    Ok(Page { documents, next, total })
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
