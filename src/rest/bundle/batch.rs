//! `batch` and `collection`: each entry for itself, all in one commit.

use axum::body::Bytes;
use fhir_models::codes::{BundleType, HttpVerb};
use json_patch::Patch;

use super::super::access::Who;
use super::super::ask::{self, Ask};
use super::super::edge::Edge;
use super::super::refused::{Issue, Refused, warnings};
use super::super::types::{Kind, Origin};
use super::super::write::{self, Draft};
use super::super::{Rest, json, patch as patching};
use super::frame::Frame;
use super::reply::{self, Fate};
use super::{Address, Entry, Request, get, kind_of, patch, record_refused, spread, with_resource};
use crate::access::Rights;
use crate::store::{Batch, Precondition, StoreError, Token, Write};

/// What an entry comes to, once its resource is read.
enum Deed {
    /// To be written.
    Write(Box<Write>, Vec<Issue>),
    /// A Task as a person wants it.
    Amend { kind: &'static Kind, id: String, sent: Vec<u8>, if_match: Option<u64> },
    /// Parts of it are to be changed.
    Patch { kind: &'static Kind, of: Of, patch: Patch, if_match: Option<u64> },
    /// To be read.
    Get(Request),
    /// Nothing.
    Refused(Refused),
}

/// What is patched.
enum Of {
    Id(String),
    /// What has this identifier.
    Token(Token),
}

/// Answers a batch or a collection.
///
/// # Errors
/// The store takes nothing now. What is wrong with an entry is said in its answer.
pub(super) async fn run(edge: &Edge, ask: &Ask<'_>, body: &Bytes, frame: Frame) -> Result<String, Refused> {
    let rest = &edge.rest;
    let collection = frame.sort == BundleType::Collection;
    let (with, bytes, who) = (rest.clone(), body.clone(), ask.who.clone());
    let asked: Vec<Option<Request>> = frame.entries.iter().map(|e| e.request.clone()).collect();
    let deeds = spread(frame.entries, move |entry| deed(&with, &who, &bytes, collection, &entry)).await?;
    let mut fates: Vec<Option<Fate>> = Vec::with_capacity(deeds.len());
    let (mut writes, mut places, mut later) = (Vec::new(), Vec::new(), Vec::new());
    for (index, deed) in deeds.into_iter().enumerate() {
        fates.push(None);
        match deed {
            Deed::Write(write, found) => {
                writes.push(*write);
                places.push((index, found));
            }
            Deed::Refused(refused) => set(&mut fates, index, Fate::Refused(refused.of_entry(index))),
            other @ (Deed::Amend { .. } | Deed::Patch { .. } | Deed::Get(_)) => later.push((index, other)),
        }
    }
    commit(ask, rest, writes, places, &mut fates).await?;
    for (index, deed) in later {
        let fate = one(edge, ask, deed).await.unwrap_or_else(|r| Fate::Refused(r.of_entry(index)));
        set(&mut fates, index, fate);
    }
    let fates: Vec<Fate> = fates.into_iter().map(|f| f.unwrap_or(Fate::Refused(Refused::Failed))).collect();
    let refused = fates.iter().filter(|f| matches!(f, Fate::Refused(_))).count();
    rest.metrics.entries_refused(refused as u64);
    record_refused(ask, &fates, |index| asked.get(index)?.as_ref());
    Ok(reply::text("batch-response", &fates))
}

fn set(fates: &mut [Option<Fate>], index: usize, fate: Fate) {
    if let Some(place) = fates.get_mut(index) {
        *place = Some(fate);
    }
}

fn deed(rest: &Rest, who: &Who, body: &Bytes, collection: bool, entry: &Entry) -> Deed {
    let made = if collection { collected(rest, who, body, entry) } else { requested(rest, who, body, entry) };
    made.unwrap_or_else(Deed::Refused)
}

/// An entry of a collection: replaced under the id that it says, or created.
fn collected(rest: &Rest, who: &Who, body: &Bytes, entry: &Entry) -> Result<Deed, Refused> {
    let resource = entry.bytes(body)?;
    let kind = kind_of(resource).map_err(|r| r.of_resource(entry.index))?;
    if !kind.fed() {
        return Err(Refused::Method("no such resource in a collection: this service writes it"));
    }
    let draft = Draft::new(kind, resource.to_vec(), &rest.own_bases)?;
    let id = json::id_of(&draft.body).map(std::borrow::Cow::into_owned);
    who.may(kind.name, if id.is_some() { Rights::UPDATE } else { Rights::CREATE })?;
    if let Some(id) = &id {
        write::check_id(id)?;
    }
    finish(rest, who, draft, id, Precondition::None)
}

fn requested(rest: &Rest, who: &Who, body: &Bytes, entry: &Entry) -> Result<Deed, Refused> {
    let request = entry.request.as_ref().ok_or_else(|| {
        let (kind, why) = (fhir_models::IssueKind::Required, "an entry of a batch says what it asks");
        Refused::Document(fhir_models::ParseError::new(kind, "request", why))
    })?;
    if matches!(request.method, HttpVerb::Get | HttpVerb::Head) {
        return Ok(Deed::Get(request.clone()));
    }
    let address = request.address()?;
    request.allowed(who, &address)?;
    match (request.method, address) {
        (HttpVerb::Post, Address::Kind(kind)) if kind.fed() => {
            let token = write::none_exist(request.if_none_exist.as_deref())?;
            let draft = Draft::new(kind, entry.bytes(body)?.to_vec(), &rest.own_bases)?;
            finish(rest, who, draft, None, token.map_or(Precondition::None, Precondition::IfNoneExist))
        }
        (HttpVerb::Put, Address::One(kind, id)) if kind.replaceable() => {
            let if_match = request.if_match()?;
            let draft = Draft::new(kind, entry.bytes(body)?.to_vec(), &rest.own_bases)?;
            draft.check_id(id)?;
            if kind.origin == Origin::Shared {
                return Ok(Deed::Amend { kind, id: id.to_owned(), sent: draft.body, if_match });
            }
            finish(
                rest,
                who,
                draft,
                Some(id.to_owned()),
                if_match.map_or(Precondition::None, Precondition::Version),
            )
        }
        (HttpVerb::Put, Address::Matching(kind, query)) if kind.fed() => {
            let token = ask::criteria(query, "request.url")?;
            let draft = Draft::new(kind, entry.bytes(body)?.to_vec(), &rest.own_bases)?;
            let id = json::id_of(&draft.body).map(std::borrow::Cow::into_owned);
            finish(rest, who, draft, id, Precondition::Match(token))
        }
        (HttpVerb::Delete, Address::One(kind, id)) if kind.fed() => {
            let precondition = request.if_match()?.map_or(Precondition::None, Precondition::Version);
            Ok(Deed::Write(Box::new(write::deletion(kind, Some(id.to_owned()), precondition)), Vec::new()))
        }
        (HttpVerb::Delete, Address::Matching(kind, query)) if kind.fed() => {
            let precondition = Precondition::Match(ask::criteria(query, "request.url")?);
            Ok(Deed::Write(Box::new(write::deletion(kind, None, precondition)), Vec::new()))
        }
        (HttpVerb::Patch, Address::One(kind, id)) if kind.replaceable() => {
            let (patch, if_match) = (patch::of(entry, body, kind, |_| None)?, request.if_match()?);
            Ok(Deed::Patch { kind, of: Of::Id(id.to_owned()), patch, if_match })
        }
        (HttpVerb::Patch, Address::Matching(kind, query)) if kind.fed() => {
            let (patch, if_match) = (patch::of(entry, body, kind, |_| None)?, request.if_match()?);
            Ok(Deed::Patch { kind, of: Of::Token(ask::criteria(query, "request.url")?), patch, if_match })
        }
        _ => Err(Refused::Method("what the CapabilityStatement says")),
    }
}

fn finish(
    rest: &Rest,
    who: &Who,
    draft: Draft,
    id: Option<String>,
    precondition: Precondition,
) -> Result<Deed, Refused> {
    write::check_content(rest, who, draft.kind, id.as_deref(), &draft.body)?;
    let found = warnings(&draft.read.warnings);
    Ok(Deed::Write(Box::new(draft.into_write(id, precondition)), found))
}

/// Commits what is to be written: all at once, and if a precondition of one fails, those with one apart from the rest.
async fn commit(
    ask: &Ask<'_>,
    rest: &Rest,
    writes: Vec<Write>,
    places: Vec<(usize, Vec<Issue>)>,
    fates: &mut [Option<Fate>],
) -> Result<(), Refused> {
    if writes.is_empty() {
        return Ok(());
    }
    let keep = |w: &Write| with_resource(ask, &w.kind);
    // the writes are given away: what may have to be asked again is kept, which only conditional entries pay for
    let again: Option<Vec<Write>> =
        writes.iter().any(|w| w.precondition != Precondition::None).then(|| writes.clone());
    let bodies: Vec<Option<Vec<u8>>> =
        writes.iter().map(|w| if keep(w) { w.body.clone() } else { None }).collect();
    let error = match rest.commit(ask.act, Batch { now_us: ask.now_us, writes, ..Batch::default() }).await {
        Ok(committed) => {
            for (at, ((index, warnings), written)) in places.into_iter().zip(committed.written).enumerate() {
                let body = bodies.get(at).cloned().flatten();
                let resource = body.and_then(|b| write::spliced(&b, &written).ok());
                set(fates, index, Fate::Written { written, resource, warnings });
            }
            return Ok(());
        }
        Err(error) => error,
    };
    let (Some(writes), Some(_)) = (again, write_of(&error)) else { return Err(error.into()) };
    let (mut plain, mut plain_places) = (Vec::new(), Vec::new());
    let mut apart = tokio::task::JoinSet::new();
    let now_us = ask.now_us;
    for (write, (index, found)) in writes.into_iter().zip(places) {
        if write.precondition == Precondition::None {
            plain.push(write);
            plain_places.push((index, found));
            continue;
        }
        let (rest, act) = (rest.clone(), ask.act.clone());
        apart.spawn(async move {
            let batch = Batch { now_us, writes: vec![write], ..Batch::default() };
            let committed = rest.commit(&act, batch).await;
            (index, found, committed.map_err(Refused::from).and_then(write::first))
        });
    }
    while let Some(done) = apart.join_next().await {
        let Ok((index, warnings, done)) = done else { continue };
        let fate = match done {
            Ok(written) => Fate::Written { written, resource: None, warnings },
            Err(refused) => Fate::Refused(refused.of_entry(index)),
        };
        set(fates, index, fate);
    }
    Box::pin(commit(ask, rest, plain, plain_places, fates)).await
}

/// The write because of which a batch was refused, if it was because of one.
pub(super) fn write_of(error: &StoreError) -> Option<usize> {
    match error {
        StoreError::VersionConflict { index, .. }
        | StoreError::Exists { index, .. }
        | StoreError::MultipleMatches { index }
        | StoreError::OtherId { index, .. } => Some(*index),
        StoreError::StaleGeneration { .. }
        | StoreError::Moved
        | StoreError::Used
        | StoreError::TooLarge { .. }
        | StoreError::NoSpace
        | StoreError::Busy
        | StoreError::Closed
        | StoreError::Fatal(_)
        | StoreError::Damaged(_)
        | StoreError::Unusable(_)
        | StoreError::Internal(_) => None,
    }
}

/// What is not a plain write.
async fn one(edge: &Edge, ask: &Ask<'_>, deed: Deed) -> Result<Fate, Refused> {
    let rest = &edge.rest;
    let (written, body) = match deed {
        Deed::Amend { kind, id, sent, if_match } => {
            write::amend(rest, ask, kind, &id, &sent, if_match).await?
        }
        Deed::Patch { kind, of, patch, if_match } => {
            let id = match of {
                Of::Id(id) => id,
                Of::Token(token) => write::matching(rest, kind, &token).await?.ok_or(Refused::NotFound)?,
            };
            patching::apply(rest, ask, kind, &id, &patch, if_match).await?
        }
        Deed::Get(request) => return get::get(edge, ask, &request).await,
        Deed::Refused(refused) => return Err(refused),
        Deed::Write(..) => return Err(Refused::Failed),
    };
    let resource = with_resource(ask, &written.kind).then(|| write::spliced(&body, &written)).transpose()?;
    Ok(Fate::Written { written, resource, warnings: Vec::new() })
}
