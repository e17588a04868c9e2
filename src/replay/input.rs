//! The files of an export as blocks of whole lines, handed to whoever asks next.

use std::fs::File;
use std::io::{self, Read};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use anyhow::{Context, bail};
use memchr::{memchr, memrchr};

/// About how much is read at a time: it stays in the cache of a core while it is gone over.
const BLOCK: usize = 256 << 10;

/// How much is unpacked at a time: whoever unpacks holds up the others.
const UNPACKED: usize = 1 << 20;

/// A longer line is no document: R4's own limit of a string is 1 MiB, and a Bundle of an export has a page of documents.
const LONGEST_LINE: usize = 256 << 20;

/// Everything to read, in the order in which it was named.
pub(super) struct Inputs {
    files: Vec<Input>,
    current: AtomicUsize,
    /// Bytes of the files that have been read, as they lie on the disk.
    read: AtomicU64,
}

struct Input {
    name: String,
    from: From,
}

enum From {
    /// Blocks are read wherever they lie.
    Plain { file: File, length: u64, next: AtomicU64 },
    /// Blocks are read one after the other.
    Stream(Mutex<Stream>),
}

struct Stream {
    /// Opened when its turn comes.
    path: Option<PathBuf>,
    reader: Option<Box<dyn Read + Send>>,
    carry: Vec<u8>,
    blocks: u64,
    over: bool,
}

/// Whole lines, in a buffer that is used again and again.
#[derive(Default)]
pub(super) struct Block {
    bytes: Vec<u8>,
    from: usize,
    to: usize,
}

impl Block {
    pub(super) fn lines(&self) -> &[u8] {
        self.bytes.get(self.from..self.to).unwrap_or_default()
    }

    /// Puts what `file` has from `from` to `to` behind the first `keep` bytes.
    fn fill(&mut self, file: &File, from: u64, to: u64, keep: usize) -> io::Result<()> {
        let end = keep + (to - from) as usize;
        // only a buffer that is too short is cleared
        if self.bytes.len() < end {
            self.bytes.resize(end, 0);
        }
        self.to = end;
        file.read_exact_at(self.bytes.get_mut(keep..end).unwrap_or_default(), from)
    }
}

/// Which block of which file; in their order the lines can be numbered.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Place {
    pub(super) file: usize,
    pub(super) block: u64,
}

/// The files that are meant: files as they are named, of folders all that end in `.ndjson`, `.json` or `.jsonl`, plain
/// or with `.gz` or `.zst`, by name; `-` is standard input.
///
/// # Errors
/// A name that is not there; a folder without such a file.
pub(super) fn files(named: &[PathBuf]) -> anyhow::Result<Vec<PathBuf>> {
    let mut out = Vec::new();
    for path in named {
        if path.as_os_str() == "-" || path.is_file() {
            out.push(path.clone());
            continue;
        }
        if !path.is_dir() {
            bail!("{} is neither a file nor a folder", path.display());
        }
        let before = out.len();
        gather(path, &mut out)?;
        if out.len() == before {
            bail!("{} holds no .ndjson, .ndjson.gz or .ndjson.zst", path.display());
        }
    }
    Ok(out)
}

fn gather(folder: &Path, out: &mut Vec<PathBuf>) -> anyhow::Result<()> {
    let entries = std::fs::read_dir(folder).with_context(|| folder.display().to_string())?;
    let mut paths: Vec<PathBuf> = entries.map(|e| e.map(|e| e.path())).collect::<Result<_, _>>()?;
    paths.sort();
    for path in paths {
        let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let plain = name.strip_suffix(".gz").or(name.strip_suffix(".zst")).unwrap_or(&name);
        if path.is_dir() {
            gather(&path, out)?;
        } else if [".ndjson", ".json", ".jsonl"].iter().any(|end| plain.ends_with(end)) {
            out.push(path);
        }
    }
    Ok(())
}

impl Inputs {
    /// Opens plain files; compressed ones are opened when their turn comes.
    ///
    /// # Errors
    /// A file that cannot be opened.
    pub(super) fn open(paths: &[PathBuf]) -> anyhow::Result<(Self, u64)> {
        let (mut files, mut total) = (Vec::new(), 0);
        for path in paths {
            let name = path.display().to_string();
            let stream = |path: Option<PathBuf>, reader| {
                From::Stream(Mutex::new(Stream { path, reader, carry: Vec::new(), blocks: 0, over: false }))
            };
            let from = if name == "-" {
                let stdin: Box<dyn Read + Send> = Box::new(io::stdin());
                stream(None, Some(stdin))
            } else {
                let file = File::open(path).with_context(|| name.clone())?;
                let meta = file.metadata().with_context(|| name.clone())?;
                total += meta.len();
                if name.ends_with(".gz") || name.ends_with(".zst") || !meta.is_file() {
                    stream(Some(path.clone()), None)
                } else {
                    From::Plain { file, length: meta.len(), next: AtomicU64::new(0) }
                }
            };
            files.push(Input { name, from });
        }
        Ok((Inputs { files, current: AtomicUsize::new(0), read: AtomicU64::new(0) }, total))
    }

