//! The operational DetectedIssue of a feed that has gone quiet.

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
    let row = Row {
        status: status.as_str().to_owned(),
        code: Some(Term::FeedSilent.code().to_owned()),
        open: until.is_none(),
        ..Row::default()
    };
    let id = derived_id(&["silence", source, &since.micros().to_string()]);
    Utterance { kind: "DetectedIssue", id, replaces, row, body: issue.write() }
}
