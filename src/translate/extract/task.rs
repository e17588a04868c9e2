//! Task: one of ours that a person rejected.

use fhir_models::Task;
use memchr::memmem;

use super::reading::{Reading, said_at, told};
use super::{RejectedSays, Tell};
use crate::translate::outcomes::undone;

/// True for a Task that cannot be one that was rejected or given up: most are not, and are not read.
pub(super) fn means_nothing(body: &[u8]) -> bool {
    let status = [&b"rejected"[..], b"failed"];
    status.iter().all(|s| memmem::find(body, s).is_none()) && memmem::find(body, b"\\u").is_none()
}

/// True for a Task of an export that says something, or may take back what another version of it said: one of ours.
pub(crate) fn may_matter(body: &[u8]) -> bool {
    let ours = memmem::find(body, b"terce.example").is_some();
    ours && (!means_nothing(body) || memmem::find(body, b"entered-in-error").is_some())
}

pub(super) fn read(task: &Task, reading: &mut Reading<'_>) {
    let Some(undone) = undone(task) else { return };
    reading.made_in(task.encounter.as_ref());
    if task.status_reason.is_none() {
        return reading.doubt("a Task was not done, without a reason; it has no effect");
    }
    let Some(reason) = reading.concept(task.status_reason.as_ref()).excuse else {
        return reading.doubt("a Task was not done, and its reason is none that counts; it has no effect");
    };
    if undone.asked.is_empty() {
        return reading.doubt("a Task was not done, and nothing was due on it; it has no effect");
    }
    // one from before the instant was kept in the Task: such a Task was never written again
    let at = undone.at.unwrap_or_else(|| told(reading.stored, said_at(task.meta.as_ref())));
    reading.tell(Tell::Rejected(Box::new(RejectedSays { at, asked: undone.asked, reason })));
}
