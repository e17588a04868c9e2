//! The one way in of what this service fetches: as a client's batch, through the interface itself.
//!
//! So what is fetched is read as strictly, checked by the same table of types, recorded, and stored under the same rules
//! as what is sent. What is refused is kept as a dead letter; what is there already, or there in a later version, is
//! passed over. Handing the same over again has no effect.

use std::borrow::Cow;
use std::collections::BTreeSet;

use axum::Router;
use axum::body::Body;
use axum::http::{Method, Request, StatusCode};
use fhir_models::primitive::{Point, is_id};
use serde::Deserialize;
use serde_json::value::RawValue;
use tower::ServiceExt as _;

use super::limits;
use crate::access::{Holder, Known, Scopes};
use crate::clock::Clock;
use crate::store::{About, Batch, Document, Store, StoreError, Undelivered, Way};

/// Takes in what was fetched. Cheap to clone.
#[derive(Clone, Debug)]
pub(super) struct Intake {
    fhir: Router,
    store: Store,
    clock: Clock,
}

/// Something that a source has told.
pub(super) enum Told {
    /// A document as it is there.
    Document(Box<RawValue>),
    /// What was to be a document and is no JSON.
    Broken(Vec<u8>),
    /// A document that is gone.
    Deleted {
        kind: String,
        id: String,
        /// When, in microseconds, if that was said.
        at_us: Option<i64>,
    },
}

/// Why it was not taken in, and has to be handed over again.
#[derive(Debug)]
pub(super) struct NotNow(pub(super) String);

impl From<StoreError> for NotNow {
    fn from(error: StoreError) -> Self {
        NotNow(error.to_string())
    }
}

/// What of a document tells which it is, and which version.
#[derive(Deserialize)]
#[serde(rename_all = "camelCase")]
struct Head<'a> {
    #[serde(borrow)]
    resource_type: Cow<'a, str>,
    #[serde(borrow)]
    id: Option<Cow<'a, str>>,
    #[serde(borrow)]
    meta: Option<Meta<'a>>,
}

#[derive(Deserialize, Default)]
#[serde(rename_all = "camelCase")]
struct Meta<'a> {
    #[serde(borrow)]
    version_id: Option<Cow<'a, str>>,
    #[serde(borrow)]
    last_updated: Option<Cow<'a, str>>,
}

impl Meta<'_> {
    fn number(&self) -> Option<u64> {
        self.version_id.as_ref()?.parse().ok()
    }

    fn at_us(&self) -> Option<i64> {
        Point::read(self.last_updated.as_ref()?)?.instant_us()
    }
}

#[derive(Deserialize)]
struct Answered {
    #[serde(default)]
    entry: Vec<AnsweredEntry>,
}

#[derive(Deserialize)]
struct AnsweredEntry {
    response: Response,
}

#[derive(Deserialize)]
struct Response {
    status: String,
    outcome: Option<serde_json::Value>,
}

/// An entry on its way.
struct Entry<'a> {
    name: String,
    body: Option<&'a RawValue>,
    /// The version that it replaces.
    over: Option<u64>,
}

/// What became of an entry.
enum Became {
    Stored,
    /// Somebody else has written the document meanwhile.
    Overtaken,
    Refused(String),
}

impl Intake {
    pub(super) fn new(fhir: Router, store: Store, clock: Clock) -> Self {
        Intake { fhir, store, clock }
    }

    /// Takes in what `source` has told, in pieces; returns how many documents were new or changed.
    ///
    /// # Errors
    /// Not all of it was: it is to be handed over again.
    pub(super) async fn take(&self, source: &str, told: &[Told]) -> Result<usize, NotNow> {
        let mut taken = 0;
        let mut rest = told;
        while !rest.is_empty() {
            let (mut bytes, mut names) = (0, BTreeSet::new());
            let fits = rest.iter().take(limits::ENTRIES).enumerate().take_while(|(n, told)| {
                bytes += told.bytes();
                // entries of a batch have no order: what comes twice is handed over one after the other
                let once = told.name().is_none_or(|name| names.insert(name));
                *n == 0 || (bytes <= limits::BYTES && once)
            });
            let (some, after) = rest.split_at(fits.count());
            taken += self.take_some(source, some).await?;
            rest = after;
        }
        Ok(taken)
    }

