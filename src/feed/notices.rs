//! Notifications: a source tells by itself that something has changed.
//!
//! What is sent as it is goes in; what is only named is fetched from the source's own server; what only says that there is
//! something has the source read anew. An answer of success means that all of it is stored. The R4 rest-hook (with a
//! payload: a resource, put under its type and id or posted; without one: nothing) and the notification Bundles of the
//! Subscriptions R5 Backport guide are understood, also as some servers write them: camelCase, counters as texts or
//! numbers, entries without requests, SubscriptionStatus in place of Parameters.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use fhir_models::primitive::is_id;
use serde::Deserialize;
use serde_json::Value;
use serde_json::value::RawValue;
use tokio::sync::Notify;

use super::intake::{NotNow, Told};
use super::limits;
use super::reader::{Parts, Trouble};
use crate::access::digest;
use crate::outward::{Request, Server};

/// Where notifications are taken, by source. Cheap to clone.
#[derive(Clone, Debug, Default)]
pub struct Notices(Arc<BTreeMap<String, Place>>);

#[derive(Debug)]
pub(super) struct Place {
    pub(super) parts: Parts,
    /// From which is fetched what is only named.
    pub(super) server: Option<Server>,
    /// [`digest`] of what notifications must bring; none: whoever may speak for the source may send them.
    pub(super) secret: Option<String>,
    pub(super) poke: Arc<Notify>,
}

/// Why a notification is not taken.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum NotTaken {
    /// It is none.
    Wrong(&'static str),
    /// It is to be sent again.
    Later(String),
}

impl From<NotNow> for NotTaken {
    fn from(NotNow(why): NotNow) -> Self {
        NotTaken::Later(why)
    }
}

impl From<crate::store::StoreError> for NotTaken {
    fn from(error: crate::store::StoreError) -> Self {
        NotTaken::Later(error.to_string())
    }
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Body {
    resource_type: String,
    #[serde(default)]
    entry: Vec<Entry>,
}

#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Entry {
    resource: Option<Box<RawValue>>,
    request: Option<Asked>,
}

#[derive(Deserialize)]
struct Asked {
    method: String,
    url: String,
}

/// What a notification says of its subscription.
#[derive(Debug, Default)]
struct Status {
    kind: String,
    subscription: String,
    /// How many events there were.
    events: Option<u64>,
    /// The first number of those that are told here.
    first: Option<u64>,
    /// What they are about.
    focus: Vec<String>,
}

impl Notices {
    pub(super) fn new(places: BTreeMap<String, Place>) -> Self {
        Notices(Arc::new(places))
    }

    /// Whether `secret` is what notifications of `source` must bring; none: they are taken from whoever may speak for
    /// it, or there is no such source.
    pub fn opens(&self, source: &str, secret: &str) -> Option<bool> {
        let wanted = self.0.get(source)?.secret.as_ref()?;
        Some(digest(secret.as_bytes()) == *wanted)
    }

    /// Whether notifications of `source` are taken at all.
    pub fn takes(&self, source: &str) -> bool {
        self.0.contains_key(source)
    }

    /// Takes in a notification: its body, empty if it has none. Returns how many documents were new or changed.
    ///
    /// # Errors
    /// It is none, or not all of it could be stored.
    pub async fn take(&self, source: &str, body: &[u8]) -> Result<usize, NotTaken> {
        let place = self.0.get(source).ok_or(NotTaken::Wrong("there is no such source"))?;
        if body.trim_ascii().is_empty() {
            place.poke.notify_one();
            return Ok(0);
        }
        let text = std::str::from_utf8(body).map_err(|_| NotTaken::Wrong("expected UTF-8"))?;
        let raw =
            RawValue::from_string(text.trim().to_owned()).map_err(|_| NotTaken::Wrong("expected JSON"))?;
        let read: Body = serde_json::from_str(raw.get())
            .map_err(|_| NotTaken::Wrong("expected a resource in FHIR's JSON"))?;
        let status = read.entry.first().and_then(|entry| entry.resource.as_ref()).and_then(|r| status(r));
        match status {
            Some(status) if read.resource_type == "Bundle" => place.notified(status, read.entry).await,
            _ => Ok(place.parts.intake.take(&place.parts.source, &[Told::Document(raw)]).await?),
        }
    }
}

/// What a resource tells: itself, or what the entries of a Bundle do.
pub(super) fn told_by(raw: Box<RawValue>) -> Vec<Told> {
    match serde_json::from_str::<Body>(raw.get()) {
        Ok(Body { resource_type, entry }) if resource_type == "Bundle" => {
            entry.into_iter().filter_map(|entry| told(entry, |url| named(url, None))).collect()
        }
        _ => vec![Told::Document(raw)],
    }
}

/// What an entry tells: a document, or that one is gone.
fn told(entry: Entry, named: impl Fn(&str) -> Option<(String, String)>) -> Option<Told> {
    match (entry.resource, entry.request) {
        (Some(resource), _) => Some(Told::Document(resource)),
        (None, Some(Asked { method, url })) if method == "DELETE" => {
            let (kind, id) = named(&url)?;
            Some(Told::Deleted { kind, id, at_us: None })
        }
        (None, _) => None,
    }
}

/// Type and id of what is named, if it is a document of the server at `base`.
fn named(reference: &str, base: Option<&str>) -> Option<(String, String)> {
    let below = base.and_then(|base| reference.strip_prefix(base)?.strip_prefix('/'));
    let mut parts = below.unwrap_or(reference).split('/');
    let (kind, id) = (parts.next()?, parts.next()?);
    let plain = !kind.is_empty() && kind.bytes().all(|b| b.is_ascii_alphabetic());
    (plain && is_id(id)).then(|| (kind.to_owned(), id.to_owned()))
}

