//! Notifications as the backport guide has them: a Bundle of type `history` whose first entry says where the
//! subscription stands.
//!
//! Names are in kebab-case and counters are strings. Every entry has a request and a response, for R4 requires that of
//! a history (bdl-3, bdl-4), and the guide's own examples have them in the first entry only.

use fhir_models::codes::{BundleType, HttpVerb, SearchEntryMode, SubscriptionStatus};
use fhir_models::datatypes::{CodeableConcept, Meta, Reference, Value};
use fhir_models::primitive::InstantTime;
use fhir_models::resources::bundle::{
    BundleEntry, BundleEntryRequest, BundleEntryResponse, BundleEntrySearch,
};
use fhir_models::resources::parameters::ParametersParameter;
use fhir_models::{Bundle, Parameters, RawResource, Resource};
use uuid::Uuid;

use super::hook::Level;
use super::progress::{Event, Pending};
use super::{GUIDE, Hook};

/// Namespace of the ids of what is said about a subscription.
const NAMESPACE: Uuid = Uuid::from_u128(0x3d6b_04f5_8a0e_5f0b_9b5c_51c0_7e2a_66d3);

/// Where a subscription stands.
#[derive(Clone, Copy, Debug)]
pub struct Standing<'a> {
    /// The address of `/fhir`, without a final slash.
    pub base: &'a str,
    /// Logical id.
    pub id: &'a str,
    /// Its status.
    pub status: SubscriptionStatus,
    /// Its topic, where that is what was asked for.
    pub topic: Option<&'a str>,
    /// What went wrong last.
    pub error: Option<&'a str>,
    /// Events since it began.
    pub events: u64,
    /// Now, in microseconds.
    pub now_us: i64,
}

impl<'a> Standing<'a> {
    /// Of a subscription that asks for `hook`.
    pub fn of(hook: &'a Hook, base: &'a str, id: &'a str, events: u64, now_us: i64) -> Self {
        let topic = hook.topic.as_deref();
        Standing { base, id, status: hook.status, topic, error: None, events, now_us }
    }
}

/// The answer to `$status`.
pub fn status(standing: &Standing<'_>) -> Vec<u8> {
    let entry = BundleEntry {
        full_url: Some(urn(standing, "query-status")),
        resource: parameters(standing, "query-status", Vec::new()),
        search: Some(BundleEntrySearch {
            mode: Some(SearchEntryMode::Match),
            ..BundleEntrySearch::default()
        }),
        ..BundleEntry::default()
    };
    let bundle = Bundle {
        r#type: Some(BundleType::Searchset),
        total: Some(1),
        entry: vec![entry],
        ..Bundle::default()
    };
    bundle.write()
}

/// That the channel works: sent before a subscription becomes active.
pub fn handshake(standing: &Standing<'_>) -> Vec<u8> {
    history(standing, vec![first(standing, "handshake", Vec::new())])
}

/// That there is nothing to tell.
pub fn heartbeat(standing: &Standing<'_>) -> Vec<u8> {
    history(standing, vec![first(standing, "heartbeat", Vec::new())])
}

/// What happened. `resources` are those of the events as they are served, for [`Level::FullResource`]; one that is no
/// longer to be had is left out, and its event stays.
pub fn events(
    standing: &Standing<'_>,
    level: Level,
    pending: &Pending,
    resources: Vec<Option<Vec<u8>>>,
) -> Vec<u8> {
    told(standing, "event-notification", level, pending, resources)
}

/// The answer to `$events`: as [`events`] were told.
pub fn asked(
    standing: &Standing<'_>,
    level: Level,
    pending: &Pending,
    resources: Vec<Option<Vec<u8>>>,
) -> Vec<u8> {
    told(standing, "query-event", level, pending, resources)
}

fn told(
    standing: &Standing<'_>,
    what: &str,
    level: Level,
    pending: &Pending,
    mut resources: Vec<Option<Vec<u8>>>,
) -> Vec<u8> {
    let parts = pending.numbered().map(|(number, event)| part(standing, level, number, event)).collect();
    let mut entries = vec![first(standing, what, parts)];
    if level != Level::Empty {
        resources.resize(pending.events.len(), None);
        let entry = |(event, resource): (&Event, Option<Vec<u8>>)| about(standing, event, resource);
        entries.extend(pending.events.iter().zip(resources).map(entry));
    }
    history(standing, entries)
}

