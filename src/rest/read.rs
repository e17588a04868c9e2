//! Reading one document, one version of it, or its versions.

use axum::http::StatusCode;
use axum::http::header::{ETAG, LAST_MODIFIED};
use fhir_models::primitive::is_id;
use fhir_models::{Resource, json};

use super::answer::Answer;
use super::ask::{self, Ask};
use super::refused::Refused;
use super::types::{self, Kind};
use super::{Outcome, Rest, audit, limits, text};
use crate::store::Document;
use crate::translate::{measures, shipped};

/// `GET /fhir/Type/id`.
pub(super) async fn read(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, id: &str) -> Outcome {
    if !is_id(id) {
        return Err(Refused::NotFound);
    }
    if kind.name == types::AUDIT {
        return audit::read(rest, ask, id).await;
    }
    let found = rest.store.document(kind.name, id).await?;
    if found.is_none()
        && let Some(body) = definition(rest, kind.name, id)
    {
        ask.act.saw_other("read", kind.name, id, None);
        return Ok(Answer::json(StatusCode::OK, body));
    }
    shown(rest, ask, "read", found).await
}

/// A definition that comes with Terce and that the site has not replaced; it has no version of ours.
pub(super) fn definition(rest: &Rest, kind: &str, id: &str) -> Option<Vec<u8>> {
    if kind == "Measure" {
        return measures::measure(id, &rest.stays.site().rules).map(|m| m.write());
    }
    shipped::document(kind, id).map(|d| d.body.to_vec())
}

/// `GET /fhir/Type/id/_history/version`.
pub(super) async fn version(
    rest: &Rest,
    ask: &Ask<'_>,
    kind: &'static Kind,
    id: &str,
    version: &str,
) -> Outcome {
    if kind.name == types::AUDIT {
        return audit::version(rest, ask, id, version).await;
    }
    let Some(version) = text::version(version).filter(|_| is_id(id)) else { return Err(Refused::NotFound) };
    let found = rest.store.version(kind.name, id, version).await?;
    shown(rest, ask, "vread", found).await
}

async fn shown(rest: &Rest, ask: &Ask<'_>, deed: &'static str, found: Option<Document>) -> Outcome {
    let document = found.ok_or(Refused::NotFound)?;
    let body = resource(&document)?.ok_or(Refused::Gone)?;
    rest.shows(ask.act, deed, [&document]).await?;
    let tag = text::etag(document.version);
    if ask.has(&tag) {
        return Ok(Answer::empty(StatusCode::NOT_MODIFIED).with(ETAG, tag));
    }
    Ok(Answer::json(StatusCode::OK, body)
        .with(ETAG, tag)
        .with(LAST_MODIFIED, text::http_date(document.received_us)))
}

/// A stored document as it is served: its own bytes, with our id and meta; none for a deletion.
///
/// # Errors
/// The stored bytes are no document.
pub(super) fn resource(document: &Document) -> Result<Option<Vec<u8>>, Refused> {
    let Some(body) = &document.body else { return Ok(None) };
    let (version, updated) = (document.version.to_string(), text::instant(document.received_us));
    match json::with_id_and_meta(body, &document.id, &version, &updated) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) => {
            tracing::error!(
                kind = document.kind,
                id = document.id,
                path = error.path,
                "stored bytes cannot be read"
            );
            Err(Refused::Failed)
        }
    }
}

/// `GET /fhir/Type/id/_history`: the newest first, paged by version.
pub(super) async fn history(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, id: &str) -> Outcome {
    if !is_id(id) {
        return Err(Refused::NotFound);
    }
    if kind.name == types::AUDIT {
        return audit::history(rest, ask, id).await;
    }
    let (mut rows, mut before) = (limits::PAGE_ROWS, None);
    for (name, value) in ask::parameters(ask.query)? {
        match name.as_ref() {
            "_count" => {
                let count = value.parse::<usize>().ok().filter(|c| *c > 0);
                let wanted = count.ok_or_else(|| Refused::value("_count", "expected a positive number"))?;
                rows = wanted.min(limits::PAGE_ROWS_MAX);
            }
            "_cursor" => {
                let version = text::version(&value);
                before = Some(version.ok_or_else(|| Refused::value("_cursor", "expected what a link said"))?);
            }
            "_format" | "_pretty" => {}
            other => {
                return Err(Refused::not_supported(other, "a history takes _count and the links it gave"));
            }
        }
    }
    let versions = rest.store.history(kind.name, id, before, rows + 1).await?;
    if versions.is_empty() && before.is_none() {
        return Err(Refused::NotFound);
    }
    rest.shows(ask.act, "history-instance", versions.iter().take(rows)).await?;
    let address = format!("{}/{}/{id}", ask.base, kind.name);
    let mut out = String::from(
        "{\"resourceType\":\"Bundle\",\"type\":\"history\",\"link\":[{\"relation\":\"self\",\"url\":",
    );
    let own = before.map(|b| format!("&_cursor={b}")).unwrap_or_default();
    text::push_json(&mut out, &format!("{address}/_history?_count={rows}{own}"));
    if let Some(last) = versions.get(rows - 1).filter(|_| versions.len() > rows) {
        out.push_str("},{\"relation\":\"next\",\"url\":");
        text::push_json(&mut out, &format!("{address}/_history?_count={rows}&_cursor={}", last.version));
    }
    out.push_str("}],\"entry\":[");
    for (index, version) in versions.iter().take(rows).enumerate() {
        if index > 0 {
            out.push(',');
        }
        push_version(&mut out, &address, version)?;
    }
    out.push_str("]}");
    Ok(Answer::json(StatusCode::OK, out))
}

fn push_version(out: &mut String, address: &str, version: &Document) -> Result<(), Refused> {
    out.push_str("{\"fullUrl\":");
    text::push_json(out, address);
    let (method, status) = match &version.body {
        None => ("DELETE", "204"),
        Some(_) if version.version == 1 => ("PUT", "201"),
        Some(_) => ("PUT", "200"),
    };
    if let Some(body) = resource(version)? {
        out.push_str(",\"resource\":");
        out.push_str(&String::from_utf8_lossy(&body));
    }
    out.push_str(&format!(
        ",\"request\":{{\"method\":\"{method}\",\"url\":\"{}/{}\"}},\"response\":{{\"status\":\"{status}\",\"etag\":\"W/\\\"{}\\\"\",\"lastModified\":\"{}\"}}}}",
        version.kind,
        version.id,
        version.version,
        text::instant(version.received_us)
    ));
    Ok(())
}
