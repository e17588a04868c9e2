//! Dead letters, of what was fetched and of what was to be written elsewhere: listed, shown, handed over again, dropped.
//! Whoever may speak for a source, or write what a letter is about, sees to it.

use axum::body::Body;
use axum::http::header::HeaderValue;
use axum::http::request::Parts;
use axum::http::{Method, Request, StatusCode};
use fhir_models::primitive::is_id;
use serde_json::{Value, json};

use super::access::{self, Who};
use super::answer::Answer;
use super::audit::Act;
use super::edge::{self, Edge};
use super::refused::Refused;
use super::{Outcome, ask, limits, types};
use crate::access::{Holder, Known, Rights, Scopes};
use crate::care::time::Instant;
use crate::store::{Batch, Letter, LetterQuery, Parcel, Step, Way};

const JSON: &str = "application/json; charset=utf-8";

/// Answers what is asked below `/feed/letters`.
pub(super) async fn answer(
    edge: &Edge,
    parts: &Parts,
    id: &HeaderValue,
    act: &Act,
    path: &[&str],
) -> Outcome {
    let who = access::who(edge, parts).await?;
    act.of(&who);
    match (path, &parts.method) {
        ([], &Method::GET | &Method::HEAD) => {
            act.is("search-type");
            list(edge, parts, &who).await
        }
        ([], _) => Err(Refused::Method("GET, HEAD")),
        ([number], &Method::GET | &Method::HEAD) => {
            act.is("read");
            let letter = found(edge, &who, number).await?;
            Ok(json_of(&whole(&letter)))
        }
        ([number], &Method::DELETE) => {
            act.is("delete");
            let letter = found(edge, &who, number).await?;
            settle(edge, letter).await
        }
        ([_], _) => Err(Refused::Method("GET, HEAD, DELETE")),
        ([number, "replay"], &Method::POST) => {
            act.is("update");
            let letter = found(edge, &who, number).await?;
            replay(edge, id, letter).await
        }
        ([_, "replay"], _) => Err(Refused::Method("POST")),
        _ => Err(Refused::NotFound),
    }
}

/// `GET /feed/letters?way=…&place=…&after=…`: a page of them, oldest first.
async fn list(edge: &Edge, parts: &Parts, who: &Who) -> Outcome {
    let mut query = LetterQuery { limit: limits::PAGE_ROWS_MAX, ..LetterQuery::default() };
    for (name, value) in ask::parameters(parts.uri.query().unwrap_or_default())? {
        match &*name {
            "way" if value == "in" => query.way = Some(Way::In),
            "way" if value == "out" => query.way = Some(Way::Out),
            "place" => query.place = Some(value.into_owned()),
            "after" => {
                let after =
                    value.parse().map_err(|_| Refused::value("after", "expected a letter's number"))?;
                query.after = after;
            }
            other => return Err(Refused::value(other, "expected way=in or out, place, or after")),
        }
    }
    let found = edge.rest.store.letters(query).await?;
    let full = found.len() == limits::PAGE_ROWS_MAX;
    let last = found.last().map(|letter| letter.number).filter(|_| full);
    let shown = found.iter().filter(|letter| may_see_to(who, letter));
    let letters: Vec<Value> = shown.map(summary).collect();
    Ok(json_of(&json!({ "letters": letters, "after": last })))
}

/// The letter with a number, for whoever may see it; for others there is none.
async fn found(edge: &Edge, who: &Who, number: &str) -> Result<Letter, Refused> {
    let number = number.parse().map_err(|_| Refused::NotFound)?;
    let letter = edge.rest.store.letter(number).await?.ok_or(Refused::NotFound)?;
    if may_see_to(who, &letter) { Ok(letter) } else { Err(Refused::NotFound) }
}

