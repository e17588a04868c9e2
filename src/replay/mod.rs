//! Years of charting, read from files, through the same rules as the service.
//!
//! Two passes. The first reads the files in any order and keeps of each document what it says, in parts by patient; the
//! second counts one part after the other. Several threads do both, and nothing depends on which of them was faster.
//!
//! # Guarantees
//! - The same documents give the same bytes, whatever their order, however often each is there, whatever the threads.
//! - Memory is bounded: [`Replay::memory`] for what was kept and for rows of output, whatever is beyond goes to files in
//!   the folder of output; besides, one part of the patients for each thread, and what is shared by patients (Locations,
//!   Devices, and whose each Encounter is: about 200 bytes each).
//! - Adding the outputs of a split input with [`merge`] gives the output of the whole, if all were counted up to the same
//!   instant and no stay was split.
//!
//! # Assumptions
//! - What the service would have received when is what the documents say of when they were recorded; spans of
//!   ventilation, place and time away are taken as known when they began and ended.
//! - Of two documents of one id the one with the later `meta.lastUpdated` counts, then the one with the higher
//!   `meta.versionId`. A document that says it is version 1 and names no known code is not read.

mod compare;
mod files;
mod fold;
mod input;
mod merge;
mod read;
mod record;
mod rows;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use anyhow::{Context, bail};

use crate::care::tally::Tally;
use crate::care::time::Instant;
use crate::site::Site;
use crate::translate::export::KnownTexts;
pub use compare::{Comparison, Row, compare};
pub use files::{
    CENSUS, DAYS, DELAYS, MANIFEST, Manifest, REJECTED, REPORTS, ROWS, Setup, TALLIES, manifest,
};
use fold::{Counted, Counting, Shared, Sums, count};
use input::{Block, Inputs, Place};
pub use merge::merge;
use read::{Common, Counts, Desk, Found};
use record::{Kept, PARTS, Parts, Spill, What};
use rows::{DoubtRow, Lines, Runs};

/// How often it is told how far the reading has come.
const TOLD_EVERY: Duration = Duration::from_millis(200);

/// What to read, how to count it, and where to write.
#[derive(Clone, Debug)]
pub struct Replay {
    /// Files, folders, or `-`.
    pub inputs: Vec<PathBuf>,
    /// The folder to write.
    pub out: PathBuf,
    /// By what is counted.
    pub setup: Setup,
    /// Up to when; none: up to when the last document was told.
    pub until: Option<Instant>,
    /// The machine's time: nothing was told later.
    pub now: Instant,
    /// How many threads; at least 1.
    pub threads: usize,
    /// Bytes that may be kept in memory.
    pub memory: usize,
    /// Write each opportunity with its arithmetic and sources.
    pub opportunities: bool,
    /// Stop at the first bad line.
    pub strict: bool,
    /// Read every document as the service reads it at its door.
    pub thorough: bool,
}

/// How far the reading has come.
#[derive(Clone, Copy, Debug)]
pub enum Progress {
    /// Bytes read, of so many; 0 if that is not known.
    Reading(u64, u64),
    /// Parts counted, of so many.
    Counting(u64, u64),
}

/// A line that could not be read.
#[derive(Clone, PartialEq, Eq, Debug, serde::Serialize)]
pub struct BadLine {
    /// The file as it was named.
    pub file: String,
    /// From 1.
    pub line: u64,
    /// What is wrong with it.
    pub why: String,
}

/// What came of a replay.
#[derive(Clone, Debug)]
pub struct Summary {
    /// Lines read.
    pub lines: u64,
    /// Documents in them.
    pub documents: u64,
    /// Documents that were kept and counted.
    pub kept: u64,
    /// Documents without any known code, passed over.
    pub no_known_code: u64,
    /// Documents of types that tell nothing here.
    pub other_types: u64,
    /// Lines that could not be read.
    pub rejected: u64,
    /// The first of them, by file and line.
    pub bad_lines: Vec<BadLine>,
    /// Patients.
    pub patients: u64,
    /// Tasks, issues and doubts written.
    pub written: BTreeMap<&'static str, u64>,
    /// The sums.
    pub tally: Tally,
    /// What was read, and with what.
    pub manifest: Manifest,
}

