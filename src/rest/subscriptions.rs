//! Subscriptions: what is let in, and where one stands.

use axum::http::{Method, StatusCode};
use fhir_models::Subscription;
use fhir_models::codes::SubscriptionStatus;
use fhir_models::primitive::is_id;

use super::access::Who;
use super::answer::Answer;
use super::ask::{self, Ask};
use super::refused::Refused;
use super::{Outcome, Rest, search};
use crate::access::{Door, Rights};
use crate::store::{Batch, OutcomeRow};
use crate::translate::Refusal;
use crate::translate::subscription::notice::{self, Standing};
use crate::translate::subscription::{Progress, Subscriber, hook, mark, submitted, subscriber_mark};

/// Refuses a Subscription that cannot be served as it asks.
///
/// # Errors
/// All that is wrong with it; or, alone, that its endpoint may not be called, or that `who` asks for it may not read
/// what it would be told.
pub(super) fn check(rest: &Rest, who: &Who, body: &[u8]) -> Result<(), Refused> {
    let hook = hook(body).map_err(Refused::Subscription)?;
    let followed = search::followed(rest, &hook.criteria);
    let refusals: Vec<_> =
        submitted(&hook).err().into_iter().chain(followed.as_ref().err().cloned()).collect();
    if !refusals.is_empty() {
        return Err(Refused::Subscription(refusals));
    }
    if let Ok(followed) = followed {
        who.may(&followed.query.kind, Rights::READ.and(Rights::SEARCH))?;
    }
    match rest.subscribers.check(&hook.endpoint) {
        Ok(_) => Ok(()),
        Err(refused) => {
            let at = "Subscription.channel.endpoint".to_owned();
            Err(Refused::Security { at, why: refused.to_string() })
        }
    }
}

/// Has it stored who is told by the Subscriptions of a batch; of one that is turned off or deleted nothing remains of how
/// far that was: with what is written, so that no end of the process comes between.
pub(super) fn mark_subscribers(batch: &mut Batch, subscriber: &Subscriber) {
    for write in batch.writes.iter_mut().filter(|w| w.kind == "Subscription") {
        let body = write.body.as_ref();
        let status = write.outcome.as_ref().and_then(|o| o.status.as_deref());
        let ends = body.is_none() || status == Some(SubscriptionStatus::Off.as_str());
        // one is never found by an identifier: R4 has none for it
        let id = match (&write.id, body) {
            (Some(id), _) => id,
            (None, Some(_)) => write.id.insert(uuid::Uuid::new_v4().to_string()),
            (None, None) => continue,
        };
        let told = if body.is_none() { String::new() } else { subscriber.write() };
        batch.marks.push((subscriber_mark(id).into(), told));
        if ends {
            batch.marks.push((mark(id).into(), String::new()));
        }
    }
}

/// Refuses that somebody is told of a type who may not, or no longer, read it.
///
/// # Errors
/// Why not.
pub(super) fn permitted(
    door: Option<&Door>,
    subscriber: Option<&Subscriber>,
    kind: &str,
) -> Result<(), Refusal> {
    let Some(door) = door else { return Ok(()) };
    let refused = |why: String| Err(Refusal::new("Subscription", why));
    let Some(Subscriber { client: Some(client), issuer }) = subscriber else {
        return refused("nobody who is registered has written it: its client writes it again".to_owned());
    };
    let registry = door.registry();
    let scopes = match issuer {
        None => registry.clients.iter().find(|c| c.id == *client).map(|c| &c.scopes),
        Some(issuer) => registry.issuers.iter().find(|i| i.issuer == *issuer).map(|i| &i.scopes),
    };
    match scopes {
        None => refused("the client that wrote it is not registered any more".to_owned()),
        Some(scopes) if scopes.of(kind).hold(Rights::READ.and(Rights::SEARCH)) => Ok(()),
        Some(_) => refused(format!("the client that wrote it may not read {kind} any more")),
    }
}

/// What a Subscription is found by; none for other types.
pub(super) fn row(kind: &str, body: &[u8]) -> Option<OutcomeRow> {
    if kind != "Subscription" {
        return None;
    }
    let resource: Subscription = fhir_models::parse_scanned(body).ok()?;
    Some(OutcomeRow { status: resource.status.map(|s| s.to_string()), ..OutcomeRow::default() })
}

/// `GET` or `POST /fhir/Subscription/id/$status`.
pub(super) async fn status(rest: &Rest, ask: &Ask<'_>, id: &str) -> Outcome {
    if ask.method != Method::GET && ask.method != Method::POST {
        return Err(Refused::Method("GET, HEAD, POST"));
    }
    for (name, _) in ask::parameters(ask.query)? {
        // by the guide, `id` and `status` are for the level of the type and ignored here
        if !matches!(name.as_ref(), "id" | "status" | "_format" | "_pretty") {
            return Err(Refused::not_supported(name, "$status of one subscription takes no parameter"));
        }
    }
    if !is_id(id) {
        return Err(Refused::NotFound);
    }
    let document = rest.store.document("Subscription", id).await?.ok_or(Refused::NotFound)?;
    let body = document.body.ok_or(Refused::Gone)?;
    let hook = hook(&body).map_err(Refused::Subscription)?;
    let error = fhir_models::parse_scanned::<Subscription>(&body)?.error;
    let progress = rest.store.mark(&mark(id)).await?.as_deref().and_then(Progress::read);
    let events = progress.map_or(0, |p| p.events);
    let standing =
        Standing { error: error.as_deref(), ..Standing::of(&hook, ask.base, id, events, ask.now_us) };
    Ok(Answer::json(StatusCode::OK, notice::status(&standing)))
}
