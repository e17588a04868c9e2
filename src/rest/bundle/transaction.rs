//! `transaction`: all entries or none, in one commit.
//!
//! Deletions come first, then creations, then updates and patches, whatever their order in the Bundle; reads come last. What a
//! `urn:uuid:` or a condition stands for is written into the references before anything is read.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use axum::body::Bytes;
use fhir_models::codes::HttpVerb;
use fhir_models::primitive::is_id;
use json_patch::Patch;

use super::super::access::Who;
use super::super::ask::{self, Ask};
use super::super::edge::Edge;
use super::super::patch as patching;
use super::super::read::resource;
use super::super::refused::{Issue, Refused, warnings};
use super::super::types::{self, Kind, Origin};
use super::super::write::{self, Draft};
use super::super::{Rest, json, limits};
use super::batch::write_of;
use super::frame::Frame;
use super::reply::{self, Fate};
use super::{Address, Entry, Request, record_refused, spread, with_resource};
use super::{get, patch};
use crate::access::Rights;
use crate::store::{Batch, Change, Precondition, StoreError, Write, Written};

/// What an entry does, before references are looked at.
#[derive(Clone)]
struct Act {
    index: usize,
    verb: HttpVerb,
    kind: &'static Kind,
    /// The id of what it is about; none for a deletion of nothing.
    id: Option<String>,
    precondition: Precondition,
    /// It is there already: nothing is written.
    present: bool,
}

/// An entry that is ready to be written.
struct Ready {
    index: usize,
    verb: HttpVerb,
    write: Write,
    warnings: Vec<Issue>,
    /// It is put into whatever the service has written last; the client has not said into what.
    amends: bool,
}

/// What references of a Bundle stand for.
type Names = BTreeMap<String, String>;

/// Answers a transaction.
///
/// # Errors
/// What is wrong with any entry; then nothing was written.
pub(super) async fn run(edge: &Edge, ask: &Ask<'_>, body: &Bytes, frame: Frame) -> Result<String, Refused> {
    check_addresses(&frame.entries)?;
    for _ in 0..limits::RETRIES {
        match attempt(edge, ask, body, &frame.entries).await? {
            Some(fates) => {
                record_refused(ask, &fates, |index| frame.entries.get(index)?.request.as_ref());
                return Ok(reply::text("transaction-response", &fates));
            }
            // somebody wrote meanwhile what was not there, or was otherwise, when it was looked for
            None => continue,
        }
    }
    Err(Refused::Overtaken)
}

fn request(entry: &Entry) -> Result<&Request, Refused> {
    entry.request.as_ref().ok_or_else(|| {
        let (kind, why) = (fhir_models::IssueKind::Required, "an entry of a transaction says what it asks");
        Refused::Document(fhir_models::ParseError::new(kind, "", why)).of_entry(entry.index)
    })
}

/// Refuses what is named twice.
fn check_addresses(entries: &[Entry]) -> Result<(), Refused> {
    let (mut full, mut about) = (BTreeSet::new(), BTreeSet::new());
    for entry in entries {
        let twice = |at: &str| {
            let why = "two entries of a transaction are about the same resource".to_owned();
            Err(Refused::Contradiction { at: at.to_owned(), why }.of_entry(entry.index))
        };
        let request = request(entry)?;
        if entry.full_url.as_ref().is_some_and(|url| !full.insert(url)) {
            return twice("fullUrl");
        }
        let writes = !matches!(request.method, HttpVerb::Get | HttpVerb::Head | HttpVerb::Post);
        if writes && !about.insert(&request.url) {
            return twice("request.url");
        }
    }
    Ok(())
}