impl Place {
    async fn notified(&self, status: Status, entries: Vec<Entry>) -> Result<usize, NotTaken> {
        let Parts { store, source, intake, clock, .. } = &self.parts;
        let mark = format!("notify.{source}.{}", status.subscription);
        let before = store.mark(&mark).await?.and_then(|text| text.parse::<u64>().ok());
        let known = before.unwrap_or(0);
        let missed = match status.kind.as_str() {
            "handshake" => status.events.is_some_and(|events| events > known),
            "event-notification" => status.first.is_some_and(|first| first > known + 1),
            _ => status.events.is_some_and(|events| events > known),
        };
        let mut all = Vec::new();
        let mut here = BTreeSet::new();
        for entry in entries.into_iter().skip(1) {
            let Some(of) = told(entry, |url| self.named(url)) else { continue };
            here.extend(of.name());
            all.push(of);
        }
        let focus: BTreeSet<String> = status.focus.iter().cloned().collect();
        if focus.len() > limits::FOCUS {
            return Err(NotTaken::Wrong("it names too many documents at once"));
        }
        for reference in focus {
            let Some((kind, id)) = self.named(&reference) else { continue };
            if here.contains(&format!("{kind}/{id}")) {
                continue;
            }
            let server = self.server.as_ref();
            let server =
                server.ok_or(NotTaken::Wrong("it only names documents, and there is no server to ask"))?;
            let fetched = fetch(server, &kind, &id, clock.now().micros()).await;
            all.extend(fetched.map_err(|trouble| NotTaken::Later(trouble.why))?);
        }
        let bare = status.kind == "event-notification" && all.is_empty();
        let taken = intake.take(source, &all).await?;
        if let Some(events) = status.events.filter(|events| *events > known || before.is_none()) {
            self.parts.mark(mark, events.to_string()).await?;
        }
        if missed || bare {
            tracing::info!(source, missed, "a notification has the source read anew");
            self.poke.notify_one();
        } else if status.kind == "heartbeat" {
            self.parts.heard(clock.now()).await?;
        }
        Ok(taken)
    }

    /// Type and id of what is named, if it is a document of the source.
    fn named(&self, reference: &str) -> Option<(String, String)> {
        named(reference, self.server.as_ref().map(Server::base))
    }
}

/// Fetches a document; as deleted if it is gone.
pub(super) async fn fetch(
    server: &Server,
    kind: &str,
    id: &str,
    now_us: i64,
) -> Result<Option<Told>, Trouble> {
    let answer = server.ask(Request::get(format!("{kind}/{id}")), now_us).await?;
    match answer.status.as_u16() {
        200 => {
            let text = String::from_utf8(answer.body).unwrap_or_default();
            let raw = RawValue::from_string(text.trim().to_owned());
            let told =
                raw.map(Told::Document).map_err(|_| Trouble::new("a document is answered as no JSON"))?;
            if told.name().as_deref() != Some(&format!("{kind}/{id}")) {
                return Err(Trouble::new("another document was answered than was asked for"));
            }
            Ok(Some(told))
        }
        410 => Ok(Some(Told::Deleted { kind: kind.to_owned(), id: id.to_owned(), at_us: None })),
        404 => Ok(None),
        _ => Err(Trouble::answered("a document", &answer, now_us)),
    }
}

/// What the first entry of a notification Bundle says; none if it is another resource.
fn status(resource: &RawValue) -> Option<Status> {
    let resource: Value = serde_json::from_str(resource.get()).ok()?;
    match resource.get("resourceType").and_then(Value::as_str)? {
        "Parameters" => Some(of_parameters(resource.get("parameter")?.as_array()?)),
        "SubscriptionStatus" => Some(of_status(&resource)),
        _ => None,
    }
}

fn number(value: &Value) -> Option<u64> {
    value.as_u64().or_else(|| value.as_str()?.parse().ok())
}

fn value(of: &Value) -> Option<&Value> {
    of.as_object()?.iter().find(|(name, _)| name.starts_with("value")).map(|(_, value)| value)
}

fn reference(of: &Value) -> Option<String> {
    of.get("reference").and_then(Value::as_str).map(str::to_owned)
}

fn of_parameters(parameters: &[Value]) -> Status {
    let mut status = Status::default();
    let name = |of: &Value| {
        of.get("name").and_then(Value::as_str).unwrap_or_default().replace('-', "").to_lowercase()
    };
    for parameter in parameters {
        match name(parameter).as_str() {
            "type" => status.kind = value(parameter).and_then(Value::as_str).unwrap_or_default().to_owned(),
            "subscription" => status.subscription = value(parameter).and_then(reference).unwrap_or_default(),
            "eventssincesubscriptionstart" => status.events = value(parameter).and_then(number),
            "notificationevent" => {
                for part in parameter.get("part").and_then(Value::as_array).into_iter().flatten() {
                    match name(part).as_str() {
                        "eventnumber" => {
                            let told = value(part).and_then(number);
                            status.first = [status.first, told].into_iter().flatten().min();
                        }
                        "focus" => status.focus.extend(value(part).and_then(reference)),
                        _ => {}
                    }
                }
            }
            _ => {}
        }
    }
    status
}

fn of_status(resource: &Value) -> Status {
    let events = resource.get("notificationEvent").and_then(Value::as_array).cloned().unwrap_or_default();
    Status {
        kind: resource.get("type").and_then(Value::as_str).unwrap_or_default().to_owned(),
        subscription: resource.get("subscription").and_then(reference).unwrap_or_default(),
        events: resource.get("eventsSinceSubscriptionStart").and_then(number),
        first: events.iter().filter_map(|event| event.get("eventNumber").and_then(number)).min(),
        focus: events.iter().filter_map(|event| event.get("focus").and_then(reference)).collect(),
    }
}
