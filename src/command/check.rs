//! `terce check`: the configuration as it is resolved.

use std::path::PathBuf;
use std::sync::Arc;

use anyhow::bail;
use clap::Args;

use super::{Common, dry_run, open, say};
use crate::access::registry::{Issuer, KeysFrom};
use crate::config::{Access, Auditing, Config};
use crate::feed::Feeds;
use crate::stays::Stays;
use crate::store::Store;

/// What `terce check` is asked for.
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub(super) common: Common,
    /// A record to try it on: a folder or a file of NDJSON (.gz, .zst), the name of a [[server]], or a server's address.
    /// Nothing is stored or sent.
    #[arg(long)]
    pub(super) against: Option<String>,
    /// The instant to look at, such as 2026-03-01T12:00:00Z; without one: now.
    #[arg(long, requires = "against")]
    pub(super) at: Option<String>,
    /// Of a server only what was changed since then.
    #[arg(long, requires = "against")]
    pub(super) since: Option<String>,
    /// Write a ConceptMap of the codes that nobody has mapped to this file, to be filled in.
    #[arg(long, requires = "against")]
    pub(super) skeleton: Option<PathBuf>,
}

/// `terce check`.
///
/// # Errors
/// The database, or what is stored there cannot be honoured; or the record that is looked at cannot be read.
pub(super) async fn run(config: Config, asked: &Arguments) -> anyhow::Result<()> {
    resolved(&config).await?;
    match &asked.against {
        Some(against) => dry_run::run(&config, against, asked).await,
        None => Ok(()),
    }
}

/// Prints what the configuration comes to.
async fn resolved(config: &Config) -> anyhow::Result<()> {
    let (store, stays) = if config.database().exists() {
        let (store, stays, _) = open(config.clone()).await?;
        (store, stays)
    } else {
        let store = Store::open_sqlite(None).await?;
        (store.clone(), Stays::open(store, Arc::new(config.clone()), Feeds::default()).await?)
    };
    let site = stays.site();
    let mut lines = vec![
        format!("listen      {}", config.listen),
        format!("public base {}", config.public_base.as_deref().unwrap_or("as the client calls it")),
        format!("database    {}", config.database().display()),
        format!("zone        {}", site.rules.zone),
        format!("allowance   {} to chart after a deadline before a miss is announced", site.rules.allowance),
    ];
    lines.extend(access_lines(config));
    lines.push(format!("audit       {}", recorded(config)));
    lines.push(format!(
        "pages       {}",
        if config.names { "with" } else { "without" }.to_owned() + " the names of patients"
    ));
    for unit in &config.site.units {
        let protocol = unit.protocol.as_deref().unwrap_or(&config.site.protocol);
        let owner = unit.owner.as_deref().unwrap_or("nobody");
        lines.push(format!("unit        {}: protocol {protocol}, Tasks owned by {owner}", unit.location));
    }
    lines.extend(wire_lines(config));
    lines.extend(report_lines(config));
    for protocol in &site.rules.protocols {
        lines.push(format!("protocol    {} {}: {}", protocol.name, protocol.version, protocol.title));
        lines.extend(
            protocol.requirements.iter().map(|r| format!("            {}", crate::care::explain::asks(r))),
        );
    }
    say(&lines.join("\n"), false);
    let refused: Vec<String> =
        site.refused.iter().map(|(d, r)| format!("{d}: {}: {}", r.path, r.why)).collect();
    store.close().await?;
    if refused.is_empty() { Ok(()) } else { bail!("cannot be honoured:\n{}", refused.join("\n")) }
}

/// Which reports are made by themselves, and what reports hide, for people.
fn report_lines(config: &Config) -> Vec<String> {
    let steps: Vec<&str> = config.reports.schedule.iter().map(|step| step.code()).collect();
    let made = match &steps[..] {
        [] => "none is made by itself".to_owned(),
        steps => format!("of each {} that is over: {}", steps.join(", "), config.reports.measures.join(", ")),
    };
    let hidden = match config.reports.suppress_below {
        0 | 1 => "every count is shown".to_owned(),
        below => format!("counts from 1 to {} are hidden", below - 1),
    };
    vec![format!("reports     {made}; {hidden}")]
}

