//! What a person may change on a Task.

use fhir_models::codes::TaskStatus;
use fhir_models::{IssueKind, ParseError, Resource, Task};

use super::SIGNATURE;
use super::task::{is_ours, is_over};

/// The Task `current` with what a person changed in `sent`: status, its reason, owner and notes. All else stays ours.
///
/// # Errors
/// `sent` is not a Task; the Task is over (`business-rule`); the status is one that only the service or nobody sets.
pub fn by_hand(current: &[u8], sent: &[u8]) -> Result<Vec<u8>, ParseError> {
    let mut task: Task = fhir_models::parse_scanned(current)?;
    let theirs: Task = fhir_models::parse(sent)?;
    let refuse = |why: &str| Err(ParseError::new(IssueKind::BusinessRule, "Task.status", why));
    let (Some(from), Some(to)) = (task.status, theirs.status) else {
        return refuse("a Task that a person changes has a status");
    };
    if is_over(from) {
        return refuse("the Task is over: a new one is opened when care is due again");
    }
    if from != to && matches!(to, TaskStatus::Draft | TaskStatus::EnteredInError) {
        return refuse(
            "expected one of requested, received, accepted, ready, in-progress, on-hold, rejected, cancelled, failed, completed",
        );
    }
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
    Ok(task.write())
}
