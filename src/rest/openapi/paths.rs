//! The paths of the description.

use serde_json::{Map, Value, json};

use super::super::capability::{includes, reverse_includes};
use super::super::types::{Kind, Operation, Origin};
use super::components::{example, fhir, filter, inclusion, of_operation, refusals, set};

pub(super) type Paths = Map<String, Value>;

/// What any request below FHIR's base may be refused with, and one that brings a document.
const ANY: &[u16] = &[400, 404, 406, 503];
const BRINGS: &[u16] = &[400, 404, 406, 408, 412, 413, 415, 422, 429, 503];
/// The same where only what people say of a Task is changed, or what was there may be gone.
const REPLACES: &[u16] = &[400, 404, 406, 408, 410, 412, 413, 415, 422, 429, 503];
const READS: &[u16] = &[400, 404, 406, 410, 503];
const DELETES: &[u16] = &[400, 404, 406, 412, 503];

fn reference(name: &str) -> Value {
    json!({ "$ref": format!("#/components/schemas/{name}") })
}

fn parameter(name: &str) -> Value {
    json!({ "$ref": format!("#/components/parameters/{name}") })
}

/// An operation that is answered with `good`, or refused with one of `bad`.
pub(super) fn operation(
    name: &str,
    summary: &str,
    parameters: Vec<Value>,
    good: &[(u16, Value)],
    bad: &[u16],
) -> Value {
    let mut responses = refusals(bad);
    for (status, answer) in good {
        responses.insert(status.to_string(), answer.clone());
    }
    let mut operation = json!({ "operationId": name, "summary": summary, "responses": responses });
    if !parameters.is_empty() {
        set(&mut operation, "", "parameters", json!(parameters));
    }
    operation
}

fn with_body(mut operation: Value, kind: &str, example: Option<Value>) -> Value {
    let mut media = json!({ "schema": reference(kind) });
    if let Some(example) = example {
        set(&mut media, "", "example", example);
    }
    set(
        &mut operation,
        "",
        "requestBody",
        json!({ "required": true, "content": { "application/fhir+json": media } }),
    );
    operation
}

/// An answer with a document of a type, or with an outcome or nothing, as Prefer says.
fn found(kind: &str) -> Value {
    json!({ "description": kind, "content": fhir(&reference(kind)) })
}

fn written(kind: &str, what: &str) -> Value {
    let either = json!({ "anyOf": [reference(kind), reference("OperationOutcome")] });
    let text = json!({ "schema": { "type": "string" } });
    json!({ "description": what, "headers": { "ETag": text }, "content": fhir(&either) })
}

pub(super) fn nothing(what: &str) -> Value {
    json!({ "description": what })
}

/// What is asked of the whole.
pub(super) fn system(paths: &mut Paths, fhir: &str) {
    let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": [{
        "resource": { "resourceType": "Patient", "id": "p1" }, "request": { "method": "PUT", "url": "Patient/p1" },
    }] });
    let post = operation(
        "bundle",
        "Take a Bundle of type batch, transaction or collection",
        vec![parameter("Prefer")],
        &[(200, found("Bundle"))],
        &[BRINGS, &[405]].concat(),
    );
    paths.insert(
        if fhir.is_empty() { "/".to_owned() } else { fhir.to_owned() },
        json!({ "post": with_body(post, "Bundle", Some(bundle)) }),
    );
    let metadata = operation(
        "capability",
        "The CapabilityStatement",
        Vec::new(),
        &[(200, found("CapabilityStatement"))],
        &[400, 406],
    );
    paths.insert(format!("{fhir}/metadata"), json!({ "get": metadata }));
}

