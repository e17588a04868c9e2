//! `terce check --against`: what would become of a record. The service itself reads it, into memory, and says nothing to
//! anybody.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, bail};
use fhir_models::primitive::Point;
use serde_json::Value;

use super::check::Arguments;
use super::{pass_all, say};
use crate::care::time::Instant;
use crate::clock::Clock;
use crate::config::{Access, Config};
use crate::feed::{Feeds, Trial};
use crate::outward::{Server, Settings};
use crate::reconcile::Reconciler;
use crate::rest::{self, Rest};
use crate::stays::Stays;
use crate::store::{LetterQuery, Query, StayQuery, Store};
use crate::translate::local_map;
use crate::translate::quality::{Fault, Finding};

/// Documents of each type that are looked at for unmapped codes, the newest first.
const LOOKED_AT: u64 = 100_000;

/// Rows that are printed of each list; of the rest the number is told.
const SHOWN: usize = 40;

/// What the site has defined by itself, and is in force.
const DEFINITIONS: [&str; 5] = ["ConceptMap", "CodeSystem", "ValueSet", "PlanDefinition", "Measure"];

/// Reads the record and prints what would become of it.
///
/// # Errors
/// It cannot be read.
pub(super) async fn run(config: &Config, against: &str, asked: &Arguments) -> anyhow::Result<()> {
    let at = match &asked.at {
        Some(text) => {
            let us = Point::read(text).and_then(|p| p.instant_us());
            Instant::from_micros(us.context("--at: expected an instant such as 2026-03-01T12:00:00Z")?)
        }
        None => Clock::machine().now(),
    };
    let clock = Clock::settable(at);
    let alone = Config {
        access: Access::Open,
        sources: Vec::new(),
        deliveries: Vec::new(),
        references: None,
        ..config.clone()
    };
    let store = Store::open_sqlite(None).await?;
    define(config, &store).await?;
    let (feeds, alone) = (Feeds::default(), Arc::new(alone));
    let stays = Stays::open(store.clone(), alone.clone(), feeds.clone()).await?;
    let reconciler =
        Reconciler::new(store.clone(), stays.clone(), feeds.clone(), clock.clone(), Arc::default());
    let counters = reconciler.counters();
    let rest = Rest::new(store.clone(), stays.clone(), feeds, clock.clone(), Arc::default(), alone, counters);
    let trial = Trial::new(rest::router(rest), store.clone(), clock);
    let taken = if Path::new(against).exists() {
        trial.files(Path::new(against)).await
    } else {
        trial.server(server(config, against)?, asked.since.as_deref()).await
    };
    let taken = taken.map_err(|why| anyhow::anyhow!("{against}: {why}"))?;
    pass_all(&store, &reconciler, at).await?;
    let (looked, findings) = stays.quality(LOOKED_AT).await?;
    let mut out = format!("\nagainst     {against}, as of {at}: {taken} documents\n");
    documents(&store, &mut out).await?;
    refused(&store, &mut out).await?;
    let _ = writeln!(out, "codes       of {looked} documents with care, devices and observations:");
    quality(&findings, &mut out);
    worklist(&store, &mut out).await?;
    out += "Nothing of this was stored or sent.";
    say(&out, false);
    if let Some(path) = &asked.skeleton {
        let text = serde_json::to_string_pretty(&skeleton(&findings))?;
        std::fs::write(path, text + "\n").with_context(|| format!("cannot write {}", path.display()))?;
        say(&format!("A ConceptMap to be filled in is in {} .", path.display()), false);
    }
    store.close().await?;
    Ok(())
}

/// The server of that name, or at that address.
fn server(config: &Config, against: &str) -> anyhow::Result<Server> {
    let address = against.trim_end_matches('/');
    let known = config.servers.iter().find(|server| server.name() == against || server.base() == address);
    if let Some(server) = known {
        return Ok(server.clone());
    }
    if !against.contains("://") {
        bail!("{against}: there is no such folder or file, and no [[server]] of that name");
    }
    let settings = Settings { name: "against".to_owned(), base: address.to_owned(), ..Settings::default() };
    Server::new(&settings).map_err(anyhow::Error::msg)
}

/// Takes over what the site has defined in its own database, if there is one.
async fn define(config: &Config, to: &Store) -> anyhow::Result<()> {
    if !config.database().exists() {
        return Ok(());
    }
    let from = Store::open_sqlite(Some(&config.database())).await?;
    for kind in DEFINITIONS {
        let query = Query { kind: kind.into(), limit: 10_000, ..Query::default() };
        for row in from.search(query).await?.documents {
            let write = crate::store::Write {
                kind: kind.into(),
                id: Some(row.document.id),
                body: row.document.body,
                ..crate::store::Write::default()
            };
            let now_us = row.document.received_us;
            let batch = crate::store::Batch { now_us, writes: vec![write], ..crate::store::Batch::default() };
            to.commit(batch).await?;
        }
    }
    from.close().await?;
    Ok(())
}

