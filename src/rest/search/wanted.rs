//! What a search parameter's value asks for, and whether something in a document is that.
//!
//! Codes, identifiers, ids and addresses are compared exactly, as the code systems in use are case-sensitive; texts
//! without regard to case, accents and other marks.

use std::borrow::Cow;

use chrono_tz::Tz;
use serde_json::Value;
use unicode_normalization::{UnicodeNormalization, char::is_combining_mark};

use super::dates::{self, Prefix, Span};
use super::numbers::Amount;
use super::path::{Found, Paths};
use crate::translate::document::{Bases, Target};

/// What is asked for. Of alternatives one must fit.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Wanted {
    /// Whether there is none.
    Missing(bool),
    /// A code, an identifier, a truth value.
    Token(Vec<Coded>),
    /// None of these codes.
    NotToken(Vec<Coded>),
    /// A code whose text begins so.
    TokenText(Vec<String>),
    /// A date.
    Date(Vec<(Prefix, Span)>),
    /// A reference.
    Reference(Vec<Named>),
    /// A reference that has an identifier.
    Identified(Vec<Coded>),
    /// A text that begins so.
    Starts(Vec<String>),
    /// A text that contains it.
    Contains(Vec<String>),
    /// Exactly a text.
    Exact(Vec<String>),
    /// Exactly an address.
    Uri(Vec<String>),
    /// A number with its unit.
    Quantity(Vec<Amount>),
    /// All of several values in one element.
    Composite(Vec<Vec<Part>>),
}

/// One of the values that one element must have.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Part {
    /// Where it is in the element.
    pub(super) paths: Paths,
    /// What is asked for.
    pub(super) wanted: Wanted,
}

/// `system|code`: what is not said fits anything.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Coded {
    /// Its system; empty: none.
    pub(super) system: Option<String>,
    /// Its code or value.
    pub(super) code: Option<String>,
}

/// What a reference names.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Named {
    /// A document of this server: its type if it is said, and its id.
    Here(Option<String>, String),
    /// A version of one, with its type: what refers to another version, or to none, does not fit.
    Version(String, String, String),
    /// What has this address.
    Elsewhere(String),
}

impl Named {
    /// The id, if it names what is of a type.
    pub(super) fn of(&self, kind: &str) -> Option<&str> {
        match self {
            Named::Here(Some(of), id) | Named::Version(of, id, _) if of == kind => Some(id),
            Named::Here(..) | Named::Version(..) | Named::Elsewhere(_) => None,
        }
    }
}

/// What comparing needs to know.
#[derive(Clone, Copy, Debug)]
pub(super) struct Light<'a> {
    /// The zone of the site.
    pub(super) zone: Tz,
    /// What addresses mean this server.
    pub(super) bases: &'a Bases,
    /// The code system of bare codes.
    pub(super) system: Option<&'static str>,
    /// Now, in microseconds.
    pub(super) now_us: i64,
}

