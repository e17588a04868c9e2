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
    /// The protocol: the id of a shipped one, or a file with a PlanDefinition.
    #[arg(long)]
    protocol: Option<String>,
    #[command(flatten)]
    how: How,
    /// Write opportunities.ndjson too: each with its arithmetic and its sources.
    #[arg(long)]
    opportunities: bool,
    /// The folder to write.
    #[arg(long, default_value = "terce-replay")]
    out: PathBuf,
    /// NDJSON files (also .gz and .zst), folders of them, or - for standard input.
    #[arg(required = true)]
    inputs: Vec<PathBuf>,
}

/// How files are read and counted.
#[derive(Debug, Args)]
struct How {
    /// The configuration file of the site.
    #[arg(long, env = "TERCE_CONFIG")]
    config: Option<PathBuf>,
    /// A file with a ConceptMap of local codes, or with a ValueSet of a condition; several times for several.
    #[arg(long)]
    map: Vec<PathBuf>,
    /// The zone of local days, such as Europe/Vienna.
    #[arg(long)]
    zone: Option<String>,
    /// Up to when to count, RFC 3339; without it up to when the last document was told.
    #[arg(long)]
    until: Option<String>,
    /// Threads; as many as there are cores if absent.
    #[arg(long)]
    threads: Option<usize>,
    /// How much may be kept in memory before it goes to files in the folder of output, in MiB.
    #[arg(long, default_value_t = 256)]
    memory: usize,
    /// Stop at the first line that cannot be read.
    #[arg(long)]
    strict: bool,
    /// Read every document as the service reads it at its door: slower, and tells more of what is wrong.
    #[arg(long)]
    thorough: bool,
}

#[derive(Debug, Args)]
pub(super) struct Comparing {
    /// Two folders that replay has written; or, with files, two protocols: ids of shipped ones, or PlanDefinitions.
    a: String,
    /// As the first.
    b: String,
    /// Files to count by both protocols.
    inputs: Vec<PathBuf>,
    #[command(flatten)]
    how: How,
    /// Write the comparison as CSV into this file.
    #[arg(long)]
    csv: Option<PathBuf>,
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
    let Arguments { protocol, how, opportunities, out, inputs } = arguments;
    let asked = match asked(how, protocol.as_ref(), inputs, out) {
        Ok(asked) => Replay { opportunities: *opportunities, ..asked },
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

pub(super) fn compare(arguments: &Comparing) -> ExitCode {
    match compared(arguments) {
        Ok(text) => {
            say(&text, false);
            ExitCode::SUCCESS
        }
        Err(error) => {
            say(&format!("{error:#}"), true);
            ExitCode::FAILURE
        }
    }
}

fn compared(arguments: &Comparing) -> anyhow::Result<String> {
    let scratch;
    let [a, b] = if arguments.inputs.is_empty() {
        [PathBuf::from(&arguments.a), PathBuf::from(&arguments.b)]
    } else {
        scratch = tempfile::tempdir()?;
        let outs = ["a", "b"].map(|name| scratch.path().join(name));
        for (protocol, out) in [&arguments.a, &arguments.b].into_iter().zip(&outs) {
            let asked = asked(&arguments.how, Some(protocol), &arguments.inputs, out)?;
            let shown = Shown::new();
            replay(&asked, &|progress| shown.tell(progress))?;
            shown.end();
        }
        outs
    };
    let comparison = crate::replay::compare(&a, &b)?;
    if let Some(path) = &arguments.csv {
        let file = std::fs::File::create(path).with_context(|| path.display().to_string())?;
        comparison.write_csv(file)?;
    }
    Ok(comparison.to_text())
}

fn asked(how: &How, protocol: Option<&String>, inputs: &[PathBuf], out: &Path) -> anyhow::Result<Replay> {
    let setup = setup(how, protocol)?;
    // what cannot be honoured is told before a file is read
    setup.site()?;
    let until = how.until.as_ref().map(|text| {
        let at: Result<chrono::DateTime<chrono::Utc>, _> = text.parse();
        at.map(Instant::from)
            .with_context(|| format!("\"{text}\" is no instant: expected 2026-01-31T00:00:00Z"))
    });
    let cores = || std::thread::available_parallelism().map_or(1, usize::from);
    Ok(Replay {
        inputs: inputs.to_vec(),
        out: out.to_owned(),
        setup,
        until: until.transpose()?,
        now: Clock::machine().now(),
        threads: how.threads.unwrap_or_else(cores).max(1),
        memory: how.memory << 20,
        opportunities: false,
        strict: how.strict,
        thorough: how.thorough,
    })
}

fn setup(how: &How, protocol: Option<&String>) -> anyhow::Result<Setup> {
    let read = |path: &Path| std::fs::read_to_string(path).with_context(|| path.display().to_string());
    let mut setup = Setup {
        config: how.config.as_deref().map(read).transpose()?,
        zone: how.zone.clone(),
        ..Setup::default()
    };
    for path in &how.map {
        let (kind, id, text) = definition(path)?;
        match kind.as_str() {
            "ConceptMap" => setup.maps.push((id, text)),
            "ValueSet" => setup.value_sets.push((id, text)),
            other => anyhow::bail!("{}: a {other} is no map of codes", path.display()),
        }
    }
    if let Some(protocol) = protocol {
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
