//! Bundles: many documents in one request, one commit and one answer.
//!
//! The resources are cut out of the Bundle unread, the rest of it is read strictly as a whole, and then each resource
//! is read by itself: what is wrong with one does not keep out the others, and nothing is read twice.

mod batch;
mod frame;
mod get;
mod patch;
mod reply;
mod transaction;

use std::borrow::Cow;
use std::ops::Range;

use axum::body::Bytes;
use axum::http::StatusCode;
use fhir_models::codes::{BundleType, HttpVerb};

use super::access::{self, Who};
use super::answer::Answer;
use super::ask::{Ask, Return};
use super::body::Held;
use super::edge::Edge;
use super::refused::Refused;
use super::types::{self, Kind};
use super::{Outcome, audit, limits, write};
use crate::access::Rights;

/// One entry, before its resource is read.
#[derive(Clone, Debug)]
struct Entry {
    /// Its place among the entries.
    index: usize,
    /// What stands for its address inside the Bundle.
    full_url: Option<String>,
    /// Its resource, as a place in the body.
    resource: Option<Range<usize>>,
    /// What it asks; none in a collection.
    request: Option<Request>,
}

/// What an entry asks.
#[derive(Clone, Debug)]
struct Request {
    method: HttpVerb,
    url: String,
    if_match: Option<String>,
    if_none_match: Option<String>,
    if_modified_since_us: Option<i64>,
    if_none_exist: Option<String>,
}

/// Where the request of an entry goes.
#[derive(Clone, Debug)]
enum Address<'a> {
    /// `Type`
    Kind(&'static Kind),
    /// `Type/id`
    One(&'static Kind, &'a str),
    /// `Type?criteria`
    Matching(&'static Kind, &'a str),
}

/// `POST /fhir`.
pub(super) async fn post(edge: &Edge, ask: &Ask<'_>, held: Held) -> Outcome {
    let frame = frame::read(&held.bytes)?;
    ask.act.is(if frame.sort == BundleType::Transaction { "transaction" } else { "batch" });
    let reply = match frame.sort {
        BundleType::Batch | BundleType::Collection => batch::run(edge, ask, &held.bytes, frame).await?,
        BundleType::Transaction => transaction::run(edge, ask, &held.bytes, frame).await?,
        BundleType::Document
        | BundleType::Message
        | BundleType::TransactionResponse
        | BundleType::BatchResponse
        | BundleType::History
        | BundleType::Searchset => {
            return Err(Refused::Unprocessable {
                at: "Bundle.type".to_owned(),
                why: "expected batch, transaction or collection".to_owned(),
            });
        }
    };
    Ok(Answer::json(StatusCode::OK, reply))
}

impl Entry {
    fn bytes<'b>(&self, body: &'b Bytes) -> Result<&'b [u8], Refused> {
        let place = self.resource.clone();
        place.and_then(|place| body.get(place)).ok_or_else(|| {
            Refused::Document(fhir_models::ParseError::new(
                fhir_models::IssueKind::Required,
                "",
                "an entry that writes has a resource",
            ))
        })
    }
}

impl Request {
    /// Where it goes.
    ///
    /// # Errors
    /// An address that is not one of this service, relative to its base.
    fn address(&self) -> Result<Address<'_>, Refused> {
        let wrong = || {
            Refused::value(
                "request.url",
                "expected Type, Type/id or Type?criteria of a type that is kept here",
            )
        };
        let (path, query) = match self.url.split_once('?') {
            Some((path, query)) => (path, Some(query)),
            None => (self.url.as_str(), None),
        };
        let (name, id) = match path.split_once('/') {
            Some((name, id)) => (name, Some(id)),
            None => (path, None),
        };
        let named = name.starts_with(|c: char| c.is_ascii_uppercase())
            && name.bytes().all(|b| b.is_ascii_alphabetic());
        let kind = types::kind(name).ok_or_else(|| if named { Refused::UnknownType } else { wrong() })?;
        match (id, query) {
            (None, None) => Ok(Address::Kind(kind)),
            (None, Some(query)) => Ok(Address::Matching(kind, query)),
            (Some(id), None) => {
                write::check_id(id).map_err(|_| wrong())?;
                Ok(Address::One(kind, id))
            }
            (Some(_), Some(_)) => Err(wrong()),
        }
    }

    /// Refuses what may not be done.
    ///
    /// # Errors
    /// `Forbidden`.
    fn allowed(&self, who: &Who, address: &Address<'_>) -> Result<(), Refused> {
        let (kind, one) = match address {
            Address::One(kind, _) => (kind, true),
            Address::Kind(kind) | Address::Matching(kind, _) => (kind, false),
        };
        who.may(kind.name, access::wanted(self.method.as_str(), one, self.if_none_exist.is_some()))
    }

    fn if_match(&self) -> Result<Option<u64>, Refused> {
        self.if_match.as_deref().map(super::ask::if_match).transpose()
    }
}

/// Has it recorded which entries were refused.
fn record_refused<'r>(ask: &Ask<'_>, fates: &[reply::Fate], request: impl Fn(usize) -> Option<&'r Request>) {
    for (index, fate) in fates.iter().enumerate() {
        let reply::Fate::Refused(refused) = fate else { continue };
        let (status, _) = refused.status_and_code();
        // an entry of a collection does not say what it asks
        let (verb, url) = request(index).map_or((HttpVerb::Put, ""), |r| (r.method, r.url.as_str()));
        let path: Vec<&str> = url.split('?').next().unwrap_or_default().split('/').collect();
        let method = axum::http::Method::from_bytes(verb.as_str().as_bytes()).unwrap_or_default();
        ask.act.refused(audit::interaction(&method, &path), &format!("{method} {url}"), status);
    }
}

/// Whether the answer to an entry that was written carries the resource: if it is asked for and may be read.
fn with_resource(ask: &Ask<'_>, kind: &str) -> bool {
    ask.returning(Return::Minimal) == Return::Representation && ask.who.may(kind, Rights::READ).is_ok()
}

/// Does `work` for each of `items`, in their order; many of them by several threads, so that neither the client nor
/// anybody else waits for one.
async fn spread<T, U>(
    mut items: Vec<T>,
    work: impl Fn(T) -> U + Clone + Send + 'static,
) -> Result<Vec<U>, Refused>
where
    T: Send + 'static,
    U: Send + 'static,
{
    if items.len() <= limits::ENTRIES_PER_THREAD / 4 {
        return Ok(items.into_iter().map(work).collect());
    }
    let share = items.len().div_ceil(limits::THREADS_PER_BUNDLE).max(limits::ENTRIES_PER_THREAD);
    let mut threads = Vec::new();
    while !items.is_empty() {
        let left = items.split_off(share.min(items.len()));
        let mine = std::mem::replace(&mut items, left);
        let work = work.clone();
        threads.push(tokio::task::spawn_blocking(move || mine.into_iter().map(work).collect::<Vec<U>>()));
    }
    let mut done = Vec::new();
    for thread in threads {
        done.extend(thread.await.map_err(|_| Refused::Failed)?);
    }
    Ok(done)
}

/// The type that a resource says it is.
fn kind_of(resource: &[u8]) -> Result<&'static Kind, Refused> {
    let name: Cow<'_, str> = fhir_models::resource_type(resource)?.into();
    types::kind(&name).ok_or(Refused::UnknownType)
}
