//! Changing parts of a document: JSON Patch (RFC 6902).
//!
//! A patch is applied to the resource as it is read, and what comes of it is treated as an update of the version that
//! was read. Numbers keep their text, as everywhere: while a patch is applied, each is a text of its own kind.

use std::borrow::Cow;

use json_patch::jsonptr::PointerBuf;
use json_patch::{
    AddOperation, CopyOperation, MoveOperation, Patch, PatchErrorKind, PatchOperation, RemoveOperation,
    ReplaceOperation, TestOperation,
};
use serde::Deserialize;
use serde_json::Value;
use serde_json::value::RawValue;

use super::ask::{self, Ask};
use super::body::Held;
use super::refused::Refused;
use super::types::{Kind, Origin};
use super::write::{self, Draft};
use super::{Outcome, Rest, json, limits, read};
use crate::store::{Batch, Change, Document, Precondition, StoreError, Write, Written};
use fhir_models::{IssueKind, ParseError};

/// What a person may change on a Task.
const THEIRS: &[&str] = &["status", "statusReason", "owner", "note", "extension"];

/// `PATCH /fhir/Type/id`.
pub(super) async fn patch(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, id: &str, held: Held) -> Outcome {
    let (if_match, patch) = (ask.if_match()?, read_patch(kind, &held.bytes)?);
    let (written, body) = apply(rest, ask, kind, id, &patch, if_match).await?;
    write::answer(rest, ask, kind, &written, Some(&body), &[]).await
}

/// `PATCH /fhir/Type?identifier=system|value`.
pub(super) async fn conditional(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, held: Held) -> Outcome {
    let token = ask::criteria(ask.query, "identifier")?;
    let id = write::matching(rest, kind, &token).await?.ok_or(Refused::NotFound)?;
    patch(rest, ask, kind, &id, held).await
}

/// Reads a patch of a document of a type.
///
/// # Errors
/// It is no JSON Patch, has too many operations, or changes what is not the client's to change.
pub(super) fn read_patch(kind: &Kind, bytes: &[u8]) -> Result<Patch, Refused> {
    let structure = |at: String, why: &str| Refused::Document(ParseError::new(IssueKind::Structure, at, why));
    let why = "expected a JSON Patch: an array of operations";
    let said: Vec<Said<'_>> =
        serde_json::from_slice(bytes).map_err(|_| structure("patch".to_owned(), why))?;
    if said.len() > limits::PATCH_OPERATIONS {
        return Err(Refused::too_costly("patch", format!("at most {} operations", limits::PATCH_OPERATIONS)));
    }
    let mut operations = Vec::with_capacity(said.len());
    for (index, said) in said.into_iter().enumerate() {
        let at = format!("patch[{index}]");
        let operation = said.operation();
        let why = "expected op, path and what the operation needs: a value that is not null, or from";
        operations.push(operation.ok_or_else(|| structure(at.clone(), why))?);
    }
    if kind.origin == Origin::Shared {
        for operation in &operations {
            check_theirs(kind, operation)?;
        }
    }
    Ok(Patch(operations))
}

/// Refuses to change what this service says.
fn check_theirs(kind: &Kind, operation: &PatchOperation) -> Result<(), Refused> {
    let from = match operation {
        PatchOperation::Test(_) => return Ok(()),
        PatchOperation::Move(said) => Some(&said.from),
        PatchOperation::Add(_)
        | PatchOperation::Remove(_)
        | PatchOperation::Replace(_)
        | PatchOperation::Copy(_) => None,
    };
    for path in [Some(operation.path()), from.map(|f| f.as_ptr())].into_iter().flatten() {
        let first = path.first().map(|t| t.decoded().into_owned()).unwrap_or_default();
        if !THEIRS.contains(&first.as_str()) {
            let why = format!("a client may change {} of it", THEIRS.join(", "));
            let at = format!("{}.{first}", kind.name);
            return Err(ParseError::new(IssueKind::BusinessRule, at, why).into());
        }
    }
    Ok(())
}

