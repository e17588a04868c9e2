//! Shapes of documents. What one record writes has few: the same members in the same order, and only some of its strings
//! differ from document to document. Where a document has a shape that was seen, only these strings are looked at; all
//! between them is compared, byte by byte, with a document that was read in full.

use std::collections::{BTreeMap, BTreeSet};

use xxhash_rust::xxh3::xxh3_64_with_seed;

use super::charted::Charted;
use super::glance::{Slot, fill};

/// Shapes that were seen, as a tree: documents with the same beginning share it.
#[derive(Debug, Default)]
pub(crate) struct Moulds {
    pieces: Vec<Piece>,
    /// Pieces that a document begins with.
    first: Vec<usize>,
    /// Strings that nobody asks for and that differ from document to document, by where they stand.
    holes: BTreeSet<u64>,
    /// What stood last where such strings stand, and how often that was another than before.
    varied: BTreeMap<u64, (u64, u32)>,
    /// How many documents were learned from.
    lessons: u32,
}

/// What is the same in all documents of a shape, up to a string that differs.
#[derive(Debug)]
struct Piece {
    /// It ends with the quote that the string begins with, or with the document.
    same: Box<[u8]>,
    /// Pieces that go on behind the string, the first of them with its other quote.
    next: Vec<usize>,
    /// What the strings of the document are, if it ends here; those that take no string are true.
    end: Option<Box<[(Slot, bool)]>>,
}

/// A string that often is another than in the document before is expected to differ.
const VARIED: u32 = 8;

/// Strings that differ in one document; one with more is read at a glance.
const STRINGS: usize = 48;

/// Pieces of all shapes. A record with more shapes is better read at a glance.
const PIECES: usize = 4_096;

/// Documents that are learned from: what has not been learned by then is none of the usual shapes.
const LESSONS: u32 = 20_000;

impl Moulds {
    /// Fills an empty Procedure with a document of a shape that was seen; none for others.
    pub(super) fn cast<'a>(&self, body: &'a [u8], read: &mut Charted<'a>) -> Option<()> {
        let mut strings = [""; STRINGS];
        let (mut places, mut count) = (&self.first, 0);
        let mut rest = body;
        let end = loop {
            let fits = |place: &&usize| self.pieces.get(**place).is_some_and(|p| rest.starts_with(&p.same));
            let piece = self.pieces.get(*places.iter().find(fits)?)?;
            rest = rest.get(piece.same.len()..)?;
            if let Some(end) = &piece.end {
                break end;
            }
            let (string, after) = string(rest)?;
            *strings.get_mut(count)? = string;
            count += 1;
            rest = after;
            places = &piece.next;
        };
        if !rest.is_empty() {
            return None;
        }
        let mut strings = strings.into_iter();
        let texts = end
            .iter()
            .map(|(slot, bare)| (*slot, if *bare { "" } else { strings.next().unwrap_or_default() }));
        fill(read, texts)
    }

    /// Learns the shape of a document that was read at a glance, and what was seen of it.
    pub(super) fn learn(&mut self, text: &str, seen: &[(Slot, &str)]) {
        if self.lessons >= LESSONS || self.pieces.len() >= PIECES {
            return;
        }
        self.lessons += 1;
        let strings = values(text);
        let at = |said: &str| (said.as_ptr() as usize).wrapping_sub(text.as_ptr() as usize);
        let asked: BTreeMap<usize, Slot> =
            seen.iter().filter(|(slot, _)| !is_bare(*slot)).map(|(slot, said)| (at(said), *slot)).collect();
        if self.expects(text, &strings, &asked) {
            return;
        }
        // what was seen, with the other strings that differ among it
        let (mut end, mut pieces, mut from) = (Vec::new(), Vec::new(), 0);
        let mut seen = seen.iter();
        for (path, range) in &strings {
            let slot = match asked.get(&range.start) {
                Some(slot) => *slot,
                None if self.holes.contains(path) => Slot::Other,
                None => continue,
            };
            if slot != Slot::Other {
                let until = seen.by_ref().take_while(|(seen, _)| is_bare(*seen));
                end.extend(until.map(|(bare, _)| (*bare, true)));
            }
            end.push((slot, false));
            pieces.push(text.get(from..range.start).unwrap_or_default());
            from = range.end;
        }
        end.extend(seen.map(|(bare, _)| (*bare, true)));
        if pieces.len() <= STRINGS {
            self.add(&pieces, text.get(from..).unwrap_or_default(), end);
        }
    }

    /// Notes what stands where nobody asks; true if a string is now expected to differ that was not before: then all
    /// shapes are forgotten, for they have it as it was.
    fn expects(&mut self, text: &str, strings: &[Value], asked: &BTreeMap<usize, Slot>) -> bool {
        let before = self.holes.len();
        for (path, range) in strings.iter().filter(|(_, range)| !asked.contains_key(&range.start)) {
            let now = xxh3_64_with_seed(text.get(range.clone()).unwrap_or_default().as_bytes(), 0);
            let (last, times) = self.varied.entry(*path).or_insert((now, 0));
            *times += u32::from(*last != now);
            *last = now;
            if *times > VARIED {
                self.holes.insert(*path);
            }
        }
        let more = self.holes.len() > before;
        if more {
            self.pieces.clear();
            self.first.clear();
        }
        more
    }

    fn add(&mut self, pieces: &[&str], last: &str, end: Vec<(Slot, bool)>) {
        let mut behind = None;
        for piece in pieces {
            behind = Some(self.piece(behind, piece, None));
        }
        self.piece(behind, last, Some(end));
    }

    /// The piece behind another one, or at the start, that is `same`; made if it is not there.
    fn piece(&mut self, behind: Option<usize>, same: &str, end: Option<Vec<(Slot, bool)>>) -> usize {
        let new = self.pieces.len();
        let places = match behind {
            Some(behind) => self.pieces.get_mut(behind).map(|p| std::mem::take(&mut p.next)),
            None => Some(std::mem::take(&mut self.first)),
        };
        let mut places = places.unwrap_or_default();
        let is = |p: &Piece| *p.same == *same.as_bytes() && p.end.is_some() == end.is_some();
        let found = places.iter().copied().find(|place| self.pieces.get(*place).is_some_and(is));
        if found.is_none() {
            self.pieces.push(Piece {
                same: same.as_bytes().into(),
                next: Vec::new(),
                end: end.map(Into::into),
            });
            places.push(new);
        }
        match behind.and_then(|behind| self.pieces.get_mut(behind)) {
            Some(behind) => behind.next = places,
            None => self.first = places,
        }
        found.unwrap_or(new)
    }
}

