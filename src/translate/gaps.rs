//! Gaps in care: where each requirement of a patient stands, and the document that tells it.
//!
//! The codes, the addresses and the shape of the document (a Bundle that begins with a Composition, a DetectedIssue for
//! each gap, the MeasureReport that it rests on) are those of HL7's implementation guide Data Exchange for Quality Measures
//! (us/davinci-deqm); no profile of it is claimed, for it asks for resources of the United States' core.

use std::sync::Arc;

use chrono::NaiveDate;
use fhir_models::{MeasureReport, Resource};
use serde_json::{Value as Json, json};

use super::outcomes::derived_id;
use super::{BASE, measures};
use crate::care::ledger::{Ledger, Opportunity, Outcome, Phase, Standing};
use crate::care::protocol::Rules;
use crate::care::time::Instant;

/// How a gap stands.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Status {
    /// Past its deadline now; or, where nothing is asked any more or the period is over: the last that was counted was
    /// missed.
    Open,
    /// The last that was counted was met or excused, and nothing is past its deadline.
    Closed,
    /// It is asked for, its deadline is ahead, and nothing was counted yet or the last was missed.
    Prospective,
    /// Nothing was asked for.
    NotApplicable,
}

/// Where one requirement of one patient stands.
#[derive(Clone, PartialEq, Debug)]
pub struct Gap {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// Its title.
    pub title: Arc<str>,
    /// How it stands.
    pub status: Status,
    /// Chances in the period: met, missed, excused.
    pub counts: (u32, u32, u32),
    /// The deadline that is past, or ahead.
    pub deadline: Option<Instant>,
    /// The documents of the last care of it.
    pub last: Vec<String>,
}

/// Whose care, when.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// The measure's id.
    pub measure: &'a str,
    /// First and last local day.
    pub period: (NaiveDate, NaiveDate),
    /// Only in these units; none: in any.
    pub units: Option<&'a [Arc<str>]>,
    /// What was asked for must be one of these.
    pub wanted: &'a [Status],
    /// The instant.
    pub now: Instant,
}

impl Status {
    /// All of them.
    pub const ALL: [Status; 4] = [Status::Open, Status::Closed, Status::Prospective, Status::NotApplicable];

    /// Its code.
    pub const fn code(self) -> &'static str {
        match self {
            Status::Open => "open-gap",
            Status::Closed => "closed-gap",
            Status::Prospective => "prospective-gap",
            Status::NotApplicable => "not-applicable",
        }
    }

    /// The status of a code.
    pub fn of(code: &str) -> Option<Status> {
        Status::ALL.into_iter().find(|status| status.code() == code)
    }
}

/// Where each requirement of the measure stands for a patient with these ledgers. Empty for a measure that is not about
/// requirements, and where nothing of the patient belongs to what was asked.
pub fn gaps(ledgers: &[&Ledger], rules: &Rules, asked: &Asked<'_>) -> Vec<Gap> {
    let requirements = measures::requirements(asked.measure, rules).unwrap_or_default();
    let today = asked.now.day(rules.zone);
    let runs = asked.period.0 <= today && today <= asked.period.1;
    let in_units = |unit: &Arc<str>| asked.units.is_none_or(|units| units.contains(unit));
    let here = |ledger: &&&Ledger| ledger.unit.as_ref().map_or(asked.units.is_none(), in_units);
    let found = requirements.into_iter().map(|(requirement, title)| {
        let all = ledgers.iter().flat_map(|ledger| &ledger.opportunities);
        let mut counted: Vec<&Opportunity> = all
            .filter(|o| o.requirement == requirement && in_units(&o.unit))
            .filter(|o| asked.period.0 <= o.day && o.day <= asked.period.1)
            .collect();
        counted.sort_by_key(|o| o.at);
        let standings = ledgers.iter().filter(here).flat_map(|ledger| &ledger.standings);
        let standing = standings
            .filter(|s| runs && s.requirement == requirement)
            .max_by_key(|s| (s.phase != Phase::NotAtRisk, s.deadline));
        gap(requirement, title, &counted, standing)
    });
    let found: Vec<Gap> = found.collect();
    let somebody = asked.units.is_none() || found.iter().any(|gap| gap.status != Status::NotApplicable);
    if somebody {
        found.into_iter().filter(|gap| asked.wanted.contains(&gap.status)).collect()
    } else {
        Vec::new()
    }
}