/// One operation as it is sent.
#[derive(Deserialize)]
struct Said<'a> {
    op: Cow<'a, str>,
    path: Cow<'a, str>,
    from: Option<Cow<'a, str>>,
    #[serde(borrow)]
    value: Option<&'a RawValue>,
}

impl Said<'_> {
    fn operation(self) -> Option<PatchOperation> {
        let path = PointerBuf::parse(self.path.into_owned()).ok()?;
        let from = || PointerBuf::parse(self.from.clone()?.into_owned()).ok();
        let value = || marked(self.value?.get().as_bytes());
        Some(match self.op.as_ref() {
            "add" => PatchOperation::Add(AddOperation { path, value: value()? }),
            "remove" => PatchOperation::Remove(RemoveOperation { path }),
            "replace" => PatchOperation::Replace(ReplaceOperation { path, value: value()? }),
            "move" => PatchOperation::Move(MoveOperation { from: from()?, path }),
            "copy" => PatchOperation::Copy(CopyOperation { from: from()?, path }),
            "test" => PatchOperation::Test(TestOperation { path, value: value()? }),
            _ => return None,
        })
    }
}

/// Applies a patch to the current version, again if it was overtaken by another write that the client did not know of.
/// Returns what was written, and its bytes.
///
/// # Errors
/// There is no such document; it is not at the version given; the patch does not apply, or what comes of it is refused.
pub(super) async fn apply(
    rest: &Rest,
    ask: &Ask<'_>,
    kind: &'static Kind,
    id: &str,
    patch: &Patch,
    if_match: Option<u64>,
) -> Result<(Written, Vec<u8>), Refused> {
    for _ in 0..limits::RETRIES {
        let current = current(rest, kind, id, if_match).await?;
        let Some(body) = patched(&current, patch)? else {
            rest.shows(ask.act, "update", [&current]).await?;
            return Ok((unchanged(kind, &current), current.body.unwrap_or_default()));
        };
        let write = replacement(rest, ask, kind, id, body, current.version).await?;
        let body = write.body.clone().unwrap_or_default();
        match rest
            .commit(ask.act, Batch { now_us: ask.now_us, writes: vec![write], ..Batch::default() })
            .await
        {
            Ok(committed) => return Ok((write::first(committed)?, body)),
            // somebody has written meanwhile: the patch is applied to that
            Err(StoreError::VersionConflict { .. }) if if_match.is_none() => {}
            Err(error) => return Err(error.into()),
        }
    }
    Err(Refused::Overtaken)
}

/// The write that a patch comes to; none if it changes nothing.
///
/// # Errors
/// As those of [`apply`].
pub(super) async fn write(
    rest: &Rest,
    ask: &Ask<'_>,
    kind: &'static Kind,
    id: &str,
    patch: &Patch,
    if_match: Option<u64>,
) -> Result<Option<Write>, Refused> {
    let current = current(rest, kind, id, if_match).await?;
    match patched(&current, patch)? {
        Some(body) => replacement(rest, ask, kind, id, body, current.version).await.map(Some),
        None => Ok(None),
    }
}

/// The current version.
///
/// # Errors
/// There is none; it is not the one that the client read.
async fn current(
    rest: &Rest,
    kind: &'static Kind,
    id: &str,
    if_match: Option<u64>,
) -> Result<Document, Refused> {
    write::check_id(id)?;
    let current = rest.store.document(kind.name, id).await?.ok_or(Refused::NotFound)?;
    if current.body.is_none() {
        return Err(Refused::Gone);
    }
    if if_match.is_some_and(|wanted| wanted != current.version) {
        return Err(Refused::Overtaken);
    }
    Ok(current)
}

