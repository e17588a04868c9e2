//! A Procedure read in one pass over its bytes, where it is written as nearly all are.
//!
//! A parser of any JSON into any shape takes three times as long, and half of the time of a whole export went there.
//! Whatever is unusual (an escape, a member that is written twice or is not of R4's type, a resource inside the
//! document) is left to that parser: what is read at a glance is sound JSON and is read as it would have been.

use std::borrow::Cow;

use fhir_models::codes::EventStatus;
use fhir_models::primitive::Point;

use super::charted::{At, Between, Charted, Concept, Pair, Pointer, Text, Told, Updated};

/// Objects and arrays within one another that are still read at a glance; records have less than ten.
const DEEPEST: usize = 32;

/// Values that were passed over in earlier documents, by where they stood. Much of a record is the same in each of its
/// documents (categories, profiles, who fills an identifier): what is byte by byte a sound value needs no second look.
#[derive(Debug)]
pub(crate) struct Passed<'a>([&'a str; PLACES]);

/// How many places are told apart.
const PLACES: usize = 64;

/// A shorter value is passed over sooner than it is compared.
const WORTH_COMPARING: usize = 32;

impl<'a> Passed<'a> {
    pub(crate) fn new() -> Self {
        Passed([""; PLACES])
    }

    /// The value that last stood at such a place.
    fn at(&mut self, name: &str, depth: usize) -> Option<&mut &'a str> {
        let first = name.bytes().next().map_or(0, usize::from);
        self.0.get_mut((31 * depth + 7 * name.len() + first) % PLACES)
    }
}

/// The Procedure in `body`; none if it takes more than a glance.
pub(crate) fn glance<'a>(body: &'a [u8], passed: &mut Passed<'a>) -> Option<Charted<'a>> {
    if !is_plain(body) {
        return None;
    }
    let text = std::str::from_utf8(body).ok()?;
    let mut walk = Walk { text, at: 0, passed };
    let procedure = procedure(&mut walk)?;
    (walk.at == text.len()).then_some(procedure)
}

fn procedure<'a>(walk: &mut Walk<'a, '_>) -> Option<Charted<'a>> {
    let mut read = Charted::default();
    let mut subject = None;
    let mut used = None;
    walk.members(|walk, name| match name {
        "id" => once(&mut read.id, walk.text()?),
        "meta" => once(&mut read.meta, told(walk)?),
        "status" => once(&mut read.status, EventStatus::from_code(walk.string()?)?),
        "statusReason" => once(&mut read.status_reason, concept(walk)?),
        "code" => once(&mut read.code, concept(walk)?),
        "subject" => once(&mut subject, pointer(walk)?),
        "encounter" => once(&mut read.encounter, pointer(walk)?),
        "performedDateTime" => once(&mut read.performed_date_time, at(walk)?),
        "performedPeriod" => once(&mut read.performed_period, between(walk)?),
        "usedReference" => once(&mut used, walk.all(pointer)?),
        "performedString" | "performedAge" | "performedRange" | "contained" | "focalDevice" | "usedCode" => {
            None
        }
        other => walk.pass_member(other, 1),
    })?;
    read.subject = subject?;
    read.used_reference = used.unwrap_or_default();
    Some(read)
}

fn told<'a>(walk: &mut Walk<'a, '_>) -> Option<Told<'a>> {
    let mut read = Told::default();
    walk.members(|walk, name| match name {
        "versionId" => once(&mut read.version_id, walk.text()?),
        "lastUpdated" => once(&mut read.last_updated, Updated::read(walk.string()?)?),
        other => walk.pass_member(other, 2),
    })?;
    Some(read)
}

fn concept<'a>(walk: &mut Walk<'a, '_>) -> Option<Concept<'a>> {
    let mut coding = None;
    walk.members(|walk, name| match name {
        "coding" => once(&mut coding, walk.all(pair)?),
        other => walk.pass_member(other, 2),
    })?;
    Some(Concept { coding: coding.unwrap_or_default() })
}

