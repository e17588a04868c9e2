//! The criteria of a search, read against the table of types.

use std::borrow::Cow;

use chrono_tz::Tz;
use fhir_models::datatypes::Reference;
use fhir_models::primitive::is_id;

use super::super::ask::{parameters, token};
use super::super::limits;
use super::super::refused::Refused;
use super::super::text;
use super::super::types::{Column, Kind};
use super::dates::{self, Prefix};
use crate::store::{Order, OutcomeQuery, Query, Token};
use crate::translate::document::Bases;

/// What is searched for, and how it is answered.
#[derive(Debug, Default)]
pub(super) struct Criteria {
    /// What the store is asked, but for identifiers.
    pub(super) query: Query,
    /// Identifiers: of each list one must fit.
    pub(super) identifiers: Vec<Vec<Token>>,
    /// Spans of the last change, in microseconds, that must not fit.
    pub(super) except: Vec<(i64, i64)>,
    /// Criteria that exclude one another.
    pub(super) impossible: bool,
    /// Parameters that were left out because they are not known.
    pub(super) ignored: Vec<String>,
    /// The parameters that were applied.
    applied: Vec<(String, String)>,
}

/// Names by which clients mean a patient or a stay: to leave one out would show one patient's data as another's.
const SUBJECT_LIKE: &[&str] = &[
    "patient",
    "subject",
    "encounter",
    "context",
    "individual",
    "beneficiary",
    "for",
    "person",
    "requester",
    "performer",
];

impl Criteria {
    /// Reads a query.
    ///
    /// # Errors
    /// A value that is none of its type; too many; a modifier; a name that is not known, if `strict` or if it would
    /// restrict the search to somebody.
    pub(super) fn read(
        kind: &'static Kind,
        query: &str,
        strict: bool,
        zone: Tz,
        bases: &Bases,
    ) -> Result<Self, Refused> {
        let mut criteria = Criteria::default();
        criteria.query.kind = Cow::Borrowed(kind.name);
        criteria.query.limit = limits::PAGE_ROWS;
        for (name, value) in parameters(query)? {
            let applied = criteria.parameter(kind, &name, &value, strict, zone, bases)?;
            if applied {
                criteria.applied.push((name.into_owned(), value.into_owned()));
            } else {
                criteria.ignored.push(name.into_owned());
            }
        }
        Ok(criteria)
    }

    /// Whether it was applied.
    fn parameter(
        &mut self,
        kind: &'static Kind,
        name: &str,
        value: &str,
        strict: bool,
        zone: Tz,
        bases: &Bases,
    ) -> Result<bool, Refused> {
        if name.starts_with('_')
            && let Some(applied) = self.control(name, value)?
        {
            return Ok(applied);
        }
        let (plain, modifier) = name.split_once(':').map_or((name, None), |(n, m)| (n, Some(m)));
        let Some(filter) = kind.all_filters().find(|f| f.name == plain) else {
            let meant = plain.split('.').next().unwrap_or_default();
            let why = "this parameter is not known for the type; see the CapabilityStatement";
            if strict || SUBJECT_LIKE.contains(&meant) {
                return Err(Refused::not_supported(name, why));
            }
            return Ok(false);
        };
        let patient = matches!(filter.column, Column::Patient) && modifier == Some("Patient");
        if modifier.is_some() && !patient {
            return Err(Refused::not_supported(name, "no modifier is supported here"));
        }
        self.filter(filter.column, name, value, zone, bases)?;
        Ok(true)
    }