/// The write that replaces a version by what a patch has made of it.
///
/// # Errors
/// What comes of the patch is refused.
async fn replacement(
    rest: &Rest,
    ask: &Ask<'_>,
    kind: &'static Kind,
    id: &str,
    body: Vec<u8>,
    version: u64,
) -> Result<Write, Refused> {
    if kind.origin == Origin::Shared {
        return write::amendment(rest, kind, id, &body, Some(version), ask.now_us)
            .await
            .map(|(write, _)| write);
    }
    let draft = Draft::new(kind, body, &rest.own_bases)?;
    draft.check_id(id)?;
    write::check_content(rest, ask.who, kind, Some(id), &draft.body)?;
    Ok(draft.into_write(Some(id.to_owned()), Precondition::Version(version)))
}

/// What is said where nothing was written.
fn unchanged(kind: &'static Kind, current: &Document) -> Written {
    Written {
        kind: kind.name.into(),
        id: current.id.clone(),
        version: current.version,
        seq: current.seq,
        updated_us: current.received_us,
        change: Change::Unchanged,
    }
}

/// What a patch makes of a document; none if that is the same.
///
/// # Errors
/// It does not apply.
fn patched(current: &Document, patch: &Patch) -> Result<Option<Vec<u8>>, Refused> {
    let resource = read::resource(current)?.ok_or(Refused::Gone)?;
    let before = marked(&resource).ok_or(Refused::Failed)?;
    let mut after = before.clone();
    json_patch::patch(&mut after, &patch.0).map_err(|error| {
        let why = match error.kind {
            PatchErrorKind::TestFailed => "the value is not what the patch expects",
            PatchErrorKind::InvalidFromPointer | PatchErrorKind::InvalidPointer => {
                "the resource has nothing at this path"
            }
            // more may be added by a later release of the library
            PatchErrorKind::CannotMoveInsideItself | _ => "the operation cannot be applied",
        };
        Refused::Inapplicable { at: format!("patch[{}]", error.operation), why: why.to_owned() }
    })?;
    if after == before {
        return Ok(None);
    }
    if !after.is_object() {
        let why = "what comes of it is no resource".to_owned();
        return Err(Refused::Inapplicable { at: "patch".to_owned(), why });
    }
    let mut out = Vec::with_capacity(resource.len());
    push_unmarked(&mut out, &after).ok_or(Refused::Failed)?;
    Ok(Some(out))
}

/// JSON in which each number is a text that begins with `n`, and each text one that begins with `s`.
fn marked(text: &[u8]) -> Option<Value> {
    let marked = json::with_values(text, |value, out| {
        match value.first() {
            Some(b'"') => {
                out.extend_from_slice(b"\"s");
                out.extend_from_slice(value.get(1..).unwrap_or_default());
            }
            Some(b'-' | b'0'..=b'9') => {
                out.extend_from_slice(b"\"n");
                out.extend_from_slice(value);
                out.push(b'"');
            }
            _ => out.extend_from_slice(value),
        };
    })?;
    serde_json::from_slice(&marked).ok()
}

/// The other way round.
fn push_unmarked(out: &mut Vec<u8>, value: &Value) -> Option<()> {
    match value {
        Value::Null => out.extend_from_slice(b"null"),
        Value::Bool(truth) => out.extend_from_slice(truth.to_string().as_bytes()),
        // each was marked
        Value::Number(_) => return None,
        Value::String(text) => match text.strip_prefix('n') {
            Some(number) => out.extend_from_slice(number.as_bytes()),
            None => serde_json::to_writer(&mut *out, text.strip_prefix('s')?).ok()?,
        },
        Value::Array(items) => {
            out.push(b'[');
            for (index, item) in items.iter().enumerate() {
                if index > 0 {
                    out.push(b',');
                }
                push_unmarked(out, item)?;
            }
            out.push(b']');
        }
        Value::Object(members) => {
            out.push(b'{');
            for (index, (name, member)) in members.iter().enumerate() {
                if index > 0 {
                    out.push(b',');
                }
                serde_json::to_writer(&mut *out, name).ok()?;
                out.push(b':');
                push_unmarked(out, member)?;
            }
            out.push(b'}');
        }
    }
    Some(())
}
