//! Why a request is refused: one enum, one match to (status, issue code), one way to say it.

use axum::http::StatusCode;
use fhir_models::{IssueKind, ParseError};

use super::limits;
use super::text;
use crate::access::Rights;
use crate::store::StoreError;
use crate::translate::Refusal;

/// Why a request, or one entry of a Bundle, is refused.
///
/// Guarantees: what it says names elements and what is expected of them, and repeats no content of a document.
#[derive(Clone, PartialEq, Debug, thiserror::Error)]
pub(super) enum Refused {
    /// Nothing at this address.
    #[error("nothing is at this address")]
    NotFound,
    /// The type is not kept here.
    #[error("resources of this type are not kept here")]
    UnknownType,
    /// Deleted.
    #[error("the resource was deleted")]
    Gone,
    /// Not with this method; the methods that are.
    #[error("this address takes {0}")]
    Method(&'static str),
    /// Nothing that the client accepts is offered.
    #[error("only application/fhir+json of FHIR 4.0 is offered")]
    NotAcceptable,
    /// The body is of a type that is not read; what is.
    #[error("the body must be {0}")]
    MediaType(&'static str),
    /// The body is too long.
    #[error("a body has at most {} bytes, as sent and as inflated", limits::BODY_BYTES)]
    BodyTooLong,
    /// The Bundle has too many entries.
    #[error("a Bundle has at most {} entries; send several", limits::BUNDLE_ENTRIES)]
    TooManyEntries,
    /// Too much is being received at once.
    #[error("more is being received than can be held; try again in a moment")]
    Throttled,
    /// The body took too long to arrive.
    #[error("the body did not arrive within {} seconds", limits::BODY_TIME.as_secs())]
    Slow,
    /// The body ended early.
    #[error("the body ended before it was complete")]
    Incomplete,
    /// The body is not what its `Content-Encoding` says.
    #[error("the body is not gzip, or is cut short")]
    NotGzip,
    /// Something in the request that is not its document is wrong: where, and what is expected.
    #[error("{why}")]
    Value {
        /// Header, parameter or element.
        at: String,
        /// What is expected.
        why: String,
    },
    /// As `Value`, for what contradicts itself.
    #[error("{why}")]
    Contradiction {
        /// Header, parameter or element.
        at: String,
        /// What is expected.
        why: String,
    },
    /// A parameter, modifier or criterion that is not supported.
    #[error("{why}")]
    NotSupported {
        /// Header, parameter or element.
        at: String,
        /// What is expected.
        why: String,
    },
    /// More is asked for in one request than is answered.
    #[error("{why}")]
    TooCostly {
        /// Header, parameter or element.
        at: String,
        /// What is expected.
        why: String,
    },
    /// Well-formed, but nothing that is done here.
    #[error("{why}")]
    Unprocessable {
        /// Header, parameter or element.
        at: String,
        /// What is expected.
        why: String,
    },
    /// A patch does not apply to what there is.
    #[error("{why}")]
    Inapplicable {
        /// Header, parameter or element.
        at: String,
        /// What is expected.
        why: String,
    },
    /// The document is refused.
    #[error("{}", .0.message)]
    Document(ParseError),
    /// The PlanDefinition cannot be honoured.
    #[error("the plan cannot be honoured")]
    Plan(Vec<Refusal>),
    /// The Subscription cannot be served.
    #[error("the subscription cannot be served")]
    Subscription(Vec<Refusal>),
    /// It would have this service call where it may not.
    #[error("{why}")]
    Security {
        /// Element.
        at: String,
        /// What is expected.
        why: String,
    },
    /// Who asks has not said who it is, or not in a way that is believed.
    #[error("{0}")]
    Unknown(Unknown),
    /// Too many failures to say who one is.
    #[error("too many failures from this address; try again in a minute")]
    TooManyFailures,
    /// A token is sent in a way that it must not be.
    #[error("expected one Authorization header with one token, and no token in the address")]
    TokenMisplaced,
    /// The client may not send this source's heartbeats.
    #[error("the client is not registered for this source")]
    OtherSource,
    /// The scopes of who asks do not allow it; what would.
    #[error("the scopes of the token do not allow this; it takes system/{kind}.{wanted}")]
    Forbidden {
        /// The type.
        kind: String,
        /// What it takes.
        wanted: Rights,
    },
    /// The version that the client read is not the current one.
    #[error("the version in If-Match is not the current one; read the resource again")]
    Overtaken,
    /// Criteria fit several documents.
    #[error("the criteria must fit one resource at most, and fit several")]
    MultipleMatches,
    /// Criteria of a reference fit none.
    #[error("the criteria of the reference fit no resource")]
    NoMatch,
    /// No room in the store.
    #[error("there is no room to store it; nothing was stored")]
    NoSpace,
    /// The store cannot take it now.
    #[error("the store cannot be reached now; nothing was stored")]
    Unavailable,
    /// Our mistake, or the disk's.
    #[error("the service failed; whether anything was stored is not known")]
    Failed,
    /// Something in an entry of a Bundle.
    #[error("{inner}")]
    Entry {
        /// Index of the entry.
        index: usize,
        /// Whether it is its resource.
        resource: bool,
        /// What.
        inner: Box<Refused>,
    },
}

/// Why it is not known who asks.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub(super) enum Unknown {
    /// No token.
    #[error("this takes a token; see /.well-known/smart-configuration")]
    NoToken,
    /// A token that is over.
    #[error("the token is over; get another one")]
    Expired,
    /// A token that is not good for anything here.
    #[error("the token is not good here")]
    Invalid,
}

/// One issue of an OperationOutcome.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Issue {
    /// `error` or `warning`.
    pub(super) severity: &'static str,
    /// R4's issue type.
    pub(super) code: &'static str,
    /// Where.
    pub(super) expression: Option<String>,
    /// What is expected.
    pub(super) diagnostics: String,
}

