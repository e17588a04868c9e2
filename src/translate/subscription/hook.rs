//! What a Subscription asks for.

use fhir_models::codes::{SubscriptionChannelType, SubscriptionStatus};
use fhir_models::datatypes::{Extension, Value};
use fhir_models::{IssueKind, ParseError, Subscription, json};

use super::{GUIDE, TOPICS, topic};
use crate::translate::Refusal;

/// The only media type that is sent.
const PAYLOAD: &str = "application/fhir+json";

/// Lines of header that are sent along, and the bytes of each: a token and what names the tenant.
const HEADERS: usize = 16;
const HEADER_BYTES: usize = 4_096;

/// Events in one Bundle, whatever the subscriber would take: they are sent again together if it takes none.
const EVENTS: usize = 32;

/// Seconds within which a subscriber answers, at most.
const TIMEOUT_S: u32 = 30;

/// The shortest heartbeat, in seconds: more often it tells nothing that the network does not.
const HEARTBEAT_S: u32 = 10;

/// Headers that belong to the connection or the message, which a subscriber does not set.
const NOT_THEIRS: &[&str] = &[
    "host",
    "connection",
    "content-length",
    "content-type",
    "content-encoding",
    "transfer-encoding",
    "te",
    "trailer",
    "upgrade",
    "expect",
    "keep-alive",
    "proxy-authorization",
    "proxy-connection",
];

/// What a Subscription asks for.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Hook {
    /// Where it stands.
    pub status: SubscriptionStatus,
    /// The search whose results it is told of: `Type?parameters`.
    pub criteria: String,
    /// The canonical address of the topic, where that is what was asked for.
    pub topic: Option<String>,
    /// The address that is called, as it was written.
    pub endpoint: String,
    /// Header lines to send along.
    pub headers: Vec<(String, String)>,
    /// What is sent.
    pub content: Content,
    /// Events in one Bundle at most.
    pub events: usize,
    /// Within how many seconds the subscriber must answer.
    pub timeout_s: u32,
    /// After how many seconds without any notification it is told that there is none.
    pub heartbeat_s: Option<u32>,
    /// When it ends by itself, in microseconds.
    pub end_us: Option<i64>,
}

/// What is sent.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Content {
    /// An empty `POST` to the endpoint: something has changed.
    Call,
    /// Each resource by itself: `PUT endpoint/Type/id`.
    Resource,
    /// `POST` of a numbered Bundle.
    Notice(Level),
}

/// How much a numbered Bundle says of each event.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Level {
    /// That there was one.
    Empty,
    /// What it was about.
    IdOnly,
    /// The resource, too.
    FullResource,
}

