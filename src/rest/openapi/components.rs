//! What the paths of the description refer to: documents, parameters and answers.

use serde_json::{Map, Value, json};

use super::super::limits;
use super::super::parameters::{Index, Param, Sort};
use super::super::types::{KINDS, Kind, Operation};

/// A status, its name among the answers, and when it is given.
const REFUSALS: &[(u16, &str, &str)] = &[
    (400, "Invalid", "The request or its document is not in order; the issue says where and why."),
    (404, "NotFound", "Nothing is at this address."),
    (405, "Method", "This address takes other methods, which Allow names."),
    (406, "NotAcceptable", "Only application/fhir+json of FHIR 4.0 is offered."),
    (408, "Slow", "The body did not arrive in time."),
    (410, "Gone", "The resource was deleted."),
    (412, "Precondition", "If-Match names another version, or criteria fit several resources."),
    (413, "TooLarge", "The body is too long, or a Bundle has too many entries."),
    (415, "MediaType", "The body is of another type, or in another encoding."),
    (
        422,
        "Unprocessable",
        "The document is R4 and cannot be honoured: a rule, or a meaning that is not understood.",
    ),
    (429, "Throttled", "More is being received than can be held; try again after Retry-After."),
    (503, "Unavailable", "Nothing can be stored now; try again after Retry-After."),
];

/// All of it.
pub(super) fn components() -> Value {
    let mut answers = Map::new();
    for (_, name, why) in REFUSALS {
        let outcome = fhir(&json!({ "$ref": "#/components/schemas/OperationOutcome" }));
        answers.insert((*name).to_owned(), json!({ "description": why, "content": outcome }));
    }
    answers.insert("Unchanged".to_owned(), json!({ "description": "The client has it already." }));
    let mut schemas = Map::new();
    for kind in KINDS {
        schemas.insert(kind.name.to_owned(), document(kind.name, &json!({})));
    }
    schemas.insert("Bundle".to_owned(), document("Bundle", &json!({
        "type": { "type": "string" },
        "entry": { "type": "array", "minItems": 1, "maxItems": limits::BUNDLE_ENTRIES, "items": { "type": "object" } },
    })));
    schemas.insert("CapabilityStatement".to_owned(), document("CapabilityStatement", &json!({})));
    schemas.insert("Library".to_owned(), document("Library", &json!({})));
    schemas.insert("Parameters".to_owned(), document("Parameters", &json!({
        "parameter": { "type": "array", "minItems": 1, "items": { "type": "object", "required": ["name"] } },
    })));
    schemas.insert(
        "JsonPatch".to_owned(),
        json!({
            "type": "array", "maxItems": limits::PATCH_OPERATIONS, "items": {
                "type": "object", "required": ["op", "path"], "properties": {
                    "op": { "enum": ["add", "remove", "replace", "move", "copy", "test"] },
                    "path": { "type": "string" }, "from": { "type": "string" },
                    "value": { "not": { "type": "null" } },
                },
            },
        }),
    );
    schemas.insert("OperationOutcome".to_owned(), outcome());
    json!({ "schemas": schemas, "responses": answers, "parameters": parameters() })
}

/// Gives the object at the pointer `at` of `value` a member.
pub(super) fn set(value: &mut Value, at: &str, name: &str, to: Value) {
    if let Some(object) = value.pointer_mut(at).and_then(Value::as_object_mut) {
        object.insert(name.to_owned(), to);
    }
}

/// The same content in FHIR's media type.
pub(super) fn fhir(schema: &Value) -> Value {
    json!({ "application/fhir+json": { "schema": schema } })
}

/// Those answers by status, each as a reference.
pub(super) fn refusals(statuses: &[u16]) -> Map<String, Value> {
    let given = REFUSALS.iter().filter(|(status, ..)| statuses.contains(status));
    given
        .map(|(status, name, _)| {
            (status.to_string(), json!({ "$ref": format!("#/components/responses/{name}") }))
        })
        .collect()
}

fn document(name: &str, more: &Value) -> Value {
    let mut properties = json!({
        "resourceType": { "const": name },
        "id": { "$ref": "#/components/parameters/id/schema" },
        "meta": {
            "type": "object",
            "properties": { "versionId": { "type": "string" }, "lastUpdated": { "type": "string", "format": "date-time" } },
        },
    });
    if let (Some(all), Some(more)) = (properties.as_object_mut(), more.as_object()) {
        all.extend(more.clone());
    }
    json!({ "type": "object", "required": ["resourceType"], "properties": properties })
}

