//! The DetectedIssue of a lapse.

use std::sync::Arc;

use fhir_models::codes::{DetectedIssueSeverity, ObservationStatus};
use fhir_models::datatypes::{CodeableConcept, Period, Reference};
use fhir_models::resources::detected_issue::{DetectedIssueEvidence, DetectedIssueMitigation};
use fhir_models::{DetectedIssue, Resource};

use super::{BASE, Row, SaidDocument, Setting, Term, Utterance};
use super::{coding, date_time, derived_id, identifier, source, term};
use crate::care::explain::{basis_sources, basis_words};
use crate::care::ledger::Lapse;
use crate::care::plan::{Mitigation, SaidIssue, Severity, WantedIssue};
use crate::care::protocol::{Requirement, Rules};
use crate::care::time::Instant;

/// HL7's act codes, among them those of detected issues.
const ACT_CODE: &str = "http://terminology.hl7.org/CodeSystem/v3-ActCode";

/// The id of the issue of a lapse.
pub(super) fn id(stay: &str, requirement: &str, from: Instant) -> String {
    derived_id(&["lapse", stay, requirement, &from.micros().to_string()])
}

/// Reads an issue back, if it is one of `stay`. Withdrawn ones count too: a miss may come back.
pub(super) fn said(stay: &str, document: &SaidDocument) -> Option<SaidIssue> {
    let issue: DetectedIssue = fhir_models::parse_scanned(&document.body).ok()?;
    let system = format!("{BASE}/sid/lapse");
    let key = issue.identifier.iter().find(|i| i.system.as_deref() == Some(&system))?.value.as_deref()?;
    let mut parts = key.splitn(3, '|');
    if parts.next() != Some(stay) {
        return None;
    }
    let from = Instant::from_micros(parts.next()?.parse().ok()?);
    Some(SaidIssue { requirement: parts.next()?.into(), from })
}

/// What an issue is found by.
pub(super) fn row(issue: &DetectedIssue) -> Row {
    let id_of = |r: &Reference| r.relative().map(|(_, id)| id.to_owned());
    let status = issue.status.map(|s| s.as_str().to_owned()).unwrap_or_default();
    Row {
        encounter: issue.implicated.first().and_then(id_of),
        patient: issue.patient.as_ref().and_then(id_of),
        open: status == "preliminary",
        status,
        owner: None,
        location: None,
        code: issue.code.as_ref().and_then(|c| c.coding.first()).and_then(|c| c.code.clone()),
        identifier: issue
            .identifier
            .first()
            .and_then(|i| Some(format!("{}|{}", i.system.as_ref()?, i.value.as_ref()?))),
    }
}

/// The issue as it must be written; none if `stored` already says it.
pub(super) fn render(
    wanted: &WantedIssue,
    stored: Option<&SaidDocument>,
    id: String,
    setting: &Setting<'_>,
) -> Option<Utterance> {
    let before: Option<DetectedIssue> = stored.and_then(|d| fhir_models::parse_scanned(&d.body).ok());
    let issue = match &wanted.lapse {
        Some((lapse, severity)) => standing(lapse, *severity, wanted.mitigation.as_ref(), setting),
        None => withdrawn(before.as_ref()?, wanted.mitigation.as_ref(), setting),
    };
    let body = issue.write();
    if stored.is_some_and(|d| *d.body == *body) {
        return None;
    }
    Some(Utterance { kind: "DetectedIssue", id, replaces: stored.map(|d| d.version), row: row(&issue), body })
}

fn standing(
    lapse: &Lapse,
    severity: Severity,
    mitigation: Option<&Mitigation>,
    setting: &Setting<'_>,
) -> DetectedIssue {
    let requirement = requirement(lapse, setting.rules);
    let title = requirement.map_or(&*lapse.requirement, |r| &*r.title);
    let key = format!("{}|{}|{}", setting.stay, lapse.from.micros(), lapse.requirement);
    DetectedIssue {
        identifier: vec![identifier("lapse", key)],
        status: Some(if lapse.ended.is_some() {
            ObservationStatus::Final
        } else {
            ObservationStatus::Preliminary
        }),
        code: Some(code(title)),
        severity: Some(match severity {
            Severity::Low => DetectedIssueSeverity::Low,
            Severity::Moderate => DetectedIssueSeverity::Moderate,
            Severity::High => DetectedIssueSeverity::High,
        }),
        patient: Some(Reference::to("Patient", setting.patient)),
        identified_period: Some(Period {
            start: date_time(lapse.from, setting),
            end: lapse.ended.as_ref().and_then(|e| date_time(e.at, setting)),
            ..Period::default()
        }),
        implicated: vec![Reference::to("Encounter", setting.stay)],
        evidence: evidence(lapse, title),
        detail: Some(detail(lapse, setting)),
        reference: setting
            .rules
            .protocols
            .get(lapse.place.0)
            .map(|p| format!("{BASE}/PlanDefinition/{}", p.name)),
        mitigation: mitigation.map(|m| mitigate(m, setting)).into_iter().collect(),
        ..DetectedIssue::default()
    }
}

