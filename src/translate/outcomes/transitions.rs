//! The statuses of a Task that a person may set, by the status that it has.
//!
//! Source: HL7 FHIR R4, Task, "Task State Machine", and the definitions of the CodeSystem task-status: work is started
//! from `ready`, stopped back to it, completed or failed; whatever is not over can be cancelled, or put on hold and
//! resumed as it was; `rejected` is said before anything was done, `failed` after. As far as the Tasks of this service
//! go: they begin as `ready`, for assignment is a given on a ward, so a person may complete one without saying first
//! that it was begun; nobody returns one to `draft` or `requested`, for nobody asks but the protocol; and what a person
//! said at the end can be taken back as `entered-in-error`, which opens what is due anew.

use fhir_models::codes::TaskStatus;
use fhir_models::codes::TaskStatus::{
    Accepted, Cancelled, Completed, Draft, EnteredInError, Failed, InProgress, OnHold, Ready, Received,
    Rejected, Requested,
};

/// From each status, those that a person may set next.
const NEXT: [(TaskStatus, &[TaskStatus]); 12] = [
    (Draft, &[Received, Accepted, Ready, InProgress, OnHold, Rejected, Completed, Cancelled]),
    (Requested, &[Received, Accepted, Ready, InProgress, OnHold, Rejected, Completed, Cancelled]),
    (Received, &[Accepted, Ready, InProgress, OnHold, Rejected, Completed, Cancelled]),
    (Ready, &[Received, Accepted, InProgress, OnHold, Rejected, Completed, Cancelled]),
    (Accepted, &[Ready, InProgress, OnHold, Rejected, Completed, Cancelled]),
    (InProgress, &[Ready, OnHold, Completed, Failed, Cancelled]),
    (OnHold, &[Ready, Accepted, InProgress, Rejected, Completed, Failed, Cancelled]),
    (Rejected, &[EnteredInError]),
    (Failed, &[EnteredInError]),
    (Cancelled, &[EnteredInError]),
    (Completed, &[EnteredInError]),
    (EnteredInError, &[]),
];

/// What a person may make of a Task with the status `from`, beside leaving it so.
pub(super) fn next(from: TaskStatus) -> &'static [TaskStatus] {
    NEXT.iter().find(|(status, _)| *status == from).map_or(&[], |(_, next)| next)
}

/// The statuses in words: `ready, on-hold or completed`.
pub(super) fn named(statuses: &[TaskStatus]) -> String {
    let names: Vec<&str> = statuses.iter().map(|s| s.as_str()).collect();
    match names.split_last() {
        None => "nothing else".to_owned(),
        Some((only, [])) => (*only).to_owned(),
        Some((last, before)) => format!("{} or {last}", before.join(", ")),
    }
}
