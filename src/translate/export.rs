//! One document of an export: whose it is, which version, and what it says.
//!
//! An export has no store behind it: a document brings its own id and version, and what it was told by is its own
//! `meta.lastUpdated`.

use std::collections::HashSet;
use std::hash::BuildHasherDefault;
use std::sync::LazyLock;

use fhir_models::{IssueKind, ParseError, Procedure, parse_scanned};
use memchr::{memchr, memmem};
use serde::Deserialize;
use xxhash_rust::xxh3::Xxh3;

use super::codes::Codes;
use super::document::{self, Bases, Links, Stored};
use super::extract::charted::{Charted, Pointer, Text, Told};
use super::extract::{Extract, extract, extract_charted};
use crate::care::time::Instant;

/// The types that an export is read for. What Procedures, Observations and Conditions say rests on their codes. Of
/// Tasks only those matter that Terce wrote and a person rejected.
pub const KINDS: [&str; 9] = [
    "Procedure",
    "Observation",
    "Condition",
    "Patient",
    "Encounter",
    "Location",
    "Device",
    "DeviceUseStatement",
    "Task",
];

/// Which document, and when it was told.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Head {
    /// Logical id.
    pub id: String,
    /// `meta.versionId` where it is a number, else 1.
    pub version: u64,
    /// `meta.lastUpdated`.
    pub told: Option<Instant>,
    /// Whose it is.
    pub links: Links,
}

/// A document and what it says.
#[derive(Clone, PartialEq, Debug)]
pub struct Charting {
    /// Which document.
    pub head: Head,
    /// What it says.
    pub extract: Extract,
}

#[derive(Deserialize)]
struct Outer<'a> {
    #[serde(borrow)]
    id: Option<Text<'a>>,
    #[serde(borrow)]
    meta: Option<Told<'a>>,
    #[serde(borrow)]
    subject: Option<Pointer<'a>>,
    #[serde(borrow)]
    encounter: Option<Pointer<'a>>,
}

/// Which document of the type `kind` this is. Its links are those of Procedures and Observations.
///
/// # Errors
/// It is no JSON object of that shape, or has no id that can be one.
pub fn head(kind: &str, body: &[u8], bases: &Bases) -> Result<Head, ParseError> {
    let outer: Outer<'_> = serde_json::from_slice(body)
        .map_err(|e| ParseError::new(IssueKind::Structure, kind, e.to_string()))?;
    named(
        kind,
        outer.id.as_ref(),
        outer.meta.as_ref(),
        outer.subject.as_ref(),
        outer.encounter.as_ref(),
        bases,
    )
}

fn named(
    kind: &str,
    id: Option<&Text<'_>>,
    meta: Option<&Told<'_>>,
    subject: Option<&Pointer<'_>>,
    encounter: Option<&Pointer<'_>>,
    bases: &Bases,
) -> Result<Head, ParseError> {
    let Some(id) = id.filter(|id| fhir_models::primitive::is_id(&id.0)) else {
        let why = "a document of an export has an id of letters, digits, - and .";
        return Err(ParseError::new(IssueKind::Required, format!("{kind}.id"), why));
    };
    let link = |pointer: Option<&Pointer<'_>>, kind: &str| {
        let text = pointer.and_then(|p| p.reference.as_ref())?;
        bases.id_in(&text.0, kind).map(str::to_owned)
    };
    Ok(Head {
        id: id.0.clone().into_owned(),
        version: meta.map_or(1, Told::number),
        told: meta.and_then(Told::at),
        links: Links { patient: link(subject, "Patient"), encounter: link(encounter, "Encounter") },
    })
}

