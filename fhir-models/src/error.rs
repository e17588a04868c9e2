//! Why a document was refused.

use std::fmt;

/// What is wrong, where, and of which kind.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ParseError {
    /// The element, as FHIRPath writes it: `Procedure.performedPeriod.start`, `Bundle.entry[3]`.
    pub path: String,
    /// What was expected and what was found; lower case, no final stop, no patient's words.
    pub message: String,
    /// Which of R4's issue types it is.
    pub kind: IssueKind,
}

/// The issue types of R4 (`http://hl7.org/fhir/issue-type`) that a document can earn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum IssueKind {
    /// Not JSON, or not in the shape FHIR gives it.
    Structure,
    /// A required element is absent.
    Required,
    /// A value outside its type.
    Value,
    /// Values that contradict one another.
    Invariant,
    /// A code that its required value set does not have.
    CodeInvalid,
    /// Something legal that is not understood here.
    NotSupported,
    /// Longer than is accepted.
    TooLong,
    /// Nested or repeated more than is accepted.
    TooCostly,
    /// Legal JSON that breaks a rule of R4, such as a reference to the wrong type.
    BusinessRule,
    /// An extension that must be understood and is not.
    Extension,
}

impl IssueKind {
    /// The code of R4's issue-type value set.
    pub const fn as_code(self) -> &'static str {
        match self {
            Self::Structure => "structure",
            Self::Required => "required",
            Self::Value => "value",
            Self::Invariant => "invariant",
            Self::CodeInvalid => "code-invalid",
            Self::NotSupported => "not-supported",
            Self::TooLong => "too-long",
            Self::TooCostly => "too-costly",
            Self::BusinessRule => "business-rule",
            Self::Extension => "extension",
        }
    }
}

impl ParseError {
    /// An error at `path`.
    pub fn new(kind: IssueKind, path: impl Into<String>, message: impl Into<String>) -> Self {
        Self { path: path.into(), message: message.into(), kind }
    }
}

impl fmt::Display for ParseError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.path.is_empty() {
            f.write_str(&self.message)
        } else {
            write!(f, "{}: {}", self.path, self.message)
        }
    }
}

impl std::error::Error for ParseError {}

/// The longest piece of an offending value that a message repeats.
const QUOTED_CHARS: usize = 64;

/// `text` in quotes, cut and freed of control characters, for a message.
pub(crate) fn quoted(text: &str) -> String {
    let mut out = String::with_capacity(text.len().min(QUOTED_CHARS) + 4);
    out.push('"');
    let mut chars = text.chars();
    out.extend(chars.by_ref().take(QUOTED_CHARS).map(|c| if c.is_control() { '\u{fffd}' } else { c }));
    if chars.next().is_some() {
        out.push('…');
    }
    out.push('"');
    out
}

/// A primitive's own refusal, on its way through serde, which carries text only.
///
/// The kind travels as a prefix that [`split_refusal`] takes off again.
pub(crate) struct Refusal {
    pub(crate) kind: IssueKind,
    pub(crate) message: String,
}

impl Refusal {
    pub(crate) fn value(message: String) -> Self {
        Self { kind: IssueKind::Value, message }
    }
}

const VALUE_MARK: &str = "\u{1}value\u{1}";
const CODE_MARK: &str = "\u{1}code\u{1}";
const STRUCTURE_MARK: &str = "\u{1}structure\u{1}";

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mark = match self.kind {
            IssueKind::CodeInvalid => CODE_MARK,
            IssueKind::Value => VALUE_MARK,
            IssueKind::Structure
            | IssueKind::Required
            | IssueKind::Invariant
            | IssueKind::NotSupported
            | IssueKind::TooLong
            | IssueKind::TooCostly
            | IssueKind::BusinessRule
            | IssueKind::Extension => STRUCTURE_MARK,
        };
        write!(f, "{mark}{}", self.message)
    }
}

/// Kind and message of what serde says, with no value of the document left in it but ours.
pub(crate) fn split_refusal(text: &str) -> (IssueKind, String, Option<String>) {
    for (mark, kind) in [
        (VALUE_MARK, IssueKind::Value),
        (CODE_MARK, IssueKind::CodeInvalid),
        (STRUCTURE_MARK, IssueKind::Structure),
    ] {
        if let Some(rest) = text.strip_prefix(mark) {
            return (kind, rest.to_owned(), None);
        }
    }
    if let Some(rest) = text.strip_prefix("missing field `") {
        let name = rest.split('`').next().unwrap_or_default();
        return (IssueKind::Required, format!("`{name}` is required"), Some(name.to_owned()));
    }
    let expected = text.rfind(", expected ").and_then(|at| text.get(at + 11..)).unwrap_or("something else");
    let expected =
        expected.strip_prefix("struct ").map_or_else(|| expected.to_owned(), |s| format!("an object ({s})"));
    if let Some(found) = text.strip_prefix("invalid type: ") {
        return (IssueKind::Structure, format!("expected {expected}, found {}", json_word(found)), None);
    }
    if text.starts_with("invalid value: ") {
        return (IssueKind::Value, format!("expected {expected}"), None);
    }
    (IssueKind::Structure, "not in the shape R4 gives it".to_owned(), None)
}

/// JSON's name for what serde says it found.
fn json_word(found: &str) -> &'static str {
    let word = found.split([' ', ',']).next().unwrap_or_default();
    match word {
        "map" => "an object",
        "sequence" => "an array",
        "string" => "a string",
        "integer" | "floating" => "a number",
        "boolean" => "true or false",
        "null" | "unit" => "null",
        _ => "something else",
    }
}