/// The issue as it was, but cancelled, with the reason.
fn withdrawn(
    before: &DetectedIssue,
    mitigation: Option<&Mitigation>,
    setting: &Setting<'_>,
) -> DetectedIssue {
    let mut issue = before.clone();
    issue.status = Some(ObservationStatus::Cancelled);
    issue.mitigation = mitigation.map(|m| mitigate(m, setting)).into_iter().collect();
    let late = match mitigation {
        Some(Mitigation::ChartedLate { evidence, .. }) => evidence.as_slice(),
        Some(
            Mitigation::CareGiven { .. }
            | Mitigation::Excused { .. }
            | Mitigation::NoLongerAtRisk { .. }
            | Mitigation::RecordCorrected,
        )
        | None => &[],
    };
    if !late.is_empty() {
        let already =
            |s: &Reference| issue.evidence.iter().flat_map(|e| &e.detail).any(|d| d.reference == s.reference);
        let detail: Vec<Reference> = late.iter().map(source).filter(|s| !already(s)).collect();
        if !detail.is_empty() {
            let code = vec![Term::ChartedLate.saying("charted late")];
            issue.evidence.push(DetectedIssueEvidence { code, detail, ..DetectedIssueEvidence::default() });
        }
    }
    issue
}

fn requirement<'a>(lapse: &Lapse, rules: &'a Rules) -> Option<&'a Requirement> {
    rules.protocols.get(lapse.place.0)?.requirements.get(lapse.place.1)
}

fn code(title: &str) -> CodeableConcept {
    let mut code = Term::CareLapse.saying(&format!("{title}: not charted in time"));
    code.coding.push(coding(ACT_CODE, "TIMING", None));
    code
}

fn evidence(lapse: &Lapse, title: &str) -> Vec<DetectedIssueEvidence> {
    let detail: Vec<Reference> = basis_sources(&lapse.basis).iter().map(source).collect();
    let code = CodeableConcept {
        coding: vec![term::requirement(&lapse.requirement, None)],
        text: Some(format!("{title}: what the deadline rests on")),
        ..CodeableConcept::default()
    };
    vec![DetectedIssueEvidence { code: vec![code], detail, ..DetectedIssueEvidence::default() }]
}

fn detail(lapse: &Lapse, setting: &Setting<'_>) -> String {
    let rules = setting.rules;
    let mut words = basis_words(&lapse.basis, lapse.from, &lapse.requirement, rules);
    let misses: Vec<String> = lapse.misses.iter().map(|m| m.shown(rules.zone)).collect();
    words.push(format!("no crediting care charted by {}", misses.join(", nor by ")));
    words.push("this is about charted care: charting is not care, and care is not always charted".to_owned());
    words.join("; ")
}

fn mitigate(mitigation: &Mitigation, setting: &Setting<'_>) -> DetectedIssueMitigation {
    let (term, text, at): (Term, String, Option<Instant>) = match mitigation {
        Mitigation::CareGiven { at, evidence } => {
            (Term::CareGiven, with("care was given later", evidence), Some(*at))
        }
        Mitigation::Excused { at, evidence } => {
            (Term::Excused, with("a reason for not giving care was charted", evidence), Some(*at))
        }
        Mitigation::NoLongerAtRisk { at } => {
            (Term::NoLongerAtRisk, "the requirement no longer applied".to_owned(), Some(*at))
        }
        Mitigation::ChartedLate { at, evidence } => (
            Term::InTimeAfterAll,
            with("care or its reason was in time and charted late: no lapse", evidence),
            Some(*at),
        ),
        Mitigation::RecordCorrected => {
            (Term::RecordCorrected, "the record was corrected: no lapse by what it says now".to_owned(), None)
        }
    };
    DetectedIssueMitigation {
        action: term.saying(&text),
        date: at.and_then(|at| date_time(at, setting)),
        ..DetectedIssueMitigation::default()
    }
}

fn with(text: &str, evidence: &[crate::care::facts::Source]) -> String {
    let names: Vec<Arc<str>> = evidence.iter().map(|s| s.0.clone()).collect();
    if names.is_empty() { text.to_owned() } else { format!("{text} ({})", names.join(", ")) }
}
