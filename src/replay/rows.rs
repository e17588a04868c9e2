//! Lines of output: what one of them says, and how all of them come into one order.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::collections::binary_heap::PeekMut;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use chrono::{Datelike, Timelike};
use serde::{Serialize, Serializer};

use crate::care::time::Instant;

/// An instant as it is written: UTC, RFC 3339, with a fraction only where there is one.
pub(super) struct Utc(pub(super) Instant);

impl Serialize for Utc {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let (at, us) = (self.0.utc(), self.0.micros().rem_euclid(1_000_000));
        let (date, time) = (at.date_naive(), at.time());
        let mut text = *b"0000-00-00T00:00:00.000000Z";
        // some hundred thousand of these are written: digit by digit, and not by a format
        let mut put = |from: usize, digits: usize, number: u32| {
            let mut left = number;
            for byte in text.iter_mut().skip(from).take(digits).rev() {
                *byte = b'0' + (left % 10) as u8;
                left /= 10;
            }
        };
        put(0, 4, date.year().unsigned_abs());
        put(5, 2, date.month());
        put(8, 2, date.day());
        put(11, 2, time.hour());
        put(14, 2, time.minute());
        put(17, 2, time.second());
        put(20, 6, us as u32);
        let length = if us == 0 { 20 } else { text.len() };
        if let Some(last) = text.get_mut(length - 1) {
            *last = b'Z';
        }
        serializer
            .serialize_str(std::str::from_utf8(text.get(..length).unwrap_or_default()).unwrap_or_default())
    }
}

/// A Task that would have been opened.
#[derive(Serialize)]
pub(super) struct TaskRow<'a> {
    pub(super) stay: &'a str,
    pub(super) patient: &'a str,
    pub(super) opened: Utc,
    pub(super) unit: &'a str,
    pub(super) shift: &'a str,
    /// The id that the service would have given it.
    pub(super) id: String,
    pub(super) round: Utc,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) closed: Option<Utc>,
    /// `completed`, `cancelled` or `open`.
    pub(super) how: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) reason: Option<&'a str>,
    pub(super) requirements: &'a [std::sync::Arc<str>],
}

/// A lapse that would have been announced.
#[derive(Serialize)]
pub(super) struct IssueRow<'a> {
    pub(super) stay: &'a str,
    pub(super) patient: &'a str,
    pub(super) requirement: &'a str,
    pub(super) from: Utc,
    pub(super) announced: Utc,
    pub(super) unit: &'a str,
    pub(super) shift: &'a str,
    /// The id that the service would have given its DetectedIssue.
    pub(super) id: String,
    /// `preliminary` while it is open, `final` when it is over, `cancelled` when later charting took it away.
    pub(super) status: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) ended: Option<Utc>,
    /// `care`, `excuse` or `no-longer-at-risk`; for a cancelled one `charted-late` or `record-corrected`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) by: Option<&'a str>,
    pub(super) misses: usize,
    pub(super) lapsed_seconds: f64,
}

/// An opportunity with its arithmetic and its sources.
#[derive(Serialize)]
pub(super) struct OpportunityRow<'a> {
    pub(super) stay: &'a str,
    pub(super) patient: &'a str,
    pub(super) requirement: &'a str,
    pub(super) at: Utc,
    pub(super) deadline: Utc,
    /// `met`, `missed` or `excused`.
    pub(super) outcome: &'a str,
    pub(super) unit: &'a str,
    pub(super) date: String,
    pub(super) shift: &'a str,
    /// Which of the requirement's on that day: two misses of a day that are alike in all else are two.
    pub(super) number: u32,
    pub(super) late_charted: bool,
    pub(super) arithmetic: Vec<String>,
    pub(super) sources: Vec<String>,
}

/// What could not be used.
#[derive(Serialize, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct DoubtRow<'a> {
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) patient: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) stay: Option<&'a str>,
    pub(super) source: &'a str,
    pub(super) why: &'a str,
}

/// Lines being written.
#[derive(Default)]
pub(super) struct Lines(Vec<u8>);