/// What is recorded of who did what, for people.
fn recorded(config: &Config) -> String {
    let Auditing { reads, strict, keep_days } = config.audit;
    let reads = match (reads, strict) {
        (true, true) => "writes and reads; on a full disk reads are refused",
        (true, false) => "writes and reads; on a full disk reads are answered and counted",
        (false, _) => "writes only",
    };
    let kept = keep_days.map_or("for ever".to_owned(), |days| format!("for {days} days"));
    format!("of {reads}; kept {kept}")
}

/// Who may do what, for people.
fn access_lines(config: &Config) -> Vec<String> {
    let tls = match &config.tls {
        Some(tls) if tls.mutual => "by TLS, with a certificate of each client",
        Some(_) => "by TLS",
        None if config.tls_elsewhere => "in the clear, behind a gateway that ends TLS",
        None => "in the clear",
    };
    let mut lines =
        vec![format!("connections {tls}"), format!("metrics     {}, for whoever reaches it", config.admin())];
    let Access::Registered(registry) = &config.access else {
        lines.push("access      open: whoever reaches it may do everything".to_owned());
        return lines;
    };
    let keys = |keys: &KeysFrom| match keys {
        KeysFrom::Held(keys) => format!("keys of a file ({})", keys.count()),
        KeysFrom::At(address) => format!("keys from {address}"),
    };
    let beats = |sources: &[String]| match sources {
        [] => String::new(),
        some => format!("; heartbeats of {}", some.join(", ")),
    };
    if !registry.clients.is_empty() {
        lines.push(format!("access      tokens from {}", registry.token_address));
    }
    for client in &registry.clients {
        let bound = if client.certificate.is_some() { "; with its certificate only" } else { "" };
        let (keys, beats) = (keys(&client.keys), beats(&client.sources));
        lines.push(format!("client      {}: {}; {keys}{beats}{bound}", client.id, client.scopes));
    }
    for issuer in &registry.issuers {
        let (keys, beats) = (keys(&issuer.keys), beats(&issuer.sources));
        let Issuer { issuer: name, audience, scopes, longest_s, algorithms, .. } = issuer;
        lines.push(format!(
            "issuer      {name}: tokens for {audience} of at most {longest_s} s, {algorithms:?}; at most {scopes}; {keys}{beats}"
        ));
    }
    lines
}

/// What comes in by itself and where what is said goes, for people.
fn wire_lines(config: &Config) -> Vec<String> {
    let mut lines = Vec::new();
    for server in &config.servers {
        lines.push(format!("server      {}: {}", server.name(), server.base()));
    }
    for source in &config.sources {
        let mut ways = Vec::new();
        if let Some(poll) = &source.poll {
            ways.push(format!(
                "searches {} every {} s for {}",
                poll.server,
                poll.every_seconds,
                poll.types.join(", ")
            ));
        }
        if let Some(bulk) = &source.bulk {
            let of = bulk.group.as_deref().map_or("all".to_owned(), |group| format!("the group {group}"));
            ways.push(format!("has {} export {of} every {} s", bulk.server, bulk.every_seconds));
        }
        if let Some(folder) = &source.folder {
            ways.push(format!("reads files put into {}", folder.path.display()));
        }
        if source.notify.is_some() {
            ways.push(format!("is told at /feed/{}/notify", source.name));
        }
        if ways.is_empty() {
            ways.push("is sent what there is".to_owned());
        }
        let beat = source.heartbeat_seconds;
        lines.push(format!(
            "source      {}: a heartbeat at least every {beat} s; {}",
            source.name,
            ways.join("; ")
        ));
    }
    if let Some(references) = &config.references {
        let types = references.types.join(", ");
        lines.push(format!("references  {types} that are lacking are fetched from {}", references.server));
    }
    for delivery in &config.deliveries {
        let ids = if delivery.gives_ids { "under its own ids" } else { "under our ids" };
        let back = match delivery.changes_seconds {
            0 => "nobody looks there for what people change".to_owned(),
            seconds => format!("what people change there is looked for every {seconds} s"),
        };
        lines.push(format!("deliver     {} to {} {ids}; {back}", delivery.types.join(", "), delivery.server));
    }
    lines
}
