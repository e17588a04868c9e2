//! One pass over the bytes of a document.

use std::borrow::Cow;
use std::ops::Range;

use super::fault::{Fault, Read, plain};
use super::keys::Keys;
use super::strings::{escape, plain_run, unescaped};
use crate::{IssueKind, ParseError};

/// Objects and arrays within one another; R4's own types need fewer than twenty.
pub const MAX_DEPTH: usize = 64;
/// Characters of a number; a longer one is no measurement.
pub const MAX_NUMBER: usize = 64;
/// Bytes of a string: R4's own limit.
pub const MAX_STRING: usize = 1024 * 1024;

/// What one pass over a document tells besides that it is sound.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Scan {
    /// An element anywhere carries a `modifierExtension`.
    pub has_modifier_extension: bool,
    /// The resource, or one inside it, carries `implicitRules`.
    pub has_implicit_rules: bool,
    /// Where the resource says its type.
    pub resource_type: Option<Member>,
    /// Where the resource says its id.
    pub id: Option<Member>,
    /// Where the resource has its meta.
    pub meta: Option<Member>,
}

/// The place of one member of the outermost object, in bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Member {
    /// From the quote before its name to the end of its value.
    pub whole: Range<usize>,
    /// Its value, quotes and braces included.
    pub value: Range<usize>,
}

/// Refuses what JSON or FHIR's use of it forbids, in time linear to the length.
///
/// Refused are: anything but one object; names written twice; nulls outside aligned arrays of primitives; empty
/// objects, arrays and strings; arrays within arrays; lone surrogates, U+0000 and raw control characters; bytes that
/// are not UTF-8, or a byte order mark; and what exceeds [`MAX_DEPTH`], [`MAX_NUMBER`] or [`MAX_STRING`].
pub fn scan(bytes: &[u8]) -> Result<Scan, ParseError> {
    let text = utf8(bytes)?;
    let mut scanner = Scanner::new(text);
    match scanner.document() {
        Ok(()) => Ok(scanner.found),
        Err(fault) => {
            let said = scanner.found.resource_type.as_ref().and_then(|m| text.get(m.value.clone()));
            let root = said.map(|t| plain(t.trim_matches('"'))).unwrap_or_default();
            Err(fault.into_error(&root))
        }
    }
}

fn utf8(bytes: &[u8]) -> Result<&str, ParseError> {
    let structure = |message: String| ParseError::new(IssueKind::Structure, "", message);
    let text = std::str::from_utf8(bytes)
        .map_err(|e| structure(format!("not UTF-8 after byte {}", e.valid_up_to())))?;
    if text.starts_with('\u{feff}') {
        return Err(structure("a byte order mark; FHIR's JSON is UTF-8 without one".to_owned()));
    }
    Ok(text)
}

/// The members of an object that [`scan`] has passed, in their order; an error if `text` is no object.
pub(crate) fn top_level(text: &str) -> Result<Vec<(Cow<'_, str>, Member)>, ParseError> {
    let mut scanner = Scanner::new(text);
    scanner.members().map_err(|f| f.into_error(""))
}

/// The places of the elements of an array that [`scan`] has passed.
pub(super) fn elements(text: &str) -> Vec<Range<usize>> {
    let mut scanner = Scanner::new(text);
    scanner.places().unwrap_or_default()
}

struct Scanner<'a> {
    text: &'a str,
    bytes: &'a [u8],
    at: usize,
    keys: Keys<'a>,
    found: Scan,
}

/// What the nulls of an array say.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Nulls {
    None,
    Some,
}

impl<'a> Scanner<'a> {
    fn new(text: &'a str) -> Self {
        Self { text, bytes: text.as_bytes(), at: 0, keys: Keys::default(), found: Scan::default() }
    }

    #[inline]
    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    /// The next byte that is not white space.
    #[inline]
    fn next(&mut self) -> Option<u8> {
        loop {
            match self.peek() {
                Some(b' ' | b'\n' | b'\r' | b'\t') => self.at += 1,
                other => return other,
            }
        }
    }

    fn unexpected(&self, expected: &str) -> Box<Fault> {
        match self.text.get(self.at..).and_then(|rest| rest.chars().next()) {
            None => Fault::structure(format!("the document ends where {expected} is expected")),
            Some(_) => Fault::structure(format!("expected {expected} at byte {}", self.at)),
        }
    }

