//! The Task of a stay.

use fhir_models::codes::{RequestPriority, TaskIntent, TaskStatus};
use fhir_models::datatypes::{Annotation, CodeableConcept, Extension, Period, Reference, Value};
use fhir_models::primitive::DateTime;
use fhir_models::resources::task::{TaskParameter, TaskRestriction};
use fhir_models::{Resource, Task};

use super::by_hand::{forget, is_by_hand, set_at};
use super::{BASE, Row, SIGNATURE, SaidDocument, Setting, Term, Utterance};
use super::{date_time, derived_id, extension, identifier, issue, source, term};
use crate::care::explain::asks;
use crate::care::facts::Ending;
use crate::care::ledger::{Phase, Standing};
use crate::care::plan::{Closing, Hold, Priority, Reason, Round, SaidStatus, SaidTask, WantedTask};
use crate::care::protocol::Requirement;
use crate::care::time::Instant;

/// The name of the extension that holds the status which we wrote last; a different status was set by a person.
const SAID_STATUS: &str = "said-status";

/// What every Task reminds of. Common practice, no source.
const CAUTIONS: &str = "Protect the airway: tube secured and its depth checked, cuff pressure in range, head of bed raised \
unless contraindicated, suction ready and working before anything enters the mouth. Use a bite block or mouth prop where \
consciousness is reduced; stop and call for help if the airway, breathing or circulation is at risk. The local protocol and \
the licensed clinician at the bedside decide what is done and when. This Task reflects charting: it is not an alarm, and \
charting is not care.";

/// The id of the Task of `stay` that is named by `round`.
pub(super) fn id(stay: &str, round: Instant) -> String {
    derived_id(&["task", stay, &round.micros().to_string()])
}

/// Reads a Task back, if it is one of `stay`.
pub(super) fn said(stay: &str, document: &SaidDocument) -> Option<SaidTask> {
    let task: Task = fhir_models::parse_scanned(&document.body).ok()?;
    let key = own_key(&task)?;
    let (of, round) = key.rsplit_once('|')?;
    if of != stay {
        return None;
    }
    let opened = task.authored_on.as_ref().and_then(DateTime::instant_us).map(Instant::from_micros);
    let (by_hand, set) = (is_by_hand(&task), set_at(&task).unwrap_or(document.updated));
    let is = |status: TaskStatus| task.status == Some(status);
    let status = match is_over(task.status?) {
        false => SaidStatus::Open,
        // what was closed by mistake is asked for again at once
        true if is(TaskStatus::EnteredInError) => SaidStatus::Closed { at: set },
        true if by_hand => SaidStatus::ClosedByHand { at: set },
        true => SaidStatus::Closed { at: document.updated },
    };
    let held = by_hand && is(TaskStatus::OnHold) && task.status_reason.is_some();
    let hold = held.then(|| Hold { since: set, priority: priority_of(&task) });
    Some(SaidTask { round: Instant::from_micros(round.parse().ok()?), opened: opened?, status, hold })
}

fn priority_of(task: &Task) -> Priority {
    match task.priority {
        None | Some(RequestPriority::Routine) => Priority::Routine,
        Some(RequestPriority::Urgent) => Priority::Urgent,
        Some(RequestPriority::Asap) => Priority::Asap,
        Some(RequestPriority::Stat) => Priority::Stat,
    }
}

/// The stay and the round of a Task that is over, and the Task with nothing but what [`said`] asks for.
pub(super) fn over(document: &SaidDocument) -> Option<(String, Instant, Vec<u8>)> {
    if document.kind != "Task" {
        return None;
    }
    let task: Task = fhir_models::parse_scanned(&document.body).ok()?;
    let (stay, round) = own_key(&task)?.rsplit_once('|')?;
    let found =
        is_over(task.status?).then_some((stay.to_owned(), Instant::from_micros(round.parse().ok()?)))?;
    let short = Task {
        identifier: task.identifier,
        extension: task.extension,
        status: task.status,
        intent: task.intent,
        authored_on: task.authored_on,
        ..Task::default()
    };
    Some((found.0, found.1, short.write()))
}