/// Reads, counts and writes; `tell` hears how far it has come.
///
/// # Errors
/// A file that cannot be read or written; with `strict` a bad line; a setup that cannot be honoured.
pub fn replay(asked: &Replay, tell: &(dyn Fn(Progress) + Sync)) -> anyhow::Result<Summary> {
    replay_at(asked, &asked.setup.site()?, tell)
}

/// As [`replay`], at the site that `asked.setup` describes, for whoever replays there more than once.
///
/// # Errors
/// As for [`replay`].
pub fn replay_at(asked: &Replay, site: &Site, tell: &(dyn Fn(Progress) + Sync)) -> anyhow::Result<Summary> {
    std::fs::create_dir_all(&asked.out).with_context(|| asked.out.display().to_string())?;
    // whoever looks for the manifest finds a whole folder or none
    let _ = std::fs::remove_file(asked.out.join(MANIFEST));
    let mut reading = asked.read(site, false, tell)?;
    if reading.shared.some_device_tells_of_care() && reading.counts.no_known_code > 0 {
        if asked.inputs.iter().any(|p| p.as_os_str() == "-") {
            bail!("some devices tell of care, which asks for a second reading: give the files by name");
        }
        reading = asked.read(site, true, tell)?;
    }
    let until = asked.until.unwrap_or(reading.latest.map_or(asked.now, |l| l.min(asked.now)));
    asked.count(site, reading, until, tell)
}

/// Everything that was read.
struct Reading {
    parts: Vec<Parts>,
    spill: Spill,
    shared: Shared,
    counts: Counts,
    bad_lines: Vec<BadLine>,
    latest: Option<Instant>,
}

impl Replay {
    fn read(
        &self,
        site: &Site,
        by_device: bool,
        tell: &(dyn Fn(Progress) + Sync),
    ) -> anyhow::Result<Reading> {
        let (inputs, total) = Inputs::open(&input::files(&self.inputs)?)?;
        let received = self.until.unwrap_or(self.now);
        let threads = self.threads.max(1);
        let spill = Spill::new(&self.out, self.memory / threads);
        let desk = Desk {
            inputs: &inputs,
            site,
            known: &KnownTexts::new(&site.codes),
            spill: &spill,
            received,
            thorough: self.thorough,
            by_device,
            stopped: &AtomicBool::new(false),
        };
        let found =
            together(threads, || self.read_some(&desk), || tell(Progress::Reading(inputs.bytes(), total)))?;
        tell(Progress::Reading(inputs.bytes(), total));
        let mut counts = Counts::default();
        let (mut parts, mut common, mut encounters) = (Vec::new(), Vec::new(), Vec::new());
        let (mut rejected, mut lines, mut latest) = (Vec::new(), BTreeMap::new(), None);
        for one in found {
            counts.add(&one.counts);
            parts.push(one.parts);
            common.extend(one.common);
            encounters.extend(one.encounters);
            rejected.extend(one.rejected);
            lines.extend(one.lines);
            latest = latest.max(one.latest);
        }
        rejected.sort();
        // of each thread the first are remembered: together the first of all, whatever the threads
        rejected.truncate(read::REJECTED_REMEMBERED);
        let bad_lines = numbered(&rejected, &lines, &inputs);
        if let Some(bad) = bad_lines.first().filter(|_| self.strict) {
            bail!("{}:{}: {}", bad.file, bad.line, bad.why);
        }
        let mut more = Parts::new();
        let keep = |c: &Common, patient: &str| keep_by_encounter(c, patient, &mut more, &desk);
        let shared = Shared::of(common, encounters, site, received, keep)?;
        parts.push(more);
        Ok(Reading { parts, spill, shared, counts, bad_lines, latest })
    }

