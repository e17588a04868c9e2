//! Walking over the bytes of JSON without reading it: where things are. What is found is trusted only together with a
//! strict scan of the same bytes, before or afterwards; no input panics or goes astray.

use std::borrow::Cow;
use std::ops::Range;

/// A place in a text.
pub(super) struct Walk<'a> {
    bytes: &'a [u8],
    /// The next byte.
    pub(super) at: usize,
}

/// A name or a value in quotes.
pub(super) struct Text<'a> {
    /// With its quotes.
    pub(super) whole: Range<usize>,
    inside: &'a [u8],
}

impl<'a> Text<'a> {
    /// What it means.
    pub(super) fn meaning(&self) -> Option<Cow<'a, str>> {
        if memchr::memchr(b'\\', self.inside).is_none() {
            return std::str::from_utf8(self.inside).ok().map(Cow::Borrowed);
        }
        let mut quoted = Vec::with_capacity(self.inside.len() + 2);
        quoted.push(b'"');
        quoted.extend_from_slice(self.inside);
        quoted.push(b'"');
        serde_json::from_slice::<String>(&quoted).ok().map(Cow::Owned)
    }

    /// Whether it is this text, written without escapes.
    pub(super) fn is(&self, text: &str) -> bool {
        self.inside == text.as_bytes()
    }
}

impl<'a> Walk<'a> {
    /// From the first byte.
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Walk { bytes, at: 0 }
    }

    /// The next byte that is not white space.
    #[inline]
    pub(super) fn peek(&mut self) -> Option<u8> {
        loop {
            match self.bytes.get(self.at) {
                Some(b' ' | b'\n' | b'\r' | b'\t') => self.at += 1,
                other => return other.copied(),
            }
        }
    }

    /// Goes over `wanted`, if it comes next.
    #[inline]
    pub(super) fn take(&mut self, wanted: u8) -> Option<()> {
        (self.peek()? == wanted).then(|| self.at += 1)
    }

    /// Goes over a text in quotes.
    #[inline]
    pub(super) fn text(&mut self) -> Option<Text<'a>> {
        self.take(b'"')?;
        let start = self.at;
        loop {
            let found = memchr::memchr2(b'"', b'\\', self.bytes.get(self.at..)?)?;
            self.at += found;
            if self.bytes.get(self.at) == Some(&b'"') {
                self.at += 1;
                let inside = self.bytes.get(start..self.at - 1)?;
                return Some(Text { whole: start - 1..self.at, inside });
            }
            self.at += 2;
        }
    }

    /// Goes over a value of any kind.
    pub(super) fn value(&mut self) -> Option<Range<usize>> {
        let first = self.peek()?;
        let start = self.at;
        match first {
            b'"' => {
                self.text()?;
            }
            b'{' | b'[' => self.nest()?,
            _ => {
                let rest = self.bytes.get(self.at..)?;
                let end =
                    rest.iter().position(|b| matches!(b, b',' | b'}' | b']' | b' ' | b'\n' | b'\r' | b'\t'));
                self.at += end.unwrap_or(rest.len());
            }
        }
        (self.at > start).then_some(start..self.at)
    }

    /// Goes over an object or an array, whatever is in it.
    fn nest(&mut self) -> Option<()> {
        let mut depth = 0_usize;
        loop {
            let rest = self.bytes.get(self.at..)?;
            let found = rest.iter().position(|b| matches!(b, b'"' | b'{' | b'[' | b'}' | b']'))?;
            self.at += found;
            match self.bytes.get(self.at)? {
                b'"' => {
                    self.text()?;
                    continue;
                }
                b'{' | b'[' => depth += 1,
                _ => depth -= 1,
            }
            self.at += 1;
            if depth == 0 {
                return Some(());
            }
        }
    }

    /// Goes over the brace of an object.
    pub(super) fn object(&mut self) -> Option<()> {
        self.take(b'{')
    }

    /// The next member's name, with its colon; none at the end of the object, which is gone over.
    pub(super) fn member(&mut self) -> Option<Option<Text<'a>>> {
        if self.take(b'}').is_some() {
            return Some(None);
        }
        if self.peek()? == b',' {
            self.at += 1;
        }
        let name = self.text()?;
        self.take(b':')?;
        Some(Some(name))
    }

    /// Whether another element comes; the end of the array is gone over.
    pub(super) fn element(&mut self) -> Option<bool> {
        if self.take(b']').is_some() {
            return Some(false);
        }
        if self.peek()? == b',' {
            self.at += 1;
        }
        Some(true)
    }
}