    #[inline]
    fn expect(&mut self, byte: u8, expected: &str) -> Read<()> {
        if self.next() == Some(byte) {
            self.at += 1;
            return Ok(());
        }
        Err(self.unexpected(expected))
    }

    fn document(&mut self) -> Read<()> {
        self.expect(b'{', "an object")?;
        self.object(1)?;
        match self.next() {
            None => Ok(()),
            Some(_) => {
                Err(Fault::structure(format!("more after the end of the object, at byte {}", self.at)))
            }
        }
    }

    /// The rest of an object, whose brace has been read.
    fn object(&mut self, depth: usize) -> Read<()> {
        if self.next() == Some(b'}') {
            return Err(Fault::structure("an empty object"));
        }
        let mut names = self.keys.open();
        let mut sparse: Vec<Cow<'a, str>> = Vec::new();
        loop {
            let start = self.at;
            let name = self.name()?;
            if !self.keys.add(&mut names, name.clone()) {
                return Err(Fault::structure("the name is written twice in one object").in_member(&name));
            }
            self.next();
            let value = self.at;
            match self.value(depth) {
                Ok(Nulls::None) => {}
                Ok(Nulls::Some) => sparse.push(name.clone()),
                Err(fault) => return Err(fault.in_member(&name)),
            }
            self.note(depth, &name, start, value);
            match self.next() {
                Some(b',') => self.at += 1,
                Some(b'}') => break,
                _ => return Err(self.unexpected("a comma or the end of the object")),
            }
            self.next();
        }
        self.at += 1;
        for name in sparse {
            if !name.starts_with('_') && !self.keys.contains(&names, &format!("_{name}")) {
                return Err(Fault::structure("null without an aligned array to say why").in_member(&name));
            }
        }
        self.keys.close(&names);
        Ok(())
    }

