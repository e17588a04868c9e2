//! The operational DetectedIssues: of a feed that has gone quiet, of announcements that are held back.

use fhir_models::codes::{DetectedIssueSeverity, ObservationStatus};
use fhir_models::datatypes::Period;
use fhir_models::primitive::DateTime;
use fhir_models::{DetectedIssue, Resource};

use super::{Row, Term, Utterance, derived_id, identifier};
use crate::care::time::Instant;

/// The issue that `source` is silent since `since`; with `until`, that it speaks again. `replaces` is the version of
/// the issue that stands, if one does.
pub fn feed_silent(source: &str, since: Instant, until: Option<Instant>, replaces: Option<u64>) -> Utterance {
    let status = if until.is_some() { ObservationStatus::Final } else { ObservationStatus::Preliminary };
    let issue = DetectedIssue {
        identifier: vec![identifier("silence", format!("{source}|{}", since.micros()))],
        status: Some(status),
        code: Some(Term::FeedSilent.saying("charting does not reach the service")),
        severity: Some(DetectedIssueSeverity::High),
        identified_period: Some(Period {
            start: DateTime::from_us(since.micros()),
            end: until.and_then(|u| DateTime::from_us(u.micros())),
            ..Period::default()
        }),
        detail: Some(format!(
            "the source {source} has told nothing since the start of this period: care in it is unverified, neither met \
             nor missed; no new miss is announced; follow the bedside record"
        )),
        ..DetectedIssue::default()
    };
    utterance(&["silence", source, &since.micros().to_string()], replaces, &issue, Term::FeedSilent)
}

/// The issue that announcements in `unit` are held back since `since`; with `until`, that they are not any more.
pub fn held_back(unit: &str, since: Instant, until: Option<Instant>) -> Utterance {
    let status = if until.is_some() { ObservationStatus::Final } else { ObservationStatus::Preliminary };
    let issue = DetectedIssue {
        identifier: vec![identifier("held-back", format!("{unit}|{}", since.micros()))],
        status: Some(status),
        code: Some(Term::HeldBack.saying("more lapses at once than are announced unseen")),
        severity: Some(DetectedIssueSeverity::High),
        identified_period: Some(Period {
            start: DateTime::from_us(since.micros()),
            end: until.and_then(|u| DateTime::from_us(u.micros())),
            ..Period::default()
        }),
        detail: Some(format!(
            "in the unit {unit} more patients missed care at once than neglect explains: look at the feed, the maps and \
             the protocol. The lapses are held back, and announced by themselves once charting has reached the service \
             for ten minutes without a silence; nothing is dropped, and reports count as ever"
        )),
        ..DetectedIssue::default()
    };
    utterance(&["held-back", unit, &since.micros().to_string()], None, &issue, Term::HeldBack)
}

/// The notice to `unit` that its charting cannot be verified since `since`; with `until`, that it can be again.
pub fn unverified(unit: &str, since: Instant, until: Option<Instant>) -> Utterance {
    let status = if until.is_some() { ObservationStatus::Final } else { ObservationStatus::Preliminary };
    let issue = DetectedIssue {
        identifier: vec![identifier("charting-unverified", format!("{unit}|{}", since.micros()))],
        status: Some(status),
        code: Some(Term::ChartingUnverified.saying("charting cannot be verified: follow the bedside record")),
        severity: Some(DetectedIssueSeverity::Moderate),
        identified_period: Some(Period {
            start: DateTime::from_us(since.micros()),
            end: until.and_then(|u| DateTime::from_us(u.micros())),
            ..Period::default()
        }),
        detail: Some(format!(
            "charting of the unit {unit} has not reached the service since the start of this period, for longer than care \
             can go unseen: follow the bedside record. The hours are told as unverified, neither met nor missed"
        )),
        ..DetectedIssue::default()
    };
    utterance(
        &["charting-unverified", unit, &since.micros().to_string()],
        None,
        &issue,
        Term::ChartingUnverified,
    )
}

fn utterance(about: &[&str], replaces: Option<u64>, issue: &DetectedIssue, term: Term) -> Utterance {
    let row = Row {
        status: issue.status.map(|status| status.as_str().to_owned()).unwrap_or_default(),
        code: Some(term.code().to_owned()),
        open: issue.status == Some(ObservationStatus::Preliminary),
        ..Row::default()
    };
    Utterance { kind: "DetectedIssue", id: derived_id(about), replaces, row, body: issue.write() }
}
