//! The lines of an export: what each of them is, and what of it is kept.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::io;
use std::sync::atomic::AtomicBool;

use fhir_models::ParseError;
use memchr::memchr;
use serde::Deserialize;
use serde_json::value::RawValue;
use xxhash_rust::xxh3::xxh3_64;

use super::input::{Inputs, Place};
use super::record::{Kept, Parts, Spill, What};
use crate::care::time::Instant;
use crate::site::Site;
use crate::translate::document;
use crate::translate::export::{Charting, Head, KINDS, KnownTexts, Moulds, Seen, charting, head, learn};
use crate::translate::extract::{Said, said, task_may_matter};

/// How many bad lines are remembered with their reason; the rest are counted.
pub(super) const REJECTED_REMEMBERED: usize = 10_000;

/// What everyone who reads lines shares.
#[derive(Clone, Copy)]
pub(super) struct Desk<'a> {
    pub(super) inputs: &'a Inputs,
    pub(super) site: &'a Site,
    pub(super) known: &'a KnownTexts,
    pub(super) spill: &'a Spill,
    /// Stands for when everything was received.
    pub(super) received: Instant,
    /// Every document is read as the service reads it at its door.
    pub(super) thorough: bool,
    /// What Procedures and Observations without a known code may tell by the devices that they used.
    pub(super) by_device: bool,
    /// Nobody begins another block.
    pub(super) stopped: &'a AtomicBool,
}

/// A line that could not be read.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Rejected {
    pub(super) place: Place,
    /// Within the block, from 0.
    pub(super) line: u64,
    pub(super) why: String,
}

/// A document that is not one patient's.
#[derive(Clone, Debug)]
pub(super) struct Common {
    pub(super) kind: &'static str,
    pub(super) head: Head<'static>,
    pub(super) digest: u64,
    pub(super) body: Vec<u8>,
}

/// What one reader found.
pub(super) struct Found {
    pub(super) parts: Parts,
    pub(super) common: Vec<Common>,
    /// Whose an encounter is.
    pub(super) encounters: Vec<(String, String)>,
    /// Lines of each block, by which lines are numbered.
    pub(super) lines: BTreeMap<Place, u64>,
    pub(super) rejected: Vec<Rejected>,
    pub(super) counts: Counts,
    /// The last instant at which a document was told.
    pub(super) latest: Option<Instant>,
    /// Shapes of documents.
    moulds: Moulds,
}

/// How many documents of what sort.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Counts {
    pub(super) lines: u64,
    pub(super) documents: u64,
    pub(super) kept: u64,
    pub(super) no_known_code: u64,
    pub(super) other_types: u64,
    pub(super) rejected: u64,
}

impl Counts {
    pub(super) fn add(&mut self, other: &Counts) {
        self.lines += other.lines;
        self.documents += other.documents;
        self.kept += other.kept;
        self.no_known_code += other.no_known_code;
        self.other_types += other.other_types;
        self.rejected += other.rejected;
    }
}

#[derive(Deserialize)]
struct Typed<'a> {
    #[serde(borrow, rename = "resourceType")]
    resource_type: Cow<'a, str>,
}

#[derive(Deserialize)]
struct Pages<'a> {
    #[serde(borrow, default)]
    entry: Vec<Page<'a>>,
}

#[derive(Deserialize)]
struct Page<'a> {
    #[serde(borrow)]
    resource: Option<&'a RawValue>,
}

impl Found {
    pub(super) fn new() -> Self {
        Found {
            parts: Parts::new(),
            common: Vec::new(),
            encounters: Vec::new(),
            lines: BTreeMap::new(),
            rejected: Vec::new(),
            counts: Counts::default(),
            latest: None,
            moulds: Moulds::default(),
        }
    }

    /// Reads the lines of a block.
    ///
    /// # Errors
    /// What does not fit into memory cannot be written.
    pub(super) fn block(&mut self, place: Place, block: &[u8], desk: &Desk<'_>) -> io::Result<()> {
        let (mut rest, mut number) = (block, 0);
        while !rest.is_empty() {
            let (line, after) = match memchr(b'\n', rest) {
                Some(at) => (rest.get(..at), rest.get(at + 1..)),
                None => (Some(rest), None),
            };
            rest = after.unwrap_or_default();
            let line = line.unwrap_or_default().trim_ascii();
            // a mark of UTF-8 at the start of a file is not part of its first line
            let line = line.strip_prefix(b"\xef\xbb\xbf").unwrap_or(line);
            if !line.is_empty() {
                self.counts.lines += 1;
                if let Err(why) = self.line(line, desk)? {
                    self.counts.rejected += 1;
                    if self.rejected.len() < REJECTED_REMEMBERED {
                        self.rejected.push(Rejected { place, line: number, why: why.to_string() });
                    }
                }
            }
            number += 1;
        }
        self.lines.insert(place, number);
        Ok(())
    }

