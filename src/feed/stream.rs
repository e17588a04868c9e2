//! A durable stream of messages (NATS JetStream) on which others publish what is charted.
//!
//! A message is a resource, or a Bundle of resources and of deletions (`request.method` `DELETE`, as in a history). It is
//! acknowledged after what it says is stored, so what was not is sent again; what is sent again has no effect. A message
//! without a payload is a heartbeat: everything up to its time has been told.
//!
//! A message that comes again may come after later ones. Where two are about one document, the later in the stream holds,
//! also where documents tell no version; across a restart in between, the versions that they tell decide.

use std::num::NonZeroUsize;

use async_nats::ConnectOptions;
use async_nats::jetstream::consumer::{AckPolicy, Consumer, pull};
use async_nats::jetstream::{self, AckKind, Message};
use futures_util::{FutureExt as _, StreamExt as _};
use lru::LruCache;
use serde_json::value::RawValue;

use super::intake::Told;
use super::limits;
use super::notices::told_by;
use super::reader::{Parts, Trouble};
use crate::care::time::Instant;
use crate::config::Stream as Settings;

/// Listens to a stream.
pub(super) struct Messages {
    settings: Settings,
    connected: Option<Connected>,
    /// What has come and is not stored yet: it is tried again before anything after it.
    waiting: Vec<Message>,
    /// The place in the stream of the last message about each document.
    latest: LruCache<String, u64>,
}

struct Connected {
    consumer: Consumer<pull::Config>,
    messages: pull::Stream,
    /// Up to here in the stream, messages are under way to a connection that is gone, and will come again.
    owed: Option<u64>,
}

impl std::fmt::Debug for Messages {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Messages").field("settings", &self.settings).finish_non_exhaustive()
    }
}

impl Messages {
    pub(super) fn new(settings: Settings) -> Self {
        let known = NonZeroUsize::new(limits::KNOWN).unwrap_or(NonZeroUsize::MIN);
        Messages { settings, connected: None, waiting: Vec::new(), latest: LruCache::new(known) }
    }

    /// Takes in what has come, or waits a while for something to come; returns how many documents were new or changed.
    pub(super) async fn round(&mut self, parts: &Parts) -> Result<usize, Trouble> {
        let round = self.try_round(parts).await;
        if round.is_err() {
            // it is connected to anew; what waits is kept, and taken in first
            self.connected = None;
        }
        round
    }

    async fn try_round(&mut self, parts: &Parts) -> Result<usize, Trouble> {
        let connected = match &mut self.connected {
            Some(connected) => connected,
            none => none.insert(connect(&self.settings).await?),
        };
        if self.waiting.is_empty() {
            self.waiting = some(&mut connected.messages).await?;
        }
        if self.waiting.is_empty() {
            let began = parts.clock.now();
            let quiet = self.settings.complete && connected.is_through().await?;
            if quiet {
                parts.heard(began).await?;
            }
            return Ok(0);
        }
        for message in &self.waiting {
            // what takes long is not sent again meanwhile
            message.ack_with(AckKind::Progress).await.map_err(|e| told("the acknowledgement", &*e))?;
        }
        fail::fail_point!("stream-fetched", |_| std::process::abort());
        let (told_here, heard) = read(&self.waiting, &mut self.latest);
        let taken = parts.took(parts.intake.take(&parts.source, &told_here).await?);
        let heard = match heard {
            Some(at) if connected.owes_nothing().await? => Some(at),
            _ => None,
        };
        if let Some(at) = heard {
            parts.heard(at.min(parts.clock.now())).await?;
        }
        fail::fail_point!("stream-taken", |_| std::process::abort());
        for message in self.waiting.drain(..) {
            message.ack().await.map_err(|e| told("the acknowledgement", &*e))?;
            fail::fail_point!("stream-acknowledged", |_| std::process::abort());
        }
        Ok(taken)
    }
}