/// One attempt; none if it was overtaken and can be made again.
async fn attempt(
    edge: &Edge,
    ask: &Ask<'_>,
    body: &Bytes,
    entries: &[Entry],
) -> Result<Option<Vec<Fate>>, Refused> {
    let rest = &edge.rest;
    let mut acts = Vec::with_capacity(entries.len());
    for entry in entries {
        let request = request(entry)?;
        if matches!(request.method, HttpVerb::Get | HttpVerb::Head) {
            get::check(ask, request).map_err(|r| r.of_entry(entry.index))?;
        } else {
            acts.push(act(ask, rest, body, entry, request).await.map_err(|r| r.of_entry(entry.index))?);
        }
    }
    check_identities(&acts)?;
    let names = Arc::new(names(ask, rest, body, entries, &acts).await?);
    let work = {
        let (rest, who, body, names) = (rest.clone(), ask.who.clone(), body.clone(), names);
        move |(entry, act): (Entry, Act)| {
            let made = read(&rest, &who, &body, &entry, &act, &names);
            (act, made.map_err(|r| r.of_entry(entry.index)))
        }
    };
    let written: Vec<(Entry, Act)> = acts
        .iter()
        .filter(|a| !a.present)
        .filter_map(|a| Some((entries.get(a.index)?.clone(), a.clone())))
        .collect();
    let mut ready = Vec::with_capacity(written.len());
    for (act, made) in spread(written, work).await? {
        let (made, found) = made?;
        let index = act.index;
        match write(rest, ask, act, made, found).await.map_err(|r| r.of_entry(index))? {
            Some(write) => ready.push(write),
            // a patch that changes nothing
            None => acts.iter_mut().filter(|a| a.index == index).for_each(|a| a.present = true),
        }
    }
    // a stable sort: DELETE, POST, PUT and PATCH
    ready.sort_by_key(|r| rank(r.verb));
    let Some(written) = commit(rest, ask, &mut ready).await? else { return Ok(None) };
    fates(edge, ask, entries, &acts, ready, written).await.map(Some)
}

const fn rank(verb: HttpVerb) -> u8 {
    match verb {
        HttpVerb::Delete => 0,
        HttpVerb::Post => 1,
        HttpVerb::Put | HttpVerb::Patch => 2,
        HttpVerb::Get | HttpVerb::Head => 3,
    }
}

/// What an entry is about, and whether that is there already.
async fn act(
    ask: &Ask<'_>,
    rest: &Rest,
    body: &Bytes,
    entry: &Entry,
    request: &Request,
) -> Result<Act, Refused> {
    let (index, verb) = (entry.index, request.method);
    let address = request.address()?;
    request.allowed(ask.who, &address)?;
    let made = |kind, id, precondition| Act { index, verb, kind, id, precondition, present: false };
    match (verb, address) {
        (HttpVerb::Post, Address::Kind(kind)) if kind.fed() => {
            let id = uuid::Uuid::new_v4().to_string();
            let Some(token) = write::none_exist(request.if_none_exist.as_deref())? else {
                return Ok(made(kind, Some(id), Precondition::Absent));
            };
            match write::matching(rest, kind, &token).await? {
                None => Ok(made(kind, Some(id), Precondition::Unmatched(token))),
                Some(there) => Ok(Act { present: true, ..made(kind, Some(there), Precondition::None) }),
            }
        }
        (HttpVerb::Put, Address::One(kind, id)) if kind.replaceable() => {
            let precondition = request.if_match()?.map_or(Precondition::None, Precondition::Version);
            Ok(made(kind, Some(id.to_owned()), precondition))
        }
        (HttpVerb::Patch, Address::One(kind, id)) if kind.replaceable() => {
            let precondition = request.if_match()?.map_or(Precondition::None, Precondition::Version);
            Ok(made(kind, Some(id.to_owned()), precondition))
        }
        (HttpVerb::Patch, Address::Matching(kind, query)) if kind.fed() => {
            let precondition = request.if_match()?.map_or(Precondition::None, Precondition::Version);
            let token = ask::criteria(query, "request.url")?;
            let there = write::matching(rest, kind, &token).await?.ok_or(Refused::NotFound)?;
            Ok(made(kind, Some(there), precondition))
        }
        (HttpVerb::Put, Address::Matching(kind, query)) if kind.fed() => {
            let token = ask::criteria(query, "request.url")?;
            let said = json::id_of(entry.bytes(body)?).filter(|id| is_id(id)).map(|id| id.into_owned());
            let there = write::matching(rest, kind, &token).await?;
            let id = said.or(there).unwrap_or_else(|| uuid::Uuid::new_v4().to_string());
            Ok(made(kind, Some(id), Precondition::Match(token)))
        }
        (HttpVerb::Delete, Address::One(kind, id)) if kind.fed() => {
            let precondition = request.if_match()?.map_or(Precondition::None, Precondition::Version);
            Ok(made(kind, Some(id.to_owned()), precondition))
        }
        (HttpVerb::Delete, Address::Matching(kind, query)) if kind.fed() => {
            Ok(made(kind, None, Precondition::Match(ask::criteria(query, "request.url")?)))
        }
        _ => Err(Refused::Method("what the CapabilityStatement says")),
    }
}

