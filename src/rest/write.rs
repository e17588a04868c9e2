//! Creating, replacing and deleting one document.

use axum::http::header::{ETAG, LAST_MODIFIED, LOCATION};
use axum::http::{Method, StatusCode};
use fhir_models::primitive::is_id;
use fhir_models::{IssueKind, ParseError, json as fhir_json};

use super::access::Who;
use super::answer::Answer;
use super::ask::{self, Ask, Return};
use super::body::Held;
use super::refused::{Issue, Refused, all_well, outcome, warnings};
use super::types::{Effect, Kind, Origin};
use super::{Outcome, Rest, json, limits, subscriptions, text};
use crate::access::Rights;
use crate::care::time::Instant;
use crate::stays::outcome_row;
use crate::store::{
    Batch, Change, Committed, Document, Identifier, Precondition, StoreError, Token, Write, Written,
};
use crate::translate::document::{self, Bases, Read};
use crate::translate::{outcomes, protocol};

/// A document that was read and may be stored.
pub(super) struct Draft {
    /// Its type.
    pub(super) kind: &'static Kind,
    /// Its bytes.
    pub(super) body: Vec<u8>,
    /// What it says of itself.
    pub(super) read: Read,
}

impl Draft {
    /// Reads a document at the door.
    ///
    /// # Errors
    /// What R4 or this service refuses.
    pub(super) fn new(kind: &'static Kind, body: Vec<u8>, bases: &Bases) -> Result<Self, Refused> {
        let read = document::read(kind.name, &body, bases)?;
        Ok(Draft { kind, body, read })
    }

    /// The id that the document says it has.
    ///
    /// # Errors
    /// None, one that is not `id`, or no id at all.
    pub(super) fn check_id(&self, id: &str) -> Result<(), Refused> {
        let at = || format!("{}.id", self.kind.name);
        match json::id_of(&self.body) {
            Some(said) if said == id => Ok(()),
            Some(_) => {
                Err(ParseError::new(IssueKind::Invariant, at(), "expected the id in the address").into())
            }
            None => Err(ParseError::new(IssueKind::Required, at(), "what is replaced says its id").into()),
        }
    }

    /// As it is stored: `id` none for a new one.
    pub(super) fn into_write(self, id: Option<String>, precondition: Precondition) -> Write {
        // a Patient is about itself, under the id that it is stored as
        let itself = self.kind.name == "Patient";
        let patient = self.read.links.patient.filter(|_| !itself);
        let encounter = self.read.links.encounter;
        let linked = itself || patient.is_some() || encounter.is_some();
        let unlinked = match self.kind.effect {
            Effect::Patient if !linked => {
                Some("it names no patient and no encounter of this server".to_owned())
            }
            Effect::Patient | Effect::Readers | Effect::Rules => None,
        };
        let identifiers =
            self.read.identifiers.into_iter().map(|(system, value)| Identifier { system, value }).collect();
        let outcome = subscriptions::row(self.kind.name, &self.body);
        Write {
            kind: self.kind.name.into(),
            id,
            body: Some(self.body),
            precondition,
            patient,
            encounter,
            identifiers,
            outcome,
            unlinked,
            dirty: true,
            touches: Vec::new(),
        }
    }
}

/// A deletion.
pub(super) fn deletion(kind: &'static Kind, id: Option<String>, precondition: Precondition) -> Write {
    Write { kind: kind.name.into(), id, precondition, dirty: true, ..Write::default() }
}

/// Refuses a PlanDefinition that cannot be honoured and a Subscription that cannot be served, with all that is wrong
/// with it.
pub(super) fn check_content(
    rest: &Rest,
    who: &Who,
    kind: &Kind,
    id: Option<&str>,
    body: &[u8],
) -> Result<(), Refused> {
    match kind.name {
        "PlanDefinition" => {
            let site = rest.stays.site();
            protocol::protocol(id.unwrap_or("new"), body, &site.codes).map(|_| ()).map_err(Refused::Plan)
        }
        "Subscription" => subscriptions::check(rest, who, body),
        _ => Ok(()),
    }
}

/// Refuses what can be the id of no document.
///
/// # Errors
/// `Value`.
pub(super) fn check_id(id: &str) -> Result<(), Refused> {
    if is_id(id) {
        return Ok(());
    }
    Err(Refused::value("id", "expected 1 to 64 of A-Z a-z 0-9 - . as an id"))
}

