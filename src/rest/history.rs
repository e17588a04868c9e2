//! The versions of one document, or of all documents of a type: the newest first.
//!
//! Guarantees: going from page to page, each version that was there when the first page was answered is listed once,
//! whatever is written meanwhile; what is written meanwhile comes before the first page.

use axum::http::StatusCode;
use chrono::DateTime;
use fhir_models::primitive::is_id;

use super::answer::Answer;
use super::ask::{self, Ask};
use super::refused::Refused;
use super::types::{self, Kind};
use super::{Outcome, Rest, audit, limits, read, search, text};
use crate::store::{Document, Past, PastQuery};

/// What of a history is wanted.
struct Wanted {
    rows: usize,
    query: PastQuery,
    /// What was applied, but for the rows and where the page begins.
    applied: Vec<(String, String)>,
}

/// `GET /fhir/Type/id/_history`, or without an id `GET /fhir/Type/_history`.
pub(super) async fn history(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, id: Option<&str>) -> Outcome {
    if id.is_some_and(|id| !is_id(id)) {
        return Err(Refused::NotFound);
    }
    let mut wanted = wanted(rest, ask)?;
    wanted.query.kind = kind.name.into();
    wanted.query.id = id.map(str::to_owned);
    wanted.query.limit = wanted.rows + 1;
    let versions = match kind.name {
        types::AUDIT => audit::past(rest, ask.base, &wanted.query).await?,
        _ => rest.store.past(wanted.query.clone()).await?,
    };
    if let Some(id) = id.filter(|_| versions.is_empty()) {
        let known = match kind.name {
            types::AUDIT => audit::document(rest, ask.base, id).await?,
            name => rest.store.document(name, id).await?,
        };
        known.ok_or(Refused::NotFound)?;
    }
    // a list of AuditEvents that made as many more would soon hold nothing else
    if id.is_some() || kind.name != types::AUDIT {
        let deed = if id.is_some() { "history-instance" } else { "history-type" };
        let told: Vec<&Document> = versions.iter().take(wanted.rows).map(|v| &v.document).collect();
        rest.shows(ask.act, deed, told).await?;
    }
    let address = match id {
        Some(id) => format!("{}/{}/{id}/_history", ask.base, kind.name),
        None => format!("{}/{}/_history", ask.base, kind.name),
    };
    let mut out = String::from(
        "{\"resourceType\":\"Bundle\",\"type\":\"history\",\"link\":[{\"relation\":\"self\",\"url\":",
    );
    text::push_json(&mut out, &wanted.link(&address, wanted.query.before));
    if let Some(last) = versions.get(wanted.rows - 1).filter(|_| versions.len() > wanted.rows) {
        out.push_str("},{\"relation\":\"next\",\"url\":");
        text::push_json(&mut out, &wanted.link(&address, Some(last.document.seq)));
    }
    out.push_str("}]");
    for (index, version) in versions.iter().take(wanted.rows).enumerate() {
        out.push_str(if index == 0 { ",\"entry\":[" } else { "," });
        push_version(&mut out, ask.base, version)?;
    }
    out.push_str(if versions.is_empty() { "}" } else { "]}" });
    Ok(Answer::json(StatusCode::OK, out))
}

fn wanted(rest: &Rest, ask: &Ask<'_>) -> Result<Wanted, Refused> {
    let mut wanted = Wanted { rows: limits::PAGE_ROWS, query: PastQuery::default(), applied: Vec::new() };
    let mut seen = Vec::new();
    for (name, value) in ask::parameters(ask.query)? {
        if seen.contains(&name) {
            return Err(Refused::value(name.as_ref(), "expected once at most"));
        }
        match name.as_ref() {
            "_count" => {
                let count = value.parse::<usize>().ok().filter(|c| *c > 0);
                let count = count.ok_or_else(|| Refused::value("_count", "expected a positive number"))?;
                wanted.rows = count.min(limits::PAGE_ROWS_MAX);
            }
            "_since" => {
                // a plus that was not percent-encoded has become a space
                let instant = DateTime::parse_from_rfc3339(&value.replace(' ', "+"));
                let why = "expected an instant with seconds and a zone, such as 2026-01-02T03:04:05Z";
                let instant = instant.map_err(|_| Refused::value("_since", why))?;
                wanted.query.since_us = Some(instant.timestamp_micros());
                wanted.applied.push((name.clone().into_owned(), value.into_owned()));
            }
            "_at" => {
                let span = search::span(&value, rest.stays.site().settings.zone);
                let span = span.ok_or_else(|| Refused::value("_at", "expected a date or time"))?;
                wanted.query.at_us = Some((span.from, span.to));
                wanted.applied.push((name.clone().into_owned(), value.into_owned()));
            }
            "_cursor" => {
                let seq = value.parse::<i64>().ok().filter(|s| *s > 0);
                let why = "expected what a link said";
                wanted.query.before = Some(seq.ok_or_else(|| Refused::value("_cursor", why))?);
            }
            "_format" | "_pretty" => {}
            other => {
                let why = "a history takes _count, _since, _at and the links it gave";
                return Err(Refused::not_supported(other, why));
            }
        }
        seen.push(name);
    }
    Ok(wanted)
}

impl Wanted {
    fn link(&self, address: &str, before: Option<i64>) -> String {
        let mut out = format!("{address}?_count={}", self.rows);
        for (name, value) in &self.applied {
            out.push('&');
            out.push_str(name);
            out.push('=');
            text::push_encoded(&mut out, value);
        }
        if let Some(before) = before {
            out.push_str(&format!("&_cursor={before}"));
        }
        out
    }
}

fn push_version(out: &mut String, base: &str, version: &Past) -> Result<(), Refused> {
    let document = &version.document;
    out.push_str("{\"fullUrl\":");
    text::push_json(out, &format!("{base}/{}/{}", document.kind, document.id));
    let (method, status) = match (&document.body, version.created) {
        (None, _) => ("DELETE", "204"),
        (Some(_), true) => ("PUT", "201"),
        (Some(_), false) => ("PUT", "200"),
    };
    if let Some(resource) = read::resource(document)? {
        out.push_str(",\"resource\":");
        out.push_str(&String::from_utf8_lossy(&resource));
    }
    out.push_str(&format!(
        ",\"request\":{{\"method\":\"{method}\",\"url\":\"{}/{}\"}},\"response\":{{\"status\":\"{status}\",\
         \"etag\":\"W/\\\"{}\\\"\",\"lastModified\":\"{}\"}}}}",
        document.kind,
        document.id,
        document.version,
        text::instant(document.received_us)
    ));
    Ok(())
}
