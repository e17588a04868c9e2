//! Shapes of documents. What one record writes has few: the same members in the same order, and only some of its strings
//! differ from document to document. Where a document has a shape that was seen, only these strings are looked at; all
//! between them is compared, byte by byte, with a document that was read in full.

use std::collections::{BTreeMap, BTreeSet};

use std::ops::Range;

use xxhash_rust::xxh3::xxh3_64_with_seed;

use super::charted::Charted;
use super::glance::{Slot, equal, fill};
use crate::translate::export::KnownTexts;

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
    /// Where the strings of the last document are: room that is used again and again.
    strings: Vec<(usize, usize)>,
}

/// What is the same in all documents of a shape, up to a string that differs.
#[derive(Debug)]
struct Piece {
    /// It ends with the quote that the string begins with, or with the document.
    same: Box<[u8]>,
    /// Pieces that go on behind the string, the first of them with its other quote.
    next: Vec<usize>,
    /// What the string is that tells whether a document matters.
    tells: Tells,
    /// What the strings of the document are, if it ends here.
    end: Option<Box<End>>,
}

/// What a string tells of whether a document matters, as [`KnownTexts::may_matter`] has it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Tells {
    /// It does if this code is known.
    Code,
    /// It does if this is not the first version.
    Version,
    /// Nothing.
    Nothing,
}

/// What is known of a document of a shape before its strings are looked at.
#[derive(Debug)]
struct End {
    /// What its strings are, and what begins between them; true for those, which take no string.
    slots: Vec<(Slot, bool)>,
    /// A code that is the same in all of them is known, or they do not say that they are the first version.
    matters: bool,
}

/// A document of a shape that was seen.
pub(crate) struct Cast<'a, 'm> {
    end: &'m End,
    text: &'a str,
    /// Where its strings are.
    strings: &'m [(usize, usize)],
}

