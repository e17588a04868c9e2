//! What a search parameter's expression finds in a document: the part of FHIRPath that R4's definitions use.

use serde_json::Value;

/// The ways to what is compared: each from the resource down.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Paths(Vec<Vec<Step>>);

#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Step {
    /// Into an element; whatever the type, if it is a choice.
    Into(&'static str),
    /// Only what is of a type.
    OfType(&'static str),
    /// Only what has an element with a value.
    Where(&'static str, &'static str),
    /// Only references to a type.
    RefersTo(&'static str),
}

/// Something that was found.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Found<'v> {
    /// The type, as the name of a choice element ends with it; empty for an element that is no choice.
    pub(super) of: &'v str,
    /// What it is.
    pub(super) value: &'v Value,
}

/// How the names of choice elements end, for the types that a search parameter compares.
pub(in crate::rest) const CHOICES: &[&str] = &[
    "Age",
    "Boolean",
    "Canonical",
    "CodeableConcept",
    "Coding",
    "Date",
    "DateTime",
    "Duration",
    "Integer",
    "Instant",
    "Period",
    "Quantity",
    "Range",
    "Reference",
    "SampledData",
    "String",
    "Timing",
    "Uri",
];

impl Paths {
    /// Reads an expression: ways that are separated by `|`.
    pub(super) fn new(expression: &'static str) -> Self {
        Paths(expression.split(" | ").map(|way| steps(way.trim())).collect())
    }

    /// Everything that is found in a document.
    pub(super) fn find<'v>(&self, document: &'v Value) -> Vec<Found<'v>> {
        let mut all = Vec::new();
        for way in &self.0 {
            let mut found = vec![Found { of: "", value: document }];
            for step in way {
                found = found.into_iter().flat_map(|f| take(*step, f)).collect();
            }
            all.extend(found);
        }
        all
    }
}

/// Reads `Type.a.b`, `(Type.a as T).b`, `Type.a.as(T)`, `Type.a.where(resolve() is T)` or `Type.a.where(b='c')`.
fn steps(way: &'static str) -> Vec<Step> {
    let mut out = Vec::new();
    let mut rest = way;
    if let Some((inside, after)) = way.strip_prefix('(').and_then(|w| w.split_once(')')) {
        let (path, of) = inside.split_once(" as ").unwrap_or((inside, ""));
        out.extend(path.split('.').skip(1).map(Step::Into));
        out.push(Step::OfType(of));
        rest = after;
    } else if let Some(first) = way.find('.') {
        rest = way.get(first..).unwrap_or_default();
    }
    while let Some(step) = rest.strip_prefix('.') {
        let call = step.find('(').filter(|open| step.get(..*open).is_some_and(|name| !name.contains('.')));
        let Some(open) = call else {
            let end = step.find('.').unwrap_or(step.len());
            let (name, after) = step.split_at(end);
            out.push(Step::Into(name));
            rest = after;
            continue;
        };
        let close = step.rfind(')').unwrap_or(step.len());
        let inside = step.get(open + 1..close).unwrap_or_default();
        out.push(match (inside.strip_prefix("resolve() is "), inside.split_once("='")) {
            (Some(kind), _) => Step::RefersTo(kind),
            (None, Some((name, value))) => Step::Where(name, value.trim_end_matches('\'')),
            (None, None) => Step::OfType(inside),
        });
        rest = step.get(close + 1..).unwrap_or_default();
    }
    out
}

fn take(step: Step, from: Found<'_>) -> Vec<Found<'_>> {
    match step {
        Step::Into(name) => into(name, from.value),
        Step::OfType(of) => keep(from, from.of.eq_ignore_ascii_case(of)),
        Step::Where(name, value) => keep(from, from.value.get(name).is_some_and(|v| v == value)),
        Step::RefersTo(kind) => keep(from, may_refer(from.value, kind)),
    }
}

fn keep(found: Found<'_>, fits: bool) -> Vec<Found<'_>> {
    if fits { vec![found] } else { Vec::new() }
}

fn into<'v>(name: &str, value: &'v Value) -> Vec<Found<'v>> {
    let Some(members) = value.as_object() else { return Vec::new() };
    let (of, found) = match members.get(name) {
        Some(found) => ("", found),
        None => {
            let choice = |key: &'v String| key.strip_prefix(name).filter(|of| CHOICES.contains(of));
            match members.iter().find_map(|(key, found)| Some((choice(key)?, found))) {
                Some(found) => found,
                None => return Vec::new(),
            }
        }
    };
    let items = found.as_array().map_or(std::slice::from_ref(found), Vec::as_slice);
    items.iter().map(|value| Found { of, value }).collect()
}

/// Whether a reference can be to a type: what has no address may say its type.
fn may_refer(reference: &Value, kind: &str) -> bool {
    let text = reference.get("reference").and_then(Value::as_str);
    let named = reference.get("type").and_then(Value::as_str);
    match (text, named) {
        (Some(text), _) if !text.starts_with('#') && !text.starts_with("urn:") => {
            let path = text.split("/_history/").next().unwrap_or_default();
            path.rsplit('/').nth(1) == Some(kind)
        }
        (_, Some(named)) => named == kind,
        (Some(_), None) => false,
        (None, None) => reference.get("identifier").is_some(),
    }
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;

    fn found(expression: &'static str, document: &Value) -> Vec<Value> {
        Paths::new(expression).find(document).into_iter().map(|f| f.value.clone()).collect()
    }

    #[test]
    fn each_form_of_an_expression_finds_what_it_names() {
        let document = json!({
            "onsetDateTime": "2026", "status": "x", "statusReason": { "text": "y" },
            "telecom": [{ "system": "phone", "value": "1" }, { "system": "email", "value": "2" }],
            "component": [{ "code": "a" }, { "code": "b" }, {}],
            "subject": { "reference": "Patient/p/_history/2" },
            "performer": [{ "actor": { "reference": "http://x.example/Patient/q" } },
                          { "actor": { "type": "Device", "display": "z" } },
                          { "actor": { "identifier": { "value": "n" } } }],
        });
        assert_eq!(found("C.onset", &document), [json!("2026")]);
        assert_eq!(found("C.onset.as(dateTime) | C.onset.as(Period)", &document), [json!("2026")]);
        assert_eq!(found("(C.onset as Period)", &document), [json!(null); 0]);
        assert_eq!(found("(C.statusReason as x).text", &document), [json!(null); 0]);
        assert_eq!(found("C.state", &document), [json!(null); 0], "statusReason is no choice");
        assert_eq!(found("C.telecom.where(system='email').value", &document), [json!("2")]);
        assert_eq!(found("C.component.code | C.status", &document), [json!("a"), json!("b"), json!("x")]);
        assert_eq!(found("C.subject.where(resolve() is Patient)", &document).len(), 1);
        assert_eq!(found("C.subject.where(resolve() is Group)", &document).len(), 0);
        assert_eq!(found("C.performer.actor.where(resolve() is Device)", &document).len(), 2);
        assert_eq!(found("C.performer.actor.where(resolve() is Patient)", &document).len(), 2);
    }
}