    async fn take_some(&self, source: &str, told: &[Told]) -> Result<usize, NotNow> {
        let mut letters = Letters::new(
            source,
            self.store
                .letter_counts()
                .await?
                .iter()
                .any(|(way, place, _)| *way == Way::In && place == source),
        );
        let (mut taken, mut left): (usize, Vec<&Told>) = (0, told.iter().collect());
        for _ in 0..limits::OVERTAKEN {
            let mut entries = Vec::new();
            for told in &left {
                match self.entry(told).await? {
                    Ok(Some(entry)) => entries.push((*told, entry)),
                    Ok(None) => {}
                    Err((name, why)) => letters.keep(name, why, told),
                }
            }
            left = Vec::new();
            if entries.is_empty() {
                break;
            }
            let became = self.hand_over(source, entries.iter().map(|(_, entry)| entry)).await?;
            for ((told, entry), became) in entries.into_iter().zip(became) {
                match became {
                    Became::Stored => {
                        taken += 1;
                        letters.settle(entry.name);
                    }
                    Became::Overtaken => left.push(told),
                    Became::Refused(why) => letters.keep(entry.name, why, told),
                }
            }
        }
        if !left.is_empty() {
            return Err(NotNow("others write the same documents again and again".to_owned()));
        }
        if !letters.kept.is_empty() || !letters.settled.is_empty() {
            let Letters { kept, settled, .. } = letters;
            let now_us = self.clock.now().micros();
            self.store.commit(Batch { now_us, letters: kept, settled, ..Batch::default() }).await?;
        }
        Ok(taken)
    }

    /// What is to be asked for what was told; none if it is there, or there in a later version. An error: what it is,
    /// and why it is refused.
    async fn entry<'t>(&self, told: &'t Told) -> Result<Result<Option<Entry<'t>>, (String, String)>, NotNow> {
        let (kind, id, body, meta) = match told {
            Told::Broken(body) => {
                let name = format!("digest/{:016x}", xxhash_rust::xxh3::xxh3_64(body));
                return Ok(Err((name, "it is no JSON".to_owned())));
            }
            Told::Document(body) => {
                let Ok(head) = serde_json::from_str::<Head<'_>>(body.get()) else {
                    let why = "its type, id or meta cannot be read, or is written twice".to_owned();
                    return Ok(Err((digest(body), why)));
                };
                let Some(id) = head.id.filter(|id| is_id(id)) else {
                    return Ok(Err((digest(body), "it has no id that can be one".to_owned())));
                };
                (head.resource_type, id, Some(&**body), head.meta.unwrap_or_default())
            }
            Told::Deleted { kind, id, .. } => (kind.into(), id.into(), None, Meta::default()),
        };
        let stored = self.store.document(&kind, &id).await?;
        let there = stored.as_ref().filter(|document| document.body.is_some());
        let at_us = match told {
            Told::Document(_) | Told::Broken(_) => meta.at_us(),
            Told::Deleted { at_us, .. } => *at_us,
        };
        let same = match (body, there) {
            (Some(body), Some(there)) => there.body.as_deref() == Some(body.get().as_bytes()),
            (None, None) => true,
            (Some(_), None) | (None, Some(_)) => false,
        };
        if same || there.is_some_and(|there| is_later(there, meta.number(), at_us)) {
            return Ok(Ok(None));
        }
        let over = there.map(|document| document.version);
        Ok(Ok(Some(Entry { name: format!("{kind}/{id}"), body, over })))
    }

    /// Asks the interface for the entries as a batch.
    async fn hand_over<'e, 't: 'e>(
        &self,
        source: &str,
        entries: impl Iterator<Item = &'e Entry<'t>>,
    ) -> Result<Vec<Became>, NotNow> {
        let mut bundle = String::from("{\"resourceType\":\"Bundle\",\"type\":\"batch\",\"entry\":[");
        let mut count = 0;
        for Entry { name, body, over } in entries {
            bundle += if count == 0 { "{" } else { ",{" };
            if let Some(body) = body {
                bundle += "\"resource\":";
                bundle += body.get();
                bundle += ",";
            }
            let method = if body.is_some() { "PUT" } else { "DELETE" };
            bundle += &format!("\"request\":{{\"method\":\"{method}\",\"url\":\"{name}\"");
            if let Some(version) = over {
                bundle += &format!(",\"ifMatch\":\"W/\\\"{version}\\\"\"");
            }
            bundle += "}}";
            count += 1;
        }
        bundle += "]}";
        let scopes = Scopes::read("system/*.cruds").map_err(|error| NotNow(error.to_string()))?;
        let holder = Holder::of_source(source, scopes);
        let request = Request::builder()
            .method(Method::POST)
            .uri("/fhir")
            .header("content-type", "application/fhir+json")
            .header("prefer", "return=OperationOutcome")
            .extension(Known(holder))
            .body(Body::from(bundle))
            .map_err(|error| NotNow(error.to_string()))?;
        let Ok(response) = self.fhir.clone().oneshot(request).await;
        let status = response.status();
        if status != StatusCode::OK {
            return Err(NotNow(format!("it was not taken in: {status}")));
        }
        let body = axum::body::to_bytes(response.into_body(), limits::ANSWER).await;
        let body = body.map_err(|_| NotNow("the answer is too long".to_owned()))?;
        let answered: Answered = serde_json::from_slice(&body).map_err(|error| NotNow(error.to_string()))?;
        if answered.entry.len() != count {
            return Err(NotNow("not every entry was answered".to_owned()));
        }
        answered.entry.into_iter().map(|entry| became(&entry.response)).collect()
    }
}

