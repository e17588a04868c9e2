//! `terce replay` and `terce merge`: their arguments, how far they have come, and what came of them.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Mutex;
use std::time::{Duration, Instant as Stopwatch};

use anyhow::Context;
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};

use super::say;
use crate::care::statistics::wilson;
use crate::care::time::Instant;
use crate::clock::Clock;
use crate::replay::{Progress, Replay, Setup, Summary, replay};

/// How many bad lines are shown.
const BAD_LINES_SHOWN: usize = 10;

/// How often it is told how far the reading has come, where nobody sees a bar.
const TOLD_EVERY: Duration = Duration::from_secs(10);

#[derive(Debug, Args)]
#[command(
    after_help = "Exit codes: 0 done; 1 failed, or --strict and a line could not be read; 2 the configuration, \
protocol, map or zone cannot be honoured; 3 done, but some lines could not be read."
)]
pub(super) struct Arguments {
    /// The configuration file of the site.
    #[arg(long, env = "TERCE_CONFIG")]
    config: Option<PathBuf>,
    /// The protocol: the id of a shipped one, or a file with a PlanDefinition.
    #[arg(long)]
    protocol: Option<String>,
    /// A file with a ConceptMap of local codes, or with a ValueSet of a condition; several times for several.
    #[arg(long)]
    map: Vec<PathBuf>,
    /// The zone of local days, such as Europe/Vienna.
    #[arg(long)]
    zone: Option<String>,
    /// Up to when to count, RFC 3339; without it up to when the last document was told.
    #[arg(long)]
    until: Option<String>,
    /// The folder to write.
    #[arg(long, default_value = "terce-replay")]
    out: PathBuf,
    /// Threads; as many as there are cores if absent.
    #[arg(long)]
    threads: Option<usize>,
    /// How much may be kept in memory before it goes to files in the folder of output, in MiB.
    #[arg(long, default_value_t = 256)]
    memory: usize,
    /// Write opportunities.ndjson too: each with its arithmetic and its sources.
    #[arg(long)]
    opportunities: bool,
    /// Stop at the first line that cannot be read.
    #[arg(long)]
    strict: bool,
    /// Read every document as the service reads it at its door: slower, and tells more of what is wrong.
    #[arg(long)]
    thorough: bool,
    /// NDJSON files (also .gz and .zst), folders of them, or - for standard input.
    #[arg(required = true)]
    inputs: Vec<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct Merging {
    /// The folder to write.
    #[arg(long)]
    out: PathBuf,
    /// Folders that replays have written, all up to the same instant.
    #[arg(required = true)]
    folders: Vec<PathBuf>,
}

pub(super) fn run(arguments: &Arguments) -> ExitCode {
    let asked = match asked(arguments) {
        Ok(asked) => asked,
        Err(error) => {
            say(&format!("{error:#}"), true);
            return ExitCode::from(2);
        }
    };
    let (begun, shown) = (Stopwatch::now(), Shown::new());
    match replay(&asked, &|progress| shown.tell(progress)) {
        Ok(summary) => {
            shown.end();
            say(&told(&summary, &asked.out, begun.elapsed()), false);
            if summary.rejected > 0 { ExitCode::from(3) } else { ExitCode::SUCCESS }
        }
        Err(error) => {
            shown.end();
            say(&format!("{error:#}"), true);
            ExitCode::FAILURE
        }
    }
}

pub(super) fn merge(arguments: &Merging) -> ExitCode {
    match crate::replay::merge(&arguments.folders, &arguments.out) {
        Ok(manifest) => {
            let (stays, until, out) = (manifest.stays, &manifest.until, arguments.out.display());
            say(&format!("{stays} stays up to {until} in {out}"), false);
            ExitCode::SUCCESS
        }
        Err(error) => {
            say(&format!("{error:#}"), true);
            ExitCode::FAILURE
        }
    }
}

fn asked(arguments: &Arguments) -> anyhow::Result<Replay> {
    let setup = setup(arguments)?;
    // what cannot be honoured is told before a file is read
    setup.site()?;
    let until = arguments.until.as_ref().map(|text| {
        let at: Result<chrono::DateTime<chrono::Utc>, _> = text.parse();
        at.map(Instant::from)
            .with_context(|| format!("\"{text}\" is no instant: expected 2026-01-31T00:00:00Z"))
    });
    let cores = || std::thread::available_parallelism().map_or(1, usize::from);
    Ok(Replay {
        inputs: arguments.inputs.clone(),
        out: arguments.out.clone(),
        setup,
        until: until.transpose()?,
        now: Clock::machine().now(),
        threads: arguments.threads.unwrap_or_else(cores).max(1),
        memory: arguments.memory << 20,
        opportunities: arguments.opportunities,
        strict: arguments.strict,
        thorough: arguments.thorough,
    })
}

fn setup(arguments: &Arguments) -> anyhow::Result<Setup> {
    let read = |path: &Path| std::fs::read_to_string(path).with_context(|| path.display().to_string());
    let mut setup = Setup {
        config: arguments.config.as_deref().map(read).transpose()?,
        zone: arguments.zone.clone(),
        ..Setup::default()
    };
    for path in &arguments.map {
        let (kind, id, text) = definition(path)?;
        match kind.as_str() {
            "ConceptMap" => setup.maps.push((id, text)),
            "ValueSet" => setup.value_sets.push((id, text)),
            other => anyhow::bail!("{}: a {other} is no map of codes", path.display()),
        }
    }
    if let Some(protocol) = &arguments.protocol {
        let path = Path::new(protocol);
        setup.protocol = Some(if path.is_file() {
            let (kind, id, text) = definition(path)?;
            anyhow::ensure!(kind == "PlanDefinition", "{}: a {kind} is no protocol", path.display());
            setup.plans.push((id.clone(), text));
            id
        } else {
            protocol.clone()
        });
    }
    Ok(setup)
}

/// Type, id and text of a definition in a file.
fn definition(path: &Path) -> anyhow::Result<(String, String, String)> {
    #[derive(serde::Deserialize)]
    #[serde(rename_all = "camelCase")]
    struct Named {
        resource_type: String,
        id: Option<String>,
    }
    let text = std::fs::read_to_string(path).with_context(|| path.display().to_string())?;
    let Named { resource_type, id } =
        serde_json::from_str(&text).with_context(|| format!("{}: not a resource", path.display()))?;
    let id = id.with_context(|| format!("{}: it has no id", path.display()))?;
    Ok((resource_type, id, text))
}

/// A bar on a terminal; else a line from time to time.
struct Shown {
    bar: Option<ProgressBar>,
    last: Mutex<Stopwatch>,
    begun: Stopwatch,
}

impl Shown {
    fn new() -> Self {
        let bar = std::io::stderr().is_terminal().then(ProgressBar::no_length);
        Shown { bar, last: Mutex::new(Stopwatch::now()), begun: Stopwatch::now() }
    }

