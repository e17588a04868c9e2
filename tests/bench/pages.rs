//! How fast a ward of sixty stays is seen, in one run on one machine: `cargo bench --bench pages`. Prints a table; a
//! benchmark, never a test.
//!
//! Sixty patients are ventilated, with a day of care each. A browser that has seen nothing before opens the page of the
//! unit, again and again: what it takes until something is painted, and how many bytes come. Then care is charted, and it
//! is seen how long the page takes to show it. Service and browser share the machine. `tests/setup` fetches what drives
//! the browser.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::zombie_processes,
    clippy::disallowed_methods,
    unreachable_pub,
    reason = "a benchmark that fails says so and ends"
)]

mod client;
mod service;
mod stays;

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::SystemTime;

use chrono::{DateTime, TimeDelta, Utc};
use service::Service;

const STAYS: usize = 60;

/// A day of care of one patient: some more diligent than others, so that some is due and some overdue.
fn charted(stay: usize, now: DateTime<Utc>) -> Vec<String> {
    let name = stay.to_string();
    let mut all: Vec<String> = stays::admitted(&name, now - TimeDelta::hours(30 + stay as i64 % 12)).into();
    let mut at = now - TimeDelta::hours(23) + TimeDelta::minutes(stay as i64 * 7 % 120);
    let mut n = 0;
    while at < now - TimeDelta::minutes(stay as i64 % 5 * 60) {
        let after = at + TimeDelta::minutes(5);
        for (code, at) in [
            (if n % 3 == 0 { "tooth-brushing" } else { "oral-cleansing" }, at),
            ("oral-moisturising", after),
            ("oropharyngeal-suction-assessment", at),
            ("cuff-pressure-check", after),
            ("suction-set-change", at),
        ] {
            if code == "suction-set-change" && n > 0 {
                continue;
            }
            all.push(stays::care(&name, all.len(), code, at, ""));
        }
        at += TimeDelta::minutes(170 + (stay as i64 * 13 + n * 29) % 100);
        n += 1;
    }
    all
}

fn main() {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let outside =
        std::env::var_os("TERCE_OUTSIDE").map_or_else(|| here.join("target/outside"), PathBuf::from);
    let data = tempfile::tempdir().unwrap();
    let site = "[site]\nprotocol = \"adult\"\n[[unit]]\nlocation = \"north\"\nname = \"North\"\n";
    let service = Service::start(data.path(), site);
    let mut client = service.client();
    let now: DateTime<Utc> = SystemTime::now().into();
    for stay in 0..STAYS {
        client.send("/fhir", stays::transaction(&charted(stay, now)).as_bytes());
        assert_eq!(client.status(), 200);
    }
    service.settle();
    let status = Command::new("node")
        .arg(here.join("tests/bench/pages.mjs"))
        .arg(format!("http://{}", service.address))
        .env("TERCE_BROWSER", outside.join("browser"))
        .status()
        .unwrap();
    assert!(status.success(), "run tests/setup");
    println!("peak resident memory of the service: {} MiB", service.peak_mib());
}
