//! What `terce` does on the command line.

mod audit;
mod check;
mod dry_run;
mod letters;
mod replay;

use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

use anyhow::{Context, bail};
use clap::{Args, Parser, Subcommand};

use crate::care::explain::{Explained, explain};
use crate::clock::Clock;
use crate::config::{Access, Config};
use crate::feed::Feeds;
use crate::reconcile::Reconciler;
use crate::stays::Stays;
use crate::store::{Audit, Batch, Derived, StayQuery, Store, Thing};
use crate::translate::audit::by;
use crate::{service, telemetry};

/// Terce reconciles charted mouth care of ventilated patients with the cadence that each of them should get.
#[derive(Debug, Parser)]
#[command(name = "terce", version, long_version = long_version(), about, max_term_width = 100)]
pub struct Command {
    #[command(subcommand)]
    act: Act,
}

fn long_version() -> String {
    format!("{}\ntime zones: IANA {}", env!("CARGO_PKG_VERSION"), chrono_tz::IANA_TZDB_VERSION)
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Run the service.
    Serve(Common),
    /// Check the configuration and print what it comes to; with `--against`, also what would become of a record.
    Check(check::Arguments),
    /// Explain each item of a stay: the span, the arithmetic of the deadline, and the source documents.
    Explain(Explain),
    /// Compute everything that is derived from documents anew and report the differences. Stop the service first.
    Rebuild(Common),
    /// The chain of what was recorded of who did what: walk along it, or print its head to keep elsewhere.
    Audit(audit::Arguments),
    /// Dead letters: list them, hand them over again, drop them.
    Letters(letters::Arguments),
    /// Count years of charting from FHIR R4 NDJSON files, as the service would have.
    Replay(Box<replay::Arguments>),
    /// Add up the outputs of replays of a split input.
    Merge(replay::Merging),
    /// Compare two outputs of replay, or two protocols over the same files.
    Compare(Box<replay::Comparing>),
}

#[derive(Debug, Args)]
struct Common {
    /// The configuration file; without one: loopback, UTC, the adult protocol everywhere.
    #[arg(long, env = "TERCE_CONFIG")]
    config: Option<PathBuf>,
    /// Where to listen, in place of what the file says.
    #[arg(long, env = "TERCE_LISTEN")]
    listen: Option<std::net::SocketAddr>,
    /// Where those who watch over the service are answered, in place of what the file says.
    #[arg(long, env = "TERCE_ADMIN_LISTEN")]
    admin_listen: Option<std::net::SocketAddr>,
    /// Folder of the database, in place of what the file says.
    #[arg(long, env = "TERCE_DATA")]
    data: Option<PathBuf>,
    /// What to log, such as `info` or `terce=debug`.
    #[arg(long, env = "TERCE_LOG", default_value = "info")]
    log: String,
    /// Log lines of JSON.
    #[arg(long, env = "TERCE_LOG_JSON")]
    log_json: bool,
}

#[derive(Debug, Args)]
struct Explain {
    #[command(flatten)]
    common: Common,
    /// The stay: the id of its Encounter, or `Encounter/id`.
    encounter: String,
    /// Only this requirement.
    #[arg(long)]
    requirement: Option<String>,
    /// As JSON.
    #[arg(long)]
    json: bool,
}

/// Runs a command. 0: done; 1: it failed, or `rebuild` found differences; 2: the configuration is wrong; 3: `replay` is
/// done, but some lines could not be read.
pub fn run(command: Command) -> ExitCode {
    let common = match &command.act {
        Act::Replay(arguments) => return replay::run(arguments),
        Act::Merge(arguments) => return replay::merge(arguments),
        Act::Compare(arguments) => return replay::compare(arguments),
        Act::Serve(common) | Act::Rebuild(common) => common,
        Act::Check(asked) => &asked.common,
        Act::Explain(explain) => &explain.common,
        Act::Audit(asked) => &asked.common,
        Act::Letters(asked) => &asked.common,
    };
    telemetry::start(&common.log, common.log_json);
    let config = match configured(common) {
        Ok(config) => config,
        Err(errors) => {
            say(&errors.join("\n"), true);
            return ExitCode::from(2);
        }
    };
    // the store has threads of its own; more of the runtime's would only hold memory
    let runtime =
        match tokio::runtime::Builder::new_multi_thread().enable_all().max_blocking_threads(8).build() {
            Ok(runtime) => runtime,
            Err(error) => {
                say(&format!("cannot start: {error}"), true);
                return ExitCode::FAILURE;
            }
        };
    runtime.block_on(async {
        let done = match &command.act {
            Act::Serve(_) => serve(config).await,
            Act::Check(asked) => check::run(config, asked).await,
            Act::Rebuild(_) => rebuild(config).await,
            Act::Explain(asked) => explain_stay(config, asked).await,
            Act::Audit(asked) => return audit::run(&config, asked).await,
            Act::Letters(asked) => return letters::run(config, asked).await,
            Act::Replay(_) | Act::Merge(_) | Act::Compare(_) => Ok(()),
        };
        match done {
            Ok(()) => ExitCode::SUCCESS,
            Err(error) => {
                say(&format!("{error:#}"), true);
                ExitCode::FAILURE
            }
        }
    })
}

fn configured(common: &Common) -> Result<Config, Vec<String>> {
    let mut config = Config::load(common.config.as_deref())?;
    config.listen = common.listen.unwrap_or(config.listen);
    config.admin_listen = common.admin_listen.or(config.admin_listen);
    if let Some(data) = &common.data {
        config.data.clone_from(data);
    }
    let mut errors: Vec<String> = config.exposed().err().into_iter().collect();
    if let Access::Registered(registry) = &config.access {
        errors.extend(crate::rest::unknown_types(registry));
    }
    if errors.is_empty() { Ok(config) } else { Err(errors) }
}