impl Lines {
    pub(super) fn push(&mut self, row: &impl Serialize) {
        // rows are plain structs: they can always be written
        if serde_json::to_writer(&mut self.0, row).is_ok() {
            self.0.push(b'\n');
        }
    }

    /// In the order of their bytes, each once.
    fn sorted(self) -> Vec<u8> {
        let (mut lines, mut from): (Vec<&[u8]>, _) = (Vec::new(), 0);
        for end in memchr::memchr_iter(b'\n', &self.0) {
            lines.extend(self.0.get(from..=end));
            from = end + 1;
        }
        lines.sort_unstable();
        lines.dedup();
        lines.concat()
    }
}

/// All lines of one file of output: sorted runs, in memory as long as there is room.
pub(super) struct Runs {
    held: Mutex<(Vec<Run>, usize)>,
    budget: usize,
    folder: PathBuf,
}

enum Run {
    Held(io::Cursor<Vec<u8>>),
    Put(BufReader<File>),
}

impl Runs {
    /// May hold `budget` bytes; the rest goes to files in `folder`.
    pub(super) fn new(folder: &Path, budget: usize) -> Self {
        Runs { held: Mutex::new((Vec::new(), 0)), budget, folder: folder.to_owned() }
    }

    /// Adds lines.
    ///
    /// # Errors
    /// A file cannot be written.
    pub(super) fn add(&self, lines: Lines) -> io::Result<()> {
        let bytes = lines.sorted();
        if bytes.is_empty() {
            return Ok(());
        }
        let mut held = self.held.lock().unwrap_or_else(PoisonError::into_inner);
        if held.1 + bytes.len() <= self.budget {
            held.1 += bytes.len();
            held.0.push(Run::Held(io::Cursor::new(bytes)));
            return Ok(());
        }
        drop(held);
        let mut file = tempfile::tempfile_in(&self.folder)?;
        file.write_all(&bytes)?;
        file.seek(SeekFrom::Start(0))?;
        let run = Run::Put(BufReader::with_capacity(1 << 18, file));
        self.held.lock().unwrap_or_else(PoisonError::into_inner).0.push(run);
        Ok(())
    }

    /// Adds a file whose lines are sorted.
    ///
    /// # Errors
    /// It cannot be opened.
    pub(super) fn add_file(&self, path: &Path) -> io::Result<()> {
        let run = Run::Put(BufReader::with_capacity(1 << 18, File::open(path)?));
        self.held.lock().unwrap_or_else(PoisonError::into_inner).0.push(run);
        Ok(())
    }

    /// Writes all lines in the order of their bytes, each once; returns how many.
    ///
    /// # Errors
    /// A file cannot be read or written.
    pub(super) fn write(self, to: &Path) -> io::Result<u64> {
        let (mut runs, _) = self.held.into_inner().unwrap_or_else(PoisonError::into_inner);
        let mut out = io::BufWriter::with_capacity(1 << 18, File::create(to)?);
        let mut next: BinaryHeap<Reverse<(Vec<u8>, usize)>> = BinaryHeap::new();
        for (number, run) in runs.iter_mut().enumerate() {
            let mut line = Vec::new();
            if run.line(&mut line)? {
                next.push(Reverse((line, number)));
            }
        }
        let (mut last, mut count) = (Vec::new(), 0);
        while let Some(mut least) = next.peek_mut() {
            let Reverse((line, number)) = &mut *least;
            if *line != last {
                out.write_all(line)?;
                count += 1;
            }
            // the next line of the run takes its place
            std::mem::swap(&mut last, line);
            let more = match runs.get_mut(*number) {
                Some(run) => run.line(line)?,
                None => false,
            };
            if !more {
                PeekMut::pop(least);
            }
        }
        out.flush()?;
        Ok(count)
    }
}

impl Run {
    /// Reads the next line; false if there is none.
    fn line(&mut self, line: &mut Vec<u8>) -> io::Result<bool> {
        line.clear();
        let n = match self {
            Run::Held(bytes) => bytes.read_until(b'\n', line)?,
            Run::Put(file) => file.read_until(b'\n', line)?,
        };
        Ok(n > 0)
    }
}