    /// A member's name and its colon.
    #[inline]
    fn name(&mut self) -> Read<Cow<'a, str>> {
        if self.next() != Some(b'"') {
            return Err(self.unexpected("a name in quotes"));
        }
        let (inside, escaped) = self.string()?;
        self.expect(b':', "a colon")?;
        let inside = self.text.get(inside).unwrap_or_default();
        Ok(if escaped { unescaped(inside) } else { Cow::Borrowed(inside) })
    }

    /// Remembers what the caller will want to know of a member.
    #[inline]
    fn note(&mut self, depth: usize, name: &str, start: usize, value: usize) {
        match name.len() {
            17 if name == "modifierExtension" => self.found.has_modifier_extension = true,
            13 if name == "implicitRules" => self.found.has_implicit_rules = true,
            2 | 4 | 12 if depth == 1 => {
                let member = Member { whole: start..self.at, value: value..self.at };
                match name {
                    "resourceType" => self.found.resource_type = Some(member),
                    "id" => self.found.id = Some(member),
                    "meta" => self.found.meta = Some(member),
                    _ => {}
                }
            }
            _ => {}
        }
    }

    /// A member's value, at its first byte.
    #[inline]
    fn value(&mut self, depth: usize) -> Read<Nulls> {
        match self.peek() {
            Some(b'[') => return self.array(depth),
            Some(b'n') => {
                self.literal("null")?;
                return Err(Fault::structure("null; leave the element out instead"));
            }
            Some(first) => self.single(first, depth)?,
            None => return Err(self.unexpected("a value")),
        }
        Ok(Nulls::None)
    }

    /// Any value but an array and null.
    #[inline]
    fn single(&mut self, first: u8, depth: usize) -> Read<()> {
        match first {
            b'"' => {
                let (inside, _) = self.string()?;
                if inside.is_empty() {
                    return Err(Fault::structure("an empty string; leave the element out instead"));
                }
                if inside.len() > MAX_STRING {
                    return Err(Fault::new(IssueKind::TooLong, "a string of more than 1 MiB"));
                }
                Ok(())
            }
            b'{' => {
                self.deeper(depth)?;
                self.object(depth + 1)
            }
            b'-' | b'0'..=b'9' => self.number(),
            b't' => self.literal("true"),
            b'f' => self.literal("false"),
            _ => Err(self.unexpected("a value")),
        }
    }

    fn deeper(&mut self, depth: usize) -> Read<()> {
        if depth >= MAX_DEPTH {
            return Err(Fault::new(IssueKind::TooCostly, format!("nested more than {MAX_DEPTH} deep")));
        }
        self.at += 1;
        Ok(())
    }

    fn array(&mut self, depth: usize) -> Read<Nulls> {
        self.deeper(depth)?;
        if self.next() == Some(b']') {
            return Err(Fault::structure("an empty array; leave the element out instead"));
        }
        let (mut index, mut nulls) = (0, 0);
        loop {
            let read = match self.next() {
                Some(b'n') => {
                    nulls += 1;
                    self.literal("null")
                }
                Some(b'[') => Err(Fault::structure("an array within an array")),
                Some(first) => self.single(first, depth + 1),
                None => Err(self.unexpected("a value")),
            };
            read.map_err(|fault| fault.in_element(index))?;
            index += 1;
            match self.next() {
                Some(b',') => self.at += 1,
                Some(b']') => break,
                _ => return Err(self.unexpected("a comma or the end of the array")),
            }
        }
        self.at += 1;
        match nulls {
            0 => Ok(Nulls::None),
            _ if nulls == index => Err(Fault::structure("an array of nulls only")),
            _ => Ok(Nulls::Some),
        }
    }

    fn literal(&mut self, word: &str) -> Read<()> {
        let rest = self.bytes.get(self.at..).unwrap_or_default();
        if !rest.starts_with(word.as_bytes()) {
            return Err(self.unexpected("a value"));
        }
        self.at += word.len();
        Ok(())
    }

    /// A string, at its first quote: the range of its inside, and whether it has escapes.
    #[inline]
    fn string(&mut self) -> Read<(Range<usize>, bool)> {
        self.at += 1;
        let start = self.at;
        let mut escaped = false;
        loop {
            self.at += plain_run(self.bytes.get(self.at..).unwrap_or_default());
            match self.peek() {
                Some(b'"') => {
                    self.at += 1;
                    return Ok((start..self.at - 1, escaped));
                }
                Some(b'\\') => {
                    escaped = true;
                    let (taken, _) = escape(self.bytes.get(self.at + 1..).unwrap_or_default())?;
                    self.at += 1 + taken;
                }
                Some(_) => {
                    return Err(Fault::structure(format!("a raw control character at byte {}", self.at)));
                }
                None => return Err(Fault::structure("the document ends within a string")),
            }
        }
    }

    fn digits(&mut self) -> Read<()> {
        let digits = self.bytes.iter().skip(self.at).take_while(|b| b.is_ascii_digit()).count();
        if digits == 0 {
            return Err(self.unexpected("a digit"));
        }
        self.at += digits;
        Ok(())
    }

    fn number(&mut self) -> Read<()> {
        let start = self.at;
        if self.peek() == Some(b'-') {
            self.at += 1;
        }
        match self.peek() {
            Some(b'0') => self.at += 1,
            _ => self.digits()?,
        }
        if self.peek() == Some(b'.') {
            self.at += 1;
            self.digits()?;
        }
        let exponent = matches!(self.peek(), Some(b'e' | b'E'));
        if exponent {
            self.at += 1;
            if matches!(self.peek(), Some(b'+' | b'-')) {
                self.at += 1;
            }
            self.digits()?;
        }
        if self.at - start > MAX_NUMBER {
            return Err(Fault::new(
                IssueKind::Value,
                format!("a number of more than {MAX_NUMBER} characters"),
            ));
        }
        let written = self.text.get(start..self.at).unwrap_or_default();
        if exponent && !written.parse::<f64>().is_ok_and(f64::is_finite) {
            return Err(Fault::new(IssueKind::Value, "a number that no reader of JSON can hold"));
        }
        Ok(())
    }

    fn members(&mut self) -> Read<Vec<(Cow<'a, str>, Member)>> {
        self.expect(b'{', "an object")?;
        let mut members = Vec::new();
        while self.next() == Some(b'"') {
            let start = self.at;
            let name = self.name()?;
            self.next();
            let value = self.at;
            self.value(1)?;
            members.push((name, Member { whole: start..self.at, value: value..self.at }));
            if self.next() == Some(b',') {
                self.at += 1;
            }
        }
        Ok(members)
    }

    fn places(&mut self) -> Read<Vec<Range<usize>>> {
        self.expect(b'[', "an array")?;
        let mut places = Vec::new();
        while let Some(first) = self.next().filter(|b| *b != b']') {
            let start = self.at;
            match first {
                b'n' => self.literal("null")?,
                _ => self.single(first, 1)?,
            }
            places.push(start..self.at);
            if self.next() == Some(b',') {
                self.at += 1;
            }
        }
        Ok(places)
    }
}
