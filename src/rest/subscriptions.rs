//! Subscriptions: what is let in, and where one stands.

use axum::http::{Method, StatusCode};
use fhir_models::Subscription;
use fhir_models::primitive::is_id;

use super::access::Who;
use super::answer::Answer;
use super::ask::{self, Ask};
use super::refused::Refused;
use super::{Outcome, Rest};
use crate::access::Rights;
use crate::store::OutcomeRow;
use crate::translate::subscription::notice::{self, Standing};
use crate::translate::subscription::{Progress, hook, mark, submitted};

/// Refuses a Subscription that cannot be served as it asks.
///
/// # Errors
/// All that is wrong with it; or, alone, that its endpoint may not be called, or that `who` asks for it may not read
/// what it would be told.
pub(super) fn check(rest: &Rest, who: &Who, body: &[u8]) -> Result<(), Refused> {
    let hook = hook(body).map_err(Refused::Subscription)?;
    let followed = rest.followed(&hook.criteria);
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