fn pair<'a>(walk: &mut Walk<'a, '_>) -> Option<Pair<'a>> {
    let (mut system, mut code) = (None, None);
    walk.members(|walk, name| match name {
        "system" => once(&mut system, walk.string()?),
        "code" => once(&mut code, walk.string()?),
        other => walk.pass_member(other, 4),
    })?;
    Some(Pair { system: system.unwrap_or_default().into(), code: code.unwrap_or_default().into() })
}

fn pointer<'a>(walk: &mut Walk<'a, '_>) -> Option<Pointer<'a>> {
    let mut reference = None;
    walk.members(|walk, name| match name {
        "reference" => once(&mut reference, walk.text()?),
        other => walk.pass_member(other, 3),
    })?;
    Some(Pointer { reference })
}

fn between(walk: &mut Walk<'_, '_>) -> Option<Between> {
    let (mut start, mut end) = (None, None);
    walk.members(|walk, name| match name {
        "start" => once(&mut start, at(walk)?),
        "end" => once(&mut end, at(walk)?),
        other => walk.pass_member(other, 2),
    })?;
    Some(Between { start, end })
}

fn at(walk: &mut Walk<'_, '_>) -> Option<At> {
    Point::read(walk.string()?).map(At)
}

/// None for a member that is written twice.
fn once<T>(slot: &mut Option<T>, value: T) -> Option<()> {
    slot.replace(value).is_none().then_some(())
}

/// A place in a document. All that goes over a value goes past it, and says none where it is not as expected.
struct Walk<'a, 'p> {
    text: &'a str,
    at: usize,
    passed: &'p mut Passed<'a>,
}

impl<'a> Walk<'a, '_> {
    #[inline]
    fn byte(&self) -> Option<u8> {
        self.text.as_bytes().get(self.at).copied()
    }

    /// The next byte that is no white space.
    #[inline]
    fn next(&mut self) -> Option<u8> {
        // other white space is no plain text
        while self.byte()? == b' ' {
            self.at += 1;
        }
        self.byte()
    }

    #[inline]
    fn expect(&mut self, byte: u8) -> Option<()> {
        let found = self.next()? == byte;
        self.at += usize::from(found);
        found.then_some(())
    }

    /// The text between two quotes.
    #[inline]
    fn string(&mut self) -> Option<&'a str> {
        self.expect(b'"')?;
        let from = self.at;
        let bytes = self.text.as_bytes();
        let mut end = from;
        loop {
            let Some(eight) = bytes.get(end..).and_then(|rest| rest.first_chunk::<8>()) else {
                end += bytes.get(end..)?.iter().position(|b| *b == b'"')?;
                break;
            };
            let quotes = quotes(u64::from_le_bytes(*eight));
            if quotes != 0 {
                end += quotes.trailing_zeros() as usize / 8;
                break;
            }
            end += 8;
        }
        self.at = end + 1;
        self.text.get(from..end)
    }

    fn text(&mut self) -> Option<Text<'a>> {
        self.string().map(|text| Text(Cow::Borrowed(text)))
    }

    /// An object, each of whose values `each` goes past.
    #[inline]
    fn members(&mut self, mut each: impl FnMut(&mut Self, &'a str) -> Option<()>) -> Option<()> {
        self.expect(b'{')?;
        if self.next()? == b'}' {
            self.at += 1;
            return Some(());
        }
        loop {
            let name = self.string()?;
            self.expect(b':')?;
            each(self, name)?;
            match self.next()? {
                b',' => self.at += 1,
                b'}' => break,
                _ => return None,
            }
        }
        self.at += 1;
        Some(())
    }

    /// An array, each of whose values `each` goes past.
    #[inline]
    fn elements(&mut self, mut each: impl FnMut(&mut Self) -> Option<()>) -> Option<()> {
        self.expect(b'[')?;
        if self.next()? == b']' {
            self.at += 1;
            return Some(());
        }
        loop {
            each(self)?;
            match self.next()? {
                b',' => self.at += 1,
                b']' => break,
                _ => return None,
            }
        }
        self.at += 1;
        Some(())
    }

    /// The values of an array.
    fn all<T>(&mut self, one: impl Fn(&mut Self) -> Option<T>) -> Option<Vec<T>> {
        let mut all = Vec::new();
        self.elements(|walk| {
            all.push(one(walk)?);
            Some(())
        })?;
        Some(all)
    }

    /// The value of the member `name`, of which nothing is asked but that it changes no meaning.
    #[inline]
    fn pass_member(&mut self, name: &str, depth: usize) -> Option<()> {
        if matches!(name, "modifierExtension" | "implicitRules") {
            return None;
        }
        if !matches!(self.next()?, b'{' | b'[') {
            return self.pass(depth);
        }
        let (from, rest) = (self.at, self.text.get(self.at..)?);
        let before = *self.passed.at(name, depth)?;
        if !before.is_empty() && rest.starts_with(before) {
            self.at += before.len();
            return Some(());
        }
        self.pass(depth)?;
        if self.at - from >= WORTH_COMPARING {
            *self.passed.at(name, depth)? = self.text.get(from..self.at)?;
        }
        Some(())
    }

    /// A value.
    fn pass(&mut self, depth: usize) -> Option<()> {
        match self.next()? {
            b'"' => self.string().map(drop),
            b'{' if depth < DEEPEST => self.members(|walk, name| walk.pass_member(name, depth + 1)),
            b'[' if depth < DEEPEST => self.elements(|walk| walk.pass(depth + 1)),
            b't' => self.word("true"),
            b'f' => self.word("false"),
            b'n' => self.word("null"),
            _ => self.number(),
        }
    }

    fn word(&mut self, word: &str) -> Option<()> {
        self.text.get(self.at..)?.starts_with(word).then(|| self.at += word.len())
    }

    /// A number without an exponent.
    fn number(&mut self) -> Option<()> {
        self.at += usize::from(self.byte()? == b'-');
        let zero = self.byte()? == b'0';
        let whole = self.digits()?;
        if zero && whole > 1 {
            return None;
        }
        if self.byte()? == b'.' {
            self.at += 1;
            self.digits()?;
        }
        (!matches!(self.byte()?, b'e' | b'E')).then_some(())
    }

    /// At least one digit.
    fn digits(&mut self) -> Option<usize> {
        let rest = self.text.as_bytes().get(self.at..)?;
        let count = rest.iter().take_while(|b| b.is_ascii_digit()).count();
        self.at += count;
        (count > 0).then_some(count)
    }
}

