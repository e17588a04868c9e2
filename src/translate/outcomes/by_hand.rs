//! What a person may change on a Task, and what a person has changed.

use std::sync::Arc;

use fhir_models::codes::TaskStatus;
use fhir_models::datatypes::{CodeableConcept, Value};
use fhir_models::primitive::{DateTime, InstantTime};
use fhir_models::{IssueKind, ParseError, Resource, Task};

use super::task::{is_ours, is_over, said_status};
use super::{BASE, SIGNATURE, Term, extension, transitions};
use crate::care::time::Instant;

/// The name of the extension that is there while the status is a person's, and says when it was set.
pub(super) const SET_BY_HAND: &str = "status-set-by-hand";

/// The Task `current` with what a person changed in `sent`, at `now`: status, its reason, owner and notes. All else
/// stays ours. Where nothing is changed it is `current`.
///
/// # Errors
/// `sent` is not a Task; the status is one that a person may not set now (`business-rule`, with those that may be);
/// the service has closed the Task (`business-rule`).
pub fn by_hand(current: &[u8], sent: &[u8], now: Instant) -> Result<Vec<u8>, ParseError> {
    let before: Task = fhir_models::parse_scanned(current)?;
    let theirs: Task = fhir_models::parse(sent)?;
    let refuse = |why: String| Err(ParseError::new(IssueKind::BusinessRule, "Task.status", why));
    let (Some(from), Some(to)) = (before.status, theirs.status) else {
        return refuse("a Task that a person changes has a status".to_owned());
    };
    if is_over(from) && !is_by_hand(&before) {
        let why = "the service has closed this Task and nothing can be set on it; a new one is opened when care is due \
                   again";
        return refuse(why.to_owned());
    }
    let next = transitions::next(from);
    if from != to && !next.contains(&to) {
        return refuse(format!(
            "a Task that is {} can be made {}, not {}",
            from.as_str(),
            transitions::named(next),
            to.as_str()
        ));
    }
    let mut task = before.clone();
    task.status = Some(to);
    task.status_reason = theirs.status_reason;
    task.owner = theirs.owner;
    let is_own_note = |n: &fhir_models::datatypes::Annotation| n.author_string.as_deref() == Some(SIGNATURE);
    let ours = task.note.into_iter().filter(is_own_note);
    let written = theirs.note.into_iter().filter(|n| !is_own_note(n));
    task.note = written.chain(ours).collect();
    let extra = theirs.extension.into_iter().filter(|e| !is_ours(e));
    task.extension = task.extension.into_iter().filter(is_ours).chain(extra).collect();
    task.id = None;
    task.meta = None;
    mark(&before, &mut task, now);
    if task == before {
        return Ok(current.to_vec());
    }
    task.last_modified = DateTime::from_us(now.micros());
    Ok(task.write())
}

/// Notes since when the status, or its reason, is a person's. A status that is given back to what the service said of
/// it is the service's again.
fn mark(before: &Task, task: &mut Task, now: Instant) {
    let moved = before.status != task.status;
    if !moved && before.status_reason == task.status_reason {
        return;
    }
    let released = task.status.is_some_and(|s| !is_over(s))
        && task.status == said_status(task)
        && task.status_reason.is_none();
    let since = set_at(before).filter(|_| !moved).unwrap_or(now);
    task.extension.retain(|e| e.url != url());
    if !released && let Some(at) = InstantTime::from_us(since.micros()) {
        task.extension.push(extension(SET_BY_HAND, Value::Instant(at)));
    }
}

/// True if the status of `task` is what a person set.
pub(super) fn is_by_hand(task: &Task) -> bool {
    task.extension.iter().any(|e| e.url == url()) || said_status(task) != task.status
}

/// When a person set the status; none where the Task does not say.
pub(super) fn set_at(task: &Task) -> Option<Instant> {
    let set = task.extension.iter().find(|e| e.url == url())?;
    match set.value.as_deref() {
        Some(Value::Instant(at)) => Some(Instant::from_micros(at.us())),
        _ => None,
    }
}

/// The status is the service's again.
pub(super) fn forget(task: &mut Task) {
    task.extension.retain(|e| e.url != url());
}

fn url() -> String {
    format!("{BASE}/StructureDefinition/{SET_BY_HAND}")
}

/// A Task of ours that a person rejected, or began and gave up.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Undone {
    /// When, if the Task says so.
    pub at: Option<Instant>,
    /// What it asked for then: the ids of its requirements that were due.
    pub asked: Vec<Arc<str>>,
}

/// What of a Task was not done because a person said so; none for any other Task.
pub fn undone(task: &Task) -> Option<Undone> {
    super::task::own_key(task)?;
    let given_up = matches!(task.status?, TaskStatus::Rejected | TaskStatus::Failed);
    (given_up && is_by_hand(task)).then(|| Undone { at: set_at(task), asked: asked(task) })
}

/// The ids of the requirements that are due on a Task.
pub fn asked(task: &Task) -> Vec<Arc<str>> {
    let state = Term::State.saying("");
    let same = |concept: &CodeableConcept| concept.coding.iter().any(|c| state.coding.first() == Some(c));
    let states = task.input.iter().filter(|i| same(&i.r#type));
    let due = states.filter(|i| match i.value.as_deref() {
        Some(Value::Code(phase)) => phase == "due" || phase == "overdue",
        _ => false,
    });
    let system = super::term::requirement("", None).system;
    let named = due.filter_map(|i| i.r#type.coding.iter().find(|c| c.system == system)?.code.as_deref());
    named.map(Arc::from).collect()
}