pub(super) fn own_key(task: &Task) -> Option<&str> {
    let system = format!("{BASE}/sid/task");
    task.identifier.iter().find(|i| i.system.as_deref() == Some(&system))?.value.as_deref()
}

/// True for the statuses that a Task does not leave.
pub(super) fn is_over(status: TaskStatus) -> bool {
    match status {
        TaskStatus::Rejected
        | TaskStatus::Cancelled
        | TaskStatus::Failed
        | TaskStatus::Completed
        | TaskStatus::EnteredInError => true,
        TaskStatus::Draft
        | TaskStatus::Requested
        | TaskStatus::Received
        | TaskStatus::Accepted
        | TaskStatus::Ready
        | TaskStatus::InProgress
        | TaskStatus::OnHold => false,
    }
}

pub(super) fn said_status(task: &Task) -> Option<TaskStatus> {
    let url = format!("{BASE}/StructureDefinition/{SAID_STATUS}");
    let said = task.extension.iter().find(|e| e.url == url)?;
    match said.value.as_deref() {
        Some(Value::Code(code)) => TaskStatus::from_code(code),
        _ => None,
    }
}

/// What a Task is found by.
pub(super) fn row(task: &Task) -> Row {
    let id_of = |r: &Option<Reference>| r.as_ref().and_then(|r| r.relative()).map(|(_, id)| id.to_owned());
    Row {
        encounter: id_of(&task.encounter),
        patient: id_of(&task.r#for),
        status: task.status.map(|s| s.as_str().to_owned()).unwrap_or_default(),
        owner: task.owner.as_ref().and_then(|o| o.reference.clone()),
        location: id_of(&task.location),
        code: task.code.as_ref().and_then(|c| c.coding.first()).and_then(|c| c.code.clone()),
        identifier: task
            .identifier
            .first()
            .and_then(|i| Some(format!("{}|{}", i.system.as_ref()?, i.value.as_ref()?))),
        open: task.status.is_some_and(|s| !is_over(s)),
    }
}

/// The Task as it must be written; none if `stored` already says it.
pub(super) fn render(
    wanted: &WantedTask,
    stored: Option<&SaidDocument>,
    id: String,
    setting: &Setting<'_>,
) -> Option<Utterance> {
    let before: Option<Task> = stored.and_then(|d| fhir_models::parse_scanned(&d.body).ok());
    if before.as_ref().and_then(|t| t.status).is_some_and(is_over) {
        return None;
    }
    // with the old stamps first: only a difference in what is said is a difference
    let task = draft(wanted, before.as_ref(), setting)?;
    if let (Some(before), Some(stored)) = (&before, stored) {
        let mut unstamped = task.clone();
        unstamped.last_modified.clone_from(&before.last_modified);
        unstamped.note = notes(Some(before), freshness_of(before));
        if unstamped.write() == *stored.body {
            return None;
        }
    }
    Some(Utterance {
        kind: "Task",
        id,
        replaces: stored.map(|d| d.version),
        row: row(&task),
        body: task.write(),
    })
}

fn draft(wanted: &WantedTask, before: Option<&Task>, setting: &Setting<'_>) -> Option<Task> {
    let fresh = format!(
        "Charting known to have reached the service up to {}.",
        setting.fresh.shown(setting.rules.zone)
    );
    let now = date_time(setting.now, setting);
    let mut task = match wanted {
        WantedTask::Nothing | WantedTask::AsItStands => return None,
        WantedTask::Open(round) => open(round, before, setting),
        WantedTask::Close { how, .. } => {
            let mut task = before?.clone();
            close(&mut task, how);
            task
        }
    };
    task.authored_on =
        before.and_then(|b| b.authored_on.clone()).or_else(|| DateTime::from_us(setting.now.micros()));
    task.last_modified = now;
    task.note = notes(before, Some(fresh));
    Some(task)
}

/// What people wrote, then the cautions, then how fresh the feed is.
fn notes(before: Option<&Task>, fresh: Option<String>) -> Vec<Annotation> {
    let theirs =
        before.into_iter().flat_map(|t| &t.note).filter(|n| n.author_string.as_deref() != Some(SIGNATURE));
    let ours = [Some(CAUTIONS.to_owned()), fresh].into_iter().flatten().map(|text| Annotation {
        author_string: Some(SIGNATURE.to_owned()),
        text,
        ..Annotation::default()
    });
    theirs.cloned().chain(ours).collect()
}

fn freshness_of(task: &Task) -> Option<String> {
    task.note.iter().rev().find(|n| n.author_string.as_deref() == Some(SIGNATURE)).map(|n| n.text.clone())
}

fn close(task: &mut Task, how: &Closing) {
    let status = match how {
        Closing::Completed { outputs } => {
            task.output = outputs
                .iter()
                .map(|s| TaskParameter {
                    r#type: Term::CareCharted.saying("care charted while this Task was open"),
                    value: Some(Box::new(Value::Reference(source(s)))),
                    ..TaskParameter::default()
                })
                .collect();
            task.status_reason = None;
            task.business_status = Some(Term::Charted.saying("what was due has been charted"));
            TaskStatus::Completed
        }
        Closing::Cancelled(reason) => {
            let (term, text) = why_cancelled(*reason);
            task.status_reason = Some(term.saying(text));
            task.business_status = Some(Term::Withdrawn.saying("there is no longer anything to do"));
            TaskStatus::Cancelled
        }
    };
    forget(task);
    set_status(task, status);
}

/// The code and the words for a reason.
pub(super) fn why_cancelled(reason: Reason) -> (Term, &'static str) {
    match reason {
        Reason::Extubated => (Term::Extubated, "the artificial airway was removed"),
        Reason::Ended(Ending::Discharged) => (Term::Discharged, "the stay ended"),
        Reason::Ended(Ending::Died) => (Term::Died, "the patient died"),
        Reason::Ended(Ending::Cancelled) => (Term::EncounterCancelled, "the encounter was cancelled"),
        Reason::OutOfScope => (Term::OutOfScope, "the patient is in a unit where no protocol holds"),
        Reason::NotVentilated => {
            (Term::NotVentilated, "by the record as it stands the patient is not ventilated")
        }
    }
}

/// Writes a status, and that it is what we said.
fn set_status(task: &mut Task, status: TaskStatus) {
    let mark = extension(SAID_STATUS, Value::Code(status.as_str().to_owned()));
    task.extension.retain(|e| e.url != mark.url);
    task.extension.push(mark);
    task.status = Some(status);
}

fn open(round: &Round, before: Option<&Task>, setting: &Setting<'_>) -> Task {
    let by_hand = before.filter(|t| is_by_hand(t));
    let (state, said) = state(round);
    let mut task = Task {
        identifier: vec![identifier("task", format!("{}|{}", setting.stay, round.round.micros()))],
        extension: before.map(|t| t.extension.clone()).unwrap_or_default(),
        instantiates_canonical: instantiates(round, setting),
        intent: Some(TaskIntent::Order),
        priority: Some(match round.priority {
            Priority::Routine => RequestPriority::Routine,
            Priority::Urgent => RequestPriority::Urgent,
            Priority::Asap => RequestPriority::Asap,
            Priority::Stat => RequestPriority::Stat,
        }),
        code: Some(Term::MouthCareRound.saying("Mouth care round")),
        business_status: Some(state),
        description: Some(description(round, setting)),
        r#for: Some(Reference::to("Patient", setting.patient)),
        encounter: Some(Reference::to("Encounter", setting.stay)),
        owner: owner(round, before, setting),
        location: (!round.unit.is_empty()).then(|| Reference::to("Location", &round.unit)),
        reason_reference: round.lapses.first().map(|l| lapse_reference(setting.stay, l)),
        restriction: Some(TaskRestriction {
            period: Some(window(round, setting)),
            ..TaskRestriction::default()
        }),
        input: inputs(round, setting),
        ..Task::default()
    };
    set_status(&mut task, said);
    task.status_reason = round.away.then(|| Term::PatientAway.saying("the patient is off the unit"));
    if let Some(theirs) = by_hand {
        // what a person set stands; only what we last said of the status moves on
        task.status = theirs.status;
        task.status_reason.clone_from(&theirs.status_reason);
    }
    task
}

/// The state in our words, and the status that fits it.
fn state(round: &Round) -> (CodeableConcept, TaskStatus) {
    let overdue = round.items.iter().any(|s| s.phase >= Phase::Overdue);
    if round.away {
        (Term::Away.saying("the patient is off the unit"), TaskStatus::OnHold)
    } else if !round.under_way.is_empty() {
        (Term::UnderWay.saying("care is charted as under way"), TaskStatus::InProgress)
    } else if round.unverified_since.is_some() {
        (
            Term::Unverified.saying("charting does not reach the service: follow the bedside record"),
            TaskStatus::Ready,
        )
    } else if overdue {
        (Term::Overdue.saying("a deadline has passed"), TaskStatus::Ready)
    } else {
        (Term::Due.saying("due"), TaskStatus::Ready)
    }
}

fn instantiates(round: &Round, setting: &Setting<'_>) -> Option<String> {
    let protocol = setting.rules.protocols.get(round.items.first()?.protocol)?;
    Some(format!("{BASE}/PlanDefinition/{}|{}", protocol.name, protocol.version))
}

/// A person's owner stays; the queue of a unit follows the patient.
fn owner(round: &Round, before: Option<&Task>, setting: &Setting<'_>) -> Option<Reference> {
    let queue = setting
        .owners
        .get(&round.unit)
        .map(|r| Reference { reference: Some(r.clone()), ..Reference::default() });
    match before.map(|t| &t.owner) {
        Some(Some(theirs)) => {
            let is_queue = setting.owners.values().any(|o| Some(o) == theirs.reference.as_ref());
            if is_queue { queue.or_else(|| Some(theirs.clone())) } else { Some(theirs.clone()) }
        }
        Some(None) | None => queue,
    }
}

fn lapse_reference(stay: &str, (requirement, from): &(std::sync::Arc<str>, Instant)) -> Reference {
    Reference::to("DetectedIssue", &issue::id(stay, requirement, *from))
}

/// From the first due to the first deadline.
fn window(round: &Round, setting: &Setting<'_>) -> Period {
    let start = round.deadline.map_or(round.due, |deadline| round.due.min(deadline));
    Period {
        start: date_time(start, setting),
        end: round.deadline.and_then(|d| date_time(d, setting)),
        ..Period::default()
    }
}

fn requirement<'a>(item: &Standing, setting: &Setting<'a>) -> Option<&'a Requirement> {
    setting.rules.protocols.get(item.protocol)?.requirements.get(item.index)
}

