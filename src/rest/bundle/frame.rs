//! Cutting a Bundle: its frame, and the places of its resources.

use std::ops::Range;

use fhir_models::bundle::BundleRef;
use fhir_models::codes::BundleType;
use fhir_models::json::scan;
use fhir_models::{IssueKind, ParseError};

use super::super::json::Walk;
use super::super::limits;
use super::super::refused::Refused;
use super::{Entry, Request};

/// A Bundle without its resources.
#[derive(Debug)]
pub(super) struct Frame {
    /// What it is for.
    pub(super) sort: BundleType,
    /// Its entries.
    pub(super) entries: Vec<Entry>,
}

/// Reads a Bundle but for its resources.
///
/// Guarantees: if each resource passes a strict scan, so would the whole body, apart from its depth: where a resource
/// was cut out, the frame that is scanned has a number in its place.
///
/// # Errors
/// It is no Bundle, or not in the shape that R4 gives it; it has more entries than are taken.
pub(super) fn read(body: &[u8]) -> Result<Frame, Refused> {
    let Some(places) = places(body)? else {
        // not even cut: the strict reader says why
        scan(body)?;
        return Err(structure("Bundle", "expected a Bundle whose names are written without escapes"));
    };
    let frame = without_resources(body, &places)?;
    let scanned = scan(&frame)?;
    if scanned.has_modifier_extension {
        let why =
            "a modifierExtension may change the meaning of what it stands in, and none is understood here";
        return Err(ParseError::new(IssueKind::Extension, "Bundle", why).into());
    }
    if scanned.has_implicit_rules {
        let why = "rules that a document is to be read by are not understood here; send it without them";
        return Err(ParseError::new(IssueKind::NotSupported, "Bundle.implicitRules", why).into());
    }
    let bundle = BundleRef::parse_scanned(&frame)?;
    if bundle.entry.len() != places.len() {
        return Err(structure("Bundle.entry", "expected one array of entries"));
    }
    let entries = bundle.entry.into_iter().zip(places).enumerate().map(|(index, (entry, resource))| {
        if entry.resource.is_some() != resource.is_some() {
            return Err(structure("Bundle.entry", "expected names that are written without escapes"));
        }
        let request = entry.request.map(|r| Request {
            method: r.method,
            url: r.url,
            if_match: r.if_match,
            if_none_match: r.if_none_match,
            if_modified_since_us: r.if_modified_since.map(|at| at.us()),
            if_none_exist: r.if_none_exist,
        });
        Ok(Entry { index, full_url: entry.full_url.map(std::borrow::Cow::into_owned), resource, request })
    });
    Ok(Frame { sort: bundle.r#type, entries: entries.collect::<Result<_, _>>()? })
}

fn structure(at: &str, why: &str) -> Refused {
    ParseError::new(IssueKind::Structure, at, why).into()
}

/// The place of each entry's resource; none if the body is not in the shape of a Bundle.
fn places(body: &[u8]) -> Result<Option<Vec<Option<Range<usize>>>>, Refused> {
    let mut walk = Walk::new(body);
    let mut places = Vec::new();
    let mut whole = || -> Option<Result<(), Refused>> {
        walk.object()?;
        while let Some(name) = walk.member()? {
            if !name.is("entry") {
                walk.value()?;
                continue;
            }
            walk.take(b'[')?;
            while walk.element()? {
                if places.len() >= limits::BUNDLE_ENTRIES {
                    return Some(Err(Refused::TooManyEntries));
                }
                places.push(resource(&mut walk)?);
            }
        }
        Some(Ok(()))
    };
    match whole() {
        None => Ok(None),
        Some(Ok(())) => Ok(Some(places)),
        Some(Err(refused)) => Err(refused),
    }
}

fn resource(walk: &mut Walk<'_>) -> Option<Option<Range<usize>>> {
    let mut found = None;
    walk.object()?;
    while let Some(name) = walk.member()? {
        let object = walk.peek()? == b'{';
        let value = walk.value()?;
        // one that is written twice stays in the frame, where it is found out
        if name.is("resource") && object && found.is_none() {
            found = Some(value);
        }
    }
    Some(found)
}

/// The body with a number in place of each resource.
fn without_resources(body: &[u8], places: &[Option<Range<usize>>]) -> Result<Vec<u8>, Refused> {
    let cut: usize = places.iter().flatten().map(Range::len).sum();
    if body.len() - cut.min(body.len()) > limits::BUNDLE_FRAME_BYTES {
        return Err(Refused::too_costly("Bundle", "most of the Bundle is not resources"));
    }
    let mut frame = Vec::with_capacity(body.len() - cut.min(body.len()) + places.len());
    let mut copied = 0;
    for place in places.iter().flatten() {
        frame.extend_from_slice(body.get(copied..place.start).unwrap_or_default());
        frame.push(b'0');
        copied = place.end;
    }
    frame.extend_from_slice(body.get(copied..).unwrap_or_default());
    Ok(frame)
}