/// What messages tell, without what was told later already; and up to when everything has been told. `latest` has the
/// place in the stream of the last message about each document.
fn read(waiting: &[Message], latest: &mut LruCache<String, u64>) -> (Vec<Told>, Option<Instant>) {
    let mut all = Vec::new();
    let mut heard = None;
    for message in waiting {
        let info = message.info().ok();
        let place = info.as_ref().map_or(0, |info| info.stream_sequence);
        if message.payload.trim_ascii().is_empty() {
            let at = info.map(|info| info.published.unix_timestamp_nanos() / 1_000);
            let at = at.and_then(|us| i64::try_from(us).ok()).map(Instant::from_micros);
            heard = heard.max(at);
            continue;
        }
        let text = std::str::from_utf8(&message.payload).ok();
        let raw = text.and_then(|text| RawValue::from_string(text.trim().to_owned()).ok());
        let Some(raw) = raw else {
            all.push(Told::Broken(message.payload.to_vec()));
            continue;
        };
        for told in told_by(raw) {
            if let Some(name) = told.name() {
                if latest.get(&name).is_some_and(|latest| *latest > place) {
                    continue;
                }
                latest.put(name, place);
            }
            all.push(told);
        }
    }
    (all, heard)
}

/// What went wrong with something.
fn told(what: &str, error: &dyn std::fmt::Display) -> Trouble {
    Trouble::new(format!("{what}: {error}"))
}

async fn connect(settings: &Settings) -> Result<Connected, Trouble> {
    let mut options = ConnectOptions::new().name("terce").connection_timeout(limits::CONNECT);
    if let Some(path) = &settings.credentials {
        options = options.credentials_file(path).await.map_err(|e| told("credentials", &e))?;
    }
    if let (Some(user), Some(password)) = (&settings.user, &settings.password) {
        options = options.user_and_password(user.clone(), password.0.clone());
    }
    if let Some(path) = &settings.ca {
        options = options.add_root_certificates(path.clone());
    }
    if let (Some(certificate), Some(key)) = (&settings.certificate, &settings.key) {
        options = options.add_client_certificate(certificate.clone(), key.clone());
    }
    let options = options.require_tls(settings.address.starts_with("tls://"));
    let client = options.connect(&settings.address).await.map_err(|e| told("the server of messages", &e))?;
    let stream = jetstream::new(client).get_stream(&settings.stream).await;
    let stream = stream.map_err(|e| told(&format!("the stream {}", settings.stream), &e))?;
    let wanted = pull::Config {
        durable_name: Some(settings.consumer.clone()),
        ack_policy: AckPolicy::Explicit,
        ack_wait: limits::ACKNOWLEDGE,
        max_ack_pending: limits::MESSAGES as i64,
        filter_subject: settings.subject.clone().unwrap_or_default(),
        ..pull::Config::default()
    };
    let consumer = stream.get_or_create_consumer(&settings.consumer, wanted).await;
    let mut consumer = consumer.map_err(|e| told(&format!("the consumer {}", settings.consumer), &e))?;
    let info = consumer.info().await.map_err(|e| told("the consumer", &e))?;
    let owed = (info.num_ack_pending > 0).then_some(info.delivered.stream_sequence);
    let messages = consumer.stream().max_messages_per_batch(limits::MESSAGES).messages().await;
    let messages = messages.map_err(|e| told("the stream", &e))?;
    Ok(Connected { consumer, messages, owed })
}

/// What is there at once, after waiting a while for the first.
async fn some(messages: &mut pull::Stream) -> Result<Vec<Message>, Trouble> {
    let mut some = Vec::new();
    let mut bytes = 0;
    let Ok(first) = tokio::time::timeout(limits::LISTEN, messages.next()).await else { return Ok(some) };
    let mut next = Some(first);
    while let Some(message) = next {
        let message = message.ok_or_else(|| Trouble::new("the stream has ended"))?;
        let message = message.map_err(|e| told("the stream", &e))?;
        bytes += message.payload.len();
        some.push(message);
        let room = some.len() < limits::MESSAGES && bytes < limits::BYTES;
        next = if room { messages.next().now_or_never() } else { None };
    }
    Ok(some)
}

impl Connected {
    /// Whether everything in the stream has been sent and acknowledged.
    async fn is_through(&mut self) -> Result<bool, Trouble> {
        let info = self.consumer.info().await.map_err(|e| told("the consumer", &e))?;
        Ok(info.num_pending == 0 && info.num_ack_pending == 0)
    }

    /// Whether everything before what comes now is here: nothing that was sent to a connection that is gone is missing.
    async fn owes_nothing(&mut self) -> Result<bool, Trouble> {
        if let Some(place) = self.owed {
            let info = self.consumer.info().await.map_err(|e| told("the consumer", &e))?;
            if info.ack_floor.stream_sequence < place {
                return Ok(false);
            }
            self.owed = None;
        }
        Ok(true)
    }
}
