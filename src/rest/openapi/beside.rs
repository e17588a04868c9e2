//! What machines ask beside FHIR.

use serde_json::{Value, json};

use super::components::set;
use super::paths::{Paths, nothing, operation};

/// What a request with a body may be refused with here.
const BRINGS: &[u16] = &[400, 404, 408, 413, 415, 429, 503];

/// All of it.
pub(super) fn beside(paths: &mut Paths) {
    probes(paths);
    sources(paths);
    letters(paths);
    hooks(paths);
}

/// An answer in a media type.
fn told(what: &str, media: &str, schema: &Value) -> Value {
    json!({ "description": what, "content": { media: { "schema": schema } } })
}

fn probes(paths: &mut Paths) {
    let plain = |what: &str| told(what, "text/plain", &json!({ "type": "string" }));
    let alive = operation("alive", "Whether the process runs", Vec::new(), &[(200, plain("It does."))], &[]);
    let ready =
        operation("ready", "Whether writes are taken", Vec::new(), &[(200, plain("They are."))], &[503]);
    let described = told("OpenAPI 3.1", "application/openapi+json", &json!({ "type": "object" }));
    let unchanged = json!({ "$ref": "#/components/responses/Unchanged" });
    let description =
        operation("description", "This", Vec::new(), &[(200, described), (304, unchanged)], &[]);
    for (path, get) in [("/healthz", alive), ("/readyz", ready), ("/openapi.json", description)] {
        paths.insert(path.to_owned(), json!({ "get": get }));
    }
}

fn source() -> Value {
    json!({
        "name": "source", "in": "path", "required": true, "description": "A source that is watched.",
        "schema": { "type": "string", "pattern": r"^[A-Za-z0-9\-\.]{1,64}$" },
    })
}

fn sources(paths: &mut Paths) {
    let heard = operation(
        "heartbeat",
        "A source has told everything up to now",
        vec![source()],
        &[(204, nothing("Noted."))],
        &[404, 503],
    );
    paths.insert("/feed/{source}/heartbeat".to_owned(), json!({ "post": heard }));
    let mut post = operation(
        "notify",
        "A source tells what has changed: a document, a notification of a subscription, or, with no body, that something has",
        vec![source()],
        &[(204, nothing("It is stored."))],
        BRINGS,
    );
    let any = json!({ "type": "object", "required": ["resourceType"] });
    let example = json!({ "resourceType": "Patient", "id": "p1" });
    brings(&mut post, false, &["application/fhir+json"], &any, &example);
    let mut put = post.clone();
    set(&mut put, "", "operationId", json!("notifyByPut"));
    paths.insert("/feed/{source}/notify".to_owned(), json!({ "post": post, "put": put }));
}

fn brings(operation: &mut Value, required: bool, media: &[&str], schema: &Value, example: &Value) {
    let content: Paths = media
        .iter()
        .map(|media| ((*media).to_owned(), json!({ "schema": schema, "example": example })))
        .collect();
    set(operation, "", "requestBody", json!({ "required": required, "content": content }));
}

fn letters(paths: &mut Paths) {
    let text = || json!({ "type": "string" });
    let time = || json!({ "type": "string", "format": "date-time" });
    let mut letter = json!({
        "type": "object",
        "required": ["number", "way", "place", "name", "why", "first", "last", "tries"],
        "properties": {
            "number": { "type": "integer" }, "way": { "enum": ["in", "out"] }, "place": text(), "name": text(),
            "why": text(), "first": time(), "last": time(), "tries": { "type": "integer" },
        },
    });
    let page = json!({
        "type": "object",
        "required": ["letters", "after"],
        "properties": { "letters": { "type": "array", "items": letter }, "after": { "type": ["integer", "null"] } },
    });
    set(&mut letter, "/properties", "body", text());
    let query = |name: &str, schema: Value| json!({ "name": name, "in": "query", "schema": schema });
    let asked = vec![
        query("way", json!({ "enum": ["in", "out"] })),
        query("place", text()),
        query("after", json!({ "type": "integer", "format": "int64", "minimum": 0 })),
    ];
    let number = || {
        vec![json!({
            "name": "number", "in": "path", "required": true, "schema": { "type": "integer", "format": "int64", "minimum": 1 },
        })]
    };
    let list = operation(
        "deadLetters",
        "What could not be taken in, or was not taken elsewhere: the oldest first",
        asked,
        &[(
            200,
            told("A page of them; the next is after the number that it tells.", "application/json", &page),
        )],
        &[400, 503],
    );
    let read = operation(
        "deadLetter",
        "One of them, with what was sent",
        number(),
        &[(200, told("It.", "application/json", &letter))],
        &[400, 404, 503],
    );
    let drop =
        operation("dropDeadLetter", "Drop it", number(), &[(204, nothing("Dropped."))], &[400, 404, 503]);
    let replay = operation(
        "replayDeadLetter",
        "Hand it over again, as it came",
        number(),
        &[(204, nothing("It was taken this time."))],
        &[400, 404, 412, 422, 503],
    );
    paths.insert("/feed/letters".to_owned(), json!({ "get": list }));
    paths.insert("/feed/letters/{number}".to_owned(), json!({ "get": read, "delete": drop }));
    paths.insert("/feed/letters/{number}/replay".to_owned(), json!({ "post": replay }));
}

/// CDS Hooks 2.0, as far as it is offered.
fn hooks(paths: &mut Paths) {
    let text = || json!({ "type": "string" });
    let service = json!({
        "type": "object", "required": ["id", "hook", "description"],
        "properties": { "id": text(), "hook": { "const": "patient-view" }, "title": text(), "description": text() },
    });
    let services = json!({
        "type": "object", "required": ["services"],
        "properties": { "services": { "type": "array", "items": service } },
    });
    let card = json!({
        "type": "object", "required": ["summary", "indicator", "source"],
        "properties": {
            "summary": { "type": "string", "maxLength": 140 }, "indicator": { "enum": ["info", "warning"] },
            "source": { "type": "object", "required": ["label"] },
        },
    });
    let cards = json!({
        "type": "object", "required": ["cards"],
        "properties": { "cards": { "type": "array", "items": card } },
    });
    let discovery = operation(
        "hooks",
        "The hooks that are answered",
        Vec::new(),
        &[(200, told("One.", "application/json", &services))],
        &[],
    );
    let mut called = operation(
        "mouthCare",
        "A card where mouth care of the patient in view is due",
        Vec::new(),
        &[(200, told("None where nothing is.", "application/json", &cards))],
        BRINGS,
    );
    let request = json!({
        "type": "object", "required": ["hook", "hookInstance", "context"],
        "properties": {
            "hook": { "const": "patient-view" }, "hookInstance": { "type": "string", "minLength": 1, "maxLength": 128 },
            "context": {
                "type": "object", "required": ["patientId"],
                "properties": { "patientId": { "type": "string", "pattern": r"^[A-Za-z0-9\-\.]{1,64}$" } },
            },
        },
    });
    let example = json!({
        "hook": "patient-view", "hookInstance": "8c2a8f0e-2f5b-4f0c-9d5e-6b1f3d1d2a11",
        "context": { "userId": "Practitioner/n1", "patientId": "p1" },
    });
    brings(&mut called, true, &["application/json"], &request, &example);
    paths.insert("/cds-services".to_owned(), json!({ "get": discovery }));
    paths.insert("/cds-services/mouth-care".to_owned(), json!({ "post": called }));
}