async fn documents(store: &Store, out: &mut String) -> anyhow::Result<()> {
    let mut counts = Vec::new();
    for kind in rest::types_fed() {
        match store.count(kind).await? {
            0 => {}
            count => counts.push(format!("{count} {kind}")),
        }
    }
    let _ = writeln!(
        out,
        "documents   {}",
        if counts.is_empty() { "none".to_owned() } else { counts.join(", ") }
    );
    Ok(())
}

/// What was refused, by reason.
async fn refused(store: &Store, out: &mut String) -> anyhow::Result<()> {
    let letters = store.letters(LetterQuery { limit: 100_000, ..LetterQuery::default() }).await?;
    let mut reasons: BTreeMap<String, Vec<String>> = BTreeMap::new();
    for letter in letters {
        reasons.entry(letter.why).or_default().push(letter.about.name);
    }
    let _ = writeln!(out, "refused     {}", reasons.values().map(Vec::len).sum::<usize>());
    for (why, names) in reasons.iter().take(SHOWN) {
        let few: Vec<&str> = names.iter().take(3).map(String::as_str).collect();
        let _ = writeln!(out, "            {} x {why} ({})", names.len(), few.join(", "));
    }
    Ok(())
}

fn quality(findings: &[Finding], out: &mut String) {
    let named = [
        (Fault::Unmapped, "not mapped"),
        (Fault::Doubt, "not usable"),
        (Fault::Unplaced, "not placed"),
        (Fault::Duplicate, "charted twice"),
        (Fault::ClockAhead, "clock ahead"),
        (Fault::UnitWithoutProtocol, "no protocol in unit"),
    ];
    for (fault, words) in named {
        let found: Vec<&Finding> = findings.iter().filter(|f| f.fault == fault).collect();
        for finding in found.iter().take(SHOWN) {
            let proposal = finding.proposal.map(|p| format!("; may mean {p}")).unwrap_or_default();
            let detail = finding.detail.as_ref().map(|d| format!(" {d}")).unwrap_or_default();
            let example = finding.examples.first().map(|e| format!(", such as {e}")).unwrap_or_default();
            let _ = writeln!(
                out,
                "            {words}: {} x {}{detail}{example}{proposal}",
                finding.count, finding.what
            );
        }
        if found.len() > SHOWN {
            let _ = writeln!(out, "            {words}: {} more", found.len() - SHOWN);
        }
    }
}

/// The stays that are not over, and the Tasks that would be open.
async fn worklist(store: &Store, out: &mut String) -> anyhow::Result<()> {
    let (mut after, mut open, mut all) = (None, Vec::new(), 0_usize);
    loop {
        let page = store.stays(StayQuery { after, limit: 500, ..StayQuery::default() }).await?;
        all += page.len();
        after = page.last().map(|stay| stay.stay.clone());
        open.extend(page.into_iter().filter(|stay| stay.open));
        if after.is_none() {
            break;
        }
    }
    let _ = writeln!(out, "stays       {all}, of which {} are not over", open.len());
    for stay in open.iter().take(SHOWN) {
        let unit = stay.unit.as_deref().unwrap_or("not known");
        let begins = stay.begins_us.map_or("not known".to_owned(), |us| Instant::from_micros(us).to_string());
        let _ = writeln!(out, "            Encounter/{} since {begins}, unit {unit}", stay.stay);
    }
    let query = Query { kind: "Task".into(), limit: 100_000, ..Query::default() };
    let tasks: Vec<(String, Value)> = store
        .search(query)
        .await?
        .documents
        .into_iter()
        .filter_map(|row| {
            let task: Value = serde_json::from_slice(row.document.body.as_deref()?).ok()?;
            let text = |at: &str| task.pointer(at).and_then(Value::as_str);
            let open = matches!(text("/status")?, "ready" | "in-progress" | "on-hold");
            open.then(|| (row.document.encounter.unwrap_or_default(), task.clone()))
        })
        .collect();
    let _ = writeln!(out, "tasks       {} would be open", tasks.len());
    for (stay, task) in tasks.iter().take(SHOWN) {
        let text = |at: &str| task.pointer(at).and_then(Value::as_str).unwrap_or_default();
        let _ =
            writeln!(out, "            Encounter/{stay}, {}: {}", text("/priority"), text("/description"));
    }
    Ok(())
}

/// The codes that nobody has mapped, as a map of the site's own to be filled in.
fn skeleton(findings: &[Finding]) -> Value {
    let unmapped = findings.iter().filter(|f| f.fault == Fault::Unmapped);
    let rows = unmapped.filter_map(|finding| {
        let (system, code) = finding.what.split_once('|')?;
        let comment = match finding.proposal {
            Some(proposal) => {
                format!("in {} documents; may mean {proposal}: look, then say so", finding.count)
            }
            None => format!("in {} documents; give the code that it means, or leave it", finding.count),
        };
        Some((system.to_owned(), code.to_owned(), finding.detail.clone(), comment))
    });
    local_map::skeleton(rows)
}
