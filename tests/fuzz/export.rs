//! The bytes are a file of an export: they are read, counted and written out as `terce replay` does it.
//!
//! Any file may hold bad lines, so whatever the bytes are, the replay must end well: a panic is a fault, and so is an
//! error, for nothing else can fail here.
#![no_main]

use std::path::PathBuf;
use std::sync::LazyLock;

use libfuzzer_sys::fuzz_target;
use terce::care::time::Instant;
use terce::replay::{Replay, Setup, replay_at};
use terce::site::Site;

/// 2026-06-01T00:00:00Z, fixed: the same bytes must run the same way on every day.
const NOW_US: i64 = 1_780_272_000_000_000;

/// For the files of the runs; whoever starts the search says where, and clears it away.
static FOLDER: LazyLock<PathBuf> = LazyLock::new(|| {
    let folder = std::env::temp_dir().join(format!("terce-fuzz-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("the folder can be made");
    folder
});

/// Read once: it is the same in every run, and reading it would take longer than most inputs.
static SITE: LazyLock<Site> =
    LazyLock::new(|| Setup::default().site().expect("what is shipped can be honoured"));

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
    if let Err(error) = replay_at(&asked, &SITE, &|_| {}) {
        panic!("a replay that does not end: {error:#}");
    }
});
