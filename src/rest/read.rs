//! Reading one document, or one version of it.

use axum::http::StatusCode;
use axum::http::header::{ETAG, LAST_MODIFIED};
use fhir_models::primitive::is_id;
use fhir_models::{Resource, json};

use super::answer::Answer;
use super::ask::{self, Ask};
use super::refused::Refused;
use super::subset::View;
use super::types::{self, Kind};
use super::{Outcome, Rest, audit, text};
use crate::store::Document;
use crate::translate::measures::{self, MEASURES};
use crate::translate::shipped;

/// `GET /fhir/Type/id`.
pub(super) async fn read(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, id: &str) -> Outcome {
    if !is_id(id) {
        return Err(Refused::NotFound);
    }
    if kind.name == types::AUDIT {
        return shown(rest, ask, "read", audit::document(rest, ask.base, id).await?).await;
    }
    let found = rest.store.document(kind.name, id).await?;
    if found.is_none()
        && let Some(body) = definition(rest, kind.name, id)
    {
        let body = view(ask)?.of(kind.name, body)?;
        ask.act.saw_other("read", kind.name, id);
        return Ok(Answer::json(StatusCode::OK, body));
    }
    shown(rest, ask, "read", found).await
}

/// What of a resource the query of a read asks for.
///
/// # Errors
/// A parameter that a read does not take.
fn view(ask: &Ask<'_>) -> Result<View, Refused> {
    let mut view = View::Whole;
    for (name, value) in ask::parameters(ask.query)? {
        match name.as_ref() {
            "_summary" | "_elements" => view = View::read(view, &name, &value)?,
            "_format" | "_pretty" => {}
            other if ask.strict() => {
                return Err(Refused::not_supported(
                    other,
                    "a read takes _summary, _elements, _format and _pretty",
                ));
            }
            _ => {}
        }
    }
    Ok(view)
}

/// A definition that comes with Terce and that the site has not replaced; it has no version of ours.
pub(super) fn definition(rest: &Rest, kind: &str, id: &str) -> Option<Vec<u8>> {
    definitions(rest, kind).into_iter().find(|(known, _)| known == id).map(|(_, body)| body)
}

/// Ids and bytes of the definitions of a type that come with Terce.
pub(super) fn definitions(rest: &Rest, kind: &str) -> Vec<(String, Vec<u8>)> {
    if kind == "Measure" {
        let site = rest.stays.site();
        let measure = |id: &&str| Some(((*id).to_owned(), measures::measure(id, &site.rules)?.write()));
        return MEASURES.iter().filter_map(measure).collect();
    }
    let shipped = shipped::ALL.iter().filter(|d| d.kind == kind);
    shipped.map(|d| (d.id.to_owned(), d.body.to_vec())).collect()
}

/// What comes with Terce, as a document that was never written.
pub(super) fn unversioned(kind: &str, id: String, body: Vec<u8>) -> Document {
    Document {
        seq: 0,
        kind: kind.to_owned(),
        id,
        version: 0,
        first_us: 0,
        received_us: 0,
        digest: 0,
        patient: None,
        encounter: None,
        body: Some(body),
    }
}

/// `GET /fhir/Type/id/_history/version`.
pub(super) async fn version(
    rest: &Rest,
    ask: &Ask<'_>,
    kind: &'static Kind,
    id: &str,
    version: &str,
) -> Outcome {
    let Some(version) = text::version(version).filter(|_| is_id(id)) else { return Err(Refused::NotFound) };
    let found = match kind.name {
        types::AUDIT => audit::document(rest, ask.base, id).await?.filter(|d| d.version == version),
        name => rest.store.version(name, id, version).await?,
    };
    shown(rest, ask, "vread", found).await
}

async fn shown(rest: &Rest, ask: &Ask<'_>, deed: &'static str, found: Option<Document>) -> Outcome {
    let document = found.ok_or(Refused::NotFound)?;
    let body = resource(&document)?.ok_or(Refused::Gone)?;
    let (tag, view) = (text::etag(document.version), view(ask)?);
    rest.shows(ask.act, deed, [&document]).await?;
    if ask.has(&tag, document.received_us) {
        let answer = Answer::empty(StatusCode::NOT_MODIFIED).with(ETAG, tag);
        return Ok(answer.with(LAST_MODIFIED, text::http_date(document.received_us)));
    }
    Ok(Answer::json(StatusCode::OK, view.of(&document.kind, body)?)
        .with(ETAG, tag)
        .with(LAST_MODIFIED, text::http_date(document.received_us)))
}

/// A stored document as it is served: its own bytes, with our id and meta; none for a deletion.
///
/// # Errors
/// The stored bytes are no document.
pub(super) fn resource(document: &Document) -> Result<Option<Vec<u8>>, Refused> {
    let Some(body) = &document.body else { return Ok(None) };
    if document.version == 0 {
        return Ok(Some(body.clone()));
    }
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