/// `POST /fhir/Type`.
pub(super) async fn create(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, held: Held) -> Outcome {
    let precondition = ask.if_none_exist()?.map_or(Precondition::None, Precondition::IfNoneExist);
    let draft = Draft::new(kind, held.bytes.to_vec(), &rest.own_bases)?;
    check_content(rest, ask.who, kind, None, &draft.body)?;
    store(rest, ask, draft, None, precondition, &held).await
}

/// `PUT /fhir/Type/id`.
pub(super) async fn update(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, id: &str, held: Held) -> Outcome {
    let if_match = ask.if_match()?;
    let draft = Draft::new(kind, held.bytes.to_vec(), &rest.own_bases)?;
    draft.check_id(id)?;
    if kind.origin == Origin::Shared {
        let (written, body) = amend(rest, ask, kind, id, &draft.body, if_match).await?;
        return answer(rest, ask, kind, &written, Some(&body), &draft.read.warnings).await;
    }
    check_content(rest, ask.who, kind, Some(id), &draft.body)?;
    let precondition = if_match.map_or(Precondition::None, Precondition::Version);
    store(rest, ask, draft, Some(id.to_owned()), precondition, &held).await
}

/// `PUT /fhir/Type?identifier=system|value`.
pub(super) async fn conditional_update(
    rest: &Rest,
    ask: &Ask<'_>,
    kind: &'static Kind,
    held: Held,
) -> Outcome {
    let token = ask::criteria(ask.query, "identifier")?;
    let draft = Draft::new(kind, held.bytes.to_vec(), &rest.own_bases)?;
    let id = json::id_of(&draft.body).map(std::borrow::Cow::into_owned);
    if let Some(id) = &id {
        check_id(id)?;
    }
    check_content(rest, ask.who, kind, id.as_deref(), &draft.body)?;
    store(rest, ask, draft, id, Precondition::Match(token), &held).await
}

/// The id of the one document of a type that has an identifier.
///
/// # Errors
/// `MultipleMatches`.
pub(super) async fn matching(rest: &Rest, kind: &Kind, token: &Token) -> Result<Option<String>, Refused> {
    let mut found = rest.store.by_identifier(kind.name, token).await?.into_iter();
    match (found.next(), found.next()) {
        (first, None) => Ok(first),
        _ => Err(Refused::MultipleMatches),
    }
}

async fn store(
    rest: &Rest,
    ask: &Ask<'_>,
    mut draft: Draft,
    id: Option<String>,
    precondition: Precondition,
    held: &Held,
) -> Outcome {
    let kind = draft.kind;
    let found = std::mem::take(&mut draft.read.warnings);
    let conditional = matches!(precondition, Precondition::IfNoneExist(_));
    let write = draft.into_write(id, precondition);
    let committed =
        rest.commit(ask.act, Batch { now_us: ask.now_us, writes: vec![write], ..Batch::default() }).await?;
    let written = first(committed)?;
    // what was there already may have other bytes than what was sent
    let sent = (!(conditional && written.change == Change::Unchanged)).then_some(held.bytes.as_ref());
    answer(rest, ask, kind, &written, sent, &found).await
}

/// `DELETE /fhir/Type/id`.
pub(super) async fn delete(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, id: &str) -> Outcome {
    check_id(id)?;
    let precondition = ask.if_match()?.map_or(Precondition::None, Precondition::Version);
    remove(rest, ask, deletion(kind, Some(id.to_owned()), precondition)).await
}

/// `DELETE /fhir/Type?identifier=system|value`.
pub(super) async fn conditional_delete(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind) -> Outcome {
    let token = ask::criteria(ask.query, "identifier")?;
    remove(rest, ask, deletion(kind, None, Precondition::Match(token))).await
}

async fn remove(rest: &Rest, ask: &Ask<'_>, write: Write) -> Outcome {
    let committed =
        rest.commit(ask.act, Batch { now_us: ask.now_us, writes: vec![write], ..Batch::default() }).await?;
    let written = first(committed)?;
    let answer = Answer::empty(StatusCode::NO_CONTENT);
    Ok(if written.version == 0 { answer } else { answer.with(ETAG, text::etag(written.version)) })
}

pub(super) fn first(committed: Committed) -> Result<Written, Refused> {
    committed.written.into_iter().next().ok_or(Refused::Failed)
}