impl Refused {
    /// A value that is wrong.
    pub(super) fn value(at: impl Into<String>, why: impl Into<String>) -> Self {
        Refused::Value { at: at.into(), why: why.into() }
    }

    /// Something that is not supported.
    pub(super) fn not_supported(at: impl Into<String>, why: impl Into<String>) -> Self {
        Refused::NotSupported { at: at.into(), why: why.into() }
    }

    /// Something that asks for too much.
    pub(super) fn too_costly(at: impl Into<String>, why: impl Into<String>) -> Self {
        Refused::TooCostly { at: at.into(), why: why.into() }
    }

    /// The same about the resource of an entry of a Bundle.
    pub(super) fn of_resource(self, index: usize) -> Self {
        Refused::Entry { index, resource: true, inner: Box::new(self) }
    }

    /// The same about an entry of a Bundle.
    pub(super) fn of_entry(self, index: usize) -> Self {
        if matches!(self, Refused::Entry { .. }) {
            return self;
        }
        let resource = matches!(
            self,
            Refused::Document(_) | Refused::Plan(_) | Refused::Subscription(_) | Refused::Security { .. }
        );
        Refused::Entry { index, resource, inner: Box::new(self) }
    }

    /// The HTTP status and R4's issue type.
    pub(super) fn status_and_code(&self) -> (StatusCode, &'static str) {
        match self {
            Refused::NotFound => (StatusCode::NOT_FOUND, "not-found"),
            Refused::UnknownType => (StatusCode::NOT_FOUND, "not-supported"),
            Refused::Gone => (StatusCode::GONE, "deleted"),
            Refused::Method(_) => (StatusCode::METHOD_NOT_ALLOWED, "not-supported"),
            Refused::NotAcceptable => (StatusCode::NOT_ACCEPTABLE, "not-supported"),
            Refused::MediaType(_) => (StatusCode::UNSUPPORTED_MEDIA_TYPE, "not-supported"),
            Refused::BodyTooLong => (StatusCode::PAYLOAD_TOO_LARGE, "too-long"),
            Refused::TooManyEntries => (StatusCode::PAYLOAD_TOO_LARGE, "too-costly"),
            Refused::Throttled => (StatusCode::TOO_MANY_REQUESTS, "throttled"),
            Refused::Slow => (StatusCode::REQUEST_TIMEOUT, "timeout"),
            Refused::Incomplete => (StatusCode::BAD_REQUEST, "incomplete"),
            Refused::NotGzip => (StatusCode::BAD_REQUEST, "structure"),
            Refused::Value { .. } => (StatusCode::BAD_REQUEST, "value"),
            Refused::Contradiction { .. } => (StatusCode::BAD_REQUEST, "invariant"),
            Refused::NotSupported { .. } => (StatusCode::BAD_REQUEST, "not-supported"),
            Refused::TooCostly { .. } => (StatusCode::BAD_REQUEST, "too-costly"),
            Refused::Inapplicable { .. } => (StatusCode::UNPROCESSABLE_ENTITY, "processing"),
            Refused::Unprocessable { .. } => (StatusCode::UNPROCESSABLE_ENTITY, "not-supported"),
            Refused::Document(error) => (document_status(error.kind), error.kind.as_code()),
            Refused::Plan(_) | Refused::Subscription(_) => {
                (StatusCode::UNPROCESSABLE_ENTITY, "business-rule")
            }
            Refused::Security { .. } => (StatusCode::UNPROCESSABLE_ENTITY, "security"),
            Refused::Unknown(Unknown::Expired) => (StatusCode::UNAUTHORIZED, "expired"),
            Refused::Unknown(_) => (StatusCode::UNAUTHORIZED, "login"),
            Refused::TooManyFailures => (StatusCode::TOO_MANY_REQUESTS, "throttled"),
            Refused::TokenMisplaced => (StatusCode::BAD_REQUEST, "invalid"),
            Refused::Forbidden { .. } | Refused::OtherSource => (StatusCode::FORBIDDEN, "forbidden"),
            Refused::Overtaken => (StatusCode::PRECONDITION_FAILED, "conflict"),
            Refused::MultipleMatches => (StatusCode::PRECONDITION_FAILED, "multiple-matches"),
            Refused::NoMatch => (StatusCode::PRECONDITION_FAILED, "not-found"),
            Refused::NoSpace => (StatusCode::SERVICE_UNAVAILABLE, "no-store"),
            Refused::Unavailable => (StatusCode::SERVICE_UNAVAILABLE, "transient"),
            Refused::Failed => (StatusCode::INTERNAL_SERVER_ERROR, "exception"),
            Refused::Entry { inner, .. } => inner.status_and_code(),
        }
    }