fn gap(requirement: Arc<str>, title: Arc<str>, counted: &[&Opportunity], standing: Option<&Standing>) -> Gap {
    let many = |outcome: Outcome| {
        u32::try_from(counted.iter().filter(|o| o.outcome == outcome).count()).unwrap_or(u32::MAX)
    };
    let last = counted.last().map(|o| o.outcome);
    let phase = standing.map_or(Phase::NotAtRisk, |s| s.phase);
    let status = match (phase, last) {
        (Phase::Overdue | Phase::Announced, _) => Status::Open,
        (_, Some(Outcome::Met | Outcome::Excused)) => Status::Closed,
        (Phase::Waiting | Phase::Due | Phase::Suspended, Some(Outcome::Missed) | None) => Status::Prospective,
        (Phase::NotAtRisk, Some(Outcome::Missed)) => Status::Open,
        (Phase::NotAtRisk, None) => Status::NotApplicable,
    };
    let care = standing.and_then(|s| s.last.as_ref()).map(|(_, sources)| sources.clone());
    let met = counted.iter().rev().find(|o| o.outcome == Outcome::Met).map(|o| o.evidence.clone());
    Gap {
        requirement,
        title,
        status,
        counts: (many(Outcome::Met), many(Outcome::Missed), many(Outcome::Excused)),
        deadline: standing.and_then(|s| s.deadline).filter(|_| phase != Phase::NotAtRisk),
        last: care.or(met).unwrap_or_default().iter().map(|source| source.0.to_string()).collect(),
    }
}

/// A document of a patient's gaps.
#[derive(Clone, Copy, Debug)]
pub struct Document<'a> {
    /// `Patient` id.
    pub patient: &'a str,
    /// The Patient as it is served, if it is there.
    pub body: Option<&'a [u8]>,
    /// The gaps.
    pub gaps: &'a [Gap],
    /// The patient's report of the measure.
    pub report: &'a MeasureReport,
    /// Where this server is reached, without a final slash.
    pub base: &'a str,
    /// What was asked.
    pub asked: Asked<'a>,
    /// The rules.
    pub rules: &'a Rules,
}

