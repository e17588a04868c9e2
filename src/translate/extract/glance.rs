//! A Procedure read in one pass over its bytes, where it is written as nearly all are.
//!
//! A parser of any JSON into any shape takes three times as long, and half of the time of a whole export went there.
//! Whatever is unusual (an escape, a member that is written twice or is not of R4's type, a resource inside the
//! document) is left to that parser: what is read at a glance is sound JSON and is read as it would have been. And
//! what has the shape of a document before it is not even gone over: see [`super::mould`].

use std::borrow::Cow;

use fhir_models::codes::EventStatus;
use fhir_models::primitive::Point;

use super::charted::{At, Between, Charted, Concept, Pair, Pointer, Text, Told, Updated};
use super::mould::{Cast, Moulds};
use crate::translate::export::KnownTexts;

/// Things that are asked for of most Procedures.
const MANY: usize = 32;

/// Objects and arrays within one another that are still read at a glance; records have less than ten.
const DEEPEST: usize = 32;

/// What a string is of a Procedure, or what begins with an object or an array of it. In the order of a document they
/// tell all of it that is asked for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Slot {
    Id,
    Meta,
    Version,
    Updated,
    Status,
    Reason,
    ReasonPair,
    ReasonSystem,
    ReasonCode,
    Code,
    CodePair,
    CodeSystem,
    CodeCode,
    Subject,
    SubjectReference,
    Encounter,
    EncounterReference,
    DateTime,
    Period,
    Start,
    End,
    UsedReferences,
    Used,
    UsedReference,
    /// A string that is not asked for.
    Other,
}

/// Fills an empty Procedure with the one in `body`; none if it takes more than a glance. `cast`: it, if it has a shape
/// that was seen.
pub(crate) fn glance<'a>(body: &'a [u8], cast: Option<&Cast<'a, '_>>, read: &mut Charted<'a>) -> Option<()> {
    match cast {
        Some(cast) => cast.fill(read),
        None => fill(read, look(body)?.1.into_iter()),
    }
}

/// Learns the shape of a Procedure, if it takes no more than a glance.
pub(crate) fn learn(body: &[u8], moulds: &mut Moulds, known: &KnownTexts) {
    if !moulds.is_learned()
        && let Some((text, seen)) = look(body)
    {
        moulds.learn(text, &seen, known);
    }
}

/// The text of a Procedure, and what is asked for of it, in its order.
fn look(body: &[u8]) -> Option<(&str, Vec<(Slot, &str)>)> {
    if !is_plain(body) {
        return None;
    }
    let text = std::str::from_utf8(body).ok()?;
    let mut walk = Walk { text, at: 0, seen: Vec::with_capacity(MANY) };
    procedure(&mut walk)?;
    (walk.at == text.len()).then_some((text, walk.seen))
}

fn procedure(walk: &mut Walk<'_>) -> Option<()> {
    let mut given = Given::default();
    walk.members(|walk, name| match name {
        "id" => given.once(0).and(walk.sees_string(Slot::Id)),
        "meta" => given.once(1).and(told(walk)),
        "status" => given.once(2).and(walk.sees_string(Slot::Status)),
        "statusReason" => given.once(3).and(concept(
            walk,
            Slot::Reason,
            [Slot::ReasonPair, Slot::ReasonSystem, Slot::ReasonCode],
        )),
        "code" => {
            given.once(4).and(concept(walk, Slot::Code, [Slot::CodePair, Slot::CodeSystem, Slot::CodeCode]))
        }
        "subject" => given.once(5).and(pointer(walk, Slot::Subject, Slot::SubjectReference)),
        "encounter" => given.once(6).and(pointer(walk, Slot::Encounter, Slot::EncounterReference)),
        "performedDateTime" => given.once(7).and(walk.sees_string(Slot::DateTime)),
        "performedPeriod" => given.once(8).and(between(walk)),
        "usedReference" => {
            given.once(9)?;
            walk.sees(Slot::UsedReferences);
            walk.elements(|walk| pointer(walk, Slot::Used, Slot::UsedReference))
        }
        "performedString" | "performedAge" | "performedRange" | "contained" | "focalDevice" | "usedCode" => {
            None
        }
        other => walk.pass_member(other, 1),
    })
}

fn told(walk: &mut Walk<'_>) -> Option<()> {
    let mut given = Given::default();
    walk.sees(Slot::Meta);
    walk.members(|walk, name| match name {
        "versionId" => given.once(0).and(walk.sees_string(Slot::Version)),
        "lastUpdated" => given.once(1).and(walk.sees_string(Slot::Updated)),
        other => walk.pass_member(other, 2),
    })
}

fn concept(walk: &mut Walk<'_>, concept: Slot, [pair, system, code]: [Slot; 3]) -> Option<()> {
    let mut given = Given::default();
    walk.sees(concept);
    walk.members(|walk, name| match name {
        "coding" => {
            given.once(0)?;
            walk.elements(|walk| {
                let mut given = Given::default();
                walk.sees(pair);
                walk.members(|walk, name| match name {
                    "system" => given.once(0).and(walk.sees_string(system)),
                    "code" => given.once(1).and(walk.sees_string(code)),
                    other => walk.pass_member(other, 4),
                })
            })
        }
        other => walk.pass_member(other, 2),
    })
}