/// The `id` of a document that a strict scan has passed, if it has one.
pub(super) fn id_of(document: &[u8]) -> Option<Cow<'_, str>> {
    let mut walk = Walk::new(document);
    walk.object()?;
    while let Some(name) = walk.member()? {
        let id = if name.is("id") { true } else { name.meaning().is_some_and(|n| n == "id") };
        if id {
            return walk.text()?.meaning();
        }
        walk.value()?;
    }
    None
}

/// `document` with the literal references for which `other` gives another text; none if that is no reference.
pub(super) fn with_references(
    document: &[u8],
    mut other: impl FnMut(&str) -> Option<String>,
) -> Option<Vec<u8>> {
    let mut walk = Walk::new(document);
    let mut out: Vec<u8> = Vec::new();
    let mut copied = 0;
    while let Some(found) = document.get(walk.at..).and_then(|rest| memchr::memchr(b'"', rest)) {
        walk.at += found;
        let Some(name) = walk.text() else { break };
        // a text before a colon is a name; any other is gone over here
        if walk.take(b':').is_none() || walk.peek() != Some(b'"') {
            continue;
        }
        let reference =
            if name.is("reference") { true } else { name.meaning().is_some_and(|n| n == "reference") };
        let Some(value) = walk.text() else { break };
        let Some(said) = value.meaning().filter(|_| reference) else { continue };
        if let Some(instead) = other(&said) {
            let mut quoted = String::with_capacity(instead.len() + 2);
            super::text::push_json(&mut quoted, &instead);
            out.extend_from_slice(document.get(copied..value.whole.start).unwrap_or_default());
            out.extend_from_slice(quoted.as_bytes());
            copied = value.whole.end;
        }
    }
    if copied == 0 {
        return None;
    }
    out.extend_from_slice(document.get(copied..).unwrap_or_default());
    Some(out)
}

/// JSON with each text and number that is a value, and each `true`, `false` or `null`, as `with` writes it.
pub(super) fn with_values(json: &[u8], mut with: impl FnMut(&[u8], &mut Vec<u8>)) -> Option<Vec<u8>> {
    let mut walk = Walk::new(json);
    let mut out = Vec::with_capacity(json.len() + json.len() / 8);
    while let Some(next) = walk.peek() {
        match next {
            b'{' | b'}' | b'[' | b']' | b',' | b':' => {
                walk.at += 1;
                out.push(next);
            }
            b'"' => {
                let text = json.get(walk.text()?.whole)?;
                // a text before a colon is a name
                if walk.peek() == Some(b':') { out.extend_from_slice(text) } else { with(text, &mut out) }
            }
            _ => with(json.get(walk.value()?)?, &mut out),
        }
    }
    Some(out)
}

/// JSON with a line for each value, as people read it.
pub(super) fn pretty(json: &[u8]) -> Option<Vec<u8>> {
    let mut walk = Walk::new(json);
    let mut out = Vec::with_capacity(json.len() * 2);
    let mut depth = 0_usize;
    let line = |out: &mut Vec<u8>, depth: usize| {
        out.push(b'\n');
        out.resize(out.len() + 2 * depth, b' ');
    };
    while let Some(next) = walk.peek() {
        match next {
            b'{' | b'[' => {
                walk.at += 1;
                out.push(next);
                if !matches!(walk.peek(), Some(b'}' | b']')) {
                    depth += 1;
                    line(&mut out, depth);
                }
            }
            b'}' | b']' => {
                walk.at += 1;
                if !matches!(out.last(), Some(b'{' | b'[')) {
                    depth = depth.saturating_sub(1);
                    line(&mut out, depth);
                }
                out.push(next);
            }
            b',' => {
                walk.at += 1;
                out.push(next);
                line(&mut out, depth);
            }
            b':' => {
                walk.at += 1;
                out.extend_from_slice(b": ");
            }
            _ => out.extend_from_slice(json.get(walk.value()?)?),
        }
    }
    out.push(b'\n');
    Some(out)
}
