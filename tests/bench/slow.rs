//! What slow and silent connections do to everybody else: the times of ordinary requests with and without them.

use std::io::{ErrorKind, Read, Write};
use std::net::TcpStream;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::time::{Duration, Instant};

use crate::{BUNDLE, Service, charting, now_us, post_all, row};

/// Connections that are as slow as they can be.
const SLOW: usize = 500;
/// Ordinary connections, and how long each waits between two requests: far below what the service could do.
const ORDINARY: usize = 16;
const PAUSE: Duration = Duration::from_millis(20);
const TIME: Duration = Duration::from_secs(60);

/// What a slow connection begins with. Then it sends a byte a second, or takes one.
#[derive(Clone, Copy)]
enum Sort {
    Silent,
    Head,
    Body,
    Reader,
}

const SORTS: [Sort; 4] = [Sort::Silent, Sort::Head, Sort::Body, Sort::Reader];

impl Sort {
    fn beginning(self) -> &'static [u8] {
        match self {
            Sort::Silent => b"",
            Sort::Head => b"POST /fhir/Procedure HTTP/1.1\r\nHost: x\r\nX: ",
            Sort::Body => {
                b"POST /fhir/Procedure HTTP/1.1\r\nHost: x\r\nContent-Type: application/fhir+json\r\nContent-Length: 16000000\r\n\r\n"
            }
            Sort::Reader => b"GET /fhir/Procedure?_count=1000 HTTP/1.1\r\nHost: x\r\n\r\n",
        }
    }

    /// False if the connection is over.
    fn second(self, stream: &mut TcpStream) -> bool {
        let mut byte = [0];
        let done = match self {
            Sort::Silent | Sort::Reader => stream.read(&mut byte).map(|read| read > 0),
            Sort::Head | Sort::Body => stream.write(b"x").map(|_| true),
        };
        done.unwrap_or_else(|error| error.kind() == ErrorKind::WouldBlock)
    }
}

/// Keeps that many slow connections open until `stop`; one that is closed comes again at once. Counts those.
fn crawl(address: &str, stop: &AtomicBool, again: &AtomicU64) {
    let open = |sort: Sort| {
        let mut stream = TcpStream::connect(address).unwrap();
        let _ = stream.write_all(sort.beginning());
        stream.set_nonblocking(true).unwrap();
        stream
    };
    let mut all: Vec<(Sort, TcpStream)> =
        (0..SLOW).map(|n| SORTS[n % SORTS.len()]).map(|s| (s, open(s))).collect();
    while !stop.load(Relaxed) {
        for (sort, stream) in &mut all {
            if !sort.second(stream) {
                *stream = open(*sort);
                again.fetch_add(1, Relaxed);
            }
        }
        std::thread::sleep(Duration::from_secs(1));
    }
}

/// Median and 99th percentile in ms of ordinary requests, a POST and a read in turn, and how many there were.
fn ordinary(service: &Service, stays: usize) -> (f64, f64, usize) {
    let end = Instant::now() + TIME;
    let mut times: Vec<f64> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..ORDINARY)
            .map(|worker| {
                let mut client = service.client();
                let bodies = charting::more_care(stays, 4_000, now_us() + worker as i64 * 20_000_000);
                scope.spawn(move || {
                    let mut times = Vec::new();
                    for body in bodies.iter().cycle().take_while(|_| Instant::now() < end) {
                        let begun = Instant::now();
                        client.send("/fhir/Procedure", body);
                        let status = client.status();
                        assert!(
                            (200..300).contains(&status),
                            "an ordinary request was answered with {status}"
                        );
                        times.push(begun.elapsed().as_secs_f64() * 1e3);
                        let begun = Instant::now();
                        client.get("/fhir/Task?_count=10");
                        times.push(begun.elapsed().as_secs_f64() * 1e3);
                        std::thread::sleep(PAUSE);
                    }
                    times
                })
            })
            .collect();
        workers.into_iter().flat_map(|w| w.join().unwrap()).collect()
    });
    times.sort_by(f64::total_cmp);
    (times[times.len() / 2], times[times.len() * 99 / 100], times.len())
}

pub fn slow(stays: usize) {
    let data = tempfile::tempdir().unwrap();
    let service = Service::start(data.path(), "[site]\nprotocol = \"adult\"\n");
    let admitted = charting::admissions(stays, now_us() - 7_200_000_000);
    let bundles: Vec<Vec<u8>> = admitted.chunks(BUNDLE).map(charting::bundle).collect();
    post_all(&service, "/fhir", &bundles, 1);
    service.settle();
    let what =
        |who: &str| format!("ordinary requests of {ORDINARY} connections for {} s, {who}", TIME.as_secs());
    let (p50, p99, count) = ordinary(&service, stays);
    row(&what("alone: median / 99th percentile"), format!("{p50:.2} / {p99:.2} ms"));
    let (stop, again) = (AtomicBool::new(false), AtomicU64::new(0));
    let (slow50, slow99, slow_count) = std::thread::scope(|scope| {
        scope.spawn(|| crawl(&service.address, &stop, &again));
        let measured = ordinary(&service, stays);
        stop.store(true, Relaxed);
        measured
    });
    row(&what(&format!("beside {SLOW} slow ones")), format!("{slow50:.2} / {slow99:.2} ms"));
    row("  99th percentile beside them, as many times that alone", format!("{:.2}", slow99 / p99));
    row("  ordinary requests, alone and beside them; none was refused", format!("{count} / {slow_count}"));
    row("  slow connections that were closed and came again", again.load(Relaxed).to_string());
    row("  peak resident memory of the service", format!("{} MiB", service.peak_mib()));
}
