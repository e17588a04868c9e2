//! What is kept of each document between reading and counting: a few bytes for plain care, the document itself for the
//! rest, in partitions by patient. What does not fit into memory goes to files.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use xxhash_rust::xxh3::xxh3_64;

use crate::care::facts::{Code, When};
use crate::care::time::Instant;
use crate::translate::codes::ACTIVITIES;
use crate::translate::export::KINDS;
use crate::translate::extract::{Care, Made, Said, Tell, Tells};

/// How many parts the patients are split into. Each is counted by itself, so a hundredth of a large export is in memory.
pub(super) const PARTS: usize = 128;

/// How much room is made at a time for what is kept of a part. A buffer that grows by moving would be copied, and its
/// new pages cleared, again and again.
const PIECE: usize = 16 << 10;

/// About what a document takes at least, but where it says nothing.
pub(super) const SHORTEST: usize = 64;

/// What was kept, in bytes, for each part of the patients; no document lies across two pieces.
pub(super) struct Parts {
    held: Vec<Vec<Vec<u8>>>,
    size: usize,
}

/// What of all workers did not fit.
pub(super) struct Spill {
    folder: PathBuf,
    /// One for each part, made when there is something to put aside: most exports fit into memory.
    files: Vec<Mutex<Option<File>>>,
    /// How much each worker may hold.
    pub(super) budget: usize,
}

/// A document as it was kept.
#[derive(Clone, Debug)]
pub(super) struct Kept<'a> {
    pub(super) patient: &'a str,
    /// Index into [`KINDS`].
    pub(super) kind: u8,
    pub(super) id: &'a str,
    /// When this version was told; the earliest instant where it does not say.
    pub(super) told: Instant,
    pub(super) version: u64,
    pub(super) what: What<'a>,
}

/// What it says. Of two versions that were told at the same time the greater counts, whichever was read first.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum What<'a> {
    /// Nothing that counts; it may take back what an earlier version said.
    Nothing,
    /// Care that was given.
    Care { at: When, recorded: Instant, by_first: bool, activities: u8, encounter: Option<&'a str> },
    /// Nothing that can be used, and why.
    Doubt { why: &'a str, encounter: Option<&'a str> },
    /// To be read again with its other versions.
    Whole(&'a [u8]),
}

impl<'a> What<'a> {
    /// As little as can be kept of what a document says; `body` is the document.
    pub(super) fn of(said: &'a Said, body: &'a [u8]) -> Self {
        if said.by_version {
            return What::Whole(body);
        }
        let doubts = said.doubts.as_ref().map_or(&[][..], |d| d.as_slice());
        let made = match &said.encounter {
            Made::In(encounter) => Some(&**encounter),
            Made::Unsaid | Made::Elsewhere => None,
        };
        match (&said.tells, &said.encounter) {
            (Tells::Nothing, _) if doubts.is_empty() => What::Nothing,
            (Tells::Nothing, Made::In(_) | Made::Unsaid) => match doubts {
                [why] if why.len() < 255 => What::Doubt { why, encounter: made },
                _ => What::Whole(body),
            },
            (Tells::One(Tell::Care(care)), Made::In(_) | Made::Unsaid)
                if doubts.is_empty() && care.devices.is_none() =>
            {
                let Care { at, recorded, .. } = *care;
                let activities = mask(&care.activities);
                What::Care { at, recorded, by_first: said.by_first, activities, encounter: made }
            }
            _ => What::Whole(body),
        }
    }
}

/// A set of activities as bits, in the order of [`ACTIVITIES`].
fn mask(activities: &[Code]) -> u8 {
    let place = |code: &Code| ACTIVITIES.iter().position(|a| *a == &*code.0);
    activities.iter().filter_map(place).fold(0, |bits, place| bits | 1 << place)
}

/// The sets of activities by their bits, shared.
pub(super) fn sets() -> Vec<Arc<[Code]>> {
    let codes: Vec<Code> = ACTIVITIES.iter().map(|a| Code::new(a)).collect();
    let set = |bits: usize| {
        let mut set: Vec<Code> =
            codes.iter().enumerate().filter(|(n, _)| bits & 1 << n != 0).map(|(_, c)| c.clone()).collect();
        set.sort_unstable();
        set.into()
    };
    (0..1 << ACTIVITIES.len()).map(set).collect()
}

/// The part to which a patient belongs.
fn part(patient: &str) -> usize {
    (xxh3_64(patient.as_bytes()) % PARTS as u64) as usize
}

impl Parts {
    pub(super) fn new() -> Self {
        Parts { held: vec![Vec::new(); PARTS], size: 0 }
    }

    /// Keeps a document, in `spill` if there is no room.
    ///
    /// # Errors
    /// The file of what does not fit cannot be written.
    pub(super) fn keep(&mut self, kept: &Kept<'_>, spill: &Spill) -> io::Result<()> {
        let Some(pieces) = self.held.get_mut(part(kept.patient)) else { return Ok(()) };
        let room = most(kept);
        if pieces.last().is_none_or(|p| p.capacity() - p.len() < room) {
            pieces.push(Vec::with_capacity(PIECE.max(room)));
        }
        if let Some(piece) = pieces.last_mut() {
            let had = piece.len();
            write(kept, piece);
            self.size += piece.len() - had;
        }
        if self.size > spill.budget {
            self.size = 0;
            for (pieces, file) in self.held.iter_mut().zip(&spill.files) {
                if !pieces.is_empty() {
                    spill.put(file, pieces)?;
                    pieces.clear();
                }
            }
        }
        Ok(())
    }

    /// What is held of a part, taken out.
    pub(super) fn take(&mut self, part: usize) -> Vec<Vec<u8>> {
        self.held.get_mut(part).map(std::mem::take).unwrap_or_default()
    }
}

impl Spill {
    /// Files in `folder`, which nobody else sees and which are gone with the process.
    pub(super) fn new(folder: &Path, budget: usize) -> Self {
        let files = (0..PARTS).map(|_| Mutex::new(None)).collect();
        Spill { folder: folder.to_owned(), files, budget }
    }

    fn put(&self, file: &Mutex<Option<File>>, pieces: &[Vec<u8>]) -> io::Result<()> {
        let mut file = file.lock().unwrap_or_else(PoisonError::into_inner);
        let made = match file.take() {
            Some(made) => made,
            None => tempfile::tempfile_in(&self.folder)?,
        };
        let made = file.insert(made);
        pieces.iter().try_for_each(|piece| made.write_all(piece))
    }

    /// What was put aside of a part.
    ///
    /// # Errors
    /// It cannot be read.
    pub(super) fn read(&self, part: usize) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        if let Some(file) = self.files.get(part) {
            let mut file = file.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some(file) = &mut *file {
                file.seek(SeekFrom::Start(0))?;
                file.read_to_end(&mut bytes)?;
            }
        }
        Ok(bytes)
    }
}

