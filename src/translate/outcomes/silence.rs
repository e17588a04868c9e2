//! What is said of the service itself, as operational DetectedIssues: a feed that has gone quiet, charting of a unit that
//! cannot be verified, announcements that are held back; and as Tasks to whoever runs a source.

use fhir_models::codes::{DetectedIssueSeverity, ObservationStatus, RequestPriority, TaskIntent, TaskStatus};
use fhir_models::datatypes::{Period, Reference};
use fhir_models::primitive::DateTime;
use fhir_models::{DetectedIssue, Resource, Task};

use super::merge::merged;
use super::{Row, Term, Utterance, derived_id, identifier};
use crate::care::time::Instant;

/// What is said, before it is said since when.
struct Saying<'a> {
    /// Names it, in identifiers and ids.
    name: &'a str,
    term: Term,
    text: &'a str,
    severity: DetectedIssueSeverity,
    /// What it is about: a source, a unit.
    about: &'a str,
    detail: String,
}

/// The issue that `source` is silent since `since`; with `until`, that it speaks again. `replaces` is the version of
/// the issue that stands, if one does.
pub fn feed_silent(source: &str, since: Instant, until: Option<Instant>, replaces: Option<u64>) -> Utterance {
    let detail = format!(
        "the source {source} has told nothing since the start of this period: care in it is unverified, neither met \
         nor missed; no new miss is announced; follow the bedside record"
    );
    let saying = Saying {
        name: "silence",
        term: Term::FeedSilent,
        text: "charting does not reach the service",
        severity: DetectedIssueSeverity::High,
        about: source,
        detail,
    };
    Utterance { replaces, ..saying.since(since, until) }
}

/// The issue that documents of type `kind` about the patients of `unit` are silent in `source` since `since`, while others
/// come; with `until`, that they come again.
pub fn part_silent(
    source: &str,
    kind: &str,
    unit: &str,
    since: Instant,
    until: Option<Instant>,
) -> Utterance {
    let detail = format!(
        "the source {source} has told no {kind} about the patients of the unit {unit} since the start of this period, \
         for longer than the site says it ever does: care there is unverified in it, neither met nor missed; no new miss \
         is announced there; follow the bedside record"
    );
    let saying = Saying {
        name: "silence",
        term: Term::FeedSilent,
        text: "charting of a unit does not reach the service",
        severity: DetectedIssueSeverity::High,
        about: &format!("{source}/{kind}/{unit}"),
        detail,
    };
    saying.since(since, until)
}

/// The Task of `owner` to see to what `issue` tells of since `since`; with `until`, that there is nothing to do any more.
/// `standing`: the one that stands, whose status, owner and notes are kept where a person has set them.
pub fn mend(
    owner: &str,
    issue: &str,
    since: Instant,
    until: Option<Instant>,
    standing: Option<(&[u8], u64)>,
) -> Utterance {
    let task = |until: Option<Instant>| {
        Task {
        identifier: vec![identifier("mend", format!("{issue}|{}", since.micros()))],
        status: Some(if until.is_some() { TaskStatus::Completed } else { TaskStatus::Ready }),
        intent: Some(TaskIntent::Order),
        priority: Some(RequestPriority::Urgent),
        code: Some(Term::MendFeed.saying("charting does not reach the service")),
        description: Some(
            "Find out why charting does not reach the service, and mend it. Until then care is unverified, not missed; \
             wards go by the bedside record. This Task closes by itself once charting comes again."
                .to_owned(),
        ),
        focus: Some(Reference {
            reference: Some(format!("DetectedIssue/{issue}")),
            ..Reference::default()
        }),
        authored_on: DateTime::from_us(since.micros()),
        last_modified: until.and_then(|until| DateTime::from_us(until.micros())),
        owner: Some(Reference { reference: Some(owner.to_owned()), ..Reference::default() }),
        ..Task::default()
    }
    };
    let read = |task: Task| serde_json::from_slice::<serde_json::Value>(&task.write()).unwrap_or_default();
    let (base, ours) = (read(task(None)), read(task(until)));
    let theirs = standing.and_then(|(body, _)| serde_json::from_slice(body).ok());
    let whole = theirs.map_or_else(|| ours.clone(), |theirs| merged(&base, &ours, &theirs));
    let body = whole.to_string().into_bytes();
    let row = fhir_models::resource::parse_scanned(&body).map(|task| super::task::row(&task));
    let replaces = standing.map(|(_, version)| version);
    Utterance { kind: "Task", id: derived_id(&["mend", issue]), replaces, row: row.unwrap_or_default(), body }
}

/// The issue that announcements in `unit` are held back since `since`; with `until`, that they are not any more.
pub fn held_back(unit: &str, since: Instant, until: Option<Instant>) -> Utterance {
    let detail = format!(
        "in the unit {unit} more patients missed care at once than neglect explains: look at the feed, the maps and \
         the protocol. The lapses are held back, and announced by themselves once charting has reached the service \
         for ten minutes without a silence; nothing is dropped, and reports count as ever"
    );
    let saying = Saying {
        name: "held-back",
        term: Term::HeldBack,
        text: "more lapses at once than are announced unseen",
        severity: DetectedIssueSeverity::High,
        about: unit,
        detail,
    };
    saying.since(since, until)
}

/// The notice to `unit` that its charting cannot be verified since `since`; with `until`, that it can be again.
pub fn unverified(unit: &str, since: Instant, until: Option<Instant>) -> Utterance {
    let detail = format!(
        "charting of the unit {unit} has not reached the service since the start of this period, for longer than care \
         can go unseen: follow the bedside record. The hours are told as unverified, neither met nor missed"
    );
    let saying = Saying {
        name: "charting-unverified",
        term: Term::ChartingUnverified,
        text: "charting cannot be verified: follow the bedside record",
        severity: DetectedIssueSeverity::Moderate,
        about: unit,
        detail,
    };
    saying.since(since, until)
}

impl Saying<'_> {
    fn since(self, since: Instant, until: Option<Instant>) -> Utterance {
        let Saying { name, term, text, severity, about, detail } = self;
        let status = if until.is_some() { ObservationStatus::Final } else { ObservationStatus::Preliminary };
        let begun = since.micros().to_string();
        let issue = DetectedIssue {
            identifier: vec![identifier(name, format!("{about}|{begun}"))],
            status: Some(status),
            code: Some(term.saying(text)),
            severity: Some(severity),
            identified_period: Some(Period {
                start: DateTime::from_us(since.micros()),
                end: until.and_then(|u| DateTime::from_us(u.micros())),
                ..Period::default()
            }),
            detail: Some(detail),
            ..DetectedIssue::default()
        };
        let row = Row {
            status: status.as_str().to_owned(),
            code: Some(term.code().to_owned()),
            open: until.is_none(),
            ..Row::default()
        };
        let id = derived_id(&[name, about, &begun]);
        Utterance { kind: "DetectedIssue", id, replaces: None, row, body: issue.write() }
    }
}