/// Whether somebody may look at a letter and decide: whoever may speak for where it came from, or write what it is about.
fn may_see_to(who: &Who, letter: &Letter) -> bool {
    let kind = letter.about.name.split_once('/').map(|(kind, _)| kind);
    let writes = kind.is_some_and(|kind| who.may(kind, Rights::CREATE.and(Rights::UPDATE)).is_ok());
    writes || who.may_speak_for(&letter.about.place).is_ok()
}

fn summary(letter: &Letter) -> Value {
    let at = |us: i64| Instant::from_micros(us).to_string();
    json!({
        "number": letter.number,
        "way": letter.about.way.code(),
        "place": letter.about.place,
        "name": letter.about.name,
        "why": letter.why,
        "first": at(letter.first_us),
        "last": at(letter.last_us),
        "tries": letter.tries,
    })
}

/// With what was to be taken in, as a text: it may be no JSON.
fn whole(letter: &Letter) -> Value {
    let mut shown = summary(letter);
    if let (Some(body), Some(members)) = (&letter.body, shown.as_object_mut()) {
        members.insert("body".to_owned(), String::from_utf8_lossy(body).into());
    }
    shown
}

fn json_of(value: &Value) -> Answer {
    Answer { media: JSON, ..Answer::json(StatusCode::OK, value.to_string()) }
}

async fn settle(edge: &Edge, letter: Letter) -> Outcome {
    let now_us = edge.rest.clock.now().micros();
    let settled = vec![letter.about];
    edge.rest.store.commit(Batch { now_us, settled, ..Batch::default() }).await?;
    Ok(Answer::empty(StatusCode::NO_CONTENT))
}

/// Has a document written again to the server that did not take it.
async fn send_again(edge: &Edge, letter: Letter) -> Outcome {
    let store = &edge.rest.store;
    let (kind, id) = letter.about.name.split_once('/').ok_or(Refused::NotFound)?;
    let parcel = Parcel { place: letter.about.place.clone(), kind: kind.to_owned(), id: id.to_owned() };
    let (Some(delivery), Some(document)) = (store.delivery(&parcel).await?, store.document(kind, id).await?)
    else {
        return Err(Refused::NotFound);
    };
    let now_us = edge.rest.clock.now().micros();
    let deliveries = vec![(parcel, Step::Wanted { lane: delivery.lane, seq: document.seq })];
    let settled = vec![letter.about];
    store.commit(Batch { now_us, deliveries, settled, ..Batch::default() }).await?;
    Ok(Answer::empty(StatusCode::NO_CONTENT))
}

/// Hands a letter over again, as it came: for when maps, types or this program have changed since.
async fn replay(edge: &Edge, id: &HeaderValue, letter: Letter) -> Outcome {
    if letter.about.way == Way::Out {
        return send_again(edge, letter).await;
    }
    let named =
        letter.about.name.split_once('/').filter(|(kind, id)| types::kind(kind).is_some() && is_id(id));
    let (Some((kind, logical_id)), Some(body)) = (named, letter.body.clone()) else {
        let why = "it has no type and id under which it could be stored: mend it at its source, then drop it";
        return Err(Refused::NotSupported { at: "letter".to_owned(), why: why.to_owned() });
    };
    let there = edge.rest.store.document(kind, logical_id).await?;
    if there.is_some_and(|document| document.received_us > letter.last_us) {
        let why = "a version of it has come since: drop the letter";
        return Err(Refused::Contradiction { at: "letter".to_owned(), why: why.to_owned() });
    }
    let scopes = Scopes::read("system/*.cruds").unwrap_or_default();
    let holder = Holder::of_source(&letter.about.place, scopes);
    let request = Request::builder()
        .method(Method::PUT)
        .uri(format!("/fhir/{kind}/{logical_id}"))
        .header("content-type", "application/fhir+json")
        .extension(Known(holder))
        .body(())
        .map_err(|_| Refused::NotFound)?;
    let (parts, ()) = request.into_parts();
    let below = format!("/{kind}/{logical_id}");
    edge::again(edge, &parts, id, &below, Body::from(body)).await?;
    settle(edge, letter).await
}