    /// What the answer says.
    pub(super) fn issues(&self) -> Vec<Issue> {
        let (_, code) = self.status_and_code();
        let issue = |expression: Option<String>, diagnostics: String| Issue {
            severity: "error",
            code,
            expression: expression.filter(|e| !e.is_empty()),
            diagnostics,
        };
        if let Refused::Value { at, .. }
        | Refused::Contradiction { at, .. }
        | Refused::NotSupported { at, .. }
        | Refused::TooCostly { at, .. }
        | Refused::Security { at, .. }
        | Refused::Inapplicable { at, .. }
        | Refused::Unprocessable { at, .. } = self
        {
            return vec![issue(Some(at.clone()), self.to_string())];
        }
        #[allow(clippy::wildcard_enum_match_arm, reason = "most refusals are about no element")]
        match self {
            Refused::Document(error) => vec![issue(Some(repeatable(&error.path, "")), said(error))],
            Refused::Plan(refusals) | Refused::Subscription(refusals) => {
                refusals.iter().map(|r| issue(Some(r.path.clone()), r.why.clone())).collect()
            }
            Refused::Entry { index, resource, inner } => {
                let mut issues = inner.issues();
                for issue in &mut issues {
                    issue.expression = Some(below_entry(*index, *resource, issue.expression.as_deref()));
                }
                issues
            }
            _ => vec![issue(None, self.to_string())],
        }
    }

    /// The OperationOutcome.
    pub(super) fn outcome(&self) -> String {
        let issues = self.issues();
        outcome(issues.get(..limits::ISSUES).unwrap_or(&issues))
    }
}

/// The path of something in an entry: `Bundle.entry[3].resource.status` for `Procedure.status`.
fn below_entry(index: usize, resource: bool, inside: Option<&str>) -> String {
    let mut path = format!("Bundle.entry[{index}]");
    match inside {
        Some(inside) if resource => {
            path.push_str(".resource");
            if inside.starts_with(|c: char| c.is_ascii_uppercase()) {
                let rest = inside.find(['.', '[']).and_then(|at| inside.get(at..)).unwrap_or_default();
                path.push_str(rest);
            } else {
                path.push('.');
                path.push_str(inside);
            }
        }
        Some(inside) => {
            path.push('.');
            path.push_str(inside);
        }
        None => {}
    }
    path
}