    /// A parameter that says how the answer is made; none if it is not one.
    fn control(&mut self, name: &str, value: &str) -> Result<Option<bool>, Refused> {
        match name {
            "_count" => {
                let count = value.parse::<u64>().map_err(|_| Refused::value(name, "expected a number"))?;
                self.query.limit = usize::try_from(count).unwrap_or(usize::MAX).min(limits::PAGE_ROWS_MAX);
                if count == 0 {
                    self.query.total = true;
                }
            }
            "_summary" => match value {
                "count" => {
                    self.query.limit = 0;
                    self.query.total = true;
                }
                "false" => {}
                _ => return Err(Refused::not_supported(name, "expected count or false")),
            },
            "_total" => match value {
                "accurate" | "estimate" => self.query.total = true,
                "none" => {}
                _ => return Err(Refused::value(name, "expected none, estimate or accurate")),
            },
            "_sort" => match value {
                "_lastUpdated" => self.query.order = Order::OldestFirst,
                "-_lastUpdated" => self.query.order = Order::NewestFirst,
                _ => return Err(Refused::not_supported(name, "expected _lastUpdated or -_lastUpdated")),
            },
            "_cursor" => {
                let position = i64::from_str_radix(value, 36).ok().filter(|p| *p > 0);
                self.query.after =
                    Some(position.ok_or_else(|| Refused::value(name, "expected what a link said"))?);
            }
            "_format" | "_pretty" => {}
            _ => return Ok(None),
        }
        Ok(Some(true))
    }

    fn filter(
        &mut self,
        column: Column,
        name: &str,
        value: &str,
        zone: Tz,
        bases: &Bases,
    ) -> Result<(), Refused> {
        let wanted = alternatives(value, name)?;
        match column {
            Column::Id => self.ids(wanted),
            Column::Updated => self.updated(&wanted, name, zone)?,
            Column::Identifier => {
                let tokens: Result<Vec<Token>, Refused> = wanted.iter().map(|w| token(w, name)).collect();
                self.identifiers.push(tokens?);
            }
            Column::Patient => {
                let id = one(&wanted, "Patient", name, bases)?;
                self.impossible |= only(&mut self.query.patient, id);
            }
            Column::Encounter => {
                let id = one(&wanted, "Encounter", name, bases)?;
                self.impossible |= only(&mut self.query.encounter, id);
            }
            Column::Status => self.any(wanted.iter().map(|w| bare_code(w)).collect(), |o| &mut o.status),
            Column::Code => self.any(wanted.iter().map(|w| bare_code(w)).collect(), |o| &mut o.code),
            Column::Location => {
                let ids: Result<Vec<String>, Refused> =
                    wanted.iter().map(|w| local_id(w, "Location", name, bases)).collect();
                self.any(ids?, |o| &mut o.location);
            }
            Column::Owner => self.any(wanted.iter().flat_map(|w| owners(w)).collect(), |o| &mut o.owner),
            Column::Focus => self.any(wanted, |o| &mut o.focus),
            // of what is no document of the store
            Column::Date | Column::Token | Column::Reference | Column::Text => {
                return Err(Refused::not_supported(name, "nothing is kept of it"));
            }
        }
        Ok(())
    }

    fn ids(&mut self, wanted: Vec<String>) {
        self.impossible |= narrow(&mut self.query.ids, wanted);
    }

    fn any(&mut self, wanted: Vec<String>, column: impl Fn(&mut OutcomeQuery) -> &mut Vec<String>) {
        self.impossible |= narrow(column(&mut self.query.outcome), wanted);
    }

    fn updated(&mut self, wanted: &[String], name: &str, zone: Tz) -> Result<(), Refused> {
        let [date] = wanted else {
            return Err(Refused::not_supported(name, "expected one date; repeat the parameter for a span"));
        };
        let span = dates::span(date, zone);
        let (prefix, from, to) = span
            .ok_or_else(|| Refused::value(name, "expected a date or time, such as ge2026-01-02T03:04:05Z"))?;
        let (query_from, query_to) = match prefix {
            Prefix::Eq => (Some(from), Some(to)),
            Prefix::Ne => {
                self.except.push((from, to));
                (None, None)
            }
            Prefix::Gt => (Some(to), None),
            Prefix::Lt => (None, Some(from)),
            Prefix::Ge => (Some(from), None),
            Prefix::Le => (None, Some(to)),
        };
        let query = &mut self.query;
        query.updated_from_us = query.updated_from_us.max(query_from);
        query.updated_to_us = match (query.updated_to_us, query_to) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
        Ok(())
    }

    /// The query of the store, if that is all there is to them.
    pub(super) fn followed(self) -> Option<Query> {
        let Criteria { query, identifiers, except, impossible, ignored, applied: _ } = self;
        let whole = identifiers.is_empty() && except.is_empty() && ignored.is_empty() && !impossible;
        whole.then_some(query)
    }