impl Wanted {
    /// Whether a document in which this was found fits.
    pub(super) fn fits(&self, found: &[Found<'_>], light: Light<'_>) -> bool {
        let any = |test: &dyn Fn(&Found<'_>) -> bool| found.iter().any(test);
        match self {
            Wanted::Missing(missing) => found.is_empty() == *missing,
            Wanted::Token(among) => any(&|f| is_coded(f.value, light.system, among)),
            Wanted::NotToken(among) => !any(&|f| is_coded(f.value, light.system, among)),
            Wanted::TokenText(among) => {
                any(&|f| labels(f.value).into_iter().any(|label| starts(&folded(label), among)))
            }
            Wanted::Date(among) => any(&|f| {
                let there = dates::found(*f, light.zone);
                there.is_some_and(|there| {
                    among.iter().any(|(prefix, span)| span.fits(*prefix, there, light.now_us))
                })
            }),
            Wanted::Reference(among) => any(&|f| refers(f.value, among, light.bases)),
            Wanted::Identified(among) => {
                any(&|f| f.value.get("identifier").is_some_and(|i| is_coded(i, None, among)))
            }
            Wanted::Starts(among) => any(&|f| texts(f.value).any(|t| starts(&folded(t), among))),
            Wanted::Contains(among) => any(&|f| {
                texts(f.value).any(|t| {
                    let t = folded(t);
                    among.iter().any(|wanted| t.contains(wanted.as_str()))
                })
            }),
            Wanted::Exact(among) => any(&|f| texts(f.value).any(|t| among.iter().any(|wanted| wanted == t))),
            Wanted::Quantity(among) => any(&|f| among.iter().any(|wanted| wanted.fits(*f))),
            Wanted::Composite(among) => any(&|f| {
                let has = |part: &Part| part.wanted.fits(&part.paths.find(f.value), light);
                among.iter().any(|parts| parts.iter().all(has))
            }),
            Wanted::Uri(among) => {
                any(&|f| f.value.as_str().is_some_and(|u| among.iter().any(|wanted| wanted == u)))
            }
        }
    }
}

fn starts(text: &str, among: &[String]) -> bool {
    among.iter().any(|wanted| text.starts_with(wanted.as_str()))
}

/// A text as it is compared: in lower case, without marks.
pub(super) fn folded(text: &str) -> String {
    text.nfd().filter(|c| !is_combining_mark(*c)).flat_map(char::to_lowercase).collect()
}

/// The parts of a name or an address that are texts.
const PARTS: &[&str] = &[
    "text",
    "family",
    "given",
    "prefix",
    "suffix",
    "line",
    "city",
    "district",
    "state",
    "postalCode",
    "country",
];

/// A text, or the texts of a name or an address.
pub(super) fn texts(value: &Value) -> impl Iterator<Item = &str> {
    let whole = value.as_str();
    let parts = PARTS.iter().filter_map(|part| value.get(part));
    let parts = parts.flat_map(|part| part.as_array().map_or(std::slice::from_ref(part), Vec::as_slice));
    whole.into_iter().chain(parts.filter_map(Value::as_str))
}

/// Systems and codes of a code, a Coding, a CodeableConcept, an Identifier, a contact or a truth value.
pub(super) fn codes<'v>(value: &'v Value, system: Option<&'v str>) -> Vec<(Option<&'v str>, Cow<'v, str>)> {
    let text = |value: &'v Value, name: &str| value.get(name).and_then(Value::as_str);
    let coding = |c: &'v Value| Some((text(c, "system"), Cow::Borrowed(text(c, "code")?)));
    match value {
        Value::String(code) => vec![(system, Cow::Borrowed(code))],
        Value::Bool(truth) => vec![(None, Cow::Owned(truth.to_string()))],
        Value::Object(members) => match members.get("coding") {
            Some(Value::Array(codings)) => codings.iter().filter_map(coding).collect(),
            _ => match text(value, "value") {
                Some(value_of) => vec![(text(value, "system"), Cow::Borrowed(value_of))],
                None => coding(value).into_iter().collect(),
            },
        },
        Value::Null | Value::Number(_) | Value::Array(_) => Vec::new(),
    }
}

fn is_coded(value: &Value, system: Option<&str>, among: &[Coded]) -> bool {
    codes(value, system).iter().any(|(system, code)| {
        among.iter().any(|wanted| {
            wanted.system.as_deref().is_none_or(|s| s == system.unwrap_or_default())
                && wanted.code.as_deref().is_none_or(|c| c == code)
        })
    })
}

/// What people read of a code or an identifier.
fn labels(value: &Value) -> Vec<&str> {
    let mut out = Vec::new();
    let codings = value.get("coding").and_then(Value::as_array).map(Vec::as_slice).unwrap_or_default();
    out.extend(codings.iter().chain([value]).filter_map(|v| v.get("display")?.as_str()));
    out.extend(value.get("text").and_then(Value::as_str));
    out.extend(value.get("type").and_then(|t| t.get("text")?.as_str()));
    out
}

fn refers(value: &Value, among: &[Named], bases: &Bases) -> bool {
    // an address by itself is a canonical one, which may name a version
    let canonical = value.as_str();
    let Some(text) = canonical.or_else(|| value.get("reference")?.as_str()) else { return false };
    let canonical = canonical.is_some();
    let bare = if canonical { text.split('|').next().unwrap_or_default() } else { text };
    among.iter().any(|wanted| match (wanted, bases.target_of(bare)) {
        (Named::Here(kind, id), Target::Here(found_kind, found_id)) => {
            kind.as_deref().is_none_or(|k| k == found_kind) && id == found_id
        }
        (Named::Version(kind, id, version), Target::Here(found_kind, found_id)) => {
            let found_version = bare.split_once("/_history/").map(|(_, version)| version);
            kind == found_kind && id == found_id && found_version == Some(version)
        }
        (Named::Elsewhere(address), _) => address == text || (canonical && address == bare),
        (Named::Here(..) | Named::Version(..), Target::Inside(_) | Target::Elsewhere) => false,
    })
}
