//! Keys that are fetched from the address that is registered for them, and kept for as long as its server allows.

use std::time::Duration;

use anyhow::Context as _;
use reqwest::header::CACHE_CONTROL;
use reqwest::redirect::Policy;
use reqwest::{Client, Response};
use tokio::sync::Mutex;

use super::keys::Keys;
use super::limits;

/// A set of keys at an address. One request at a time goes out for it.
#[derive(Debug)]
pub(super) struct Fetched {
    address: String,
    http: Option<Client>,
    held: Mutex<Held>,
}

#[derive(Debug, Default)]
struct Held {
    keys: Keys,
    /// Up to when they may be used, in microseconds.
    until_us: i64,
    /// When they were last asked for.
    asked_us: Option<i64>,
    /// Whether that failed.
    failed: bool,
}

impl Fetched {
    /// Keys at `address`.
    pub(super) fn at(address: &str, http: Option<Client>) -> Self {
        Fetched { address: address.to_owned(), http, held: Mutex::default() }
    }

    /// The keys, fetched if those at hand are too old, or if `kid` is not among them and they have not been asked for
    /// in the last [`limits::KEYS_AGAIN`]. Empty if they cannot be had.
    pub(super) async fn keys(&self, kid: &str, now_us: i64) -> Keys {
        let mut held = self.held.lock().await;
        let fresh = now_us < held.until_us;
        let recently =
            held.asked_us.is_some_and(|asked| now_us < asked.saturating_add(micros(limits::KEYS_AGAIN)));
        let ask = if fresh { !held.keys.names(kid) && !recently } else { !(held.failed && recently) };
        if ask {
            held.asked_us = Some(now_us);
            match self.fetch().await {
                Ok((keys, kept)) => {
                    let until_us = now_us.saturating_add(micros(kept));
                    *held = Held { keys, until_us, asked_us: Some(now_us), failed: false };
                    // what may not be kept at all is still good for the one that it was fetched for
                    return held.keys.clone();
                }
                Err(error) => {
                    held.failed = true;
                    tracing::warn!(
                        address = self.address,
                        error = format!("{error:#}"),
                        "keys could not be fetched"
                    );
                }
            }
        }
        if now_us < held.until_us { held.keys.clone() } else { Keys::default() }
    }

    async fn fetch(&self) -> anyhow::Result<(Keys, Duration)> {
        let http = self.http.as_ref().context("there is no client to fetch with")?;
        let response = http.get(&self.address).header("accept", "application/json").send().await?;
        anyhow::ensure!(response.status().as_u16() == 200, "the server answered {}", response.status());
        let kept = kept(&response);
        Ok((Keys::usable(&body(response).await?)?, kept))
    }
}

/// The client for all such addresses: what is registered is asked, and nothing that it points to. None, and a word in
/// the log, if TLS cannot be set up: then nobody is let in whose keys would have to be fetched.
pub(super) fn http() -> Option<Client> {
    let built = Client::builder().redirect(Policy::none()).timeout(limits::KEYS_TIME).build();
    built.map_err(|error| tracing::error!(%error, "no keys can be fetched")).ok()
}

/// What was answered, up to the length that a set of keys may have.
pub(super) async fn body(mut response: Response) -> anyhow::Result<Vec<u8>> {
    let mut body = Vec::new();
    while let Some(piece) = response.chunk().await? {
        anyhow::ensure!(body.len() + piece.len() <= limits::KEYS_BYTES, "the answer is too long");
        body.extend_from_slice(&piece);
    }
    Ok(body)
}

/// For how long an answer may be kept (RFC 9111, 5.2.2).
fn kept(response: &Response) -> Duration {
    let said = response.headers().get_all(CACHE_CONTROL).iter().filter_map(|v| v.to_str().ok());
    let mut kept = limits::KEYS_KEPT;
    for directive in said.flat_map(|v| v.split(',')) {
        let (name, value) = directive.trim().split_once('=').unwrap_or((directive.trim(), ""));
        match name.to_ascii_lowercase().as_str() {
            "no-store" | "no-cache" => return Duration::ZERO,
            // a number that is none means nothing that may be kept
            "max-age" => kept = Duration::from_secs(value.trim_matches('"').parse().unwrap_or(0)),
            _ => {}
        }
    }
    kept.min(limits::KEYS_KEPT_MOST)
}

fn micros(time: Duration) -> i64 {
    i64::try_from(time.as_micros()).unwrap_or(i64::MAX)
}

/// Whether something may be fetched from an address: what comes from elsewhere must come from whom it says it does.
pub(crate) fn may_be_fetched(address: &str) -> bool {
    let Ok(url) = reqwest::Url::parse(address) else { return false };
    let here = matches!(url.host_str(), Some("127.0.0.1" | "[::1]" | "localhost"));
    url.scheme() == "https" || (url.scheme() == "http" && here)
}