    /// How a file was named.
    pub(super) fn name(&self, file: usize) -> &str {
        self.files.get(file).map_or("", |f| &f.name)
    }

    /// Bytes read so far.
    pub(super) fn bytes(&self) -> u64 {
        self.read.load(Ordering::Relaxed)
    }

    /// Fills `block` with the next whole lines; none if everything has been handed out.
    ///
    /// # Errors
    /// A file that cannot be read further, with its name.
    pub(super) fn next(&self, block: &mut Block) -> anyhow::Result<Option<Place>> {
        loop {
            let at = self.current.load(Ordering::Relaxed);
            let Some(input) = self.files.get(at) else { return Ok(None) };
            let found = match &input.from {
                From::Plain { file, length, next } => self.plain(file, *length, next, block),
                From::Stream(stream) => {
                    let mut stream = stream.lock().unwrap_or_else(PoisonError::into_inner);
                    stream.next(block, &self.read)
                }
            };
            match found.with_context(|| input.name.clone())? {
                Some(number) => return Ok(Some(Place { file: at, block: number })),
                None => {
                    let _ = self.current.compare_exchange(at, at + 1, Ordering::Relaxed, Ordering::Relaxed);
                }
            }
        }
    }

    /// The lines that begin in the next stretch of a plain file, or where it ends.
    fn plain(
        &self,
        file: &File,
        length: u64,
        next: &AtomicU64,
        block: &mut Block,
    ) -> anyhow::Result<Option<u64>> {
        let number = next.fetch_add(1, Ordering::Relaxed);
        let start = number.saturating_mul(BLOCK as u64);
        if start >= length {
            return Ok(None);
        }
        let end = (start + BLOCK as u64).min(length);
        block.fill(file, start, end, 0)?;
        block.from = 0;
        self.read.fetch_add(end - start, Ordering::Relaxed);
        // a line that begins where a stretch ends belongs to it: what is read stays in step with pages
        if start > 0 {
            let Some(first) = memchr(b'\n', block.lines()) else {
                block.to = 0;
                return Ok(Some(number));
            };
            block.from = first + 1;
        }
        let mut until = end;
        while until < length {
            let (had, more) = (block.to, (until + 16 * 1024).min(length));
            block.fill(file, until, more, had)?;
            until = more;
            if let Some(at) = block.bytes.get(had..block.to).and_then(|new| memchr(b'\n', new)) {
                block.to = had + at + 1;
                break;
            }
            if block.to > LONGEST_LINE {
                bail!("a line of more than {LONGEST_LINE} bytes");
            }
        }
        Ok(Some(number))
    }
}

impl Stream {
    fn next(&mut self, block: &mut Block, read: &AtomicU64) -> anyhow::Result<Option<u64>> {
        if self.over {
            return Ok(None);
        }
        let mut reader = match self.reader.take() {
            Some(reader) => reader,
            None => open(self.path.as_deref())?,
        };
        let bytes = &mut block.bytes;
        bytes.clear();
        bytes.append(&mut self.carry);
        loop {
            let had = bytes.len();
            let got = reader.by_ref().take(UNPACKED as u64).read_to_end(bytes)?;
            read.fetch_add(got as u64, Ordering::Relaxed);
            if got < UNPACKED {
                self.over = true;
                break;
            }
            if let Some(at) = bytes.get(had..).and_then(|new| memrchr(b'\n', new)) {
                self.carry.extend(bytes.drain(had + at + 1..));
                break;
            }
            if bytes.len() > LONGEST_LINE {
                bail!("a line of more than {LONGEST_LINE} bytes");
            }
        }
        (block.from, block.to) = (0, block.bytes.len());
        self.reader = Some(reader);
        self.blocks += 1;
        Ok(Some(self.blocks))
    }
}

fn open(path: Option<&Path>) -> anyhow::Result<Box<dyn Read + Send>> {
    let Some(path) = path else { bail!("standard input can be read once") };
    let file = File::open(path)?;
    Ok(match path.extension().and_then(|e| e.to_str()) {
        // several members one after the other are one file
        Some("gz") => {
            Box::new(flate2::read::MultiGzDecoder::new(io::BufReader::with_capacity(1 << 18, file)))
        }
        Some("zst") => Box::new(zstd::stream::read::Decoder::new(file)?),
        Some(_) | None => Box::new(file),
    })
}
