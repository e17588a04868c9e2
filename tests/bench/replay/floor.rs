//! The least that any reader of the file must do: every line parsed into a typed, borrowed struct, and nothing more.
//! Two threads, the file read in chunks, no line passed over by a look at its bytes.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

use serde::Deserialize;

const THREADS: usize = 2;
const CHUNK: u64 = 1 << 20;
/// Lines are shorter than this; a chunk is read with so much of the next one.
const LONGEST_LINE: usize = 1 << 14;

#[derive(Deserialize)]
struct Procedure<'a> {
    id: &'a str,
    #[serde(borrow)]
    meta: Meta<'a>,
    status: &'a str,
    #[serde(borrow)]
    code: Concept<'a>,
    #[serde(borrow)]
    subject: Reference<'a>,
    #[serde(borrow)]
    encounter: Option<Reference<'a>>,
    #[serde(borrow, rename = "performedPeriod")]
    period: Option<Period<'a>>,
    #[serde(rename = "performedDateTime")]
    at: Option<&'a str>,
}

#[derive(Deserialize)]
struct Meta<'a> {
    #[serde(rename = "lastUpdated")]
    last_updated: Option<&'a str>,
}

#[derive(Deserialize)]
struct Concept<'a> {
    #[serde(borrow, default)]
    coding: Vec<Coding<'a>>,
}

#[derive(Deserialize)]
struct Coding<'a> {
    system: Option<&'a str>,
    code: Option<&'a str>,
}

#[derive(Deserialize)]
struct Reference<'a> {
    reference: Option<&'a str>,
}

#[derive(Deserialize)]
struct Period<'a> {
    start: Option<&'a str>,
    end: Option<&'a str>,
}

impl Procedure<'_> {
    /// Touches every field, so that none is optimised away.
    fn weigh(&self) -> usize {
        let long = |text: Option<&str>| text.map_or(0, str::len);
        let coding = |c: &Coding<'_>| long(c.system) + long(c.code);
        let period = self.period.as_ref().map_or(0, |p| long(p.start) + long(p.end));
        let links = long(self.subject.reference) + long(self.encounter.as_ref().and_then(|e| e.reference));
        let codings: usize = self.code.coding.iter().map(coding).sum();
        self.id.len()
            + self.status.len()
            + long(self.meta.last_updated)
            + long(self.at)
            + period
            + links
            + codings
    }
}

/// Parses all of `path` by `parser`; returns the number of lines and the weight of what they said.
pub fn parse(parser: &str, path: &Path) -> (usize, usize) {
    match parser {
        "serde_json" => pass(path, |line| serde_json::from_slice::<Procedure<'_>>(line).unwrap().weigh()),
        "sonic-rs" => pass(path, |line| sonic_rs::from_slice::<Procedure<'_>>(line).unwrap().weigh()),
        other => panic!("no parser {other}"),
    }
}

fn pass(path: &Path, weigh: impl Fn(&[u8]) -> usize + Sync) -> (usize, usize) {
    let file = File::open(path).unwrap();
    let chunks = file.metadata().unwrap().len().div_ceil(CHUNK);
    let next = AtomicU64::new(0);
    let work = || {
        let mut buffer = vec![0; CHUNK as usize + LONGEST_LINE];
        let (mut lines, mut weight) = (0, 0);
        loop {
            let chunk = next.fetch_add(1, Ordering::Relaxed);
            if chunk >= chunks {
                return (lines, weight);
            }
            let bytes = read(&file, chunk * CHUNK, &mut buffer);
            for line in lines_begun_in(bytes, chunk == 0) {
                lines += 1;
                weight += weigh(line);
            }
        }
    };
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..THREADS).map(|_| scope.spawn(work)).collect();
        let parts = workers.into_iter().map(|w| w.join().unwrap());
        parts.fold((0, 0), |sum, part| (sum.0 + part.0, sum.1 + part.1))
    })
}

fn read<'a>(file: &File, from: u64, buffer: &'a mut [u8]) -> &'a [u8] {
    let mut filled = 0;
    while filled < buffer.len() {
        match file.read_at(&mut buffer[filled..], from + filled as u64).unwrap() {
            0 => break,
            count => filled += count,
        }
    }
    &buffer[..filled]
}

/// The lines whose first byte lies in the chunk that `bytes` begins with. A line that begins at the very start of a
/// chunk is left to the chunk before, which cannot know otherwise whether it ended there.
fn lines_begun_in(bytes: &[u8], first: bool) -> impl Iterator<Item = &[u8]> {
    let start = if first { 0 } else { memchr::memchr(b'\n', bytes).map_or(bytes.len(), |at| at + 1) };
    let mut at = start;
    std::iter::from_fn(move || {
        if at > CHUNK as usize || at >= bytes.len() {
            return None;
        }
        let end = memchr::memchr(b'\n', &bytes[at..]).map_or(bytes.len(), |long| at + long);
        let line = &bytes[at..end];
        at = end + 1;
        Some(line)
    })
}