/// Where something begins that has no string of its own.
fn is_bare(slot: Slot) -> bool {
    match slot {
        Slot::Meta
        | Slot::Reason
        | Slot::ReasonPair
        | Slot::Code
        | Slot::CodePair
        | Slot::Subject
        | Slot::Encounter
        | Slot::Period
        | Slot::UsedReferences
        | Slot::Used => true,
        Slot::Id
        | Slot::Version
        | Slot::Updated
        | Slot::Status
        | Slot::ReasonSystem
        | Slot::ReasonCode
        | Slot::CodeSystem
        | Slot::CodeCode
        | Slot::SubjectReference
        | Slot::EncounterReference
        | Slot::DateTime
        | Slot::Start
        | Slot::End
        | Slot::UsedReference
        | Slot::Other => false,
    }
}

/// A string and what is behind its quote; none if it has an escape, a control character or no end, or is not UTF-8.
#[inline]
fn string(rest: &[u8]) -> Option<(&str, &[u8])> {
    const ONES: u64 = u64::from_le_bytes([1; 8]);
    const HIGH: u64 = u64::from_le_bytes([0x80; 8]);
    let is = |eight: u64, byte: u8| {
        let others = eight ^ (ONES * u64::from(byte));
        others.wrapping_sub(ONES) & !others & HIGH
    };
    let mut at = 0;
    let end = loop {
        let Some(eight) = rest.get(at..).and_then(|rest| rest.first_chunk::<8>()) else {
            let tail = rest.get(at..)?;
            let quote = tail.iter().position(|byte| *byte == b'"')?;
            let sound = tail.get(..quote)?.iter().all(|byte| *byte >= b' ' && *byte != b'\\');
            break sound.then_some(at + quote)?;
        };
        let eight = u64::from_le_bytes(*eight);
        let quote = is(eight, b'"');
        let unsound = is(eight, b'\\') | (eight.wrapping_sub(ONES * u64::from(b' ')) & !eight & HIGH);
        // of each, only the first is told for certain, and only what stands before the quote is of the string
        let before = (quote & quote.wrapping_neg()).wrapping_sub(1);
        if unsound & before != 0 {
            return None;
        }
        if quote != 0 {
            break at + quote.trailing_zeros() as usize / 8;
        }
        at += 8;
    };
    let text = std::str::from_utf8(rest.get(..end)?).ok()?;
    // the quote belongs to what is the same behind it
    Some((text, rest.get(end..)?))
}

/// A string: a number for where it stands, by the names of the members that it is in, and its bytes.
type Value = (u64, std::ops::Range<usize>);

/// The strings of a sound document without escapes that are no names of members.
fn values(text: &str) -> Vec<Value> {
    let (mut out, mut path, mut name, mut at) = (Vec::new(), Vec::new(), 0_u64, 0);
    let bytes = text.as_bytes();
    while let Some(byte) = bytes.get(at) {
        at += 1;
        match byte {
            b'{' | b'[' => path.push(name),
            b'}' | b']' => name = path.pop().unwrap_or_default(),
            b'"' => {
                let rest = bytes.get(at..).unwrap_or_default();
                let end = at + memchr::memchr(b'"', rest).unwrap_or(rest.len());
                let behind = bytes.get(end + 1..).unwrap_or_default();
                if behind.iter().find(|b| **b != b' ') == Some(&b':') {
                    let above = path.last().copied().unwrap_or_default();
                    name = xxh3_64_with_seed(bytes.get(at..end).unwrap_or_default(), above);
                } else {
                    out.push((name, at..end));
                }
                at = end + 1;
            }
            _ => {}
        }
    }
    out
}
