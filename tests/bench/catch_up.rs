//! What a backlog costs those who chart meanwhile, in one run on one machine: `cargo bench --bench catch_up`. Prints a
//! table; a benchmark, never a test.
//!
//! A million documents of the days of an outage lie in a folder that the service watches. While it reads them, patients are
//! admitted one after the other whose care is long due, and it is measured how long each waits for its Task: from when the
//! last of their documents is sent until the Task is found by asking for it again and again. The service runs as its own
//! process on a database on disk; the load comes over loopback from this one, so both share the machine's cores.
//!
//! `-- documents [seconds]`: another number of documents; stop measuring after so many seconds.

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

use std::io::Write as _;
use std::path::Path;
use std::time::{Duration, Instant, SystemTime};

use chrono::{DateTime, TimeDelta, Utc};
use client::Client;
use service::Service;
use stays::{admitted, care, shown, transaction};

/// Stays that the backlog is about.
const STAYS: usize = 500;
/// Documents of a file.
const FILE: usize = 50_000;

/// What was charted of a stay at an instant: care now and then, mostly rows that care does not look at.
fn charted(stay: usize, n: usize, at: DateTime<Utc>) -> String {
    let last = shown(at + TimeDelta::minutes(2));
    let meta = format!(r#""meta":{{"versionId":"1","lastUpdated":"{last}"}},"#);
    if n.is_multiple_of(20) {
        let code = ["oral-cleansing", "tooth-brushing", "oral-moisturising"][(n / 20) % 3];
        return care(&stay.to_string(), n, code, at, &meta);
    }
    format!(
        r#"{{"resourceType":"Observation","id":"o-{stay}-{n}",{meta}"status":"final","subject":{{"reference":"Patient/p-{stay}"}},"encounter":{{"reference":"Encounter/e-{stay}"}},"effectiveDateTime":"{}","code":{{"coding":[{{"system":"http://loinc.org","code":"8867-4"}}]}},"valueQuantity":{{"value":{},"unit":"/min"}}}}"#,
        shown(at),
        60 + n % 50
    )
}

/// Writes the backlog, in the order in which it was charted.
fn backlog(folder: &Path, documents: usize, now: DateTime<Utc>) {
    let each = documents / STAYS;
    let first = now - TimeDelta::hours(72);
    let mut lines: Vec<String> = (0..STAYS).flat_map(|stay| admitted(&stay.to_string(), first)).collect();
    let mut number = 0;
    let mut write = |lines: &mut Vec<String>| {
        let path = folder.join(format!("{number:04}.ndjson"));
        std::fs::File::create(path).unwrap().write_all((lines.join("\n") + "\n").as_bytes()).unwrap();
        number += 1;
        lines.clear();
    };
    for n in 0..each {
        let at = first + TimeDelta::seconds(60 + (71 * 3_600 * n / each) as i64);
        for stay in 0..STAYS {
            lines.push(charted(stay, n, at));
            if lines.len() == FILE {
                write(&mut lines);
            }
        }
    }
    write(&mut lines);
}

/// Admits a patient whose care is long due; how long the Task took.
fn live(client: &mut Client, number: usize) -> Duration {
    let name = format!("live-{number}");
    let from = DateTime::<Utc>::from(SystemTime::now()) - TimeDelta::hours(3);
    let bundle = transaction(&admitted(&name, from));
    let begun = Instant::now();
    client.send("/fhir", bundle.as_bytes());
    assert_eq!(client.status(), 200);
    while !client.get(&format!("/fhir/Task?patient=p-{name}")).contains("\"resourceType\":\"Task\"") {
        assert!(begun.elapsed() < Duration::from_secs(60), "no Task");
        std::thread::sleep(Duration::from_millis(5));
    }
    begun.elapsed()
}

fn percentile(sorted: &[Duration], share: f64) -> f64 {
    let at = ((sorted.len() as f64 * share).ceil() as usize).clamp(1, sorted.len());
    sorted[at - 1].as_secs_f64() * 1e3
}

fn told(what: &str, mut waits: Vec<Duration>) {
    waits.sort();
    println!(
        "{what:<24} {:>6} Tasks  p50 {:>7.1} ms  p95 {:>7.1} ms  p99 {:>7.1} ms  longest {:>7.1} ms",
        waits.len(),
        percentile(&waits, 0.5),
        percentile(&waits, 0.95),
        percentile(&waits, 0.99),
        percentile(&waits, 1.0)
    );
}

fn main() {
    let mut asked = std::env::args().skip(1).filter_map(|a| a.parse::<usize>().ok());
    let documents = asked.next().unwrap_or(1_000_000);
    let most = Duration::from_secs(asked.next().unwrap_or(3_600) as u64);
    let folder = tempfile::tempdir().unwrap();
    let (incoming, waiting) = (folder.path().join("in"), folder.path().join("waiting"));
    std::fs::create_dir_all(&incoming).unwrap();
    std::fs::create_dir_all(&waiting).unwrap();
    backlog(&waiting, documents, SystemTime::now().into());
    let more = format!(
        "[site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\n\
         [[source]]\nname = \"record\"\nheartbeat_seconds = 3600\n[source.folder]\npath = \"{}\"\nevery_seconds = 1\ncomplete = true\n",
        incoming.display()
    );
    let service = Service::start(folder.path(), &more);
    let mut client = service.client();
    // the folder is empty: everything is told, and Tasks may be opened
    std::thread::sleep(Duration::from_secs(3));
    let mut number = 0;
    let mut next = |client: &mut Client| {
        number += 1;
        let wait = live(client, number);
        std::thread::sleep(Duration::from_millis(100).saturating_sub(wait));
        wait
    };
    told("before the backlog", (0..50).map(|_| next(&mut client)).collect());
    for file in std::fs::read_dir(&waiting).unwrap() {
        let file = file.unwrap();
        std::fs::rename(file.path(), incoming.join(file.file_name())).unwrap();
    }
    let stored = || -> u64 {
        let text = service.metrics();
        let lines = text.lines().filter(|line| line.starts_with("terce_documents{type=\""));
        let of = lines.filter(|l| l.contains("\"Observation\"") || l.contains("\"Procedure\""));
        of.map(|line| line.rsplit(' ').next().unwrap().parse::<u64>().unwrap()).sum()
    };
    let begun = Instant::now();
    let (mut waits, mut looked) = (Vec::new(), Instant::now());
    loop {
        waits.push(next(&mut client));
        if looked.elapsed() > Duration::from_secs(10) {
            looked = Instant::now();
            let there = stored();
            eprintln!(
                "{:>5} s: {there} documents, {} Tasks, {} MiB",
                begun.elapsed().as_secs(),
                waits.len(),
                service.peak_mib()
            );
            if there as usize >= documents || begun.elapsed() > most {
                break;
            }
        }
    }
    let (seconds, there) = (begun.elapsed().as_secs_f64(), stored());
    told("while it is read", waits);
    println!("{there} documents in {seconds:.0} s ({:.0} a second)", there as f64 / seconds);
    println!("peak resident memory {} MiB", service.peak_mib());
}