/// Puts what a person says on a Task into the current one. Returns what was written, and its bytes.
///
/// # Errors
/// There is no such Task; it is not at the version given; what is said cannot be said.
pub(super) async fn amend(
    rest: &Rest,
    ask: &Ask<'_>,
    kind: &'static Kind,
    id: &str,
    sent: &[u8],
    if_match: Option<u64>,
) -> Result<(Written, Vec<u8>), Refused> {
    for _ in 0..limits::RETRIES {
        let (write, body) = amendment(rest, kind, id, sent, if_match, ask.now_us).await?;
        match rest
            .commit(ask.act, Batch { now_us: ask.now_us, writes: vec![write], ..Batch::default() })
            .await
        {
            Ok(committed) => return Ok((first(committed)?, body)),
            // the service has written meanwhile: what the person says is put into that
            Err(StoreError::VersionConflict { .. }) if if_match.is_none() => {}
            Err(error) => return Err(error.into()),
        }
    }
    Err(Refused::Overtaken)
}

/// The write that puts what a person says on a Task into the current one, and its bytes.
pub(super) async fn amendment(
    rest: &Rest,
    kind: &'static Kind,
    id: &str,
    sent: &[u8],
    if_match: Option<u64>,
    now_us: i64,
) -> Result<(Write, Vec<u8>), Refused> {
    let current = rest.store.document(kind.name, id).await?;
    let Some(Document { body: Some(current_body), version, patient, encounter, .. }) = current else {
        return Err(if current.is_some() { Refused::Gone } else { Refused::NotFound });
    };
    if if_match.is_some_and(|wanted| wanted != version) {
        return Err(Refused::Overtaken);
    }
    let body = outcomes::by_hand(&current_body, sent, Instant::from_micros(now_us))?;
    let read = document::read(kind.name, &body, &rest.own_bases)?;
    let write = Write {
        kind: kind.name.into(),
        id: Some(id.to_owned()),
        body: Some(body.clone()),
        precondition: Precondition::Version(version),
        patient: patient.or(read.links.patient),
        encounter: encounter.or(read.links.encounter),
        identifiers: read
            .identifiers
            .into_iter()
            .map(|(system, value)| Identifier { system, value })
            .collect(),
        outcome: outcomes::row(kind.name, &body).map(outcome_row),
        dirty: true,
        ..Write::default()
    };
    Ok((write, body))
}

/// The answer to a create, an update or a patch: `body` are the bytes that are stored, if they are at hand.
pub(super) async fn answer(
    rest: &Rest,
    ask: &Ask<'_>,
    kind: &'static Kind,
    written: &Written,
    body: Option<&[u8]>,
    found: &[ParseError],
) -> Outcome {
    let status = if written.change == Change::Created { StatusCode::CREATED } else { StatusCode::OK };
    let readable = ask.who.may(kind.name, Rights::READ).is_ok();
    let body = match ask.returning(Return::Representation) {
        // to be allowed to write it is not to be allowed to see what it has become
        Return::Representation if !readable => Vec::new(),
        Return::Minimal => String::new().into_bytes(),
        Return::Outcome => said_well(found).into_bytes(),
        Return::Representation => match body {
            Some(body) => spliced(body, written)?,
            None => match rest.store.document(kind.name, &written.id).await? {
                Some(Document { body: Some(body), .. }) => spliced(&body, written)?,
                _ => Vec::new(),
            },
        },
    };
    let answer = Answer::json(status, body)
        .with(ETAG, text::etag(written.version))
        .with(LAST_MODIFIED, text::http_date(written.updated_us));
    let located = ask.method == Method::POST || written.change == Change::Created;
    Ok(if located { answer.with(LOCATION, location(ask.base, written)) } else { answer })
}

/// What is said of a document that was let in.
pub(super) fn said_well(found: &[ParseError]) -> String {
    let issues: Vec<Issue> = warnings(found);
    if issues.is_empty() { all_well() } else { outcome(&issues) }
}

fn location(base: &str, written: &Written) -> String {
    format!("{base}/{}/{}/_history/{}", written.kind, written.id, written.version)
}

/// Stored bytes with the id and meta of what was written.
pub(super) fn spliced(body: &[u8], written: &Written) -> Result<Vec<u8>, Refused> {
    let (version, updated) = (written.version.to_string(), text::instant(written.updated_us));
    Ok(fhir_json::with_id_and_meta(body, &written.id, &version, &updated)?)
}

/// The token of a conditional create in a header or an entry.
pub(super) fn none_exist(criteria: Option<&str>) -> Result<Option<Token>, Refused> {
    criteria.map(|c| ask::criteria(c, "request.ifNoneExist")).transpose()
}