/// True if nothing in `body` is written with an escape, nor a control character: then a string ends at the next quote.
fn is_plain(body: &[u8]) -> bool {
    // all of it, and not up to the first: so many bytes are looked at in one step
    body.iter().fold(true, |plain, byte| plain & (*byte >= b' ') & (*byte != b'\\'))
}

/// Of eight bytes, the first at the low end: the highest bit of the first that is a quote; those after it mean nothing.
fn quotes(eight: u64) -> u64 {
    const ONES: u64 = u64::from_le_bytes([1; 8]);
    const HIGH: u64 = u64::from_le_bytes([0x80; 8]);
    let others = eight ^ (ONES * b'"' as u64);
    others.wrapping_sub(ONES) & !others & HIGH
}

#[cfg(test)]
mod tests {
    use super::{Charted, Passed, glance};

    const PLAIN: &str = r#"{"resourceType":"Procedure","id":"c-1","meta":{"versionId":"12","lastUpdated":"2026-03-07T12:00:00.120-06:00",    "profile":["urn:a"]},"identifier":[{"value":"E1","rank":-3,"weight":0.5,"old":false,"new":true}],"status":"completed",  "statusReason":{"text":"später"},"code":{"coding":[{"system":"urn:s","code":"1","display":"Zähne geputzt"},{"code":"2"},{}],"text":"t"}, "subject":{"reference":"Patient/p","display":"€"},"encounter":{"reference":"Encounter/e","type":null} , "performedPeriod" :{"start":"2026-03-07T12:00:00Z","end":"2026-03-08"},"note":[],"usedReference":[{"reference":"Device/d"},{}]}"#;
    const AT: &str = r#"{"id":"c","subject":{},"performedDateTime":"2026-03","code":{},"usedReference":[],"n":[[1,[2]],{"a":{"b":["a value that is worth comparing"]}}]}"#;

