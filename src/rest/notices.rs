//! `POST /feed/{source}/notify`, and what a rest-hook puts below it: a source tells by itself.

use axum::body::Body;
use axum::http::StatusCode;
use axum::http::request::Parts;

use super::Outcome;
use super::access::{self, Who};
use super::answer::Answer;
use super::audit::Act;
use super::body::Takes;
use super::edge::Edge;
use super::refused::{Refused, Unknown};
use crate::access::{Holder, Scopes};
use crate::feed::NotTaken;

/// Takes a notification in; success means that it is stored.
pub(super) async fn take(edge: &Edge, parts: &Parts, act: &Act, source: &str, body: Body) -> Outcome {
    let rest = &edge.rest;
    if !rest.notices.takes(source) {
        return Err(Refused::NotFound);
    }
    let sent = access::bearer(parts);
    match sent.as_ref().ok().and_then(|secret| rest.notices.opens(source, secret)) {
        Some(true) => {
            act.of(&Who::Holder(Holder::of_source(source, Scopes::default())));
        }
        Some(false) => return Err(Refused::Unknown(Unknown::Invalid)),
        // it has a secret of its own, and nothing was brought
        None if rest.notices.opens(source, "").is_some() => {
            return Err(Refused::Unknown(Unknown::NoToken));
        }
        None => {
            let who = access::who(edge, parts).await?;
            act.of(&who);
            who.may_speak_for(source)?;
        }
    }
    act.is("update");
    let held = edge.budget.receive(&parts.headers, body, Takes::MaybeJson).await?;
    match rest.notices.take(source, &held.bytes).await {
        Ok(_) => Ok(Answer::empty(StatusCode::NO_CONTENT)),
        Err(NotTaken::Wrong(why)) => Err(Refused::value("Bundle", why)),
        Err(NotTaken::Later(why)) => {
            tracing::warn!(source, why, "a notification could not be taken in, and has to be sent again");
            Err(Refused::Unavailable)
        }
    }
}