/// What is asked of a type.
pub(super) fn of_kind(paths: &mut Paths, fhir: &str, kind: &Kind) {
    let name = kind.name;
    let mut all = json!({ "get": search(kind) });
    let mut one = json!({ "get": read(name) });
    if kind.fed() {
        set(&mut all, "", "post", create(kind));
        set(&mut all, "", "put", replace_matching(kind));
        set(&mut all, "", "patch", patch(kind, false));
        set(
            &mut all,
            "",
            "delete",
            operation(
                &format!("delete{name}Matching"),
                &format!("Delete the {name} with an identifier"),
                vec![parameter("identifier"), parameter("IfMatch")],
                &[(204, nothing("It is gone."))],
                DELETES,
            ),
        );
        set(
            &mut one,
            "",
            "delete",
            operation(
                &format!("delete{name}"),
                &format!("Delete a {name}"),
                vec![parameter("id"), parameter("IfMatch")],
                &[(204, nothing("It is gone."))],
                DELETES,
            ),
        );
    }
    if kind.replaceable() {
        set(&mut one, "", "put", replace(kind));
        set(&mut one, "", "patch", patch(kind, true));
    }
    paths.insert(format!("{fhir}/{name}"), all);
    paths.insert(format!("{fhir}/{name}/_search"), json!({ "post": search_by_form(kind) }));
    paths.insert(format!("{fhir}/{name}/{{id}}"), one);
    paths.insert(format!("{fhir}/{name}/_history"), json!({ "get": history(name, false) }));
    paths.insert(format!("{fhir}/{name}/{{id}}/_history"), json!({ "get": history(name, true) }));
    let version = operation(
        &format!("version{name}"),
        &format!("One version of a {name}"),
        ["id", "version", "_summaryOfOne", "_elements"].map(parameter).to_vec(),
        &[(200, found(name))],
        READS,
    );
    paths.insert(format!("{fhir}/{name}/{{id}}/_history/{{version}}"), json!({ "get": version }));
    for asked in kind.operations.iter().copied() {
        let of_type = match asked {
            Operation::EvaluateMeasure
            | Operation::DataRequirements
            | Operation::Explain
            | Operation::Status
            | Operation::Events
            | Operation::VentilatorEvents => false,
            Operation::CareGaps | Operation::Translate | Operation::Try | Operation::Validate => true,
        };
        if of_type {
            paths.insert(format!("{fhir}/{name}/${}", asked.name()), operations(kind, asked, Vec::new()));
        }
        let one = operations(kind, asked, vec![parameter("id")]);
        paths.insert(format!("{fhir}/{name}/{{id}}/${}", asked.name()), one);
    }
}

fn history(name: &str, one: bool) -> Value {
    let (id, summary, of) = if one {
        (vec![parameter("id")], format!("All versions of a {name}, the newest first"), "")
    } else {
        (Vec::new(), format!("All versions of all {name}s, the newest first"), "All")
    };
    let asked = [id, ["_count", "_since", "_at"].map(parameter).to_vec()].concat();
    operation(&format!("history{of}{name}"), &summary, asked, &[(200, found("Bundle"))], READS)
}

fn search(kind: &Kind) -> Value {
    let mut parameters: Vec<Value> = kind.all_parameters().map(filter).collect();
    let (to, from) = ("What they refer to comes along.", "What refers to them comes along.");
    parameters.extend(inclusion("_include", to, &includes(kind)));
    parameters.extend(inclusion("_revinclude", from, &reverse_includes(kind)));
    parameters.extend(["_count", "_sort", "_summary", "_elements", "_total", "Prefer"].map(parameter));
    operation(
        &format!("search{}", kind.name),
        &format!("Find {}s", kind.name),
        parameters,
        &[(200, found("Bundle"))],
        ANY,
    )
}

fn search_by_form(kind: &Kind) -> Value {
    let fields: Map<String, Value> = kind
        .all_parameters()
        .map(|p| (p.name.to_owned(), json!({ "type": "string", "minLength": 1 })))
        .collect();
    let mut asked = operation(
        &format!("searchByForm{}", kind.name),
        &format!("Find {}s, asked by a form", kind.name),
        vec![parameter("Prefer")],
        &[(200, found("Bundle"))],
        BRINGS,
    );
    let schema = json!({ "type": "object", "properties": fields });
    set(
        &mut asked,
        "",
        "requestBody",
        json!({ "required": true, "content": { "application/x-www-form-urlencoded": { "schema": schema } } }),
    );
    asked
}

fn read(name: &str) -> Value {
    let good = [(200, found(name)), (304, json!({ "$ref": "#/components/responses/Unchanged" }))];
    let asked = ["id", "_summaryOfOne", "_elements", "IfNoneMatch", "IfModifiedSince"].map(parameter);
    operation(&format!("read{name}"), &format!("Read a {name}"), asked.to_vec(), &good, READS)
}

fn create(kind: &Kind) -> Value {
    let name = kind.name;
    let good = [(201, written(name, "It was stored.")), (200, written(name, "It was there already."))];
    let create = operation(
        &format!("create{name}"),
        &format!("Store a new {name}"),
        vec![parameter("IfNoneExist"), parameter("Prefer")],
        &good,
        BRINGS,
    );
    with_body(create, name, Some(example(kind)))
}

fn replace(kind: &Kind) -> Value {
    let name = kind.name;
    let parameters = vec![parameter("id"), parameter("IfMatch"), parameter("Prefer")];
    let (summary, mut good) = match kind.origin {
        Origin::Shared => {
            (format!("Say what is to be said of a {name}: status, reason, owner, notes"), Vec::new())
        }
        Origin::Feed | Origin::Service => {
            (format!("Store a {name} under an id"), vec![(201, written(name, "It was stored."))])
        }
    };
    good.push((200, written(name, "It was replaced.")));
    with_body(operation(&format!("replace{name}"), &summary, parameters, &good, REPLACES), name, None)
}