    fn read_some(&self, desk: &Desk<'_>) -> anyhow::Result<Found> {
        let site = desk.site.apart();
        let desk = &Desk { site: &site, ..*desk };
        let (mut found, mut block) = (Found::new(), Block::default());
        // blocks are handed out in order: when one thread stops, all before its last line are read or being read
        while !desk.stopped.load(Ordering::Relaxed) {
            let Some(place) = desk.inputs.next(&mut block)? else { break };
            found.block(place, block.lines(), desk)?;
            if self.strict && !found.rejected.is_empty() {
                desk.stopped.store(true, Ordering::Relaxed);
            }
        }
        Ok(found)
    }

    fn count(
        &self,
        site: &Site,
        mut reading: Reading,
        until: Instant,
        tell: &(dyn Fn(Progress) + Sync),
    ) -> anyhow::Result<Summary> {
        let (shared, opportunities) = (&reading.shared, self.opportunities);
        let parts: Vec<Vec<Vec<u8>>> =
            (0..PARTS).map(|part| reading.parts.iter_mut().flat_map(|p| p.take(part)).collect()).collect();
        let parts: Vec<Mutex<Vec<Vec<u8>>>> = parts.into_iter().map(Mutex::new).collect();
        let all = Output::new(&self.out, self.memory / 4);
        let next = AtomicUsize::new(0);
        let work = || -> anyhow::Result<Sums> {
            let site = site.apart();
            let counting = Counting { site: &site, until, shared, opportunities };
            let mut sums = Sums::default();
            loop {
                let part = next.fetch_add(1, Ordering::Relaxed);
                let Some(held) = parts.get(part) else { return Ok(sums) };
                let mut held = std::mem::take(&mut *held.lock().unwrap_or_else(PoisonError::into_inner));
                held.push(reading.spill.read(part)?);
                let bytes: Vec<&[u8]> = held.iter().map(Vec::as_slice).collect();
                let counted = count(&bytes, &counting, &mut sums);
                drop(held);
                all.add(counted)?;
            }
        };
        let told = || tell(Progress::Counting(next.load(Ordering::Relaxed).min(PARTS) as u64, PARTS as u64));
        let mut sums = Sums::default();
        together(self.threads.max(1), work, told)?.iter().for_each(|some| sums.add(some));
        let Sums { tally, patients, stays, open } = sums;
        let mut doubts = Lines::default();
        for doubt in &reading.shared.doubts {
            doubts.push(&DoubtRow { patient: None, stay: None, source: &doubt.source.0, why: &doubt.why });
        }
        all.doubts.add(doubts)?;
        let written = std::thread::scope(|scope| -> anyhow::Result<_> {
            let sums = scope.spawn(|| files::write_sums(&self.out, &tally, site, until));
            let written = all.write(&self.out, self.opportunities)?;
            sums.join().unwrap_or_else(|_| bail!("a thread ended by a fault"))?;
            Ok(written)
        })?;
        let manifest = self.manifest(site, until, stays, open);
        files::write_rejected(&self.out, &reading.bad_lines)?;
        files::write_manifest(&self.out, &manifest)?;
        let Counts { lines, documents, kept, no_known_code, other_types, rejected } = reading.counts;
        let bad_lines = reading.bad_lines;
        Ok(Summary {
            lines,
            documents,
            kept,
            no_known_code,
            other_types,
            rejected,
            bad_lines,
            patients,
            written,
            tally,
            manifest,
        })
    }