/// What a Subscription that was let in as a document asks for.
///
/// Whether its criteria can be searched by and its endpoint may be called is not said here.
///
/// # Errors
/// Everything of it that cannot be served, by element.
pub fn hook(body: &[u8]) -> Result<Hook, Vec<Refusal>> {
    let resource: Subscription = fhir_models::parse_scanned(body)
        .map_err(|error| vec![Refusal::new(error.path.clone(), error.message.clone())])?;
    let mut wrong = Wrong(Vec::new());
    let content = content(&resource, &mut wrong);
    let (criteria, topic) = criteria(&resource, &mut wrong);
    let channel = &resource.channel;
    if channel.r#type != SubscriptionChannelType::RestHook {
        wrong.at("channel.type", "only rest-hook is served");
    }
    if channel.type_element.as_ref().is_some_and(|e| has(&e.extension, "backport-channel-type")) {
        wrong.at("channel.type", "only rest-hook is served, and no channel of another system");
    }
    if resource.status.is_none() {
        wrong.at("status", "expected requested or off");
    }
    let endpoint = channel.endpoint.clone().unwrap_or_default();
    if endpoint.is_empty() {
        wrong.at("channel.endpoint", "a rest-hook has an endpoint");
    }
    let number = |name: &str| {
        let value = extension(&channel.extension, name).and_then(|e| e.value.as_deref());
        match value {
            Some(Value::UnsignedInt(number)) => Some(*number),
            Some(Value::PositiveInt(number)) => Some(number.get()),
            _ => None,
        }
    };
    let heartbeat_s = number("backport-heartbeat-period").filter(|s| *s > 0);
    if heartbeat_s.is_some() && !matches!(content, Content::Notice(_)) {
        wrong.at("channel.extension", "a heartbeat needs the content level of the backport guide");
    }
    if heartbeat_s.is_some_and(|s| s < HEARTBEAT_S) {
        wrong.at("channel.extension", "the shortest heartbeat is 10 seconds");
    }
    let most = number("backport-max-count").and_then(|n| usize::try_from(n).ok());
    let hook = Hook {
        status: resource.status.unwrap_or(SubscriptionStatus::Off),
        criteria,
        topic,
        endpoint,
        headers: headers(&channel.header, &mut wrong),
        content,
        events: most.unwrap_or(EVENTS).clamp(1, EVENTS),
        timeout_s: number("backport-timeout").unwrap_or(TIMEOUT_S).clamp(1, TIMEOUT_S),
        heartbeat_s,
        end_us: resource.end.as_ref().map(fhir_models::primitive::InstantTime::us),
    };
    if wrong.0.is_empty() { Ok(hook) } else { Err(wrong.0) }
}

/// What is wrong with a Subscription.
struct Wrong(Vec<Refusal>);

impl Wrong {
    fn at(&mut self, element: &str, why: &str) {
        self.0.push(Refusal::new(format!("Subscription.{element}"), why));
    }
}

fn extension<'a>(of: &'a [Extension], name: &str) -> Option<&'a Extension> {
    of.iter().find(|e| e.url.strip_prefix(GUIDE).and_then(|rest| rest.strip_prefix('/')) == Some(name))
}

fn has(of: &[Extension], name: &str) -> bool {
    extension(of, name).is_some()
}

fn content(resource: &Subscription, wrong: &mut Wrong) -> Content {
    let channel = &resource.channel;
    let payload = channel.payload.as_deref();
    if payload.is_some_and(|p| p != PAYLOAD) {
        wrong.at(
            "channel.payload",
            "only application/fhir+json is sent; leave it out for calls without a body",
        );
    }
    let beside = channel.payload_element.iter().flat_map(|e| &e.extension);
    let level = beside.filter(|e| e.url == format!("{GUIDE}/backport-payload-content"));
    let level: Vec<&str> = level
        .filter_map(|e| match e.value.as_deref() {
            Some(Value::Code(code)) => Some(code.as_str()),
            _ => None,
        })
        .collect();
    let profiled =
        resource.meta.iter().flat_map(|m| &m.profile).any(|p| *p == format!("{GUIDE}/backport-subscription"));
    let level = match level.as_slice() {
        [] if !profiled => return if payload.is_some() { Content::Resource } else { Content::Call },
        ["empty"] => Level::Empty,
        ["id-only"] => Level::IdOnly,
        ["full-resource"] => Level::FullResource,
        _ => {
            wrong.at(
                "channel.payload.extension",
                "expected one backport-payload-content: empty, id-only or full-resource",
            );
            Level::Empty
        }
    };
    if payload.is_none() {
        wrong.at("channel.payload", "a Bundle is application/fhir+json");
    }
    Content::Notice(level)
}