/// A JSON Patch of `one`, or of the one that has an identifier.
fn patch(kind: &Kind, one: bool) -> Value {
    let name = kind.name;
    let (of, place, summary) = if one {
        ("", "id", format!("Change parts of a {name}"))
    } else {
        ("Matching", "identifier", format!("Change parts of the {name} with an identifier"))
    };
    let asked = [place, "IfMatch", "Prefer"].map(parameter).to_vec();
    let good = [(200, written(name, "It was changed, or is so already."))];
    let mut patch = operation(&format!("patch{name}{of}"), &summary, asked, &good, REPLACES);
    let example = json!([{ "op": "test", "path": "/resourceType", "value": name }]);
    let media = json!({ "schema": reference("JsonPatch"), "example": example });
    let body = json!({ "required": true, "content": { "application/json-patch+json": media } });
    set(&mut patch, "", "requestBody", body);
    patch
}

fn replace_matching(kind: &Kind) -> Value {
    let name = kind.name;
    let good = [(201, written(name, "It was stored.")), (200, written(name, "It was replaced."))];
    let parameters = vec![parameter("identifier"), parameter("Prefer")];
    let replace = operation(
        &format!("replace{name}Matching"),
        &format!("Store the {name} with an identifier"),
        parameters,
        &good,
        BRINGS,
    );
    with_body(replace, name, Some(example(kind)))
}

/// An operation of a type, or of one of its documents if `of` has its id, asked in the address or by a body.
fn operations(kind: &Kind, asked: Operation, of: Vec<Value>) -> Value {
    let (summary, back) = match asked {
        Operation::EvaluateMeasure => ("A report of a measure", "MeasureReport"),
        Operation::CareGaps => ("Where each requirement of patients stands", "Parameters"),
        Operation::DataRequirements => ("What of the record a measure is counted from", "Library"),
        Operation::Explain => ("Why it is counted as it is", "Parameters"),
        Operation::Translate => ("What a code means here", "Parameters"),
        Operation::Try => {
            ("What a plan would ask, or a map would change, or why it cannot be honoured", "Parameters")
        }
        Operation::Validate => ("What a write would meet", "OperationOutcome"),
        Operation::Status => ("How far a subscriber has been told", "Bundle"),
        Operation::Events => ("What a subscriber was told, once more", "Bundle"),
        Operation::VentilatorEvents => ("What surveillance finds in a stay, to be confirmed", "Parameters"),
    };
    let mut good = found(back);
    if matches!(asked, Operation::Explain | Operation::VentilatorEvents) {
        set(&mut good, "/content", "text/plain", json!({ "schema": { "type": "string" } }));
    }
    let one = if of.is_empty() { "" } else { "One" };
    let name = format!("{}{}{one}", asked.name().replace("-measure", "Measure"), kind.name);
    let parameters = [of.clone(), of_operation(asked)].concat();
    let refused = [READS, &[422]].concat();
    let get = operation(&name, summary, parameters, &[(200, good.clone())], &refused);
    let by_body = operation(&format!("{name}By"), summary, of, &[(200, good)], REPLACES);
    json!({ "get": get, "post": with_given(by_body, kind, asked) })
}

/// The body of an operation: Parameters, or what it is about.
fn with_given(mut operation: Value, kind: &Kind, asked: Operation) -> Value {
    let (schema, given) = match asked {
        Operation::Try | Operation::Validate => {
            (json!({ "anyOf": [reference(kind.name), reference("Parameters")] }), Some(example(kind)))
        }
        Operation::EvaluateMeasure => (
            reference("Parameters"),
            Some(json!([
                { "name": "periodStart", "valueDate": "2026-01-01" }, { "name": "periodEnd", "valueDate": "2026-01-31" },
            ])),
        ),
        Operation::CareGaps => (
            reference("Parameters"),
            Some(json!([
                { "name": "periodStart", "valueDate": "2026-01-01" }, { "name": "periodEnd", "valueDate": "2026-01-31" },
                { "name": "subject", "valueString": "Patient/p1" }, { "name": "status", "valueCode": "open-gap" },
            ])),
        ),
        Operation::Translate => (
            reference("Parameters"),
            Some(json!([
                { "name": "system", "valueUri": "http://snomed.info/sct" }, { "name": "code", "valueCode": "717778001" },
            ])),
        ),
        Operation::DataRequirements
        | Operation::Explain
        | Operation::Status
        | Operation::Events
        | Operation::VentilatorEvents => (reference("Parameters"), None),
    };
    let mut media = json!({ "schema": schema });
    match given {
        Some(parameters @ Value::Array(_)) => {
            set(&mut media, "", "example", json!({ "resourceType": "Parameters", "parameter": parameters }));
        }
        Some(document) => set(&mut media, "", "example", document),
        None => {}
    }
    set(
        &mut operation,
        "",
        "requestBody",
        json!({ "required": false, "content": { "application/fhir+json": media } }),
    );
    operation
}