impl Told {
    /// When it was changed last, as the source says; in microseconds.
    pub(super) fn changed_us(&self) -> Option<i64> {
        match self {
            Told::Document(body) => serde_json::from_str::<Head<'_>>(body.get()).ok()?.meta?.at_us(),
            Told::Deleted { at_us, .. } => *at_us,
            Told::Broken(_) => None,
        }
    }

    /// `Type/id`, if it says them.
    pub(super) fn name(&self) -> Option<String> {
        match self {
            Told::Document(body) => {
                let head = serde_json::from_str::<Head<'_>>(body.get()).ok()?;
                Some(format!("{}/{}", head.resource_type, head.id?))
            }
            Told::Deleted { kind, id, .. } => Some(format!("{kind}/{id}")),
            Told::Broken(_) => None,
        }
    }

    /// Whether it is a document of this type.
    pub(super) fn is_of(&self, kind: &str) -> bool {
        match self {
            Told::Document(body) => {
                serde_json::from_str::<Head<'_>>(body.get()).is_ok_and(|head| head.resource_type == kind)
            }
            Told::Broken(_) | Told::Deleted { .. } => false,
        }
    }

    fn bytes(&self) -> usize {
        match self {
            Told::Document(body) => body.get().len(),
            Told::Broken(body) => body.len(),
            Told::Deleted { .. } => 0,
        }
    }
}

/// What is kept and forgotten of dead letters of a source.
struct Letters<'a> {
    source: &'a str,
    /// Whether there are any, of which some may be settled.
    some: bool,
    kept: Vec<Undelivered>,
    settled: Vec<About>,
}

impl<'a> Letters<'a> {
    fn new(source: &'a str, some: bool) -> Self {
        Letters { source, some, kept: Vec::new(), settled: Vec::new() }
    }

    fn about(&self, name: String) -> About {
        About { way: Way::In, place: self.source.to_owned(), name }
    }

    fn keep(&mut self, name: String, why: String, told: &Told) {
        let body = match told {
            Told::Document(body) => Some(body.get().as_bytes().to_vec()),
            Told::Broken(body) => Some(body.clone()),
            Told::Deleted { .. } => None,
        };
        tracing::warn!(source = self.source, name, why, "a document was refused, and is a dead letter");
        self.kept.push(Undelivered { about: self.about(name), why, body });
    }

    fn settle(&mut self, name: String) {
        if self.some {
            self.settled.push(self.about(name));
        }
    }
}

/// Whether what is there is a later version than one with this number that was changed then: by numbers where both
/// have one, else by the times of change.
fn is_later(there: &Document, number: Option<u64>, at_us: Option<i64>) -> bool {
    let meta = there.body.as_deref().and_then(|body| serde_json::from_slice::<Head<'_>>(body).ok()?.meta);
    let Some(meta) = meta else { return false };
    match (meta.number(), number) {
        (Some(there), Some(number)) if there != number => there > number,
        (Some(_), _) | (None, _) => meta.at_us().zip(at_us).is_some_and(|(there, at)| there > at),
    }
}

/// What the answer of an entry means.
fn became(response: &Response) -> Result<Became, NotNow> {
    let status = response.status.get(..3).and_then(|digits| digits.parse::<u16>().ok()).unwrap_or(500);
    let said = response.outcome.as_ref().and_then(|outcome| {
        let issue = outcome.pointer("/issue/0")?;
        let code = issue.pointer("/code").and_then(|c| c.as_str()).unwrap_or_default();
        let words = issue.pointer("/diagnostics").and_then(|d| d.as_str()).unwrap_or_default();
        Some(format!("{code}: {words}"))
    });
    match status {
        200..=299 => Ok(Became::Stored),
        409 | 412 => Ok(Became::Overtaken),
        429 | 500..=599 => Err(NotNow(said.unwrap_or_else(|| format!("status {status}")))),
        _ => Ok(Became::Refused(said.unwrap_or_else(|| format!("status {status}")))),
    }
}

/// The name of what has no id.
fn digest(body: &RawValue) -> String {
    format!("digest/{:016x}", xxhash_rust::xxh3::xxh3_64(body.get().as_bytes()))
}
