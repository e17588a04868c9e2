//! What this service says and what people have made of it at another server, brought together.
//!
//! Three documents: the one that both began from, ours and theirs. What only one side has changed is as that side has it.
//! Where both have changed an element, it is ours, but for what a person may set on a Task: a status that ends the Task
//! stays, whoever set it; a status that does not yields to one of ours that does, for care that was charted completes a
//! Task whoever holds it; notes are those of both.

use std::collections::BTreeSet;

use serde_json::{Map, Value};

use super::SIGNATURE;

/// What a person may set on a Task, as far as that comes back here.
const BY_PERSONS: [&str; 4] = ["status", "statusReason", "owner", "note"];

/// What is each server's own.
const ITS_OWN: [&str; 2] = ["id", "meta"];

/// Statuses with which a Task is over.
const OVER: [&str; 5] = ["completed", "cancelled", "rejected", "failed", "entered-in-error"];

/// The Task that is to be there now. `base`: what both began from; empty where that is not known.
pub fn merged(base: &Value, ours: &Value, theirs: &Value) -> Value {
    let (Some(ours), Some(theirs)) = (ours.as_object(), theirs.as_object()) else { return ours.clone() };
    let nothing = Map::new();
    let base = base.as_object().unwrap_or(&nothing);
    let mut out = Map::new();
    let names: BTreeSet<&String> = ours.keys().chain(theirs.keys()).collect();
    let held = holds(base, ours, theirs);
    for name in names {
        let (was, mine, there) = (base.get(name), ours.get(name), theirs.get(name));
        let chosen = match name.as_str() {
            own if ITS_OWN.contains(&own) => mine.cloned(),
            "status" | "statusReason" => if held { there } else { mine }.cloned(),
            "note" => notes(was, mine, there),
            "extension" => extensions(mine, there, held),
            _ if there != was && mine == was => there.cloned(),
            _ => mine.cloned(),
        };
        if let Some(value) = chosen {
            out.insert(name.clone(), value);
        }
    }
    Value::Object(out)
}

/// Whether the status of a Task is to be as it is there.
fn holds(base: &Map<String, Value>, ours: &Map<String, Value>, theirs: &Map<String, Value>) -> bool {
    let both = |document: &Map<String, Value>| {
        (document.get("status").cloned(), document.get("statusReason").cloned())
    };
    let (was, mine, there) = (both(base), both(ours), both(theirs));
    let over = |of: &(Option<Value>, Option<Value>)| {
        of.0.as_ref().and_then(Value::as_str).is_some_and(|status| OVER.contains(&status))
    };
    there != was && there != mine && (over(&there) || !over(&mine))
}

/// The notes of persons on either side, less those that were taken away on one; then ours as they stand.
fn notes(was: Option<&Value>, mine: Option<&Value>, there: Option<&Value>) -> Option<Value> {
    let all = |of: Option<&Value>| of.and_then(Value::as_array).cloned().unwrap_or_default();
    let is_own = |note: &Value| note.get("authorString").and_then(Value::as_str) == Some(SIGNATURE);
    let (was, mine, there) = (all(was), all(mine), all(there));
    let mut out: Vec<Value> = Vec::new();
    for note in there.iter().chain(&mine).filter(|note| !is_own(note)) {
        let gone = was.contains(note) && !(there.contains(note) && mine.contains(note));
        if !gone && !out.contains(note) {
            out.push(note.clone());
        }
    }
    out.extend(mine.into_iter().filter(is_own));
    (!out.is_empty()).then_some(Value::Array(out))
}

/// Ours as we have them, and what others have added there. That a status was set by hand is said with the status.
fn extensions(mine: Option<&Value>, there: Option<&Value>, held: bool) -> Option<Value> {
    let all = |of: Option<&Value>| of.and_then(Value::as_array).cloned().unwrap_or_default();
    let url = |extension: &Value| extension.get("url").and_then(Value::as_str).unwrap_or_default().to_owned();
    let ours = |extension: &Value| url(extension).starts_with(super::BASE);
    let by_hand = |extension: &Value| url(extension).ends_with(super::by_hand::SET_BY_HAND);
    let (mine, there) = (all(mine), all(there));
    let mut out: Vec<Value> = mine.iter().filter(|e| !(held && by_hand(e))).cloned().collect();
    for extension in there {
        let wanted = if ours(&extension) { held && by_hand(&extension) } else { !out.contains(&extension) };
        if wanted {
            out.push(extension);
        }
    }
    (!out.is_empty()).then_some(Value::Array(out))
}

/// Which of the two `theirs` was made from: the one that shares more with it, first of what no person sets. Where they
/// share the same, the second.
pub fn nearest<'v>(first: &'v Value, second: &'v Value, theirs: &Value) -> &'v Value {
    let shared = |of: &Value| {
        let names =
            of.as_object().into_iter().flatten().filter(|(name, _)| !ITS_OWN.contains(&name.as_str()));
        let (mut plain, mut set) = (0, 0);
        for (name, value) in names {
            if theirs.get(name) == Some(value) {
                *(if BY_PERSONS.contains(&name.as_str()) { &mut set } else { &mut plain }) += 1;
            }
        }
        (plain, set)
    };
    if shared(first) > shared(second) { first } else { second }
}

/// Whether a Task is over and no person has made it so: then nothing can be set on it any more.
pub fn closed_by_service(task: &Value) -> bool {
    let over = task.get("status").and_then(Value::as_str).is_some_and(|status| OVER.contains(&status));
    let mut extensions = task.get("extension").and_then(Value::as_array).into_iter().flatten();
    let by_hand = |e: &Value| {
        e.get("url").and_then(Value::as_str).is_some_and(|url| url.ends_with(super::by_hand::SET_BY_HAND))
    };
    over && !extensions.any(by_hand)
}

/// The Task `ours` with what persons have changed of it there since `base`; none if they have changed nothing that
/// comes back.
pub fn taken_back(base: &Value, ours: &Value, theirs: &Value) -> Option<Value> {
    if ours.get("resourceType").and_then(Value::as_str) != Some("Task") {
        return None;
    }
    let mut out = ours.clone();
    let members = out.as_object_mut()?;
    let mut any = false;
    for name in BY_PERSONS {
        let (was, mine, there) = (base.get(name), ours.get(name), theirs.get(name));
        if there == was || there == mine {
            continue;
        }
        let value = if name == "note" { notes(was, mine, there) } else { there.cloned() };
        if value.as_ref() == mine {
            continue;
        }
        any = true;
        match value {
            Some(value) => members.insert(name.to_owned(), value),
            None => members.remove(name),
        };
    }
    any.then_some(out)
}

/// A document that is written with another id for what it refers to: each reference of `kind/id` that `renamed` knows.
pub fn with_references(document: &mut Value, renamed: &mut dyn FnMut(&str) -> Option<String>) {
    match document {
        Value::Object(members) => {
            for (name, value) in members {
                if let (Value::String(text), "reference") = (&mut *value, name.as_str()) {
                    if let Some(other) = renamed(text) {
                        *text = other;
                    }
                } else {
                    with_references(value, renamed);
                }
            }
        }
        Value::Array(items) => {
            for item in items {
                with_references(item, renamed);
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}