/// More bytes than these [`write`] does not write.
fn most(kept: &Kept<'_>) -> usize {
    let what = match kept.what {
        What::Nothing => 0,
        What::Care { encounter, .. } => encounter.map_or(0, str::len),
        What::Doubt { why, encounter } => why.len() + encounter.map_or(0, str::len),
        What::Whole(body) => body.len(),
    };
    kept.patient.len() + kept.id.len() + what + 64
}

fn write(kept: &Kept<'_>, out: &mut Vec<u8>) {
    text(kept.patient, out);
    out.push(kept.kind);
    text(kept.id, out);
    for number in [kept.told.micros().cast_unsigned(), kept.version] {
        out.extend_from_slice(&number.to_le_bytes());
    }
    match &kept.what {
        What::Nothing => out.push(0),
        What::Care { at, recorded, by_first, activities, encounter } => {
            out.push(1);
            let (is_day, at) = match at {
                When::At(at) => (0, at.micros()),
                When::Day(day) => (1, i64::from(chrono::Datelike::num_days_from_ce(day))),
            };
            out.extend_from_slice(&at.to_le_bytes());
            out.extend_from_slice(&recorded.micros().to_le_bytes());
            let flags = is_day | u8::from(*by_first) << 1 | u8::from(encounter.is_some()) << 2;
            out.extend_from_slice(&[flags, *activities]);
            text(encounter.unwrap_or_default(), out);
        }
        What::Doubt { why, encounter } => {
            out.push(3);
            text(why, out);
            out.push(u8::from(encounter.is_some()));
            text(encounter.unwrap_or_default(), out);
        }
        What::Whole(body) => {
            out.push(2);
            out.extend_from_slice(&(body.len() as u64).to_le_bytes());
            out.extend_from_slice(body);
        }
    }
}

/// Ids have at most 64 bytes, reasons less than 255.
fn text(text: &str, out: &mut Vec<u8>) {
    let bytes = text.as_bytes();
    let bytes = bytes.get(..255).unwrap_or(bytes);
    out.push(bytes.len() as u8);
    out.extend_from_slice(bytes);
}

/// Reads back what was kept; ends at the first byte that is not as [`Parts::keep`] writes it.
pub(super) struct Reader<'a>(pub(super) &'a [u8]);

impl<'a> Iterator for Reader<'a> {
    type Item = Kept<'a>;

    fn next(&mut self) -> Option<Kept<'a>> {
        let patient = self.text()?;
        let kind = self.byte()?;
        let id = self.text()?;
        let (told, version) = (self.instant()?, self.number()?);
        let what = match self.byte()? {
            0 => What::Nothing,
            1 => {
                let (at, recorded, flags) = (self.number()?.cast_signed(), self.instant()?, self.byte()?);
                let at = if flags & 1 == 0 {
                    When::At(Instant::from_micros(at))
                } else {
                    When::Day(chrono::NaiveDate::from_num_days_from_ce_opt(i32::try_from(at).ok()?)?)
                };
                let (by_first, activities) = (flags & 2 != 0, self.byte()?);
                let encounter = Some(self.text()?).filter(|_| flags & 4 != 0);
                What::Care { at, recorded, by_first, activities, encounter }
            }
            3 => {
                let (why, made) = (self.text()?, self.byte()? != 0);
                let encounter = Some(self.text()?).filter(|_| made);
                What::Doubt { why, encounter }
            }
            _ => {
                let length = usize::try_from(self.number()?).ok()?;
                What::Whole(self.bytes(length)?)
            }
        };
        Some(Kept { patient, kind, id, told, version, what })
    }
}

impl<'a> Reader<'a> {
    fn bytes(&mut self, length: usize) -> Option<&'a [u8]> {
        let (taken, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(taken)
    }

    fn byte(&mut self) -> Option<u8> {
        self.bytes(1)?.first().copied()
    }

    fn text(&mut self) -> Option<&'a str> {
        let length = self.byte()?;
        std::str::from_utf8(self.bytes(length.into())?).ok()
    }

    fn number(&mut self) -> Option<u64> {
        self.bytes(8)?.try_into().ok().map(u64::from_le_bytes)
    }

    fn instant(&mut self) -> Option<Instant> {
        self.number().map(|n| Instant::from_micros(n.cast_signed()))
    }
}

impl Kept<'_> {
    /// Its type.
    pub(super) fn kind(&self) -> &'static str {
        KINDS.get(usize::from(self.kind)).copied().unwrap_or_default()
    }
}
