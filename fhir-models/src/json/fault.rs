//! A refusal on its way out of the reader, gathering its path from the inside outwards.

use crate::error::quoted;
use crate::{IssueKind, ParseError};

/// Boxed: what is returned on every byte's way must be one word.
pub(super) type Read<T> = Result<T, Box<Fault>>;

pub(super) struct Fault {
    kind: IssueKind,
    message: String,
    /// Innermost first.
    segments: Vec<Segment>,
}

enum Segment {
    Name(String),
    Index(usize),
}

impl Fault {
    #[cold]
    pub(super) fn new(kind: IssueKind, message: impl Into<String>) -> Box<Self> {
        Box::new(Self { kind, message: message.into(), segments: Vec::new() })
    }

    #[cold]
    pub(super) fn structure(message: impl Into<String>) -> Box<Self> {
        Self::new(IssueKind::Structure, message)
    }

    #[cold]
    pub(super) fn in_member(mut self: Box<Self>, name: &str) -> Box<Self> {
        self.segments.push(Segment::Name(plain(name)));
        self
    }

    #[cold]
    pub(super) fn in_element(mut self: Box<Self>, index: usize) -> Box<Self> {
        self.segments.push(Segment::Index(index));
        self
    }

    /// The error, with its path below `root`.
    pub(super) fn into_error(self, root: &str) -> ParseError {
        let mut path = root.to_owned();
        for segment in self.segments.iter().rev() {
            match segment {
                Segment::Name(name) => {
                    if !path.is_empty() {
                        path.push('.');
                    }
                    path.push_str(name);
                }
                Segment::Index(index) => path.push_str(&format!("[{index}]")),
            }
        }
        ParseError::new(self.kind, path, self.message)
    }
}

/// A name as it may stand in a path: one that is no element name is quoted and cut.
pub(super) fn plain(name: &str) -> String {
    let element = name.len() <= 64 && name.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'_');
    if element { name.to_owned() } else { quoted(name) }
}
