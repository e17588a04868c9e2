//! How fast, in one run on one machine: `cargo bench --bench ingest`. Prints a table; a benchmark, never a test.
//!
//! The service runs as its own process on a database on disk; the load comes over loopback from this one, so both share
//! the machine's cores. Every acknowledged document is durable.

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

mod charting;
mod client;
mod service;
mod slow;

use std::time::{Duration, Instant, SystemTime};

use client::Client;
use service::Service;

/// Documents of a Bundle.
const BUNDLE: usize = 1_000;

fn now_us() -> i64 {
    SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap().as_micros() as i64
}

fn row(what: &str, figure: String) {
    println!("| {what:<86} | {figure:>24} |");
}

/// Threads that send: each keeps many connections busy, so that the load itself takes little of the machine.
const SENDERS: usize = 4;

/// Sends `bodies` over `connections`, one request at a time on each; returns requests per second, and the median and
/// 99th percentile in ms.
fn post_all(service: &Service, path: &str, bodies: &[Vec<u8>], connections: usize) -> (f64, f64, f64) {
    let senders = SENDERS.min(connections);
    let begun = Instant::now();
    let mut times: Vec<f64> = std::thread::scope(|scope| {
        let workers: Vec<_> = bodies
            .chunks(bodies.len().div_ceil(senders))
            .map(|mine| {
                let mut clients: Vec<Client> = (0..connections / senders).map(|_| service.client()).collect();
                scope.spawn(move || send_all(path, mine, &mut clients))
            })
            .collect();
        workers.into_iter().flat_map(|w| w.join().unwrap()).collect()
    });
    let seconds = begun.elapsed().as_secs_f64();
    times.sort_by(f64::total_cmp);
    (bodies.len() as f64 / seconds, times[times.len() / 2], times[times.len() * 99 / 100])
}

/// A connection sends its next request as soon as it has been answered and its turn comes.
fn send_all(path: &str, bodies: &[Vec<u8>], clients: &mut [Client]) -> Vec<f64> {
    let mut times = Vec::with_capacity(bodies.len());
    let mut under_way: Vec<Option<Instant>> = vec![None; clients.len()];
    let mut left = bodies.iter();
    loop {
        let mut idle = true;
        for (client, sent) in clients.iter_mut().zip(&mut under_way) {
            if let Some(at) = sent.take() {
                let status = client.status();
                assert!((200..300).contains(&status), "status {status}");
                times.push(at.elapsed().as_secs_f64() * 1e3);
            }
            if let Some(body) = left.next() {
                client.send(path, body);
                *sent = Some(Instant::now());
                idle = false;
            }
        }
        if idle {
            return times;
        }
    }
}

/// Charting of the last `hours` of `stays` open stays. With two hours it is what a ward charts from day to day; with
/// twelve it is a backlog that makes and unmakes misses as it comes.
fn ingest(stays: usize, per_stay: usize, hours: i64) {
    let data = tempfile::tempdir().unwrap();
    let service = Service::start(data.path(), "[site]\nprotocol = \"adult\"\n");
    let start = now_us() - hours * 3_600_000_000;
    row(
        &format!("charting of the last {hours} h of {stays} open stays, reconciled meanwhile"),
        String::new(),
    );
    let admitted: Vec<Vec<u8>> =
        charting::admissions(stays, start).chunks(BUNDLE).map(charting::bundle).collect();
    post_all(&service, "/fhir", &admitted, 1);
    row(
        &format!("{stays} open stays admitted and reconciled"),
        format!("{:.1} s", service.settle().as_secs_f64()),
    );
    let care = charting::care(stays, per_stay, start, hours);
    let bytes: usize = care.iter().map(Vec::len).sum::<usize>() / care.len();
    let bundles: Vec<Vec<u8>> = care.chunks(BUNDLE).map(charting::bundle).collect();
    let (rate, p50, p99) = post_all(&service, "/fhir", &bundles, 4);
    let what =
        format!("Bundles of {BUNDLE} Procedures of {bytes} bytes, durable, 4 connections: resources/s");
    row(&what, format!("{:.0}", rate * BUNDLE as f64));
    row("  a Bundle, median and 99th percentile", format!("{p50:.1} / {p99:.1} ms"));
    row(
        "  until everything is reconciled after the last",
        format!("{:.1} s", service.settle().as_secs_f64()),
    );
    let singles = charting::more_care(stays, 180_000, now_us());
    let (few, many) = singles.split_at(60_000);
    for (bodies, connections) in [(few, 64), (many, 384)] {
        let (rate, p50, p99) = post_all(&service, "/fhir/Procedure", bodies, connections);
        row(&format!("single POSTs, durable, {connections} connections: requests/s"), format!("{rate:.0}"));
        row("  a POST, median and 99th percentile", format!("{p50:.2} / {p99:.2} ms"));
        row(
            "  until everything is reconciled after the last",
            format!("{:.1} s", service.settle().as_secs_f64()),
        );
    }
    row("peak resident memory of the service", format!("{} MiB", service.peak_mib()));
}