    /// Pieces of documents, sound and unsound.
    const PIECES: [&str; 40] = [
        "",
        " ",
        "\"",
        "\\",
        "\\\"",
        "\\u0041",
        "{",
        "}",
        "[",
        "]",
        ",",
        ":",
        "null",
        "true",
        "tru",
        "0",
        "01",
        "-",
        "-1.5",
        "1.",
        "1e5",
        ".",
        "\t",
        "\u{1}",
        "\u{7f}",
        "é",
        "{}",
        "[]",
        "\"\"",
        "\"id\":\"x\",",
        "\"status\":\"stopped\",",
        "\"status\":\"asleep\",",
        "\"subject\":{\"reference\":\"Patient/q\"},",
        "\"code\":null,",
        "\"contained\":[],",
        "\"modifierExtension\":[],",
        "\"performedDateTime\":\"2026-02-30\",",
        "\"performedString\":\"noon\",",
        "\"usedCode\":[],",
        "\"a\":[{\"implicitRules\":\"x\"}],",
    ];

    fn in_full(body: &[u8]) -> Result<Charted<'_>, serde_json::Error> {
        serde_json::from_slice(body)
    }

    #[test]
    fn what_records_write_takes_no_more_than_a_glance() {
        for body in [PLAIN, AT] {
            let seen = glance(body.as_bytes(), &mut Passed::new()).unwrap();
            assert_eq!(format!("{seen:?}"), format!("{:?}", in_full(body.as_bytes()).unwrap()));
        }
    }

    #[test]
    fn a_glance_reads_what_the_full_parser_reads_or_nothing() {
        let (mut roll, mut seen) = (1_u64, 0);
        let mut dice = |below: usize| {
            roll = roll.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (roll >> 33) as usize % below
        };
        let mut bodies = Vec::new();
        for round in 0..40_000 {
            let plain = if round % 2 == 0 { PLAIN } else { AT };
            let mut body = plain.as_bytes().to_vec();
            for _ in 0..=dice(2) {
                let piece = PIECES[dice(PIECES.len())].as_bytes();
                // members are put where members stand
                let member = piece.len() > 1 && piece.ends_with(b",");
                let from = if member { 1 } else { dice(body.len()) };
                let to = if member { 1 } else { (from + dice(4) * dice(2)).min(body.len()) };
                body.splice(from..to, piece.iter().copied());
            }
            bodies.push(body);
        }
        // what was passed over in one document must be none of the next one's if that is broken there
        let mut passed = Passed::new();
        for body in &bodies {
            let Some(glanced) = glance(body, &mut passed) else { continue };
            seen += 1;
            let full = in_full(body);
            let full = full.unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(body)));
            assert_eq!(format!("{glanced:?}"), format!("{full:?}"));
            assert!(!body.windows(19).any(|w| w == b"\"modifierExtension\""));
        }
        assert!(seen > 4_000, "{seen}");
    }

    #[test]
    fn eight_bytes_at_once_stop_where_each_would() {
        let texts = ["plain text of some length", "üöä€ of others", "\u{7f}\u{80}", ""];
        for text in texts {
            for (at, stop) in
                (0..=text.len()).flat_map(|at| [(at, "\""), (at, "\\"), (at, "\u{1f}"), (at, "\0")])
            {
                if !text.is_char_boundary(at) {
                    continue;
                }
                let inside = format!("{}{stop}{}", &text[..at], &text[at..]);
                let body = format!("{{\"subject\":{{}},\"x\":\"{inside}\"}}");
                assert!(glance(body.as_bytes(), &mut Passed::new()).is_none(), "{body:?}");
            }
            let body = format!("{{\"subject\":{{}},\"x\":\"{text}\"}}");
            assert!(glance(body.as_bytes(), &mut Passed::new()).is_some(), "{body:?}");
        }
    }
}