impl Document<'_> {
    /// The Bundle of type document.
    pub fn bundle(&self) -> Json {
        let id = |what: &str| {
            let (from, to) = self.asked.period;
            derived_id(&["gaps", what, self.patient, self.asked.measure, &from.to_string(), &to.to_string()])
        };
        let report_id = id("report");
        let mut report: Json = serde_json::from_slice(&self.report.write()).unwrap_or_default();
        if let Some(members) = report.as_object_mut() {
            members.insert("id".to_owned(), json!(report_id));
        }
        self.absolute(&mut report);
        let issues: Vec<(String, Json)> = self
            .gaps
            .iter()
            .map(|gap| {
                let id = id(&format!("issue {}", gap.requirement));
                (id.clone(), self.issue(gap, &id, &report_id))
            })
            .collect();
        let composition_id = id("composition");
        let composition = self.composition(&composition_id, &report_id, &issues);
        let own = |id: &str, resource: &Json| json!({ "fullUrl": urn(id), "resource": resource });
        let mut entries = vec![own(&composition_id, &composition)];
        entries.extend(issues.iter().map(|(id, issue)| own(id, issue)));
        entries.push(own(&report_id, &report));
        let patient = self.body.and_then(|body| serde_json::from_slice::<Json>(body).ok());
        entries.extend(patient.map(|body| json!({ "fullUrl": self.patient_url(), "resource": body })));
        json!({
            "resourceType": "Bundle",
            "id": id("bundle"),
            "identifier": { "system": format!("{BASE}/sid/care-gaps"), "value": id("bundle") },
            "type": "document",
            "timestamp": self.asked.now.to_string(),
            "entry": entries,
        })
    }

    fn patient_url(&self) -> String {
        format!("{}/Patient/{}", self.base, self.patient)
    }

    fn composition(&self, id: &str, report: &str, issues: &[(String, Json)]) -> Json {
        let measure = measures::measure(self.asked.measure, self.rules).and_then(|m| m.title);
        let title = measure.unwrap_or_else(|| self.asked.measure.to_owned());
        let entries: Vec<Json> = issues.iter().map(|(id, _)| json!({ "reference": urn(id) })).collect();
        json!({
            "resourceType": "Composition",
            "id": id,
            "status": "final",
            "type": { "coding": [
                { "system": "http://loinc.org", "code": "96315-7", "display": "Gaps in care report" }] },
            "subject": { "reference": self.patient_url() },
            "date": self.asked.now.shown(self.rules.zone),
            "author": [{ "type": "Device", "display": "Terce" }],
            "title": format!("Gaps in care, {} to {}", self.asked.period.0, self.asked.period.1),
            "section": [{ "title": title, "focus": { "reference": urn(report) }, "entry": entries }],
        })
    }

    fn issue(&self, gap: &Gap, id: &str, report: &str) -> Json {
        let guide = "http://hl7.org/fhir/us/davinci-deqm";
        let code = json!({ "coding": [
            { "system": format!("{guide}/CodeSystem/gaps-status"), "code": gap.status.code() }] });
        let over = matches!(gap.status, Status::Closed | Status::NotApplicable);
        let mut issue = json!({
            "resourceType": "DetectedIssue",
            "id": id,
            "modifierExtension": [
                { "url": format!("{guide}/StructureDefinition/extension-gapStatus"), "valueCodeableConcept": code }],
            "status": if over { "final" } else { "preliminary" },
            "code": {
                "coding": [{ "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "CAREGAP" }],
                "text": &*gap.title,
            },
            "patient": { "reference": self.patient_url() },
            "identifiedDateTime": self.asked.now.shown(self.rules.zone),
            "author": { "type": "Device", "display": "Terce" },
            "evidence": [{ "detail": [{ "reference": urn(report) }] }],
            "detail": self.words(gap),
        });
        if let Some(members) = issue.as_object_mut()
            && !gap.last.is_empty()
        {
            let named = |source: &String| json!({ "reference": format!("{}/{source}", self.base) });
            members.insert("implicated".to_owned(), gap.last.iter().map(named).collect());
        }
        issue
    }

    fn words(&self, gap: &Gap) -> String {
        let (met, missed, excused) = gap.counts;
        let mut out = format!(
            "{}: {met} in time, {missed} missed, {excused} excused, as charted. Charting is not care.",
            gap.title
        );
        if let Some(deadline) = gap.deadline {
            let shown = deadline.shown(self.rules.zone);
            let text = if deadline <= self.asked.now { "past its deadline since" } else { "its deadline is" };
            out.push_str(&format!(" {text} {shown}."));
        }
        out
    }

    /// Makes the references of a resource absolute: in a document what a relative one means would depend on its entry.
    fn absolute(&self, value: &mut Json) {
        match value {
            Json::Array(all) => all.iter_mut().for_each(|value| self.absolute(value)),
            Json::Object(members) => {
                for (name, value) in members {
                    if let Json::String(text) = value {
                        if name == "reference" && !text.starts_with('#') {
                            *text = format!("{}/{text}", self.base);
                        }
                    } else {
                        self.absolute(value);
                    }
                }
            }
            Json::Null | Json::Bool(_) | Json::Number(_) | Json::String(_) => {}
        }
    }
}

fn urn(id: &str) -> String {
    format!("urn:uuid:{id}")
}
