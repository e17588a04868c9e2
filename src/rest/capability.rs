//! The CapabilityStatement, printed from the table of types.

use axum::http::StatusCode;
use axum::http::header::ETAG;

use super::answer::Answer;
use super::ask::Ask;
use super::edge::Edge;
use super::text::{instant, push_json};
use super::types::{Column, KINDS, Kind, Origin};
use super::{Outcome, limits};
use crate::translate::subscription;

/// The extension by which the backport guide has a server name its topics.
const TOPIC_EXTENSION: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/capabilitystatement-subscriptiontopic-canonical";

/// `GET /fhir/metadata`.
pub(super) fn answer(edge: &Edge, ask: &Ask<'_>) -> Outcome {
    let token = edge.rest.door.as_ref().map(|door| door.registry().token_address.as_str());
    let body = statement(ask.base, edge.since_us, token);
    let tag = format!("W/\"{:016x}\"", xxhash_rust::xxh3::xxh3_64(body.as_bytes()));
    if ask.has(&tag) {
        return Ok(Answer::empty(StatusCode::NOT_MODIFIED).with(ETAG, tag));
    }
    Ok(Answer::json(StatusCode::OK, body).with(ETAG, tag))
}

/// The statement of the service at `base`, as of `since_us`; `token`: the address at which tokens are given out, empty
/// if only others give them out, none if the service is open.
fn statement(base: &str, since_us: i64, token: Option<&str>) -> String {
    let mut out = String::with_capacity(16 << 10);
    let date = instant(since_us);
    let version = env!("CARGO_PKG_VERSION");
    out.push_str(&format!(
        "{{\"resourceType\":\"CapabilityStatement\",\"status\":\"active\",\"date\":\"{date}\",\"kind\":\"instance\",\
         \"software\":{{\"name\":\"Terce\",\"version\":\"{version}\"}},\
         \"implementation\":{{\"description\":\"mouth care of ventilated patients, counted\",\"url\":"
    ));
    push_json(&mut out, base);
    out.push_str(
        "},\"fhirVersion\":\"4.0.1\",\"format\":[\"application/fhir+json\",\"json\"],\"rest\":[{\"mode\":\"server\",\
         \"documentation\":",
    );
    push_json(&mut out, &documentation());
    if let Some(token) = token {
        push_security(&mut out, token);
    }
    out.push_str(",\"resource\":[");
    for (index, kind) in KINDS.iter().enumerate() {
        if index > 0 {
            out.push(',');
        }
        push_kind(&mut out, kind);
    }
    out.push_str(
        "],\"interaction\":[{\"code\":\"transaction\"},{\"code\":\"batch\"}],\"operation\":[{\"name\":\"data-quality\",\
         \"definition\":\"https://terce.example/fhir/OperationDefinition/data-quality\"}]}]}",
    );
    out
}

fn push_security(out: &mut String, token: &str) {
    out.push_str(
        ",\"security\":{\"cors\":false,\"service\":[{\"coding\":[{\"system\":\
         \"http://terminology.hl7.org/CodeSystem/restful-security-service\",\"code\":\"SMART-on-FHIR\"}]}]",
    );
    if !token.is_empty() {
        out.push_str(
            ",\"extension\":[{\"url\":\"http://fhir-registry.smarthealthit.org/StructureDefinition/oauth-uris\",\
             \"extension\":[{\"url\":\"token\",\"valueUri\":",
        );
        push_json(out, token);
        out.push_str("}]}]");
    }
    out.push('}');
}

fn documentation() -> String {
    format!(
        "Bundles of type batch, transaction and collection are taken at the base, with at most {} entries and {} MiB. \
         Searches return at most {} resources a page. A parameter that is not known is left out with a warning, or \
         refused with Prefer: handling=strict. Bodies may be gzip.",
        limits::BUNDLE_ENTRIES,
        limits::BODY_BYTES >> 20,
        limits::PAGE_ROWS_MAX
    )
}

fn push_kind(out: &mut String, kind: &Kind) {
    let interactions: &[&str] = match kind.origin {
        Origin::Feed => &["read", "vread", "update", "delete", "history-instance", "create", "search-type"],
        Origin::Shared => &["read", "vread", "update", "history-instance", "search-type"],
        Origin::Service => &["read", "vread", "history-instance", "search-type"],
    };
    out.push_str(&format!("{{\"type\":\"{}\",\"documentation\":", kind.name));
    push_json(out, origin(kind.origin));
    out.push_str(",\"interaction\":[");
    push_list(out, interactions, |out, code| out.push_str(&format!("{{\"code\":\"{code}\"}}")));
    let fed = kind.fed();
    let deletes = if fed { "single" } else { "not-supported" };
    out.push_str(&format!(
        "],\"versioning\":\"versioned\",\"readHistory\":true,\"updateCreate\":{fed},\"conditionalCreate\":{fed},\
         \"conditionalRead\":\"not-match\",\"conditionalUpdate\":{fed},\"conditionalDelete\":\"{deletes}\",\
         \"referencePolicy\":[\"literal\",\"logical\",\"local\"],\"searchParam\":["
    ));
    let filters: Vec<_> = kind.all_filters().collect();
    push_list(out, &filters, |out, filter| {
        out.push_str(&format!("{{\"name\":\"{}\",\"type\":\"{}\"}}", filter.name, sort(filter.column)));
    });
    out.push(']');
    if kind.name == "Subscription" {
        out.push_str(",\"extension\":[");
        push_list(out, subscription::TOPICS, |out, (_, name)| {
            let topic = subscription::topic(name);
            out.push_str(&format!("{{\"url\":\"{TOPIC_EXTENSION}\",\"valueCanonical\":\"{topic}\"}}"));
        });
        out.push(']');
    }
    if !kind.operations.is_empty() {
        out.push_str(",\"operation\":[");
        push_list(out, kind.operations, |out, operation| {
            let (name, definition) = (operation.name(), operation.definition());
            out.push_str(&format!("{{\"name\":\"{name}\",\"definition\":\"{definition}\"}}"));
        });
        out.push(']');
    }
    out.push('}');
}

fn push_list<T>(out: &mut String, items: &[T], push: impl Fn(&mut String, &T)) {
    for (index, item) in items.iter().enumerate() {
        if index > 0 {
            out.push(',');
        }
        push(out, item);
    }
}

const fn origin(origin: Origin) -> &'static str {
    match origin {
        Origin::Feed => "Kept as it is sent; only id and meta are the server's.",
        Origin::Shared => {
            "Written by this service. An update may change status, statusReason, owner and notes; the rest is kept."
        }
        Origin::Service => "Written by this service.",
    }
}

/// R4's type of a search parameter.
const fn sort(column: Column) -> &'static str {
    match column {
        Column::Id | Column::Identifier | Column::Status | Column::Code | Column::Token => "token",
        Column::Updated | Column::Date => "date",
        Column::Patient
        | Column::Encounter
        | Column::Owner
        | Column::Location
        | Column::Focus
        | Column::Reference => "reference",
        Column::Text => "string",
    }
}
