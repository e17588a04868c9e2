//! `$events` of a subscription: what it was told under numbers, told again to whoever lost some of it.

use axum::body::Body;
use axum::http::StatusCode;
use fhir_models::Subscription;
use fhir_models::primitive::is_id;

use super::given::{Given, Parameter};
use crate::access::Rights;
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;
use crate::rest::{Outcome, Rest, read};
use crate::translate::subscription::notice::{self, Standing};
use crate::translate::subscription::{
    Content, EVENTS_KEPT, Event, Level, Pending, Progress, event_mark, event_of, hook, mark,
};

/// `GET` or `POST /fhir/Subscription/id/$events`: the numbers asked for, as far as they are kept.
pub(super) async fn events(edge: &Edge, ask: &Ask<'_>, id: &str, body: Body) -> Outcome {
    let rest = &edge.rest;
    let given = Given::read(edge, ask, body).await?;
    given.no_resource()?;
    let (mut from, mut to, mut level) = (1, u64::MAX, None);
    for parameter in &given.parameters {
        match parameter.name.as_str() {
            "eventsSinceNumber" => from = number(parameter)?,
            "eventsUntilNumber" => to = number(parameter)?,
            "content" => level = Some(content(parameter)?),
            _ => return parameter.unknown(),
        }
    }
    if !is_id(id) {
        return Err(Refused::NotFound);
    }
    let document = rest.store.document("Subscription", id).await?.ok_or(Refused::NotFound)?;
    let body = document.body.ok_or(Refused::Gone)?;
    let hook = hook(&body).map_err(Refused::Subscription)?;
    let kind = hook.criteria.split('?').next().unwrap_or_default();
    ask.who.may(kind, Rights::READ.and(Rights::SEARCH))?;
    let error = fhir_models::parse_scanned::<Subscription>(&body)?.error;
    let progress = rest.store.mark(&mark(id)).await?.as_deref().and_then(Progress::read);
    let last = progress.map_or(0, |p| p.events);
    // the first that is kept, and that was asked for
    let from = from.max(1).max((last + 1).saturating_sub(EVENTS_KEPT));
    let pending = Pending { first: from, events: stored(rest, id, from, to.min(last)).await? };
    let level = level.unwrap_or(match hook.content {
        Content::Notice(level) => level,
        Content::Call | Content::Resource => Level::IdOnly,
    });
    let resources = resources(rest, ask, level, &pending).await?;
    let standing =
        Standing { error: error.as_deref(), ..Standing::of(&hook, ask.base, id, last, ask.now_us) };
    Ok(Answer::json(StatusCode::OK, notice::asked(&standing, level, &pending, resources)))
}

fn number(parameter: &Parameter) -> Result<u64, Refused> {
    let why = || Refused::value(&parameter.name, "expected the number of an event");
    parameter.text()?.parse().map_err(|_| why())
}

fn content(parameter: &Parameter) -> Result<Level, Refused> {
    match parameter.text()? {
        "empty" => Ok(Level::Empty),
        "id-only" => Ok(Level::IdOnly),
        "full-resource" => Ok(Level::FullResource),
        _ => Err(Refused::value(&parameter.name, "expected empty, id-only or full-resource")),
    }
}

/// The events of these numbers, up to the first that is not there.
async fn stored(rest: &Rest, id: &str, from: u64, to: u64) -> Result<Vec<Event>, Refused> {
    let mut events = Vec::new();
    for number in from..=to {
        let text = rest.store.mark(&event_mark(id, number)).await?;
        let Some(event) = text.and_then(|text| event_of(number, &text)) else { break };
        events.push(event);
    }
    Ok(events)
}

/// The resources as they were when they were told of, if they are wanted.
async fn resources(
    rest: &Rest,
    ask: &Ask<'_>,
    level: Level,
    pending: &Pending,
) -> Result<Vec<Option<Vec<u8>>>, Refused> {
    let mut resources = Vec::new();
    if level == Level::Empty {
        return Ok(resources);
    }
    for event in &pending.events {
        let document = rest.store.version(&event.kind, &event.id, event.version).await?;
        let mut resource = None;
        if let Some(document) = document {
            rest.shows(ask.act, "operation", [&document]).await?;
            if level == Level::FullResource {
                resource = read::resource(&document)?;
            }
        }
        resources.push(resource);
    }
    Ok(resources)
}