    fn manifest(&self, site: &Site, until: Instant, stays: u64, open: u64) -> Manifest {
        let protocol = site.rules.default_protocol.and_then(|p| site.rules.protocols.get(p));
        Manifest {
            terce: env!("CARGO_PKG_VERSION").to_owned(),
            until: until.to_string(),
            zone: site.rules.zone.name().to_owned(),
            protocol: protocol.map_or_else(|| "none".to_owned(), |p| format!("{} {}", p.name, p.version)),
            stays,
            open,
            setup: self.setup.clone(),
        }
    }
}

/// The rows of all parts.
struct Output {
    tasks: Runs,
    issues: Runs,
    doubts: Runs,
    opportunities: Runs,
}

impl Output {
    fn new(folder: &Path, budget: usize) -> Self {
        let runs = || Runs::new(folder, budget);
        Output { tasks: runs(), issues: runs(), doubts: runs(), opportunities: runs() }
    }

    fn add(&self, counted: Counted) -> std::io::Result<()> {
        self.tasks.add(counted.tasks)?;
        self.issues.add(counted.issues)?;
        self.doubts.add(counted.doubts)?;
        self.opportunities.add(counted.opportunities)
    }

    fn write(self, folder: &Path, opportunities: bool) -> anyhow::Result<BTreeMap<&'static str, u64>> {
        let each = [self.issues, self.tasks, self.doubts, self.opportunities];
        let asked = ROWS.into_iter().zip(each).take(if opportunities { ROWS.len() } else { ROWS.len() - 1 });
        std::thread::scope(|scope| {
            let write = |(name, runs): (&'static str, Runs)| {
                scope.spawn(move || runs.write(&folder.join(name)).map(|count| (name, count)))
            };
            let writers: Vec<_> = asked.map(write).collect();
            let done = writers.into_iter().map(|w| match w.join() {
                Ok(written) => Ok(written?),
                Err(_) => bail!("a thread ended by a fault"),
            });
            done.collect()
        })
    }
}

/// Runs `work` on so many threads, and `tell` from time to time meanwhile.
fn together<T: Send>(
    threads: usize,
    work: impl Fn() -> anyhow::Result<T> + Sync,
    tell: impl Fn() + Sync,
) -> anyhow::Result<Vec<T>> {
    let over = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let (over, tell) = (&over, &tell);
        let teller = scope.spawn(move || {
            while !over.load(Ordering::Relaxed) {
                std::thread::park_timeout(TOLD_EVERY);
                tell();
            }
        });
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(&work)).collect();
        let done =
            workers.into_iter().map(|w| w.join().unwrap_or_else(|_| bail!("a thread ended by a fault")));
        let done = done.collect();
        over.store(true, Ordering::Relaxed);
        teller.thread().unpark();
        done
    })
}

fn numbered(rejected: &[read::Rejected], lines: &BTreeMap<Place, u64>, inputs: &Inputs) -> Vec<BadLine> {
    let (mut out, mut blocks) = (Vec::new(), lines.iter().peekable());
    let (mut file, mut before) = (usize::MAX, 0);
    for bad in rejected {
        while let Some((place, count)) = blocks.next_if(|(place, _)| **place < bad.place) {
            before = if place.file == file { before + count } else { *count };
            file = place.file;
        }
        if file != bad.place.file {
            (file, before) = (bad.place.file, 0);
        }
        let name = inputs.name(bad.place.file).to_owned();
        out.push(BadLine { file: name, line: before + bad.line + 1, why: bad.why.clone() });
    }
    out
}

/// Keeps a document under the patient of its encounter.
fn keep_by_encounter(
    common: &Common,
    patient: &str,
    parts: &mut Parts,
    desk: &Desk<'_>,
) -> std::io::Result<()> {
    let kinds = crate::translate::export::KINDS;
    let kept = Kept {
        patient,
        kind: kinds.iter().position(|k| *k == common.kind).unwrap_or_default() as u8,
        id: &common.head.id,
        told: common.head.told.unwrap_or(Instant::EARLIEST),
        version: common.head.version,
        what: What::Whole(&common.body),
    };
    parts.keep(&kept, desk.spill)
}