/// The search, and the topic if that is what was asked for.
fn criteria(resource: &Subscription, wrong: &mut Wrong) -> (String, Option<String>) {
    let text = resource.criteria.as_deref().unwrap_or_default();
    let filters: Vec<&str> = resource
        .criteria_element
        .iter()
        .flat_map(|e| &e.extension)
        .filter(|e| e.url == format!("{GUIDE}/backport-filter-criteria"))
        .map(|e| match e.value.as_deref() {
            Some(Value::String(filter)) => filter.as_str(),
            _ => "",
        })
        .collect();
    let known = TOPICS.iter().find(|(_, name)| topic(name) == text);
    let (kind, mut parameters, topic) = match known {
        Some((kind, _)) => (*kind, String::new(), Some(text.to_owned())),
        None => {
            let (kind, parameters) = text.split_once('?').unwrap_or((text, ""));
            match TOPICS.iter().find(|(name, _)| *name == kind) {
                Some((kind, _)) => (*kind, parameters.to_owned(), None),
                None => {
                    let why = "expected a search such as Task?status=ready, with no slash before it, of Task, \
                               DetectedIssue or MeasureReport; or the canonical address of one of their topics";
                    wrong.at("criteria", why);
                    return (String::new(), None);
                }
            }
        }
    };
    for filter in filters {
        match filter.split_once('?').filter(|(of, _)| *of == kind) {
            Some((_, more)) => {
                let join = if parameters.is_empty() { "" } else { "&" };
                parameters = format!("{parameters}{join}{more}");
            }
            None => {
                wrong.at("criteria.extension", "a filter is a search of the type that the topic is about")
            }
        }
    }
    (format!("{kind}?{parameters}"), topic)
}

fn headers(lines: &[String], wrong: &mut Wrong) -> Vec<(String, String)> {
    if lines.len() > HEADERS {
        wrong.at("channel.header", "at most 16 lines are sent along");
    }
    let mut out = Vec::new();
    for (index, line) in lines.iter().enumerate().take(HEADERS) {
        match header(line) {
            Ok(header) => out.push(header),
            Err(why) => wrong.at(&format!("channel.header[{index}]"), why),
        }
    }
    out
}

/// Name and value of a header line. What could end the line early, and so begin another, is refused.
fn header(line: &str) -> Result<(String, String), &'static str> {
    if line.len() > HEADER_BYTES {
        return Err("a line is at most 4096 bytes long");
    }
    let (name, value) = line.split_once(':').ok_or("expected a line such as Authorization: Bearer token")?;
    let token = |b: u8| b.is_ascii_alphanumeric() || b"!#$%&'*+-.^_`|~".contains(&b);
    if name.is_empty() || !name.bytes().all(token) {
        return Err("expected the name of a header before the colon");
    }
    if value.bytes().any(|b| b != b'\t' && !(0x20..0x7f).contains(&b)) {
        return Err("the value has characters that no header may have");
    }
    if NOT_THEIRS.contains(&name.to_ascii_lowercase().as_str()) {
        return Err("this header is the server's to set");
    }
    Ok((name.to_owned(), value.trim().to_owned()))
}

/// Whether a client may submit a Subscription at this status: active and error are the server's to say.
///
/// # Errors
/// `business-rule`.
pub fn submitted(hook: &Hook) -> Result<(), Refusal> {
    match hook.status {
        SubscriptionStatus::Requested | SubscriptionStatus::Off => Ok(()),
        SubscriptionStatus::Active | SubscriptionStatus::Error => {
            let why = "a client submits requested or off; the server says what becomes of it";
            Err(Refusal::new("Subscription.status", why))
        }
    }
}

/// A Subscription at another status, with what went wrong if anything did; all else keeps its bytes.
///
/// # Errors
/// `body` is no document.
pub fn with_status(
    body: &[u8],
    status: SubscriptionStatus,
    error: Option<&str>,
) -> Result<Vec<u8>, ParseError> {
    let quoted = |text: &str| {
        serde_json::to_string(text).map_err(|_| ParseError::new(IssueKind::Value, "", "not a text"))
    };
    let body = json::with_member(body, "status", Some(&quoted(status.as_str())?))?;
    let error = error.map(quoted).transpose()?;
    json::with_member(&body, "error", error.as_deref())
}
