//! How fast a record of a year is read and counted, beside what else does such work: `cargo bench --bench replay`.
//! Prints a table; a benchmark, never a test.
//!
//! Everyone is given the same files and does the same task, and the cells of all must be equal. Terce is timed on more
//! than the task: the whole adult protocol with all outputs.
//!
//! `-- --stays N` for another size, `-- --runs N` for other repetitions, `-- --only NAME` (a beginning of a name: floor,
//! terce, duckdb, polars, python, cql) for some, `-- --big` for sizes beyond memory, and `-- generate STAYS FOLDER|-` for
//! the charting alone.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    unreachable_pub,
    reason = "a benchmark that fails says so and ends"
)]

mod big;
mod cells;
mod contest;
mod floor;
mod generate;
mod measure;
mod table;

use std::collections::BTreeMap;
use std::path::Path;
use std::process::{Command, Stdio};

use contest::{Contestant, FEW, Places, Told};
use measure::Run;
use table::Results;

// As in the service, so that the floor is not raised by the allocator
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

struct Options {
    stays: u64,
    runs: usize,
    only: Option<String>,
    big: bool,
}

impl Options {
    fn read(arguments: &[String]) -> Options {
        let mut options = Options { stays: 1_000, runs: 5, only: None, big: false };
        let mut left = arguments.iter();
        while let Some(argument) = left.next() {
            let mut value = || left.next().unwrap_or_else(|| panic!("{argument} needs a value"));
            match argument.as_str() {
                "--stays" => options.stays = value().parse().unwrap(),
                "--runs" => options.runs = value().parse().unwrap(),
                "--only" => options.only = Some(value().clone()),
                "--big" => options.big = true,
                other => panic!("no option {other}; see the head of tests/bench/replay/main.rs"),
            }
        }
        options
    }

    fn wants(&self, name: &str) -> bool {
        self.only.as_deref().is_none_or(|only| name.starts_with(only))
    }
}

fn main() {
    // cargo adds --bench
    let arguments: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    match arguments.first().map(String::as_str) {
        Some("generate") => generate(&arguments[1], &arguments[2]),
        Some("parse") => println!("{:?}", floor::parse(&arguments[1], Path::new(&arguments[2]))),
        Some("measure") => measure::child(&arguments[1..]),
        _ => compare(&Options::read(&arguments)),
    }
}

fn generate(stays: &str, to: &str) {
    let stays = stays.parse().unwrap();
    match to {
        "-" => generate::to_stream(stays, &mut std::io::stdout().lock()).unwrap(),
        folder => println!("{} Procedures", generate::to_folder(stays, Path::new(folder)).unwrap()),
    }
}

fn compare(options: &Options) {
    let places = Places::new();
    std::fs::create_dir_all(&places.made).unwrap();
    let wanted: Vec<Contestant> = places
        .contestants(options.stays, options.runs.max(1))
        .into_iter()
        .filter(|c| options.wants(c.name))
        .collect();
    let mut results = Results::new();
    let own = |c: &Contestant| ["terce", "floor"].iter().any(|own| c.name.starts_with(own));
    if !wanted.iter().all(own)
        && let Err(why) = places.prepare()
    {
        println!("the other programs are not ready: {why}");
    }
    let terce = wanted.iter().any(|c| c.name.starts_with("terce"));
    if let Some(why) = unable().filter(|_| terce) {
        let all = wanted.iter().filter(|c| c.name.starts_with("terce"));
        results.extend(all.map(|c| (c.name, Err(why.clone()))));
    }
    let procedures = warm(&places.charting(options.stays));
    race(&places, &wanted, options.stays, &mut results);
    whole(&wanted, &mut results);
    let disagree = disagreements(&wanted, &mut results);
    table::print(&wanted, &results, procedures);
    let mut goals = table::goals(&results);
    let mut failed = disagree | results.values().any(Result::is_err);
    if options.big {
        let (more, short) = big::goals(&places, options.stays, &results);
        goals.extend(more);
        failed |= short;
    }
    table::judge(&goals);
    if failed {
        println!("\nFAILED: see above");
        std::process::exit(1);
    }
}

/// Why Terce cannot take part, if it cannot.
fn unable() -> Option<String> {
    let help = Command::new(env!("CARGO_BIN_EXE_terce")).args(["replay", "--help"]).output().unwrap();
    (!help.status.success()).then(|| "this terce has no command `replay`".to_owned())
}

