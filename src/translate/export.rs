//! One document of an export: whose it is, which version, and what it says.
//!
//! An export has no store behind it: a document brings its own id and version, and what it was told by is its own
//! `meta.lastUpdated`.

use std::borrow::Cow;
use std::collections::HashSet;
use std::hash::BuildHasherDefault;
use std::sync::LazyLock;

use fhir_models::{IssueKind, ParseError, Procedure, parse_scanned};
use memchr::{memchr, memmem};
use serde::Deserialize;

use super::codes::{Codes, TextHasher};
use super::document::{self, Bases, Stored};
use super::extract::charted::{Charted, Pointer, Text, Told};
use super::extract::glance::glance;
pub(crate) use super::extract::glance::learn;
pub(crate) use super::extract::mould::{Cast, Moulds, Seen};
use super::extract::{Said, said, said_by};
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

/// Which document, when it was told, and whose it is.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Head<'a> {
    /// Logical id.
    pub id: Cow<'a, str>,
    /// `meta.versionId` where it is a number, else 1.
    pub version: u64,
    /// `meta.lastUpdated`.
    pub told: Option<Instant>,
    /// The patient it is about, by logical id.
    pub patient: Option<Cow<'a, str>>,
    /// The encounter in which it was made, by logical id.
    pub encounter: Option<Cow<'a, str>>,
}

/// A document and what it says.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Charting<'a> {
    /// Which document.
    pub(crate) head: Head<'a>,
    /// What it says.
    pub(crate) said: Said,
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
pub fn head<'a>(kind: &str, body: &'a [u8], bases: &Bases) -> Result<Head<'a>, ParseError> {
    let outer: Outer<'_> = serde_json::from_slice(body)
        .map_err(|e| ParseError::new(IssueKind::Structure, kind, e.to_string()))?;
    named(kind, outer.id, outer.meta.as_ref(), outer.subject, outer.encounter, bases)
}

fn named<'a>(
    kind: &str,
    id: Option<Text<'a>>,
    meta: Option<&Told<'_>>,
    subject: Option<Pointer<'a>>,
    encounter: Option<Pointer<'a>>,
    bases: &Bases,
) -> Result<Head<'a>, ParseError> {
    let Some(Text(id)) = id.filter(|id| fhir_models::primitive::is_id(&id.0)) else {
        let why = "a document of an export has an id of letters, digits, - and .";
        return Err(ParseError::new(IssueKind::Required, format!("{kind}.id"), why));
    };
    let link = |pointer: Option<Pointer<'a>>, kind: &str| match pointer?.reference?.0 {
        Cow::Borrowed(text) => bases.id_in(text, kind).map(Cow::Borrowed),
        Cow::Owned(text) => bases.id_in(&text, kind).map(|id| Cow::Owned(id.to_owned())),
    };
    Ok(Head {
        id,
        version: meta.map_or(1, Told::number),
        told: meta.and_then(Told::at),
        patient: link(subject, "Patient"),
        encounter: link(encounter, "Encounter"),
    })
}

/// A document of the types that are read by what they say: a Procedure or an Observation.
///
/// `received` stands for when it was received: what it says of later cannot be. `cast`: it, if it has a shape that was seen.
///
/// # Errors
/// What the door refuses for reasons of shape, of a `modifierExtension` or of `implicitRules`. What R4 asks of elements
/// that nothing here depends on is not looked at: [`document::read`] does.
pub(crate) fn charting<'a>(
    kind: &str,
    body: &'a [u8],
    codes: &Codes,
    bases: &Bases,
    received: Instant,
    cast: Option<&Cast<'a, '_>>,
) -> Result<Charting<'a>, ParseError> {
    // a large value: it is written where it is used
    let mut read = Charted::default();
    let glanced = kind == "Procedure" && glance(body, cast, &mut read).is_some();
    if !glanced && may_change_meaning(body) {
        document::read(kind, body, bases)?;
    }
    if kind != "Procedure" {
        let head = head(kind, body, bases)?;
        let stored = head.stored(kind, body, received);
        let said = said(std::slice::from_ref(&stored), &stored, codes, bases);
        return Ok(Charting { head, said });
    }
    if !glanced {
        read = procedure(body)?;
    }
    let (id, subject) = (read.id.take(), Pointer { reference: read.subject.reference.clone() });
    let head = named(kind, id, read.meta.as_ref(), Some(subject), read.encounter.clone(), bases)?;
    let said = said_by(&read, &head.stored(kind, body, received), codes, bases);
    Ok(Charting { head, said })
}

impl Head<'_> {
    /// It, apart from the bytes that it was read from.
    pub fn into_owned(self) -> Head<'static> {
        let own = |text: Cow<'_, str>| Cow::Owned(text.into_owned());
        Head {
            id: own(self.id),
            patient: self.patient.map(own),
            encounter: self.encounter.map(own),
            version: self.version,
            told: self.told,
        }
    }

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
    texts: HashSet<Box<[u8]>, BuildHasherDefault<TextHasher>>,
    /// A bit for each [`class`] of texts.
    classes: [u64; CLASSES / 64],
    code: memmem::Finder<'static>,
    version: memmem::Finder<'static>,
}

impl KnownTexts {
    /// Those of `codes`.
    pub fn new(codes: &Codes) -> Self {
        let texts: HashSet<Box<[u8]>, _> = codes.texts().map(|t| t.as_bytes().into()).collect();
        let mut classes = [0; CLASSES / 64];
        for class in texts.iter().map(|text| class(text)) {
            if let Some(bits) = classes.get_mut(class / 64) {
                *bits |= 1 << (class % 64);
            }
        }
        let (code, version) = (memmem::Finder::new(b"\"code\""), memmem::Finder::new(b"\"versionId\""));
        KnownTexts { texts, classes, code, version }
    }

    /// False if a document has no code that means something, and says that it is the first version: then it says
    /// nothing, and takes nothing back. Through a device it may still tell of care.
    pub fn may_matter(&self, body: &[u8]) -> bool {
        self.names_one(body) || memchr(b'\\', body).is_some() || !self.is_first(body)
    }

    fn names_one(&self, body: &[u8]) -> bool {
        let after = |at: usize| body.get(at + 6..).unwrap_or_default();
        self.code.find_iter(body).any(|at| text_after(after(at)).is_some_and(|text| self.has(text)))
    }

    /// Whether a text is one of them.
    pub(crate) fn has(&self, text: &[u8]) -> bool {
        let class = class(text);
        self.classes.get(class / 64).is_some_and(|bits| bits & 1 << (class % 64) != 0)
            && self.texts.contains(text)
    }

    fn is_first(&self, body: &[u8]) -> bool {
        let mut said = self.version.find_iter(body).peekable();
        said.peek().is_some()
            && said.all(|at| text_after(body.get(at + 11..).unwrap_or_default()) == Some(b"1"))
    }
}

/// How many classes of texts are told apart before one is looked up.
const CLASSES: usize = 4096;

/// The class of a text: by its length and its last bytes, in which codes of one system differ.
fn class(text: &[u8]) -> usize {
    let end = text.last_chunk::<4>().copied().map_or(0, u32::from_le_bytes);
    let mixed = (end ^ (text.len() as u32)).wrapping_mul(0x9e37_79b1);
    mixed as usize >> 20
}

/// The string that is the value of a member, from behind its name.
fn text_after(rest: &[u8]) -> Option<&[u8]> {
    let rest = rest.trim_ascii_start().strip_prefix(b":")?.trim_ascii_start().strip_prefix(b"\"")?;
    rest.get(..memchr(b'"', rest)?)
}
