//! What is looked at again and again: parts of what sources tell that have fallen silent, and what of it is told.

use tracing::info;

use super::{Reconciler, recorded, write};
use crate::care::time::{Instant, Length};
use crate::feed::{Found, Turned};
use crate::store::{Batch, Derived, StoreError};
use crate::translate::outcomes::part_silent;

/// How often it is looked.
const LOOK: Length = Length::minutes(1);

impl Reconciler {
    /// Whether it is time to look again.
    pub(super) fn looks(&self, now: Instant) -> bool {
        let looked = *self.looked.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        // a clock that was put back has it looked as well
        looked.is_none_or(|looked| now >= looked + LOOK || now < looked)
    }

    /// Looks which parts have fallen silent, or speak again.
    pub(super) async fn look_at_parts(&self, now: Instant) -> Result<(), StoreError> {
        if !self.looks(now) {
            return Ok(());
        }
        let mut turned = Vec::new();
        for part in self.feeds.parts() {
            let heard = self.store.heard_of(&part.unit, &part.kind).await?;
            let standing = self.store.mark(&mark(&part)).await?.and_then(|us| us.parse().ok());
            let found = Found {
                last: heard.last_us.map(Instant::from_micros),
                patients: usize::try_from(heard.patients).unwrap_or(usize::MAX),
                standing: standing.map(Instant::from_micros),
            };
            turned.extend(self.feeds.noted(&part, found, now));
        }
        if !turned.is_empty() {
            // what was verified no longer is, or is again
            self.store.redo(Derived::Keep).await?;
        }
        for Turned { part, since, is_silent } in turned {
            info!(
                unit = part.unit,
                kind = part.kind,
                silent = is_silent,
                "a part of a source changed its state"
            );
            let until = (!is_silent).then_some(now);
            let mut said = part_silent(&part.source, &part.kind, &part.unit, since, until);
            said.replaces = self.store.document(said.kind, &said.id).await?.map(|d| d.version);
            let remember = if is_silent { since.micros().to_string() } else { String::new() };
            let task = self.task_to_mend(&part.source, &said.id, (since, until)).await?;
            let writes = std::iter::once(said).chain(task).map(write).collect();
            let marks = vec![(mark(&part).into(), remember)];
            let batch =
                Batch { now_us: now.micros(), writes, marks, audits: vec![recorded()], ..Batch::default() };
            self.store.commit(batch).await?;
            self.told.notify_one();
        }
        self.tell_unverified(now).await?;
        *self.looked.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = Some(now);
        Ok(())
    }
}

fn mark(part: &crate::feed::Part) -> String {
    format!("silence/{}/{}/{}", part.source, part.kind, part.unit)
}