/// What is asked for now, in one sentence for each, the earliest deadline first; then the session that comes next.
fn description(round: &Round, setting: &Setting<'_>) -> String {
    let zone = setting.rules.zone;
    let mut asked: Vec<&Standing> = round.items.iter().filter(|s| s.phase >= Phase::Due).collect();
    asked.sort_by_key(|s| (s.deadline.unwrap_or(Instant::LATEST), s.index));
    let mut parts: Vec<String> = Vec::new();
    if round.away {
        parts.push("The patient is off the unit; nothing is asked for until the return.".to_owned());
    }
    if let Some(since) = round.unverified_since {
        parts.push(format!(
            "Unverified since {}: charting after it has not reached the service.",
            since.shown(zone)
        ));
    }
    for item in asked {
        let Some(requirement) = requirement(item, setting) else { continue };
        let title = &requirement.title;
        let deadline = item.deadline.map(|d| d.local(zone).format("%H:%M").to_string()).unwrap_or_default();
        let last = match &item.last {
            Some((at, _)) => format!("last charted {}", at.local(zone).format("%d %b %H:%M")),
            None => "none charted in this episode of ventilation".to_owned(),
        };
        parts.push(match item.phase {
            Phase::Overdue | Phase::Announced => format!("{title}: overdue since {deadline}, {last}."),
            Phase::NotAtRisk | Phase::Suspended | Phase::Waiting | Phase::Due => {
                format!("{title}: due, by {deadline}, {last}.")
            }
        });
    }
    if let Some((item, session)) = next_session(round, setting) {
        let due = item.due.map(|d| d.local(zone).format("%H:%M").to_string()).unwrap_or_default();
        parts.push(format!(
            "Next session: {} from {due}; its steps are in the inputs, in order.",
            session.title
        ));
    }
    parts.join(" ")
}

