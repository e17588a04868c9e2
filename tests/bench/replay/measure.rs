//! One run of one program: how long it took and how much memory it needed at most.

use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Instant;

use nix::sys::resource::{UsageWho, getrusage};

/// What one run came to.
#[derive(Clone, Copy)]
pub struct Run {
    pub seconds: f64,
    pub peak_mib: f64,
}

/// The side of the process that measures: it has no other child, so the peak of its children is that of the program.
pub fn child(command: &[String]) -> ! {
    let begun = Instant::now();
    let status = Command::new(&command[0]).args(&command[1..]).status();
    let seconds = begun.elapsed().as_secs_f64();
    let peak_kib = getrusage(UsageWho::RUSAGE_CHILDREN).unwrap().max_rss();
    // after all that the program itself said
    println!("\nmeasured {seconds} {peak_kib}");
    std::process::exit(status.ok().and_then(|s| s.code()).unwrap_or(127));
}

/// Runs `command` with `stdin`. A program that says `seconds` itself, without the start of its interpreter, is
/// believed.
pub fn run(command: &[String], log: &Path, stdin: Stdio) -> Result<Run, String> {
    let errors = std::fs::File::create(log).map_err(|e| e.to_string())?;
    let mut outer = Command::new(std::env::current_exe().unwrap());
    outer.arg("measure").args(command).stdin(stdin).stderr(errors);
    let output = outer.output().map_err(|e| e.to_string())?;
    let said = String::from_utf8_lossy(&output.stdout);
    if !output.status.success() {
        let text = std::fs::read_to_string(log).unwrap_or_default();
        let last = text.lines().rev().find(|l| !l.trim().is_empty()).unwrap_or("it said nothing");
        return Err(format!("{}: {last} (see {})", output.status, log.display()));
    }
    let after = |word: &str| {
        let line = said.lines().rev().find_map(|l| l.strip_prefix(word));
        line.map(|l| l.split_whitespace().filter_map(|n| n.parse().ok()).collect::<Vec<f64>>())
    };
    let measured = after("measured ").filter(|m| m.len() == 2).ok_or("not measured")?;
    let seconds = after("seconds ").map_or(measured[0], |s| s[0]);
    Ok(Run { seconds, peak_mib: measured[1] / 1_024.0 })
}

/// The run in the middle by time, with the largest peak of all.
pub fn median(runs: &[Run]) -> Run {
    let mut by_time = runs.to_vec();
    by_time.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    let peak_mib = runs.iter().map(|r| r.peak_mib).fold(0.0, f64::max);
    Run { peak_mib, ..by_time[by_time.len() / 2] }
}