fn check_identities(acts: &[Act]) -> Result<(), Refused> {
    let mut seen = BTreeSet::new();
    for act in acts {
        if let Some(id) = &act.id
            && !seen.insert((act.kind.name, id))
        {
            let why = "two entries of a transaction are about the same resource".to_owned();
            return Err(Refused::Contradiction { at: "request".to_owned(), why }.of_entry(act.index));
        }
    }
    Ok(())
}

/// What the addresses inside the Bundle stand for, and the conditions in the place of references.
async fn names(
    ask: &Ask<'_>,
    rest: &Rest,
    body: &Bytes,
    entries: &[Entry],
    acts: &[Act],
) -> Result<Names, Refused> {
    let mut names = Names::new();
    for act in acts {
        if let (Some(entry), Some(id)) = (entries.get(act.index), &act.id)
            && let Some(full) = &entry.full_url
        {
            names.insert(full.clone(), format!("{}/{id}", act.kind.name));
        }
    }
    for act in acts.iter().filter(|a| a.verb != HttpVerb::Delete && !a.present) {
        let resource = entries.get(act.index).and_then(|e| e.bytes(body).ok()).unwrap_or_default();
        // no condition is without a question mark, and hardly a document has one
        if memchr::memchr(b'?', resource).is_some() {
            look_up(ask, rest, resource, &mut names).await.map_err(|r| r.of_entry(act.index))?;
        }
    }
    Ok(names)
}

/// Looks up what conditions in the place of references stand for.
async fn look_up(ask: &Ask<'_>, rest: &Rest, resource: &[u8], names: &mut Names) -> Result<(), Refused> {
    let mut wanted = Vec::new();
    let note = |reference: &str| {
        if let Some((name, query)) = reference.split_once('?')
            && let Some(kind) = types::kind(name)
        {
            wanted.push((reference.to_owned(), kind, query.to_owned()));
        }
        None
    };
    json::with_references(resource, note);
    for (reference, kind, query) in wanted {
        if names.contains_key(&reference) {
            continue;
        }
        ask.who.may(kind.name, Rights::SEARCH)?;
        let token = ask::criteria(&query, "reference")?;
        let id = write::matching(rest, kind, &token).await?.ok_or(Refused::NoMatch)?;
        names.insert(reference, format!("{}/{id}", kind.name));
    }
    Ok(())
}

/// What an entry brings.
enum Brought {
    /// Nothing: a deletion.
    Nothing,
    /// A resource.
    Draft(Draft),
    /// A change of parts.
    Patch(Patch),
}

/// Reads the resource of an entry with its references written out.
fn read(
    rest: &Rest,
    who: &Who,
    body: &Bytes,
    entry: &Entry,
    act: &Act,
    names: &Names,
) -> Result<(Brought, Vec<Issue>), Refused> {
    if act.verb == HttpVerb::Delete {
        return Ok((Brought::Nothing, Vec::new()));
    }
    let name = |reference: &str| names.get(reference).cloned();
    if act.verb == HttpVerb::Patch {
        return Ok((Brought::Patch(patch::of(entry, body, act.kind, name)?), Vec::new()));
    }
    let resource = entry.bytes(body)?;
    let rewritten = json::with_references(resource, name);
    let draft = Draft::new(act.kind, rewritten.unwrap_or_else(|| resource.to_vec()), &rest.own_bases)?;
    let id = act.id.as_deref().unwrap_or_default();
    if act.verb == HttpVerb::Put && !matches!(act.precondition, Precondition::Match(_)) {
        draft.check_id(id)?;
    }
    write::check_content(rest, who, act.kind, Some(id), &draft.body)?;
    let found = warnings(&draft.read.warnings);
    Ok((Brought::Draft(draft), found))
}

