//! The CapabilityStatement, printed from the table of types.

use axum::http::StatusCode;
use axum::http::header::ETAG;

use super::answer::Answer;
use super::ask::Ask;
use super::edge::Edge;
use super::parameters::{Index, Param, Sort};
use super::text::{instant, push_json};
use super::types::{KINDS, Kind, Origin};
use super::{Outcome, limits};
use crate::translate::subscription;

/// The extension by which the backport guide has a server name its topics.
const TOPIC_EXTENSION: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/capabilitystatement-subscriptiontopic-canonical";

/// `GET /fhir/metadata`.
pub(super) fn answer(edge: &Edge, ask: &Ask<'_>) -> Outcome {
    let token = edge.rest.door.as_ref().map(|door| door.registry().token_address.as_str());
    let body = statement(ask.base, edge.since_us, token);
    let tag = format!("W/\"{:016x}\"", xxhash_rust::xxh3::xxh3_64(body.as_bytes()));
    if ask.has(&tag, edge.since_us) {
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
        "},\"fhirVersion\":\"4.0.1\",\"format\":[\"application/fhir+json\",\"json\"],\
         \"patchFormat\":[\"application/json-patch+json\"],\"rest\":[{\"mode\":\"server\",\
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
         Searches return at most {} resources a page; a page may be short, and its next link goes on. While a search is \
         paged, what is written meanwhile neither moves nor repeats a resource. Codes and identifiers are compared \
         exactly; dates without an offset are the hospital's. _sort takes any search parameter of the type, also \
         several; what has no value comes last. Chains, such as encounter.location.name, and _has, such as \
         _has:Procedure:patient:code, go over at most {} references. Conditional interactions take one identifier as their criterion. A \
         parameter that is not known is left out with a warning, or refused with Prefer: handling=strict; one that \
         would be about a patient is always refused. Bodies may be gzip.",
        limits::BUNDLE_ENTRIES,
        limits::BODY_BYTES >> 20,
        limits::PAGE_ROWS_MAX,
        limits::LINKS
    )
}

fn push_kind(out: &mut String, kind: &Kind) {
    let interactions: &[&str] = match kind.origin {
        Origin::Feed => &[
            "read",
            "vread",
            "update",
            "patch",
            "delete",
            "history-instance",
            "history-type",
            "create",
            "search-type",
        ],
        Origin::Shared => {
            &["read", "vread", "update", "patch", "history-instance", "history-type", "search-type"]
        }
        Origin::Service => &["read", "vread", "history-instance", "history-type", "search-type"],
    };
    out.push_str(&format!("{{\"type\":\"{}\",\"documentation\":", kind.name));
    push_json(out, origin(kind.origin));
    out.push_str(",\"interaction\":[");
    push_list(out, interactions, |out, code| out.push_str(&format!("{{\"code\":\"{code}\"}}")));
    let fed = kind.fed();
    let deletes = if fed { "single" } else { "not-supported" };
    out.push_str(&format!(
        "],\"versioning\":\"versioned\",\"readHistory\":true,\"updateCreate\":{fed},\"conditionalCreate\":{fed},\
         \"conditionalRead\":\"full-support\",\"conditionalUpdate\":{fed},\"conditionalDelete\":\"{deletes}\",\
         \"referencePolicy\":[\"literal\",\"logical\",\"local\"],\"searchParam\":["
    ));
    let parameters: Vec<_> = kind.all_parameters().collect();
    push_list(out, &parameters, |out, param| push_parameter(out, param));
    out.push(']');
    if kind.name == "Subscription" {
        out.push_str(",\"extension\":[");
        push_list(out, subscription::TOPICS, |out, (_, name)| {
            let topic = subscription::topic(name);
            out.push_str(&format!("{{\"url\":\"{TOPIC_EXTENSION}\",\"valueCanonical\":\"{topic}\"}}"));
        });
        out.push(']');
    }
    push_names(out, "searchInclude", &includes(kind));
    push_names(out, "searchRevInclude", &reverse_includes(kind));
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

fn push_parameter(out: &mut String, param: &Param) {
    let (name, definition, sort) = (param.name, param.canonical(), param.sort.code());
    out.push_str(&format!(
        "{{\"name\":\"{name}\",\"definition\":\"{definition}\",\"type\":\"{sort}\",\"documentation\":"
    ));
    let mut said = format!("Modifiers: {}.", param.sort.modifiers().join(", "));
    match param.sort {
        Sort::Reference => said.push_str(" Also the name of a type."),
        Sort::Date | Sort::Quantity => said.push_str(" Prefixes: eq, ne, gt, lt, ge, le, sa, eb, ap."),
        Sort::Composite => {
            let names: Vec<&str> = param.parts.iter().map(|p| p.name).collect();
            said.push_str(&format!(" Asked for as {}.", names.join("$")));
        }
        Sort::Token | Sort::Text | Sort::Uri => {}
    }
    if matches!(param.index, Index::Patient) {
        said.push_str(" An id by itself means a Patient.");
    }
    if !param.targets.is_empty() {
        said.push_str(&format!(" Chains lead on to {}.", param.targets.join(", ")));
    }
    if param.own {
        said.push_str(&format!(" Not of R4: compares {}.", param.expression));
    }
    push_json(out, &said);
    out.push('}');
}

/// What can be sent along with resources of a type because they refer to it.
pub(super) fn includes(kind: &Kind) -> Vec<String> {
    let params = kind.parameters.iter().filter(|p| !p.targets.is_empty());
    params.map(|p| format!("{}:{}", kind.name, p.name)).collect()
}

/// What can be sent along with resources of a type because it refers to them.
pub(super) fn reverse_includes(kind: &Kind) -> Vec<String> {
    let refers = |p: &&Param| p.is_reversible() && p.targets.contains(&kind.name);
    let of = |from: &'static Kind| {
        from.parameters.iter().filter(refers).map(|p| format!("{}:{}", from.name, p.name))
    };
    KINDS.iter().flat_map(of).collect()
}

fn push_names(out: &mut String, name: &str, names: &[String]) {
    if names.is_empty() {
        return;
    }
    out.push_str(&format!(",\"{name}\":["));
    push_list(out, names, |out, name| push_json(out, name));
    out.push(']');
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
            "Written by this service. An update may change status, statusReason, owner and notes; the rest is kept. \
             A patch of anything else is refused."
        }
        Origin::Service => "Written by this service.",
    }
}