    /// The address of this search, with what was applied; with a cursor it goes on there.
    pub(super) fn address(&self, base: &str, kind: &str, cursor: Option<i64>) -> String {
        let mut out = format!("{base}/{kind}");
        let mut mark = '?';
        for (name, value) in self.applied.iter().filter(|(n, _)| n != "_cursor" && n != "_count") {
            out.push(mark);
            mark = '&';
            text::push_encoded(&mut out, name);
            out.push('=');
            text::push_encoded(&mut out, value);
        }
        if self.applied.iter().any(|(n, _)| n == "_count") || cursor.is_some() {
            out.push(mark);
            mark = '&';
            out.push_str(&format!("_count={}", self.query.limit));
        }
        if let Some(cursor) = cursor {
            out.push(mark);
            out.push_str("_cursor=");
            out.push_str(&base36(cursor));
        }
        out
    }
}

fn base36(number: i64) -> String {
    let mut digits = Vec::new();
    let mut left = u32_digits(number.max(0));
    while let Some((digit, rest)) = left {
        digits.push(digit);
        left = if rest == 0 { None } else { u32_digits(rest) };
    }
    digits.iter().rev().collect()
}

/// The last digit of a number, and what is left before it.
fn u32_digits(number: i64) -> Option<(char, i64)> {
    let digit = u32::try_from(number % 36).ok().and_then(|d| char::from_digit(d, 36))?;
    Some((digit, number / 36))
}

/// Brings a list of alternatives down to those that are in `wanted`, too. True if none is left.
fn narrow(list: &mut Vec<String>, wanted: Vec<String>) -> bool {
    if list.is_empty() {
        *list = wanted;
    } else {
        list.retain(|l| wanted.contains(l));
    }
    list.is_empty()
}

/// Sets what must be one thing only. True if it is another already.
fn only(column: &mut Option<String>, id: String) -> bool {
    let other = column.as_ref().is_some_and(|c| *c != id);
    *column = Some(id);
    other
}

/// The alternatives in a value: separated by commas that no backslash is before.
fn alternatives(value: &str, name: &str) -> Result<Vec<String>, Refused> {
    let mut out = vec![String::new()];
    let mut characters = value.chars();
    while let Some(character) = characters.next() {
        let last = out.last_mut();
        match (character, last) {
            (',', _) => out.push(String::new()),
            ('\\', Some(last)) => last.extend(characters.next()),
            (other, Some(last)) => last.push(other),
            (_, None) => {}
        }
    }
    if out.iter().any(String::is_empty) {
        return Err(Refused::value(name, "expected a value, and one after each comma"));
    }
    if out.len() > limits::QUERY_ALTERNATIVES {
        let most = limits::QUERY_ALTERNATIVES;
        return Err(Refused::too_costly(name, format!("at most {most} values, separated by commas")));
    }
    Ok(out)
}

fn one(wanted: &[String], kind: &str, name: &str, bases: &Bases) -> Result<String, Refused> {
    match wanted {
        [reference] => local_id(reference, kind, name, bases),
        _ => Err(Refused::not_supported(name, "expected one reference; ask once for each")),
    }
}

/// The id of a document of this server: `id`, `Type/id`, or the same below an address of this server.
fn local_id(text: &str, kind: &str, name: &str, bases: &Bases) -> Result<String, Refused> {
    if is_id(text) {
        return Ok(text.to_owned());
    }
    let reference = Reference { reference: Some(text.to_owned()), ..Reference::default() };
    bases.id(&reference, kind).map(str::to_owned).ok_or_else(|| {
        Refused::value(name, format!("expected {kind}/id or an id, of a {kind} that is kept here"))
    })
}

/// The code of `system|code` or `code`: what is searched has one system only.
fn bare_code(text: &str) -> String {
    text.rsplit_once('|').map_or(text, |(_, code)| code).to_owned()
}

/// The references that a bare id may mean.
fn owners(text: &str) -> Vec<String> {
    if text.contains('/') {
        return vec![text.to_owned()];
    }
    let kinds =
        ["Practitioner", "PractitionerRole", "Organization", "CareTeam", "HealthcareService", "Device"];
    std::iter::once(text.to_owned()).chain(kinds.iter().map(|k| format!("{k}/{text}"))).collect()
}