fn outcome() -> Value {
    let issue = json!({
        "type": "object",
        "required": ["severity", "code"],
        "properties": {
            "severity": { "enum": ["fatal", "error", "warning", "information"] },
            "code": { "type": "string" },
            "diagnostics": { "type": "string" },
            "expression": { "type": "array", "minItems": 1, "items": { "type": "string" } },
        },
    });
    let mut outcome =
        document("OperationOutcome", &json!({ "issue": { "type": "array", "minItems": 1, "items": issue } }));
    set(&mut outcome, "", "required", json!(["resourceType", "issue"]));
    outcome
}

fn parameters() -> Value {
    let header = |name: &str, about: &str, schema: Value| json!({ "name": name, "in": "header", "description": about, "schema": schema });
    let tag = r#"^(W/)?"[1-9][0-9]{0,18}"$"#;
    json!({
        "id": {
            "name": "id", "in": "path", "required": true, "description": "The logical id.",
            "schema": { "type": "string", "pattern": r"^[A-Za-z0-9\-\.]{1,64}$" },
        },
        "version": {
            "name": "version", "in": "path", "required": true, "description": "A version of the document, from 1.",
            "schema": { "type": "string", "pattern": "^[1-9][0-9]{0,17}$" },
        },
        "IfMatch": header("If-Match", "The version that is to be replaced.", json!({ "type": "string", "pattern": tag })),
        "IfNoneExist": header("If-None-Exist", "identifier=system|value: create only if none has it.", json!({ "type": "string" })),
        "Prefer": header("Prefer", "What to answer with. With return=minimal, which no description of content fits, a write is answered without a body.", json!({
            "enum": ["return=representation", "return=OperationOutcome", "handling=strict", "handling=lenient"],
        })),
        "identifier": {
            "name": "identifier", "in": "query", "required": true, "description": "The identifier that it has, as system|value.",
            "schema": { "type": "string", "minLength": 1 },
        },
        "_count": { "name": "_count", "in": "query", "description": "Rows of a page.", "schema": { "type": "integer", "minimum": 0 } },
        "_sort": {
            "name": "_sort", "in": "query", "description": "Search parameters of the type, each after a minus if the greatest comes first.",
            "schema": { "type": "string", "pattern": "^-?[a-zA-Z_][a-zA-Z-]*(,-?[a-zA-Z_][a-zA-Z-]*)*$", "default": "_lastUpdated" },
        },
        "_summary": {
            "name": "_summary", "in": "query", "description": "What of each resource is wanted; count: only how many there are.",
            "schema": { "enum": ["true", "text", "data", "count", "false"] },
        },
        "_summaryOfOne": {
            "name": "_summary", "in": "query", "description": "What of the resource is wanted.",
            "schema": { "enum": ["true", "text", "data", "false"] },
        },
        "_elements": {
            "name": "_elements", "in": "query", "description": "Names of elements, separated by commas; what is mandatory comes along. Not together with _summary.",
            "schema": { "type": "string", "pattern": "^[a-zA-Z]+(,[a-zA-Z]+)*$" },
        },
        "_since": {
            "name": "_since", "in": "query", "description": "Only versions that were received at this instant or after.",
            "schema": { "type": "string", "format": "date-time" },
        },
        "_at": {
            "name": "_at", "in": "query", "description": "Only versions that were current at some time of this date or instant.",
            "schema": { "type": "string", "minLength": 4 },
        },
        "IfModifiedSince": header("If-Modified-Since", "Answer only if it has changed since; If-None-Match is the more exact.", json!({ "type": "string" })),
        "IfNoneMatch": header("If-None-Match", "Answer only if the version is another one.", json!({ "type": "string", "pattern": tag })),
        "_total": { "name": "_total", "in": "query", "schema": { "enum": ["none", "estimate", "accurate"] } },
    })
}

/// A search parameter.
pub(super) fn filter(param: &Param) -> Value {
    let about = match (param.index, param.sort) {
        (Index::Id, _) => "Logical ids, separated by commas.",
        (Index::Identifier, _) => "Business identifiers, system|value, separated by commas.",
        (Index::Patient, _) => "Patient/id, or the id.",
        (Index::Encounter, _) => "Encounter/id, or the id.",
        (_, Sort::Token) => "Codes, code or system|code, separated by commas.",
        (_, Sort::Date) => "A date or a time, such as ge2026-01-02T03:04:05Z; may be repeated.",
        (_, Sort::Reference) => "Type/id, an id or an address.",
        (_, Sort::Text) => "How a text begins, whatever the case and the accents.",
        (_, Sort::Uri) => "An address.",
        (_, Sort::Composite) => "Values of one element, with $ between them.",
        (_, Sort::Quantity) => "A number, or number|system|code, such as gt8||cm[H2O].",
    };
    json!({ "name": param.name, "in": "query", "description": about, "schema": { "type": "string", "minLength": 1 } })
}

/// `_include` or `_revinclude`, if there is anything to name.
pub(super) fn inclusion(name: &str, about: &str, known: &[String]) -> Option<Value> {
    (!known.is_empty())
        .then(|| json!({ "name": name, "in": "query", "description": about, "schema": { "enum": known } }))
}

