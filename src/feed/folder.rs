//! A folder into which others put NDJSON.
//!
//! Files are read in the order of their names, each once it has stood still from one look to the next, and moved into the
//! folder `done` beside them. Where reading was interrupted is known to some hundred lines; what is read again has no
//! effect.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::{Path, PathBuf};

use tokio::sync::mpsc;
use tokio::task::JoinHandle;

use super::limits;
use super::lines::Lines;
use super::reader::{Parts, Trouble};
use crate::care::time::Instant;
use crate::config::Folder as Settings;

/// A folder that is watched.
#[derive(Debug)]
pub(super) struct Folder {
    settings: Settings,
    /// Length of each file at the last look.
    seen: BTreeMap<PathBuf, u64>,
}

/// Some lines of a file.
pub(super) type Some = io::Result<Vec<Vec<u8>>>;

impl Folder {
    pub(super) fn new(settings: Settings) -> Self {
        Folder { settings, seen: BTreeMap::new() }
    }

    /// Reads every file that has stood still; returns how many documents were new or changed.
    pub(super) async fn round(&mut self, parts: &Parts, began: Instant) -> Result<usize, Trouble> {
        let folder = self.settings.path.clone();
        let listed = tokio::task::spawn_blocking(move || list(&folder)).await;
        let told =
            |error: &dyn std::fmt::Display| Trouble::new(format!("the folder cannot be read: {error}"));
        let listed = listed.map_err(|e| told(&e))?.map_err(|e| told(&e))?;
        let still = |path: &PathBuf, length: &u64| self.seen.get(path) == Some(length);
        let (ready, growing): (Vec<_>, Vec<_>) =
            listed.iter().partition(|(path, length)| still(path, length));
        let mut taken = 0;
        for (path, _) in &ready {
            taken += parts.took(self.file(parts, path).await?);
        }
        let any = !growing.is_empty();
        self.seen = listed.into_iter().collect();
        if self.settings.complete && !any {
            parts.heard(began).await?;
        }
        Ok(taken)
    }

    /// Reads a file from where it was left, then moves it away.
    async fn file(&self, parts: &Parts, path: &Path) -> Result<usize, Trouble> {
        let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default().to_owned();
        let mark = format!("folder.{}", parts.source);
        let place = parts.store.mark(&mark).await?.unwrap_or_default();
        let from =
            place.split_once('\t').filter(|(file, _)| *file == name).and_then(|(_, line)| line.parse().ok());
        let skip: u64 = from.unwrap_or(0);
        let told = |error: &dyn std::fmt::Display| Trouble::new(format!("{name}: {error}"));
        let (reading, mut some) = reading(path);
        let mut lines = Lines::new(&parts.intake, &parts.source);
        let mut number = 0_u64;
        while let Some(block) = some.recv().await {
            for line in block.map_err(|e| told(&e))? {
                number += 1;
                if number > skip && lines.push(&line).await? {
                    parts.mark(mark.clone(), format!("{name}\t{number}")).await?;
                }
            }
        }
        reading.await.map_err(|e| told(&e))?;
        lines.flush().await?;
        // should it not be moved, it is not handed over again
        parts.mark(mark.clone(), format!("{name}\t{number}")).await?;
        let (from, done) = (path.to_owned(), self.settings.path.join("done"));
        let moved = tokio::task::spawn_blocking(move || {
            std::fs::create_dir_all(&done)?;
            std::fs::rename(&from, done.join(from.file_name().unwrap_or_default()))
        });
        moved.await.map_err(|e| told(&e))?.map_err(|e| told(&e))?;
        parts.mark(mark, String::new()).await?;
        tracing::info!(
            source = parts.source,
            file = name,
            lines = number,
            taken = lines.taken,
            "a file was read"
        );
        Ok(lines.taken)
    }
}

/// Reads the lines of a file beside; they come in pieces.
pub(super) fn reading(path: &Path) -> (JoinHandle<()>, mpsc::Receiver<Some>) {
    let (sender, some) = mpsc::channel::<Some>(2);
    let from = path.to_owned();
    (tokio::task::spawn_blocking(move || read(&from, &sender)), some)
}

/// The files of NDJSON in a folder with their lengths, in the order of their names.
pub(super) fn list(folder: &Path) -> io::Result<Vec<(PathBuf, u64)>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        let name = name.to_str().unwrap_or_default();
        let known = [".ndjson", ".ndjson.gz", ".ndjson.zst"].iter().any(|end| name.ends_with(end));
        if known && entry.file_type()?.is_file() {
            found.push((entry.path(), entry.metadata()?.len()));
        }
    }
    found.sort();
    Ok(found)
}

/// Reads the lines of a file, some at a time.
fn read(path: &Path, to: &mpsc::Sender<Some>) {
    let sent = open(path).and_then(|reader| {
        let mut reader = BufReader::with_capacity(limits::FILE_BUFFER, reader);
        loop {
            let mut block = Vec::new();
            for _ in 0..limits::ENTRIES {
                let mut line = Vec::new();
                // a line that is longer than a document may be is cut, and is no JSON then
                let mut upto = (&mut reader).take(limits::LINE as u64);
                if upto.read_until(b'\n', &mut line)? == 0 {
                    break;
                }
                if line.len() == limits::LINE {
                    skip_line(&mut reader)?;
                }
                block.push(line);
            }
            if block.is_empty() || to.blocking_send(Ok(block)).is_err() {
                return Ok(());
            }
        }
    });
    if let Err(error) = sent {
        let _ = to.blocking_send(Err(error));
    }
}

fn skip_line(reader: &mut impl BufRead) -> io::Result<()> {
    loop {
        let buffer = reader.fill_buf()?;
        if buffer.is_empty() {
            return Ok(());
        }
        let end = memchr::memchr(b'\n', buffer);
        let used = end.map_or(buffer.len(), |at| at + 1);
        reader.consume(used);
        if end.is_some() {
            return Ok(());
        }
    }
}

fn open(path: &Path) -> io::Result<Box<dyn Read + Send>> {
    let file = File::open(path)?;
    Ok(match path.extension().and_then(|e| e.to_str()) {
        Some("gz") => Box::new(flate2::read::MultiGzDecoder::new(file)),
        Some("zst") => Box::new(zstd::stream::read::Decoder::new(file)?),
        _ => Box::new(file),
    })
}