fn say(text: &str, error: bool) {
    // a closed pipe is not worth more words
    let _ = if error { writeln!(std::io::stderr(), "{text}") } else { writeln!(std::io::stdout(), "{text}") };
}

async fn serve(config: Config) -> anyhow::Result<()> {
    let mut running = service::serve(config, Clock::machine()).await?;
    let (base, admin) = (running.base(), running.admin);
    say(
        &format!("Terce serves FHIR R4 at {base} , metrics at http://{admin}/metrics . Ctrl-C stops it."),
        false,
    );
    tokio::select! {
        ended = running.ended() => return ended,
        () = stop_asked() => {}
    }
    running.shutdown().await
}

/// Returns when the process is asked to end.
pub async fn stop_asked() {
    let interrupt = tokio::signal::ctrl_c();
    match tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()) {
        Ok(mut terminate) => {
            tokio::select! {
                _ = interrupt => {}
                _ = terminate.recv() => {}
            }
        }
        Err(_) => {
            let _ = interrupt.await;
        }
    }
}

async fn open(config: Config) -> anyhow::Result<(Store, Stays, Feeds)> {
    let path = config.database();
    if !path.exists() {
        bail!("there is no database at {}", path.display());
    }
    let store = Store::open_sqlite(Some(&path)).await?;
    let feeds = Feeds::default();
    let stays = Stays::open(store.clone(), Arc::new(config), feeds.clone()).await?;
    Ok((store, stays, feeds))
}

async fn explain_stay(config: Config, asked: &Explain) -> anyhow::Result<()> {
    let (store, stays, _) = open(config).await?;
    let id = asked.encounter.strip_prefix("Encounter/").unwrap_or(&asked.encounter);
    let document = store.document("Encounter", id).await?.context("there is no such Encounter")?;
    let patient = document.patient.context("the Encounter names no patient")?;
    let ledgers = stays.ledgers(&patient, Clock::machine().now()).await?;
    let stay = ledgers
        .iter()
        .find(|l| l.stay == id)
        .context("the Encounter is part of another stay: ask for its root")?;
    let thing = Thing {
        kind: "Encounter".into(),
        id: stay.stay.clone(),
        patient: Some(patient.clone()),
        ..Thing::default()
    };
    let row = Audit {
        deed: "operation".into(),
        status: 200,
        by: by::OPERATOR.into(),
        things: vec![thing],
        ..Audit::default()
    };
    let now_us = Clock::machine().now().micros();
    store.commit(Batch { now_us, audits: vec![row], ..Batch::default() }).await?;
    let site = stays.site();
    let wanted = |e: &Explained| asked.requirement.as_ref().is_none_or(|r| **r == *e.requirement);
    let items: Vec<Explained> = explain(&stay.ledger, &site.rules).into_iter().filter(wanted).collect();
    if asked.json {
        say(&serde_json::to_string_pretty(&crate::rest::explanation_json(stay, &items))?, false);
    } else {
        say(&crate::rest::explanation_text(stay, &items), false);
    }
    store.close().await?;
    Ok(())
}

/// Everything derived, as text that can be compared.
async fn derived(store: &Store) -> anyhow::Result<Vec<String>> {
    let mut out = Vec::new();
    let mut after = None;
    loop {
        let stays = store.stays(StayQuery { after, limit: 500, ..StayQuery::default() }).await?;
        for stay in &stays {
            let shares = store.shares(&stay.patient, i64::MIN, i64::MAX).await?;
            let rows = shares.rows.into_iter().filter(|row| row.stay == stay.stay);
            let rows = rows.map(|row| format!("{} {:?}", row.day, row.part));
            let shown = (stay.begins_us, stay.ends_us, stay.open, &stay.unit, rows.collect::<Vec<_>>());
            out.push(format!("{} {shown:?}", stay.stay));
        }
        after = stays.last().map(|s| s.stay.clone());
        if after.is_none() {
            return Ok(out);
        }
    }
}

async fn rebuild(config: Config) -> anyhow::Result<()> {
    let (store, stays, feeds) = open(config).await?;
    // one instant for everything: what differs then differs for no reason of time
    let now = Clock::machine().now();
    let clock = Clock::settable(now);
    let reconciler = Reconciler::new(store.clone(), stays, feeds, clock, Arc::default());
    let brought_up = pass_all(&store, &reconciler, now).await?;
    let before = derived(&store).await?;
    let patients = store.redo(Derived::Clear).await?;
    let rewritten = pass_all(&store, &reconciler, now).await?;
    let after = derived(&store).await?;
    let differing =
        before.iter().filter(|b| !after.contains(b)).count() + after.len().saturating_sub(before.len());
    store.close().await?;
    say(
        &format!(
            "{patients} patients, {} stays computed anew from their documents; {brought_up} resources were behind and were \
             brought up to date first; {rewritten} Tasks and DetectedIssues and {differing} stays differed",
            after.len()
        ),
        false,
    );
    if rewritten + differing > 0 {
        bail!("what was derived differed from what the documents say")
    } else {
        Ok(())
    }
}

/// Reconciles until nothing is due at `now`; returns how many resources were written.
async fn pass_all(
    store: &Store,
    reconciler: &Reconciler,
    now: crate::care::time::Instant,
) -> anyhow::Result<usize> {
    let (mut written, mut done) = (0, 0);
    loop {
        let due = store.due(now.micros(), 256).await?;
        if due.is_empty() {
            return Ok(written);
        }
        done += due.len();
        written += reconciler.pass(due, now).await?;
        tracing::info!(patients = done, written, "reconciled");
    }
}