/// What an operation is asked in an address.
pub(super) fn of_operation(operation: Operation) -> Vec<Value> {
    let query = |name: &str, required: bool, schema: Value| json!({ "name": name, "in": "query", "required": required, "schema": schema });
    let text = || json!({ "type": "string", "minLength": 1 });
    let subject = || json!({ "type": "string", "pattern": r"^(Patient|Group|Location|Organization)/[A-Za-z0-9\-\.]{1,64}$" });
    match operation {
        Operation::EvaluateMeasure => vec![
            query("periodStart", true, json!({ "type": "string", "format": "date" })),
            query("periodEnd", true, json!({ "type": "string", "format": "date" })),
            query("reportType", false, json!({ "enum": ["population", "subject-list", "subject"] })),
            query("subject", false, subject()),
            query("chart", false, json!({ "enum": ["day", "week", "month"] })),
            query("otherStart", false, json!({ "type": "string", "format": "date" })),
            query("otherEnd", false, json!({ "type": "string", "format": "date" })),
            query("suppressBelow", false, json!({ "type": "integer", "minimum": 0 })),
            query("unit", false, json!({ "type": "string", "pattern": r"^Location/[A-Za-z0-9\-\.]{1,64}$" })),
        ],
        Operation::CareGaps => vec![
            query("periodStart", true, json!({ "type": "string", "format": "date" })),
            query("periodEnd", true, json!({ "type": "string", "format": "date" })),
            query("subject", true, subject()),
            query(
                "status",
                false,
                json!({ "enum": ["open-gap", "closed-gap", "prospective-gap", "not-applicable"] }),
            ),
        ],
        Operation::DataRequirements => vec![
            query("periodStart", false, json!({ "type": "string", "format": "date" })),
            query("periodEnd", false, json!({ "type": "string", "format": "date" })),
        ],
        Operation::Explain => vec![query("requirement", false, text())],
        Operation::Translate => vec![
            query("system", true, text()),
            query("code", true, text()),
            query("source", false, text()),
            query("target", false, text()),
            query("targetsystem", false, text()),
            query("reverse", false, json!({ "type": "boolean" })),
        ],
        Operation::Events => vec![
            query("eventsSinceNumber", false, json!({ "type": "integer", "minimum": 0 })),
            query("eventsUntilNumber", false, json!({ "type": "integer", "minimum": 0 })),
            query("content", false, json!({ "enum": ["empty", "id-only", "full-resource"] })),
        ],
        Operation::Try | Operation::Status | Operation::VentilatorEvents => Vec::new(),
        Operation::Validate => vec![query("mode", false, json!({ "enum": ["create", "update", "delete"] }))],
    }
}

/// A document of a type that clients write, with the least that it must say.
pub(super) fn example(kind: &Kind) -> Value {
    let patient = json!({ "reference": "Patient/p1" });
    let text = json!({ "text": "as charted" });
    let mut least = match kind.name {
        "Procedure" => {
            json!({ "status": "completed", "subject": patient, "code": text, "performedDateTime": "2026-01-02T03:04:05+01:00" })
        }
        "Observation" => {
            json!({ "status": "final", "subject": patient, "code": text, "effectiveDateTime": "2026-01-02T03:04:05+01:00" })
        }
        "Encounter" => json!({ "status": "in-progress", "subject": patient, "class": { "code": "IMP" } }),
        "MedicationAdministration" => json!({
            "status": "completed", "subject": patient, "medicationCodeableConcept": text, "effectiveDateTime": "2026-01-02",
        }),
        "Condition" => json!({ "subject": patient, "code": text }),
        "DeviceUseStatement" => {
            json!({ "status": "active", "subject": patient, "device": { "reference": "Device/d1" } })
        }
        "ConceptMap" | "ValueSet" | "Measure" => json!({ "status": "draft" }),
        "PlanDefinition" => json!({ "status": "draft", "action": [{
            "id": "clean",
            "code": [{ "coding": [{ "system": crate::translate::codes::ACTIVITY, "code": "oral-cleansing" }] }],
            "timingTiming": { "repeat": { "frequency": 1, "period": 2, "periodMax": 4, "periodUnit": "h" } },
        }] }),
        "CodeSystem" => json!({ "status": "draft", "content": "not-present" }),
        "Group" => json!({ "type": "person", "actual": true }),
        "Subscription" => json!({
            "status": "off", "reason": "as an example", "criteria": "Task",
            "channel": { "type": "rest-hook", "endpoint": "https://hooks.example/" },
        }),
        "Task" => json!({ "status": "in-progress", "intent": "order" }),
        // nothing is required of the rest
        _ => json!({ "language": "en" }),
    };
    set(&mut least, "", "resourceType", json!(kind.name));
    least
}
