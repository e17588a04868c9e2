//! The bytes are a file of an export: they are read, counted and written out as `terce replay` does it.
//!
//! Any file may hold bad lines, so whatever the bytes are, the replay must end well: a panic is a fault, and so is an
//! error, for nothing else can fail here.
#![no_main]

use std::path::PathBuf;
use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;
use terce::care::time::Instant;
use terce::replay::{Replay, Setup, replay};

/// 2026-06-01T00:00:00Z, fixed: the same bytes must run the same way on every day.
const NOW_US: i64 = 1_780_272_000_000_000;

/// In memory where the system offers that: a run writes a dozen files.
static FOLDER: LazyLock<PathBuf> = LazyLock::new(|| {
    let memory = PathBuf::from("/dev/shm");
    let above = if memory.is_dir() { memory } else { std::env::temp_dir() };
    let folder = above.join(format!("terce-fuzz-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("the folder can be made");
    folder
});

fuzz_target!(|bytes: &[u8]| {
    let input = FOLDER.join("export.ndjson");
    std::fs::write(&input, bytes).expect("the input can be written");
    let asked = Replay {
        inputs: vec![input],
        out: FOLDER.join("out"),
        setup: Setup::default(),
        until: None,
        now: Instant::from_micros(NOW_US),
        threads: 1,
        // small: what is kept and the rows go through files
        memory: if bytes.len() % 4 < 2 { 1 << 24 } else { 1 << 8 },
        opportunities: true,
        strict: false,
        // by the length, so that the input alone says how it is run
        thorough: bytes.len() % 2 == 1,
    };
    if let Err(error) = replay(&asked, &|_| {}) {
        panic!("a replay that does not end: {error:#}");
    }
});
