//! `terce letters`: dead letters listed, handed over again, dropped. It may be used while the service runs.

use std::process::ExitCode;
use std::sync::Arc;

use anyhow::{Context, bail};
use axum::body::Body;
use axum::http::{Method, Request};
use clap::{Args, Subcommand};
use tower::ServiceExt as _;

use super::{Common, open, say};
use crate::care::time::Instant;
use crate::clock::Clock;
use crate::config::{Access, Config};
use crate::feed::Feeds;
use crate::rest::{self, Rest};
use crate::store::{LetterQuery, Store};

/// Bytes of an answer: an OperationOutcome has some kilobytes.
const ANSWER: usize = 1 << 20;

/// Letters that are listed at a time.
const LISTED: usize = 1_000;

/// What `terce letters` is asked for.
#[derive(Debug, Args)]
pub(super) struct Arguments {
    #[command(flatten)]
    pub(super) common: Common,
    #[command(subcommand)]
    act: Act,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// List them: number, way, server, what, how often, why.
    List,
    /// Hand letters over again: in, as a write of what they hold; out, to the server that did not take it.
    Replay {
        /// Their numbers.
        #[arg(required = true)]
        numbers: Vec<i64>,
    },
    /// Drop letters: nothing more is done about them.
    Drop {
        /// Their numbers.
        #[arg(required = true)]
        numbers: Vec<i64>,
    },
}

/// Runs it. 1: some could not be handed over or dropped.
pub(super) async fn run(config: Config, asked: &Arguments) -> ExitCode {
    match done(config, asked).await {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            say(&format!("{error:#}"), true);
            ExitCode::FAILURE
        }
    }
}

async fn done(config: Config, asked: &Arguments) -> anyhow::Result<bool> {
    // whoever can open the database may do everything with it
    let config = Config { access: Access::Open, ..config };
    let (store, stays, _) = open(config.clone()).await?;
    let clock = Clock::machine();
    let rest = Rest::new(
        store.clone(),
        stays,
        Feeds::default(),
        clock,
        Arc::default(),
        Arc::new(config),
        Arc::default(),
    );
    let fhir = rest::router(rest);
    let mut all = true;
    match &asked.act {
        Act::List => list(&store).await?,
        Act::Replay { numbers } => {
            for number in numbers {
                let path = format!("/feed/letters/{number}/replay");
                all &= ask(&fhir, Method::POST, path, *number, "was handed over again").await?;
            }
        }
        Act::Drop { numbers } => {
            for number in numbers {
                let path = format!("/feed/letters/{number}");
                all &= ask(&fhir, Method::DELETE, path, *number, "was dropped").await?;
            }
        }
    }
    store.close().await?;
    Ok(all)
}

async fn list(store: &Store) -> anyhow::Result<()> {
    let mut after = 0;
    let mut any = false;
    loop {
        let query = LetterQuery { after, limit: LISTED, ..LetterQuery::default() };
        let letters = store.letters(query).await?;
        for letter in &letters {
            let (way, last) = (letter.about.way.code(), Instant::from_micros(letter.last_us));
            say(
                &format!(
                    "{} {way} {} {}: {} x, last {last}: {}",
                    letter.number, letter.about.place, letter.about.name, letter.tries, letter.why
                ),
                false,
            );
        }
        any |= !letters.is_empty();
        let Some(last) = letters.last() else { break };
        after = last.number;
    }
    if !any {
        say("There are no dead letters.", false);
    }
    Ok(())
}

async fn ask(
    fhir: &axum::Router,
    method: Method,
    path: String,
    number: i64,
    done: &str,
) -> anyhow::Result<bool> {
    let request = Request::builder().method(method).uri(path).body(Body::empty())?;
    let Ok(response) = fhir.clone().oneshot(request).await;
    let status = response.status();
    if status.is_success() {
        say(&format!("Letter {number} {done}."), false);
        return Ok(true);
    }
    if status.is_server_error() {
        bail!("the database does not take it now: {status}");
    }
    let body = axum::body::to_bytes(response.into_body(), ANSWER).await.context("no answer")?;
    let outcome: serde_json::Value = serde_json::from_slice(&body).unwrap_or_default();
    let said = outcome.pointer("/issue/0/diagnostics").and_then(|text| text.as_str());
    say(&format!("Letter {number}: {}", said.unwrap_or("there is no such letter")), true);
    Ok(false)
}