    fn line(&mut self, line: &[u8], desk: &Desk<'_>) -> io::Result<Result<(), ParseError>> {
        let kind = match kind_of(line) {
            Ok(kind) => kind,
            Err(error) => return Ok(Err(error)),
        };
        if kind != "Bundle" {
            return self.document(&kind, line, desk);
        }
        let pages: Pages<'_> = match serde_json::from_slice(line) {
            Ok(pages) => pages,
            Err(error) => return Ok(Err(broken("Bundle", &error))),
        };
        let mut all = Ok(());
        for body in pages.entry.iter().filter_map(|p| p.resource).map(|r| r.get().as_bytes()) {
            let one = match kind_of(body) {
                Ok(kind) => self.document(&kind, body, desk)?,
                Err(error) => Err(error),
            };
            all = all.and(one);
        }
        Ok(all)
    }

    fn document(&mut self, kind: &str, body: &[u8], desk: &Desk<'_>) -> io::Result<Result<(), ParseError>> {
        self.counts.documents += 1;
        let Some(number) = KINDS.iter().position(|k| *k == kind) else {
            self.counts.other_types += 1;
            return Ok(Ok(()));
        };
        let kind = KINDS.get(number).copied().unwrap_or_default();
        let bases = &desk.site.settings.own_bases;
        let coded = matches!(kind, "Procedure" | "Observation");
        if desk.thorough
            && let Err(error) = document::read(kind, body, bases)
        {
            return Ok(Err(error));
        }
        let known = Some(desk.known).filter(|_| !desk.by_device);
        let seen = if kind == "Procedure" { self.moulds.cast(body, known) } else { Seen::Unseen };
        let unseen = kind == "Procedure" && matches!(seen, Seen::Unseen);
        let (dull, cast) = match seen {
            Seen::Dull => (true, None),
            Seen::Shape(cast) => (false, Some(cast)),
            Seen::Unseen if coded || kind == "Condition" => {
                (known.is_some_and(|k| !k.may_matter(body)), None)
            }
            Seen::Unseen => (false, None),
        };
        let said = if dull || !coded {
            None
        } else {
            Some(charting(kind, body, &desk.site.codes, bases, desk.received, cast.as_ref()))
        };
        if unseen {
            learn(body, &mut self.moulds, desk.known);
        }
        if dull {
            self.counts.no_known_code += 1;
            // whoever has no known code is not read; but half a line is told
            return Ok(match (body.first(), body.last()) {
                (Some(b'{'), Some(b'}')) => Ok(()),
                _ => head(kind, body, bases).map(|_| ()),
            });
        }
        if kind == "Task" && !task_may_matter(body) {
            self.counts.other_types += 1;
            return Ok(Ok(()));
        }
        let said = match said {
            Some(charting) => charting.map(|Charting { head, said }| (head, Some(said))),
            None => in_full(kind, body, desk),
        };
        let (head, said) = match said {
            Ok(said) => said,
            Err(error) => return Ok(Err(error)),
        };
        self.counts.kept += 1;
        self.latest = self.latest.max(head.told);
        let what = said.as_ref().map_or(What::Whole(body), |said| What::of(said, body));
        self.keep(number as u8, kind, head, what, body, desk)?;
        Ok(Ok(()))
    }

    fn keep(
        &mut self,
        number: u8,
        kind: &'static str,
        head: Head<'_>,
        what: What<'_>,
        body: &[u8],
        desk: &Desk<'_>,
    ) -> io::Result<()> {
        if let Some(patient) = &head.patient {
            let kept = Kept {
                patient,
                kind: number,
                id: &head.id,
                told: head.told.unwrap_or(Instant::EARLIEST),
                version: head.version,
                what,
            };
            self.parts.keep(&kept, desk.spill)?;
            if kind == "Encounter" {
                self.encounters.push((head.id.clone().into_owned(), patient.clone().into_owned()));
            }
        }
        if head.patient.is_none() || kind == "Device" {
            self.common.push(Common {
                kind,
                head: head.into_owned(),
                digest: xxh3_64(body),
                body: body.to_vec(),
            });
        }
        Ok(())
    }
}

/// A document that is read as at the door: which it is, and what it says if that rests on nothing else.
fn in_full<'a>(kind: &str, body: &'a [u8], desk: &Desk<'_>) -> Result<(Head<'a>, Option<Said>), ParseError> {
    let bases = &desk.site.settings.own_bases;
    let read = document::read(kind, body, bases)?;
    let mut head = head(kind, body, bases)?;
    head.patient = read.links.patient.map(Cow::Owned);
    head.encounter = read.links.encounter.map(Cow::Owned);
    let stored = head.stored(kind, body, desk.received);
    let said = (kind == "Task").then(|| said(&[stored], &stored, &desk.site.codes, bases));
    Ok((head, said))
}

/// The type that a document says it is.
fn kind_of(body: &[u8]) -> Result<Cow<'_, str>, ParseError> {
    const START: &[u8] = b"{\"resourceType\":\"";
    if let Some(rest) = body.strip_prefix(START)
        && let Some(name) = memchr(b'"', rest).and_then(|end| rest.get(..end))
        && name.iter().all(u8::is_ascii_alphabetic)
        && let Ok(name) = std::str::from_utf8(name)
    {
        return Ok(name.into());
    }
    if body.first() != Some(&b'{') {
        let why = "expected one JSON object, a resource, on a line of its own";
        return Err(ParseError::new(fhir_models::IssueKind::Structure, "line", why));
    }
    let typed: Typed<'_> = serde_json::from_slice(body).map_err(|e| broken("resource", &e))?;
    Ok(typed.resource_type)
}

/// What the parser says, without what it quotes.
fn broken(what: &str, error: &serde_json::Error) -> ParseError {
    ParseError::new(fhir_models::IssueKind::Structure, what, error.to_string())
}