/// All stays become overdue within `window`: how late is each announced?
fn announcing(stays: usize, window: Duration) {
    let data = tempfile::tempdir().unwrap();
    let service = Service::start(data.path(), "[site]\nprotocol = \"minimal\"\n");
    // announced 4.5 h after ventilation began: a limit of 4 h and a charting allowance of 30 min
    let lead = Duration::from_secs(30);
    let begin = now_us() - 16_200_000_000 + lead.as_micros() as i64;
    let step = window.as_micros() as i64 / stays as i64;
    let admitted = charting::admissions_apart(stays, begin, step);
    let bundles: Vec<Vec<u8>> = admitted.chunks(BUNDLE).map(charting::bundle).collect();
    post_all(&service, "/fhir", &bundles, 1);
    let settled = service.settle();
    assert!(settled < lead, "too slow to be ready in time: {settled:?}");
    std::thread::sleep(lead + window + Duration::from_secs(10));
    let mut late = Vec::new();
    let mut path = "/fhir/DetectedIssue?_count=1000".to_owned();
    let mut client = service.client();
    loop {
        let page: serde_json::Value = serde_json::from_str(&client.get(&path)).unwrap();
        for entry in page["entry"].as_array().into_iter().flatten() {
            let resource = &entry["resource"];
            let at = |v: &serde_json::Value| {
                chrono::DateTime::parse_from_rfc3339(v.as_str().unwrap()).unwrap().timestamp_micros()
            };
            let declared = at(&resource["identifiedPeriod"]["start"]) + 1_800_000_000;
            late.push((at(&resource["meta"]["lastUpdated"]) - declared) as f64 / 1e6);
        }
        let next = page["link"].as_array().into_iter().flatten().find(|l| l["relation"] == "next");
        let Some(url) = next.and_then(|l| l["url"].as_str()) else { break };
        path = url[url.find("/fhir").unwrap()..].to_owned();
    }
    assert_eq!(late.len(), stays, "one issue for each stay");
    late.sort_by(f64::total_cmp);
    let what = format!("{stays} stays overdue within {} s: announced after, median / last", window.as_secs());
    row(&what, format!("{:.2} / {:.2} s", late[late.len() / 2], late[late.len() - 1]));
    row("  peak resident memory of the service", format!("{} MiB", service.peak_mib()));
}

fn main() {
    println!("| {:<86} | {:>24} |\n| {} | {} |", "what", "figure", "-".repeat(86), "-".repeat(24));
    // `-- ingest`, `-- announcing` or `-- slow` for one of them
    let only = std::env::args().skip(1).find(|a| !a.starts_with('-'));
    let wanted = |part: &str| only.as_deref().is_none_or(|o| o == part);
    if wanted("ingest") {
        ingest(10_000, 30, 2);
        ingest(10_000, 30, 12);
    }
    if wanted("announcing") {
        announcing(10_000, Duration::from_secs(60));
        announcing(10_000, Duration::from_secs(1));
    }
    if wanted("slow") {
        slow::slow(1_000);
    }
}