/// What the shapes that were seen tell of a document.
pub(crate) enum Seen<'a, 'm> {
    /// It does not matter.
    Dull,
    /// It matters.
    Shape(Cast<'a, 'm>),
    /// It has none of these shapes.
    Unseen,
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
    /// A document by the shapes that were seen. Without `known` each of them matters.
    pub(crate) fn cast<'a>(&mut self, body: &'a [u8], known: Option<&KnownTexts>) -> Seen<'a, '_> {
        let Moulds { pieces, first, strings, .. } = self;
        let Some((end, matters)) = follow(pieces, first, body, known, strings) else { return Seen::Unseen };
        if !matters {
            return Seen::Dull;
        }
        let Ok(text) = std::str::from_utf8(body) else { return Seen::Unseen };
        Seen::Shape(Cast { end, text, strings })
    }

    /// Learns the shape of a document that is read at a glance, and what is seen of it.
    pub(super) fn learn(&mut self, text: &str, seen: &[(Slot, &str)], known: &KnownTexts) {
        if self.is_learned() {
            return;
        }
        self.lessons += 1;
        let values = values(text);
        let at = |said: &str| (said.as_ptr() as usize).wrapping_sub(text.as_ptr() as usize);
        let asked: BTreeMap<usize, Slot> =
            seen.iter().filter(|(slot, _)| !is_bare(*slot)).map(|(slot, said)| (at(said), *slot)).collect();
        if self.expects(text, &values, &asked) {
            return;
        }
        // what was seen, with the other strings that differ among it
        let (mut pieces, mut from, mut seen) = (Vec::new(), 0, seen.iter());
        let mut end = End { slots: Vec::new(), matters: false };
        let mut versions = 0;
        for Value { path, member, range } in &values {
            let said = text.get(range.clone()).unwrap_or_default();
            let slot = asked.get(&range.start).copied().or(self.holes.contains(path).then_some(Slot::Other));
            versions += u32::from(*member == "versionId");
            let Some(slot) = slot else {
                end.matters |= *member == "code" && known.has(said.as_bytes());
                end.matters |= *member == "versionId" && said != "1";
                continue;
            };
            let tells = match *member {
                "code" => Tells::Code,
                "versionId" => Tells::Version,
                _ => Tells::Nothing,
            };
            if slot != Slot::Other {
                let bare = seen.by_ref().take_while(|(seen, _)| is_bare(*seen));
                end.slots.extend(bare.map(|(bare, _)| (*bare, true)));
            }
            end.slots.push((slot, false));
            pieces.push((text.get(from..range.start).unwrap_or_default(), tells));
            from = range.end;
        }
        end.slots.extend(seen.map(|(bare, _)| (*bare, true)));
        end.matters |= versions == 0;
        if pieces.len() <= STRINGS {
            self.add(&pieces, text.get(from..).unwrap_or_default(), end);
        }
    }

    /// True if no more shapes are learned.
    pub(super) fn is_learned(&self) -> bool {
        self.lessons >= LESSONS || self.pieces.len() >= PIECES
    }

    /// Notes what stands where nobody asks; true if a string is now expected to differ that was not before: then all
    /// shapes are forgotten, for they have it as it was.
    fn expects(&mut self, text: &str, values: &[Value<'_>], asked: &BTreeMap<usize, Slot>) -> bool {
        let before = self.holes.len();
        let others = values.iter().filter(|value| !asked.contains_key(&value.range.start));
        for Value { path, range, .. } in others {
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

    fn add(&mut self, pieces: &[(&str, Tells)], last: &str, end: End) {
        let mut behind = None;
        for (piece, tells) in pieces {
            behind = Some(self.piece(behind, piece, *tells, None));
        }
        self.piece(behind, last, Tells::Nothing, Some(end));
    }

    /// The piece behind another one, or at the start, that is `same`; made if it is not there.
    fn piece(&mut self, behind: Option<usize>, same: &str, tells: Tells, end: Option<End>) -> usize {
        let siblings = match behind {
            Some(behind) => self.pieces.get(behind).map(|p| p.next.as_slice()),
            None => Some(self.first.as_slice()),
        };
        let is = |p: &Piece| *p.same == *same.as_bytes() && p.end.is_some() == end.is_some();
        let found =
            siblings.unwrap_or_default().iter().find(|n| self.pieces.get(**n).is_some_and(is)).copied();
        found.unwrap_or_else(|| {
            let new = self.pieces.len();
            let (same, end) = (same.as_bytes().into(), end.map(Box::new));
            self.pieces.push(Piece { same, next: Vec::new(), tells, end });
            match behind.and_then(|behind| self.pieces.get_mut(behind)) {
                Some(behind) => behind.next.push(new),
                None => self.first.push(new),
            }
            new
        })
    }
}

/// Goes along a shape to its end, and notes where the strings are; and whether the document matters.
#[inline]
fn follow<'m>(
    pieces: &'m [Piece],
    first: &'m [usize],
    body: &[u8],
    known: Option<&KnownTexts>,
    strings: &mut Vec<(usize, usize)>,
) -> Option<(&'m End, bool)> {
    strings.clear();
    let (mut places, mut at, mut matters) = (first, 0, known.is_none());
    loop {
        let rest = body.get(at..)?;
        let fits = |place: &&usize| pieces.get(**place).is_some_and(|p| rest.starts_with(&p.same));
        let piece = pieces.get(*places.iter().find(fits)?)?;
        at += piece.same.len();
        if let Some(end) = &piece.end {
            return (at == body.len()).then_some((end, matters || end.matters));
        }
        let to = at + string(body.get(at..)?)?;
        strings.push((at, to));
        if let Some(known) = known.filter(|_| !matters) {
            let said = body.get(at..to)?;
            matters = match piece.tells {
                Tells::Code => known.has(said),
                Tells::Version => said != b"1",
                Tells::Nothing => false,
            };
        }
        // the quote belongs to what is the same behind it
        at = to;
        places = &piece.next;
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

impl<'a> Cast<'a, '_> {
    /// Fills an empty Procedure with it; none if a text is not as it must be.
    pub(super) fn fill(&self, read: &mut Charted<'a>) -> Option<()> {
        let mut strings = self.strings.iter();
        let mut string =
            || strings.next().and_then(|(from, to)| self.text.get(*from..*to)).unwrap_or_default();
        let mut said = |bare: bool| if bare { "" } else { string() };
        fill(read, self.end.slots.iter().map(|(slot, bare)| (*slot, said(*bare))))
    }
}

/// The length of a string; none if it has an escape, a control character or no end.
#[inline]
fn string(rest: &[u8]) -> Option<usize> {
    const LOW: u64 = u64::from_le_bytes([b' '; 8]);
    const HIGH: u64 = u64::from_le_bytes([0x80; 8]);
    let mut at = 0;
    loop {
        let Some(eight) = rest.get(at..).and_then(|rest| rest.first_chunk::<8>()) else {
            let tail = rest.get(at..)?;
            let quote = tail.iter().position(|byte| *byte == b'"')?;
            let sound = tail.get(..quote)?.iter().all(|byte| *byte >= b' ' && *byte != b'\\');
            return sound.then_some(at + quote);
        };
        let eight = u64::from_le_bytes(*eight);
        let quote = equal(eight, b'"');
        let unsound = equal(eight, b'\\') | (eight.wrapping_sub(LOW) & !eight & HIGH);
        // of each, only the first is told for certain, and only what stands before the quote is of the string
        let before = (quote & quote.wrapping_neg()).wrapping_sub(1);
        if unsound & before != 0 {
            return None;
        }
        if quote != 0 {
            return Some(at + quote.trailing_zeros() as usize / 8);
        }
        at += 8;
    }
}

/// A string that is no name of a member.
struct Value<'a> {
    /// A number for where it stands, by the names of the members that it is in.
    path: u64,
    /// The member that it is the value of; empty in an array.
    member: &'a str,
    /// Its bytes.
    range: Range<usize>,
}

/// The strings of a sound document without escapes that are no names of members.
fn values(text: &str) -> Vec<Value<'_>> {
    let (mut out, mut above, mut path, mut member, mut at) = (Vec::new(), Vec::new(), 0_u64, "", 0);
    let bytes = text.as_bytes();
    while let Some(byte) = bytes.get(at) {
        at += 1;
        match byte {
            b'{' | b'[' => {
                above.push(path);
                member = "";
            }
            b'}' | b']' => path = above.pop().unwrap_or_default(),
            b'"' => {
                let rest = bytes.get(at..).unwrap_or_default();
                let end = at + memchr::memchr(b'"', rest).unwrap_or(rest.len());
                let behind = bytes.get(end + 1..).unwrap_or_default();
                if behind.iter().find(|b| **b != b' ') == Some(&b':') {
                    member = text.get(at..end).unwrap_or_default();
                    path = xxh3_64_with_seed(member.as_bytes(), above.last().copied().unwrap_or_default());
                } else {
                    out.push(Value { path, member, range: at..end });
                    member = "";
                }
                at = end + 1;
            }
            _ => {}
        }
    }
    out
}
