//! What must be said, as FHIR: the Task of a stay and the DetectedIssues of its lapses; and what has been said, read back.
//!
//! Ids derive from what a resource is about, so that two runs, or two nodes, write the same one. Rendering is stable:
//! said again with nothing changed, a resource is the same to the byte.

mod basis;
mod by_hand;
mod issue;
mod merge;
mod silence;
mod task;
mod term;
mod transitions;

use std::collections::BTreeMap;
use std::sync::Arc;

use fhir_models::datatypes::{Coding, Extension, Identifier, Reference, Value};
use fhir_models::primitive::DateTime;
use uuid::Uuid;

use super::BASE;
use crate::care::facts::Source;
use crate::care::plan::{Plan, Reason, Said, WantedTask};
use crate::care::protocol::Rules;
use crate::care::time::Instant;

pub use basis::rests_on;
pub use by_hand::{Undone, asked, by_hand, undone};
pub use merge::{closed_by_service, merged, nearest, taken_back, with_references};
pub use silence::{feed_silent, held_back, mend, part_silent, unverified};
pub use term::Term;

/// Namespace of the ids that derive from what a resource is about.
const NAMESPACE: Uuid = Uuid::from_u128(0x7c0b_5f0e_3d3a_5a6e_9d11_6f1d_2c54_8a01);

/// Who signs the notes that are ours.
const SIGNATURE: &str = "Terce";

/// How and for whom something is said.
#[derive(Clone, Copy, Debug)]
pub struct Setting<'a> {
    /// The rules it rests on.
    pub rules: &'a Rules,
    /// `Encounter` id of the stay.
    pub stay: &'a str,
    /// `Patient` id.
    pub patient: &'a str,
    /// References of the owners of Tasks, by unit.
    pub owners: &'a BTreeMap<Arc<str>, String>,
    /// The instant at which it is said.
    pub now: Instant,
    /// Up to when charting is known to have reached us.
    pub fresh: Instant,
}

/// A resource as it is stored.
#[derive(Clone, Debug)]
pub struct SaidDocument {
    /// `Task` or `DetectedIssue`.
    pub kind: String,
    /// Its id.
    pub id: String,
    /// Its version.
    pub version: u64,
    /// When that version was written.
    pub updated: Instant,
    /// Its bytes.
    pub body: Arc<[u8]>,
}

/// A resource to write.
#[derive(Clone, PartialEq, Debug)]
pub struct Utterance {
    /// `Task` or `DetectedIssue`.
    pub kind: &'static str,
    /// Its id.
    pub id: String,
    /// The version that it replaces; none for a new one. Written only if that is still the current one.
    pub replaces: Option<u64>,
    /// Its bytes.
    pub body: Vec<u8>,
    /// What it is found by.
    pub row: Row,
}

/// What a Task, DetectedIssue or MeasureReport is found by.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Row {
    /// `Encounter` id of the stay.
    pub encounter: Option<String>,
    /// `Patient` id.
    pub patient: Option<String>,
    /// `status`.
    pub status: String,
    /// Reference of the owner.
    pub owner: Option<String>,
    /// `Location` id.
    pub location: Option<String>,
    /// The code of `code`, without its system.
    pub code: Option<String>,
    /// Business identifier, as `system|value`.
    pub identifier: Option<String>,
    /// True while somebody may still do something about it.
    pub open: bool,
}

/// Reads back what has been said of `stay` from the documents of its patient.
pub fn said(stay: &str, documents: &[SaidDocument]) -> Said {
    let mut said = Said::default();
    for document in documents {
        match document.kind.as_str() {
            "Task" => {
                if let Some(task) = task::said(stay, document)
                    && said.task.as_ref().is_none_or(|t| t.round < task.round)
                {
                    said.task = Some(task);
                }
            }
            "DetectedIssue" => said.issues.extend(issue::said(stay, document)),
            _ => {}
        }
    }
    said.issues.sort_by(|a, b| (&a.requirement, a.from).cmp(&(&b.requirement, b.from)));
    said
}

/// The stay and the round of a Task that is over, and the Task with nothing but what [`said`] asks for; none for any
/// other document.
pub fn task_that_is_over(document: &SaidDocument) -> Option<(String, Instant, Vec<u8>)> {
    task::over(document)
}

/// What must be written so that `documents` say what `plan` wants; empty if they already do.
pub fn utterances(plan: &Plan, documents: &[SaidDocument], setting: &Setting<'_>) -> Vec<Utterance> {
    let mut out: Vec<Utterance> = Vec::new();
    let stored = |kind: &str, id: &str| documents.iter().find(|d| d.kind == kind && d.id == id);
    for wanted in &plan.issues {
        let id = issue::id(setting.stay, &wanted.requirement, wanted.from);
        out.extend(issue::render(wanted, stored("DetectedIssue", &id), id.clone(), setting));
    }
    let round = match &plan.task {
        WantedTask::Nothing | WantedTask::AsItStands => return out,
        WantedTask::Open(round) => round.round,
        WantedTask::Close { round, .. } => *round,
    };
    let id = task::id(setting.stay, round);
    out.extend(task::render(&plan.task, stored("Task", &id), id.clone(), setting));
    out
}

/// What a resource is found by; none for a type that is not searched by more than its id.
pub fn row(kind: &str, body: &[u8]) -> Option<Row> {
    match kind {
        "Task" => fhir_models::resource::parse_scanned(body).ok().map(|t| task::row(&t)),
        "DetectedIssue" => fhir_models::resource::parse_scanned(body).ok().map(|i| issue::row(&i)),
        _ => None,
    }
}

/// The id of the Task of `stay` (an `Encounter` id) that is named by `round`.
pub fn task_id(stay: &str, round: Instant) -> String {
    task::id(stay, round)
}

/// The id of the DetectedIssue of the lapse of `stay` (an `Encounter` id) whose first missed deadline is `from`.
pub fn issue_id(stay: &str, requirement: &str, from: Instant) -> String {
    issue::id(stay, requirement, from)
}

/// The code, of the CodeSystem `task-reason`, with which a Task is cancelled.
pub fn cancelled_code(reason: Reason) -> &'static str {
    task::why_cancelled(reason).0.code()
}

/// An id of what `parts` name.
pub(in crate::translate) fn derived_id(parts: &[&str]) -> String {
    Uuid::new_v5(&NAMESPACE, parts.join("|").as_bytes()).to_string()
}

fn identifier(name: &str, value: String) -> Identifier {
    Identifier { system: Some(format!("{BASE}/sid/{name}")), value: Some(value), ..Identifier::default() }
}

fn coding(system: &str, code: &str, display: Option<&str>) -> Coding {
    Coding {
        system: Some(system.to_owned()),
        code: Some(code.to_owned()),
        display: display.map(str::to_owned),
        ..Coding::default()
    }
}

fn extension(name: &str, value: Value) -> Extension {
    Extension {
        url: format!("{BASE}/StructureDefinition/{name}"),
        value: Some(Box::new(value)),
        ..Extension::default()
    }
}

fn date_time(at: Instant, setting: &Setting<'_>) -> Option<DateTime> {
    // with the offset of the ward, so that people can read it; whole seconds unless the instant has a fraction
    let text = if at.micros().rem_euclid(1_000_000) == 0 {
        at.shown(setting.rules.zone)
    } else {
        return DateTime::from_us(at.micros());
    };
    text.parse().ok()
}

fn source(source: &Source) -> Reference {
    Reference { reference: Some(source.0.to_string()), ..Reference::default() }
}