/// The requirement with steps that comes first.
fn next_session<'a>(round: &'a Round, setting: &Setting<'a>) -> Option<(&'a Standing, &'a Requirement)> {
    let with_steps = round.items.iter().filter_map(|s| Some((s, requirement(s, setting)?)));
    let with_steps = with_steps.filter(|(s, r)| !r.steps.is_empty() && s.due.is_some());
    with_steps.min_by_key(|(s, _)| (s.phase < Phase::Due, s.due, s.index))
}

/// For each requirement what it asks, when it was last done, and its window; then steps, lapses and care under way.
fn inputs(round: &Round, setting: &Setting<'_>) -> Vec<TaskParameter> {
    let mut out: Vec<TaskParameter> = Vec::new();
    let mut put = |r#type, value| {
        out.push(TaskParameter { r#type, value: Some(Box::new(value)), ..TaskParameter::default() });
    };
    for item in &round.items {
        let Some(requirement) = requirement(item, setting) else { continue };
        let named = |term: Term, text: &str| named(requirement, term, text);
        let phase = match item.phase {
            Phase::NotAtRisk => "not-at-risk",
            Phase::Suspended => "suspended",
            Phase::Waiting => "waiting",
            Phase::Due => "due",
            // whether charting may still arrive is the service's business; overdue is what it is
            Phase::Overdue | Phase::Announced => "overdue",
        };
        put(named(Term::State, &asks(requirement)), Value::Code(phase.to_owned()));
        if let Some(last) = item.last.as_ref().and_then(|(at, _)| date_time(*at, setting)) {
            put(named(Term::LastDone, "last charted"), Value::DateTime(last));
        }
        if let (Some(due), Some(deadline)) = (item.due, item.deadline) {
            let start = date_time(due.min(deadline), setting);
            let window = Period { start, end: date_time(deadline, setting), ..Period::default() };
            put(named(Term::Window, "due from, and deadline"), Value::Period(window));
        }
    }
    if let Some((_, session)) = next_session(round, setting) {
        for (number, step) in session.steps.iter().enumerate() {
            put(named(session, Term::Step, &format!("step {}", number + 1)), Value::String(step.to_string()));
        }
    }
    for lapse in &round.lapses {
        let reference = lapse_reference(setting.stay, lapse);
        put(Term::Lapse.saying("lapse that this Task answers"), Value::Reference(reference));
    }
    for care in &round.under_way {
        put(Term::CareUnderWay.saying("care charted as under way"), Value::Reference(source(care)));
    }
    out
}

fn named(requirement: &Requirement, term: Term, text: &str) -> CodeableConcept {
    let mut concept = term.saying(text);
    concept.coding.push(term::requirement(&requirement.id, Some(&requirement.title)));
    concept
}

/// True for an extension that is ours.
pub(super) fn is_ours(extension: &Extension) -> bool {
    extension.url.starts_with(BASE)
}