fn history(standing: &Standing<'_>, entry: Vec<BundleEntry>) -> Vec<u8> {
    let bundle = Bundle {
        meta: profiled("backport-subscription-notification-r4"),
        r#type: Some(BundleType::History),
        timestamp: InstantTime::from_us(standing.now_us),
        entry,
        ..Bundle::default()
    };
    bundle.write()
}

fn profiled(profile: &str) -> Option<Meta> {
    Some(Meta { profile: vec![format!("{GUIDE}/{profile}")], ..Meta::default() })
}

fn urn(standing: &Standing<'_>, what: &str) -> String {
    let about = format!("{}/{what}/{}/{}", standing.id, standing.events, standing.now_us);
    Uuid::new_v5(&NAMESPACE, about.as_bytes()).urn().to_string()
}

/// The entry that says where the subscription stands.
fn first(standing: &Standing<'_>, what: &str, events: Vec<ParametersParameter>) -> BundleEntry {
    let url = format!("{}/Subscription/{}/$status", standing.base, standing.id);
    BundleEntry {
        full_url: Some(urn(standing, what)),
        resource: parameters(standing, what, events),
        request: Some(BundleEntryRequest::new(HttpVerb::Get, url)),
        response: Some(BundleEntryResponse { status: "200".to_owned(), ..BundleEntryResponse::default() }),
        ..BundleEntry::default()
    }
}

fn parameters(standing: &Standing<'_>, what: &str, events: Vec<ParametersParameter>) -> Option<RawResource> {
    let subscription = format!("{}/Subscription/{}", standing.base, standing.id);
    let mut parameter = vec![parameter("subscription", Value::Reference(reference(subscription)))];
    parameter.extend(standing.topic.map(|t| self::parameter("topic", Value::Canonical(t.to_owned()))));
    parameter.push(self::parameter("status", Value::Code(standing.status.to_string())));
    parameter.push(self::parameter("type", Value::Code(what.to_owned())));
    let count = Value::String(standing.events.to_string());
    parameter.push(self::parameter("events-since-subscription-start", count));
    parameter.extend(events);
    parameter.extend(standing.error.map(|error| {
        let said = CodeableConcept { text: Some(error.to_owned()), ..CodeableConcept::default() };
        self::parameter("error", Value::CodeableConcept(said))
    }));
    let meta = profiled("backport-subscription-status-r4");
    RawResource::of(&Parameters { meta, parameter, ..Parameters::default() })
}

fn parameter(name: &str, value: Value) -> ParametersParameter {
    ParametersParameter {
        name: name.to_owned(),
        value: Some(Box::new(value)),
        ..ParametersParameter::default()
    }
}

fn reference(to: String) -> Reference {
    Reference { reference: Some(to), ..Reference::default() }
}

/// An event in the entry that says where the subscription stands.
fn part(standing: &Standing<'_>, level: Level, number: u64, event: &Event) -> ParametersParameter {
    let mut part = vec![parameter("event-number", Value::String(number.to_string()))];
    part.extend(InstantTime::from_us(event.at_us).map(|at| parameter("timestamp", Value::Instant(at))));
    if level != Level::Empty {
        part.push(parameter("focus", Value::Reference(reference(address(standing, event)))));
    }
    ParametersParameter { name: "notification-event".to_owned(), part, ..ParametersParameter::default() }
}

fn address(standing: &Standing<'_>, event: &Event) -> String {
    format!("{}/{}/{}", standing.base, event.kind, event.id)
}

/// The entry of an event.
fn about(standing: &Standing<'_>, event: &Event, resource: Option<Vec<u8>>) -> BundleEntry {
    let text = resource.and_then(|bytes| String::from_utf8(bytes).ok());
    let created = event.version == 1;
    let request = BundleEntryRequest::new(HttpVerb::Put, format!("{}/{}", event.kind, event.id));
    let response = BundleEntryResponse {
        status: if created { "201" } else { "200" }.to_owned(),
        etag: Some(format!("W/\"{}\"", event.version)),
        last_modified: InstantTime::from_us(event.at_us),
        location: created.then(|| format!("{}/_history/1", address(standing, event))),
        ..BundleEntryResponse::default()
    };
    BundleEntry {
        full_url: Some(address(standing, event)),
        resource: text.and_then(|text| RawResource::from_json(text).ok()),
        request: Some(request),
        response: Some(response),
        ..BundleEntry::default()
    }
}