    fn tell(&self, progress: Progress) {
        let (what, done, of) = match progress {
            Progress::Reading(done, of) => ("reading", done, of),
            Progress::Counting(done, of) => ("counting", done, of),
        };
        if let Some(bar) = &self.bar {
            let style = match (progress, of) {
                (Progress::Reading(..), 0) => "reading  {bytes} {bytes_per_sec}, {elapsed}",
                (Progress::Reading(..), _) => {
                    "reading  [{bar:40}] {bytes} of {total_bytes}, {bytes_per_sec}, {eta} left"
                }
                (Progress::Counting(..), _) => "counting [{bar:40}] {percent} %, {eta} left",
            };
            if let Ok(style) = ProgressStyle::with_template(style) {
                bar.set_style(style.progress_chars("=> "));
            }
            bar.set_length(of);
            bar.set_position(done);
            return;
        }
        let Ok(mut last) = self.last.lock() else { return };
        if last.elapsed() >= TOLD_EVERY {
            *last = Stopwatch::now();
            let rate = done as f64 / 1e6 / self.begun.elapsed().as_secs_f64();
            match (progress, of) {
                (Progress::Counting(..), _) => say(&format!("{what}: {done} of {of} parts"), true),
                (Progress::Reading(..), 0) => {
                    say(&format!("{what}: {} MB, {rate:.0} MB/s", done / 1_000_000), true);
                }
                (Progress::Reading(..), _) => {
                    let (share, done) = (done as f64 / of as f64 * 100.0, done / 1_000_000);
                    say(&format!("{what}: {done} MB, {share:.0} %, {rate:.0} MB/s"), true);
                }
            }
        }
    }

    fn end(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }
}

/// What a person reads at the end.
fn told(summary: &Summary, out: &Path, took: Duration) -> String {
    let manifest = &summary.manifest;
    let mut lines = vec![
        format!("Counted up to {} in {}, by {}.", manifest.until, manifest.zone, manifest.protocol),
        format!(
            "{} documents in {} lines, {:.1} s: {} used, {} without a known code, {} of other types, {} bad lines.",
            summary.documents,
            summary.lines,
            took.as_secs_f64(),
            summary.kept,
            summary.no_known_code,
            summary.other_types,
            summary.rejected
        ),
        format!(
            "{} patients, {} stays, {} of them not over.",
            summary.patients, manifest.stays, manifest.open
        ),
        String::new(),
        format!(
            "{:<24}{:>9}{:>9}{:>9}{:>9}  {:<24}{:>9}",
            "requirement", "met", "missed", "excused", "late", "met of counted, 95 %", "covered"
        ),
    ];
    for (requirement, cell) in summary.tally.by_requirement() {
        let counted = u64::from(cell.met) + u64::from(cell.missed);
        let share = wilson(u64::from(cell.met), counted).map(|(low, high)| {
            let share = f64::from(cell.met) / counted as f64;
            format!("{:.1} % ({:.1} to {:.1})", share * 100.0, low * 100.0, high * 100.0)
        });
        let at_risk = cell.at_risk.as_micros();
        let covered = (at_risk > 0)
            .then(|| format!("{:.1} %", cell.covered.as_micros() as f64 / at_risk as f64 * 100.0));
        lines.push(format!(
            "{:<24}{:>9}{:>9}{:>9}{:>9}  {:<24}{:>9}",
            requirement,
            cell.met,
            cell.missed,
            cell.excused,
            cell.late_charted,
            share.as_deref().unwrap_or("-"),
            covered.as_deref().unwrap_or("-")
        ));
    }
    lines.push(String::new());
    let written: Vec<String> = summary.written.iter().map(|(name, n)| format!("{n} in {name}")).collect();
    lines.push(format!("Written to {}: {}.", out.display(), written.join(", ")));
    lines.push(
        "This counts what was charted: charting is not care, and care is not always charted.".to_owned(),
    );
    let shown = summary.bad_lines.iter().take(BAD_LINES_SHOWN);
    lines.extend(shown.map(|bad| format!("{}:{}: {}", bad.file, bad.line, bad.why)));
    if summary.rejected > BAD_LINES_SHOWN as u64 {
        lines.push(format!("... and {} more, in rejected.ndjson", summary.rejected - BAD_LINES_SHOWN as u64));
    }
    lines.join("\n")
}