/// A document of the types that are read by what they say: a Procedure or an Observation.
///
/// `received` stands for when it was received: what it says of later cannot be.
///
/// # Errors
/// What the door refuses for reasons of shape, of a `modifierExtension` or of `implicitRules`. What R4 asks of elements
/// that nothing here depends on is not looked at: [`document::read`] does.
pub fn charting(
    kind: &str,
    body: &[u8],
    codes: &Codes,
    bases: &Bases,
    received: Instant,
) -> Result<Charting, ParseError> {
    if may_change_meaning(body) {
        document::read(kind, body, bases)?;
    }
    let procedure = if kind == "Procedure" { Some(procedure(body)?) } else { None };
    let head = match &procedure {
        Some(p) => {
            named(kind, p.id.as_ref(), p.meta.as_ref(), Some(&p.subject), p.encounter.as_ref(), bases)?
        }
        None => head(kind, body, bases)?,
    };
    let stored = head.stored(kind, body, received);
    let extract = match &procedure {
        Some(procedure) => extract_charted(procedure, &stored, codes, bases),
        None => extract(&stored, codes, bases),
    };
    Ok(Charting { head, extract })
}

impl Head {
    /// The document as it is read elsewhere.
    pub fn stored<'a>(&'a self, kind: &'a str, body: &'a [u8], received: Instant) -> Stored<'a> {
        let told = self.told.map_or(received, |t| t.min(received));
        Stored {
            kind,
            id: &self.id,
            version: self.version,
            first_us: told.micros(),
            received_us: received.micros(),
            deleted: false,
            body,
        }
    }
}

fn procedure(body: &[u8]) -> Result<Charted<'_>, ParseError> {
    // what the quick parser does not take, the other one judges
    if let Ok(charted) = sonic_rs::from_slice(body) {
        return Ok(charted);
    }
    serde_json::from_slice(body).map_err(|error| match parse_scanned::<Procedure>(body) {
        // the full reader names the element
        Err(named) => named,
        Ok(_) => ParseError::new(IssueKind::Structure, "Procedure", error.to_string()),
    })
}

/// Names can be written with escapes: where there is one, the strict reader decides.
fn may_change_meaning(body: &[u8]) -> bool {
    static NAMES: LazyLock<[memmem::Finder<'static>; 2]> =
        LazyLock::new(|| [memmem::Finder::new("modifierExtension"), memmem::Finder::new("implicitRules")]);
    let escaped = memchr(b'\\', body).is_some() && memmem::find(body, b"\\u").is_some();
    escaped || NAMES.iter().any(|name| name.find(body).is_some())
}

/// The texts of all codes that mean something: what a document can be told apart by without reading it.
#[derive(Debug)]
pub struct KnownTexts {
    texts: HashSet<Box<[u8]>, BuildHasherDefault<Xxh3>>,
    /// Bit n: some text has n bytes (63: or more).
    lengths: u64,
    code: memmem::Finder<'static>,
    version: memmem::Finder<'static>,
}

impl KnownTexts {
    /// Those of `codes`.
    pub fn new(codes: &Codes) -> Self {
        let texts: HashSet<Box<[u8]>, _> = codes.texts().map(|t| t.as_bytes().into()).collect();
        let lengths = texts.iter().fold(0, |bits, text| bits | 1 << text.len().min(63));
        let (code, version) = (memmem::Finder::new(b"\"code\""), memmem::Finder::new(b"\"versionId\""));
        KnownTexts { texts, lengths, code, version }
    }

    /// False if a document has no code that means something, and says that it is the first version: then it says
    /// nothing, and takes nothing back. Through a device it may still tell of care.
    pub fn may_matter(&self, body: &[u8]) -> bool {
        memchr(b'\\', body).is_some() || self.names_one(body) || !self.is_first(body)
    }

    fn names_one(&self, body: &[u8]) -> bool {
        let after = |at: usize| body.get(at + 6..).unwrap_or_default();
        self.code.find_iter(body).any(|at| text_after(after(at)).is_some_and(|text| self.has(text)))
    }

    fn has(&self, text: &[u8]) -> bool {
        self.lengths & 1 << text.len().min(63) != 0 && self.texts.contains(text)
    }

    fn is_first(&self, body: &[u8]) -> bool {
        let mut said = self.version.find_iter(body).peekable();
        said.peek().is_some()
            && said.all(|at| text_after(body.get(at + 11..).unwrap_or_default()) == Some(b"1"))
    }
}

/// The string that is the value of a member, from behind its name.
fn text_after(rest: &[u8]) -> Option<&[u8]> {
    let rest = rest.trim_ascii_start().strip_prefix(b":")?.trim_ascii_start().strip_prefix(b"\"")?;
    rest.get(..memchr(b'"', rest)?)
}