/// What is wrong with a document, without what may have been said of a patient: a name that was sent as a date.
fn said(error: &ParseError) -> String {
    let letters = if error.path == "resourceType" { "ABCDEFGHIJKLMNOPQRSTUVWXYZ" } else { "TWZ" };
    repeatable(&error.message, letters)
}

/// `text`, with what it quotes only if that is a code, a date or a number; or has some more `letters`.
fn repeatable(text: &str, letters: &str) -> String {
    let (Some(start), Some(end)) = (text.find('"'), text.rfind('"')) else { return text.to_owned() };
    let quoted = text.get(start + 1..end).unwrap_or_default();
    let plain =
        |c: char| c.is_ascii_digit() || c.is_ascii_lowercase() || ".:+-".contains(c) || letters.contains(c);
    if quoted.chars().all(plain) {
        return text.to_owned();
    }
    let (before, after) = (text.get(..start).unwrap_or_default(), text.get(end + 1..).unwrap_or_default());
    format!("{before}\"…\"{after}")
}

fn document_status(kind: IssueKind) -> StatusCode {
    match kind {
        IssueKind::Structure
        | IssueKind::Required
        | IssueKind::Value
        | IssueKind::Invariant
        | IssueKind::CodeInvalid
        | IssueKind::TooLong
        | IssueKind::TooCostly => StatusCode::BAD_REQUEST,
        IssueKind::NotSupported | IssueKind::BusinessRule | IssueKind::Extension => {
            StatusCode::UNPROCESSABLE_ENTITY
        }
    }
}

impl From<ParseError> for Refused {
    fn from(error: ParseError) -> Self {
        Refused::Document(error)
    }
}

impl From<StoreError> for Refused {
    fn from(error: StoreError) -> Self {
        let refused = match &error {
            StoreError::VersionConflict { .. } | StoreError::Exists { .. } => Refused::Overtaken,
            StoreError::MultipleMatches { .. } => Refused::MultipleMatches,
            StoreError::OtherId { .. } => {
                Refused::value("id", "the criteria fit a resource with another id than the one given")
            }
            StoreError::Moved => Refused::Overtaken,
            StoreError::Used => Refused::Unknown(Unknown::Invalid),
            StoreError::TooLarge { .. } => Refused::too_costly("", error.to_string()),
            StoreError::NoSpace => Refused::NoSpace,
            StoreError::Busy | StoreError::Closed => Refused::Unavailable,
            StoreError::StaleGeneration { .. }
            | StoreError::Fatal(_)
            | StoreError::Damaged(_)
            | StoreError::Unusable(_)
            | StoreError::Internal(_) => Refused::Failed,
        };
        if refused.status_and_code().0.is_server_error() {
            tracing::error!(error = %error, "the store did not do what a request needs");
        }
        refused
    }
}

/// An OperationOutcome of these issues.
pub(super) fn outcome(issues: &[Issue]) -> String {
    let mut out = String::with_capacity(256);
    out.push_str("{\"resourceType\":\"OperationOutcome\",\"issue\":[");
    for (index, issue) in issues.iter().enumerate() {
        if index > 0 {
            out.push(',');
        }
        out.push_str("{\"severity\":\"");
        out.push_str(issue.severity);
        out.push_str("\",\"code\":\"");
        out.push_str(issue.code);
        out.push_str("\",\"diagnostics\":");
        let said = if issue.diagnostics.is_empty() { issue.code } else { &issue.diagnostics };
        text::push_json(&mut out, text::cut(said, limits::DIAGNOSTICS_BYTES));
        if let Some(expression) = &issue.expression {
            out.push_str(",\"expression\":[");
            text::push_json(&mut out, text::cut(expression, limits::DIAGNOSTICS_BYTES / 4));
            out.push(']');
        }
        out.push('}');
    }
    out.push_str("]}");
    out
}

/// What is said when all went well.
pub(super) fn all_well() -> String {
    outcome(&[Issue {
        severity: "information",
        code: "informational",
        expression: None,
        diagnostics: "done".to_owned(),
    }])
}

/// What was odd about a document that was let in.
pub(super) fn warnings(found: &[ParseError]) -> Vec<Issue> {
    let warning = |error: &ParseError| Issue {
        severity: "warning",
        code: error.kind.as_code(),
        expression: Some(repeatable(&error.path, "")).filter(|p| !p.is_empty()),
        diagnostics: said(error),
    };
    found.iter().take(limits::ISSUES).map(warning).collect()
}
