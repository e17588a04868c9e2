//! Parts of resources: `_summary` and `_elements`. Bytes are left out, none is rewritten but for the tag that says so.

mod elements;

pub use elements::{ELEMENTS, Elements};

use serde_json::{Value, json};

use super::json::Walk;
use super::refused::Refused;

/// What of a resource is wanted.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum View {
    /// All of it.
    Whole,
    /// What R4 marks as the summary.
    Summary,
    /// The narrative, and what is mandatory.
    Text,
    /// All but the narrative.
    Data,
    /// These elements, and what is mandatory: each with the type that it is meant for, if one is said.
    Elements(Vec<(Option<String>, String)>),
}

impl View {
    /// Takes up `_summary` (but for `count`) or `_elements`.
    ///
    /// # Errors
    /// A value that it does not take; both.
    pub(super) fn read(before: View, name: &str, value: &str) -> Result<View, Refused> {
        let read = match (name, value) {
            ("_summary", "true") => View::Summary,
            ("_summary", "text") => View::Text,
            ("_summary", "data") => View::Data,
            ("_summary", "false") => View::Whole,
            ("_summary", _) => return Err(Refused::value(name, "expected true, text, data, count or false")),
            _ => {
                let named = |n: &str| n.bytes().all(|b| b.is_ascii_alphabetic()) && !n.is_empty();
                let element = |text: &str| {
                    let (kind, element) = text.split_once('.').map_or((None, text), |(k, e)| (Some(k), e));
                    (named(element) && kind.is_none_or(named))
                        .then(|| (kind.map(str::to_owned), element.to_owned()))
                };
                let elements: Option<Vec<_>> = value.split(',').map(element).collect();
                View::Elements(elements.ok_or_else(|| {
                    Refused::value(name, "expected names of elements, such as status,code or Task.status")
                })?)
            }
        };
        match (&before, &read) {
            (View::Whole, _) => Ok(read),
            (_, View::Whole) => Ok(before),
            _ => {
                let why = "expected one of _summary and _elements".to_owned();
                Err(Refused::Contradiction { at: name.to_owned(), why })
            }
        }
    }

    /// A resource as it is wanted.
    pub(super) fn of(&self, kind: &str, resource: Vec<u8>) -> Result<Vec<u8>, Refused> {
        if *self == View::Whole {
            return Ok(resource);
        }
        let known = ELEMENTS.iter().find(|e| e.kind == kind);
        let (mandatory, summary) = known.map_or((&[][..], &[][..]), |e| (e.mandatory, e.summary));
        let wanted: Vec<&str> = match self {
            View::Whole | View::Data => Vec::new(),
            View::Summary => mandatory.iter().chain(summary).copied().collect(),
            View::Text => mandatory.iter().copied().chain(["text"]).collect(),
            View::Elements(named) => {
                let meant = named.iter().filter(|(of, _)| of.as_deref().is_none_or(|of| of == kind));
                mandatory.iter().copied().chain(meant.map(|(_, name)| name.as_str())).collect()
            }
        };
        let keep = |name: &str| {
            if *self == View::Data {
                Keep::of(name != "text")
            } else if matches!(name, "resourceType" | "id" | "meta" | "implicitRules") {
                Keep::All
            } else {
                below(&wanted, name)
            }
        };
        cut(&resource, keep).ok_or(Refused::Failed)
    }
}

/// What to keep of a member.
enum Keep<'n> {
    Nothing,
    All,
    /// These members of it.
    Some(Vec<&'n str>),
}

impl Keep<'_> {
    fn of(keep: bool) -> Self {
        if keep { Keep::All } else { Keep::Nothing }
    }
}

/// What `wanted` says of the member `name`, which may be a choice or what goes along with a primitive.
fn below<'n>(wanted: &[&'n str], name: &str) -> Keep<'n> {
    let name = name.strip_prefix('_').unwrap_or(name);
    let mut inside = Vec::new();
    for way in wanted {
        let (first, rest) = way.split_once('.').map_or((*way, None), |(f, r)| (f, Some(r)));
        let of = name.strip_prefix(first);
        if !of.is_some_and(|of| {
            of.is_empty() || of.starts_with(|c: char| c.is_ascii_uppercase()) && is_type(of)
        }) {
            continue;
        }
        match rest {
            None => return Keep::All,
            Some(rest) => inside.push(rest),
        }
    }
    if inside.is_empty() { Keep::Nothing } else { Keep::Some(inside) }
}

/// Whether the name of a choice can end so.
fn is_type(of: &str) -> bool {
    super::search::CHOICES.contains(&of)
}

/// The resource with those members that are kept, and the tag that says that there are others.
fn cut<'n>(resource: &[u8], keep: impl Fn(&str) -> Keep<'n>) -> Option<Vec<u8>> {
    let mut out = vec![b'{'];
    let mut walk = Walk::new(resource);
    walk.object()?;
    while let Some(name) = walk.member()? {
        let value = walk.value()?;
        let meant = name.meaning()?;
        let kept = keep(&meant);
        if matches!(kept, Keep::Nothing) {
            continue;
        }
        if out.len() > 1 {
            out.push(b',');
        }
        out.extend_from_slice(resource.get(name.whole.clone())?);
        out.push(b':');
        let bytes = resource.get(value)?;
        match kept {
            Keep::All if meant == "meta" => out.extend_from_slice(&tagged(bytes)?),
            Keep::All | Keep::Nothing => out.extend_from_slice(bytes),
            Keep::Some(inside) => push_some(&mut out, bytes, &inside)?,
        }
    }
    out.push(b'}');
    Some(out)
}

/// Those members of an object, or of each object in an array, that are kept.
fn push_some(out: &mut Vec<u8>, value: &[u8], inside: &[&str]) -> Option<()> {
    let mut walk = Walk::new(value);
    if walk.take(b'[').is_some() {
        out.push(b'[');
        let mut first = true;
        while walk.element()? {
            if !std::mem::take(&mut first) {
                out.push(b',');
            }
            let item = walk.value()?;
            push_some(out, value.get(item)?, inside)?;
        }
        out.push(b']');
        return Some(());
    }
    if walk.object().is_none() {
        out.extend_from_slice(value);
        return Some(());
    }
    out.push(b'{');
    let start = out.len();
    while let Some(name) = walk.member()? {
        let member = walk.value()?;
        let kept = below(inside, &name.meaning()?);
        if matches!(kept, Keep::Nothing) {
            continue;
        }
        if out.len() > start {
            out.push(b',');
        }
        out.extend_from_slice(value.get(name.whole.clone())?);
        out.push(b':');
        let bytes = value.get(member)?;
        match kept {
            Keep::Some(deeper) => push_some(out, bytes, &deeper)?,
            Keep::All | Keep::Nothing => out.extend_from_slice(bytes),
        }
    }
    out.push(b'}');
    Some(())
}

/// `meta` with the tag of a resource that is not all there.
fn tagged(meta: &[u8]) -> Option<Vec<u8>> {
    let mut meta: Value = serde_json::from_slice(meta).ok()?;
    let tag = json!({
        "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
        "code": "SUBSETTED",
    });
    let tags = meta.as_object_mut()?.entry("tag").or_insert_with(|| json!([]));
    tags.as_array_mut()?.push(tag);
    serde_json::to_vec(&meta).ok()
}
