//! Sizes that do not fit: ten times as much in a file, and 10 GB through a pipe.

use std::process::{Command, Stdio};

use nix::sys::statvfs::statvfs;

use crate::contest::{Places, text};
use crate::measure::{Run, median, run};
use crate::table::{Bound, Goal, Results, seconds};

/// About 10 GB.
const PIPED: u64 = 24_000;
/// A stay takes less than this on disk.
const BYTES_OF_STAY: u64 = 450_000;
const RUNS: usize = 3;

/// Generated in one process, read in another.
fn piped(places: &Places) -> Result<Run, String> {
    let (command, out) = places.terce("adult", "-", "out-piped");
    let _ = std::fs::remove_dir_all(out);
    let mut generator = Command::new(std::env::current_exe().unwrap())
        .args(["generate", &PIPED.to_string(), "-"])
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let stdin = generator.stdout.take().unwrap();
    let run = run(&command, &places.made.join("piped.log"), stdin.into());
    let made = generator.wait().unwrap();
    let run = run?;
    made.success().then_some(run).ok_or_else(|| "the charting was not read to its end".to_owned())
}

fn tenfold(places: &Places, stays: u64) -> Result<Run, String> {
    let disk = statvfs(&places.made).map_err(|e| e.to_string())?;
    let charting = places.made.join(format!("{stays}-stays"));
    if !charting.exists() && disk.blocks_available() * disk.fragment_size() < 2 * stays * BYTES_OF_STAY {
        return Err("there is no room on the disk for it".to_owned());
    }
    let (command, out) = places.terce("adult", &text(&places.charting(stays)), "out-tenfold");
    let mut runs = Vec::new();
    for _ in 0..RUNS {
        let _ = std::fs::remove_dir_all(&out);
        runs.push(run(&command, &places.made.join("tenfold.log"), Stdio::null())?);
    }
    Ok(median(&runs))
}

/// Runs both and says what they came to.
pub fn goals(places: &Places, stays: u64, results: &Results) -> (Vec<Goal>, bool) {
    let tenfold = tenfold(places, stays * 10);
    let piped = piped(places);
    let mut failed = false;
    for (what, run) in [("ten times the stays, in files", &tenfold), ("24,000 stays through a pipe", &piped)]
    {
        match run {
            Ok(run) => println!("{what}: {:.3} s, peak {:.0} MiB", run.seconds, run.peak_mib),
            Err(why) => {
                failed = true;
                println!("{what}: FAILED: {why}");
            }
        }
    }
    let ratio = tenfold.as_ref().ok().map(|r| r.seconds).zip(seconds(results, "terce-adult"));
    let peak = |run: &Result<Run, String>| run.as_ref().ok().map(|r| r.peak_mib);
    let goals = vec![
        Goal {
            what: "ten times the stays, in files: time",
            found: ratio.map(|(t, o)| t / o),
            bound: Bound::AtMost(10.5),
        },
        Goal {
            what: "ten times the stays, in files: peak, MiB",
            found: peak(&tenfold),
            bound: Bound::AtMost(1_024.0),
        },
        Goal {
            what: "24,000 stays through a pipe: peak, MiB",
            found: peak(&piped),
            bound: Bound::AtMost(1_024.0),
        },
    ];
    (goals, failed)
}