/// The write of an entry; none if there is nothing to be written.
async fn write(
    rest: &Rest,
    ask: &Ask<'_>,
    act: Act,
    brought: Brought,
    warnings: Vec<Issue>,
) -> Result<Option<Ready>, Refused> {
    let Act { index, verb, kind, id, precondition, .. } = act;
    let if_match = if let Precondition::Version(version) = precondition { Some(version) } else { None };
    let of = id.clone().unwrap_or_default();
    let mut amends = false;
    let write = match brought {
        Brought::Nothing => write::deletion(kind, id, precondition),
        Brought::Draft(draft) if kind.origin == Origin::Shared => {
            amends = if_match.is_none();
            write::amendment(rest, kind, &of, &draft.body, if_match, ask.now_us).await?.0
        }
        Brought::Draft(draft) => draft.into_write(id, precondition),
        Brought::Patch(patch) => {
            amends = if_match.is_none();
            match patching::write(rest, ask, kind, &of, &patch, if_match).await? {
                Some(write) => write,
                None => return Ok(None),
            }
        }
    };
    Ok(Some(Ready { index, verb, write, warnings, amends }))
}

/// Commits; none if something was created meanwhile that the transaction would create, or the service has written a Task
/// meanwhile that it changes.
async fn commit(rest: &Rest, ask: &Ask<'_>, ready: &mut [Ready]) -> Result<Option<Vec<Written>>, Refused> {
    let writes: Vec<Write> = ready.iter_mut().map(|r| take(r, ask)).collect();
    if writes.is_empty() {
        return Ok(Some(Vec::new()));
    }
    let unmatched: Vec<bool> =
        writes.iter().map(|w| matches!(w.precondition, Precondition::Unmatched(_))).collect();
    match rest.commit(ask.act, Batch { now_us: ask.now_us, writes, ..Batch::default() }).await {
        Ok(committed) => Ok(Some(committed.written)),
        Err(StoreError::Exists { index, .. }) if unmatched.get(index) == Some(&true) => Ok(None),
        Err(StoreError::VersionConflict { index, .. }) if ready.get(index).is_some_and(|r| r.amends) => {
            Ok(None)
        }
        Err(error) => {
            let index = write_of(&error).and_then(|at| ready.get(at)).map(|r| r.index);
            let refused = Refused::from(error);
            Err(match index {
                Some(index) => refused.of_entry(index),
                None => refused,
            })
        }
    }
}

/// The write, with its bytes left behind if they are wanted afterwards.
fn take(ready: &mut Ready, ask: &Ask<'_>) -> Write {
    let kept = if with_resource(ask, &ready.write.kind) { ready.write.body.clone() } else { None };
    let write = std::mem::take(&mut ready.write);
    ready.write.body = kept;
    write
}

/// What became of each entry, in the order of the Bundle.
async fn fates(
    edge: &Edge,
    ask: &Ask<'_>,
    entries: &[Entry],
    acts: &[Act],
    ready: Vec<Ready>,
    written: Vec<Written>,
) -> Result<Vec<Fate>, Refused> {
    let mut done: BTreeMap<usize, Fate> = BTreeMap::new();
    for (ready, written) in ready.into_iter().zip(written) {
        let resource = ready.write.body.map(|b| write::spliced(&b, &written)).transpose()?;
        done.insert(ready.index, Fate::Written { written, resource, warnings: ready.warnings });
    }
    for act in acts.iter().filter(|a| a.present) {
        let id = act.id.as_deref().unwrap_or_default();
        let there = edge.rest.store.document(act.kind.name, id).await?.ok_or(Refused::Failed)?;
        edge.rest.shows(ask.act, "read", [&there]).await?;
        let resource = if with_resource(ask, act.kind.name) { resource(&there)? } else { None };
        let written = Written {
            kind: act.kind.name.into(),
            id: there.id,
            version: there.version,
            seq: there.seq,
            updated_us: there.received_us,
            change: Change::Unchanged,
        };
        done.insert(act.index, Fate::Written { written, resource, warnings: Vec::new() });
    }
    for entry in entries {
        if let Some(request) =
            entry.request.as_ref().filter(|r| matches!(r.method, HttpVerb::Get | HttpVerb::Head))
        {
            let fate = get::get(edge, ask, request).await;
            done.insert(entry.index, fate.unwrap_or_else(|r| Fate::Refused(r.of_entry(entry.index))));
        }
    }
    Ok(done.into_values().collect())
}