/// Reads all files, so that no one waits for the disk; returns the number of Procedures.
fn warm(charting: &Path) -> usize {
    let file = std::fs::File::open(charting.join("Procedure.ndjson")).unwrap();
    let (mut reader, mut lines) = (std::io::BufReader::with_capacity(1 << 20, file), 0);
    loop {
        let block = std::io::BufRead::fill_buf(&mut reader).unwrap();
        if block.is_empty() {
            return lines;
        }
        lines += memchr::memchr_iter(b'\n', block).count();
        let read = block.len();
        std::io::BufRead::consume(&mut reader, read);
    }
}

/// Round after round, so that a slow minute of the machine falls on all alike.
fn race(places: &Places, wanted: &[Contestant], stays: u64, results: &mut Results) {
    let mut runs: BTreeMap<&str, Vec<Run>> = BTreeMap::new();
    for round in 0..wanted.iter().map(|c| c.runs).max().unwrap_or_default() {
        for contestant in wanted.iter().filter(|c| c.runs > round) {
            if results.contains_key(contestant.name) {
                continue;
            }
            // what an earlier run left must not pass for this one's
            if let Some(at) = contestant.command.iter().position(|a| a == "--out") {
                let _ = std::fs::remove_dir_all(&contestant.command[at + 1]);
            }
            if let Told::Peer(file) = &contestant.told {
                let _ = std::fs::remove_file(file);
            }
            let log = places.made.join(contestant.name).with_extension("log");
            match measure::run(&contestant.command, &log, Stdio::null()) {
                Ok(run) => runs.entry(contestant.name).or_default().push(run),
                Err(why) => drop(results.insert(contestant.name, Err(why))),
            }
        }
        eprintln!("round {} is over", round + 1);
    }
    for contestant in wanted {
        let Some(runs) = runs.get(contestant.name).filter(|_| !results.contains_key(contestant.name)) else {
            continue;
        };
        let mut run = measure::median(runs);
        if contestant.name == "cql" {
            run.seconds *= stays as f64 / FEW as f64;
        }
        results.insert(contestant.name, Ok(run));
    }
}

/// A time counts for all outputs only if they were written, and the same from the compressed file as from the plain.
fn whole(wanted: &[Contestant], results: &mut Results) {
    const OUTPUTS: [&str; 5] =
        ["tallies.csv", "issues.ndjson", "tasks.ndjson", "measurereports.ndjson", "doubts.ndjson"];
    let mut tallies: Option<Vec<u8>> = None;
    for contestant in wanted {
        let Told::Outputs(folder) = &contestant.told else { continue };
        if results.get(contestant.name).is_none_or(Result::is_err) {
            continue;
        }
        let absent: Vec<&str> = OUTPUTS.into_iter().filter(|name| !folder.join(name).exists()).collect();
        let found = std::fs::read(folder.join(OUTPUTS[0])).unwrap_or_default();
        if !absent.is_empty() || found.is_empty() {
            results
                .insert(contestant.name, Err(format!("no tallies, or not written: {}", absent.join(", "))));
        } else if tallies.get_or_insert_with(|| found.clone()) != &found {
            results.insert(contestant.name, Err("other tallies than from the plain file".to_owned()));
        }
    }
}

/// Holds the cells of all who did the task on the same files against each other; true if any differ.
fn disagreements(wanted: &[Contestant], results: &mut Results) -> bool {
    let mut first: BTreeMap<u64, (&str, cells::Cells)> = BTreeMap::new();
    let mut any = false;
    // those written in plain loops first: they are what the others are held against
    let plain = |c: &&Contestant| !["python-json", "python-few"].contains(&c.name);
    let mut order: Vec<&Contestant> = wanted.iter().collect();
    order.sort_by_key(plain);
    for contestant in order {
        if results.get(contestant.name).is_none_or(Result::is_err) {
            continue;
        }
        let cells = match contestant.cells() {
            None => continue,
            Some(Ok(cells)) => cells,
            Some(Err(why)) => {
                results.insert(contestant.name, Err(why));
                continue;
            }
        };
        match first.get(&contestant.stays) {
            None => {
                println!("{}: {} cells of {} stays", contestant.name, cells.len(), contestant.stays);
                first.insert(contestant.stays, (contestant.name, cells));
            }
            Some((name, theirs)) => match theirs.differences(&cells) {
                None => println!("{} and {name}: the same {} cells", contestant.name, cells.len()),
                Some(how) => {
                    any = true;
                    println!("DIFFERENT: {name} and {}: {how}", contestant.name);
                }
            },
        }
    }
    any
}