fn pointer(walk: &mut Walk<'_>, pointer: Slot, reference: Slot) -> Option<()> {
    let mut given = Given::default();
    walk.sees(pointer);
    walk.members(|walk, name| match name {
        "reference" => given.once(0).and(walk.sees_string(reference)),
        other => walk.pass_member(other, 3),
    })
}

fn between(walk: &mut Walk<'_>) -> Option<()> {
    let mut given = Given::default();
    walk.sees(Slot::Period);
    walk.members(|walk, name| match name {
        "start" => given.once(0).and(walk.sees_string(Slot::Start)),
        "end" => given.once(1).and(walk.sees_string(Slot::End)),
        other => walk.pass_member(other, 2),
    })
}

/// The members of an object that were seen, by numbers of their own.
#[derive(Default)]
struct Given(u16);

impl Given {
    /// None for a member that is written twice.
    fn once(&mut self, member: u8) -> Option<()> {
        let bit = 1 << member;
        let new = self.0 & bit == 0;
        self.0 |= bit;
        new.then_some(())
    }
}

/// Fills an empty Procedure with what was seen of it; none if a text is not as it must be.
pub(super) fn fill<'a>(read: &mut Charted<'a>, seen: impl Iterator<Item = (Slot, &'a str)>) -> Option<()> {
    let mut subject = None;
    let text = |text: &'a str| Some(Text(Cow::Borrowed(text)));
    let at = |text: &'a str| Point::read(text).map(At);
    for (slot, said) in seen {
        match slot {
            Slot::Id => read.id = text(said),
            Slot::Meta => read.meta = Some(Told::default()),
            Slot::Version => read.meta.as_mut()?.version_id = text(said),
            Slot::Updated => read.meta.as_mut()?.last_updated = Some(Updated::read(said)?),
            Slot::Status => read.status = Some(EventStatus::from_code(said)?),
            Slot::Reason => read.status_reason = Some(Concept { coding: Vec::new() }),
            Slot::ReasonPair => read.status_reason.as_mut()?.coding.push(Pair::default()),
            Slot::ReasonSystem => read.status_reason.as_mut()?.coding.last_mut()?.system = said.into(),
            Slot::ReasonCode => read.status_reason.as_mut()?.coding.last_mut()?.code = said.into(),
            Slot::Code => read.code = Some(Concept { coding: Vec::with_capacity(4) }),
            Slot::CodePair => read.code.as_mut()?.coding.push(Pair::default()),
            Slot::CodeSystem => read.code.as_mut()?.coding.last_mut()?.system = said.into(),
            Slot::CodeCode => read.code.as_mut()?.coding.last_mut()?.code = said.into(),
            Slot::Subject => subject = Some(Pointer::default()),
            Slot::SubjectReference => subject.as_mut()?.reference = text(said),
            Slot::Encounter => read.encounter = Some(Pointer::default()),
            Slot::EncounterReference => read.encounter.as_mut()?.reference = text(said),
            Slot::DateTime => read.performed_date_time = Some(at(said)?),
            Slot::Period => read.performed_period = Some(Between { start: None, end: None }),
            Slot::Start => read.performed_period.as_mut()?.start = Some(at(said)?),
            Slot::End => read.performed_period.as_mut()?.end = Some(at(said)?),
            Slot::UsedReferences | Slot::Other => {}
            Slot::Used => read.used_reference.push(Pointer::default()),
            Slot::UsedReference => read.used_reference.last_mut()?.reference = text(said),
        }
    }
    read.subject = subject?;
    Some(())
}

/// A place in a document. All that goes over a value goes past it, and says none where it is not as expected.
struct Walk<'a> {
    text: &'a str,
    at: usize,
    seen: Vec<(Slot, &'a str)>,
}

impl<'a> Walk<'a> {
    /// Something of what is asked for begins here.
    fn sees(&mut self, slot: Slot) {
        self.seen.push((slot, ""));
    }

    /// A string that is asked for.
    fn sees_string(&mut self, slot: Slot) -> Option<()> {
        let text = self.string()?;
        self.seen.push((slot, text));
        Some(())
    }

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
            let quotes = equal(u64::from_le_bytes(*eight), b'"');
            if quotes != 0 {
                end += quotes.trailing_zeros() as usize / 8;
                break;
            }
            end += 8;
        }
        self.at = end + 1;
        self.text.get(from..end)
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

    /// The value of the member `name`, of which nothing is asked but that it changes no meaning.
    fn pass_member(&mut self, name: &str, depth: usize) -> Option<()> {
        if matches!(name, "modifierExtension" | "implicitRules") {
            return None;
        }
        self.pass(depth)
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

/// Of eight bytes, the first at the low end: the highest bit of the first that is `byte`; those after it mean nothing.
pub(super) fn equal(eight: u64, byte: u8) -> u64 {
    const ONES: u64 = u64::from_le_bytes([1; 8]);
    const HIGH: u64 = u64::from_le_bytes([0x80; 8]);
    let others = eight ^ (ONES * u64::from(byte));
    others.wrapping_sub(ONES) & !others & HIGH
}

#[cfg(test)]
mod tests;
