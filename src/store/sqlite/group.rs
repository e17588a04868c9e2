//! The batches that share a transaction.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, params};

use super::apply::{Applying, Stop, run};
use super::audit;
use super::sums::{self, Deltas};
use crate::store::sums::add;
use crate::store::{Batch, ChainHead, Committed, Precondition, limits, sql};

/// The batches of one transaction.
pub(super) struct Group<'c> {
    conn: &'c Connection,
    /// The last position that was given out.
    seq: i64,
    /// Current documents more or fewer, by kind.
    documents: BTreeMap<String, i64>,
    /// What stays contribute more or less.
    deltas: Deltas,
    /// The latest instant at which any of the batches was received.
    latest_us: i64,
    /// The end of the chain of audit rows; none: nothing is added to it.
    chain: Option<ChainHead>,
}

impl<'c> Group<'c> {
    pub(super) fn begin(conn: &'c Connection) -> rusqlite::Result<Group<'c>> {
        let seq = conn.prepare_cached(sql::SEQ)?.query_row([], |r| r.get(0))?;
        let (documents, deltas) = (BTreeMap::new(), Deltas::new());
        Ok(Group { conn, seq, documents, deltas, latest_us: i64::MIN, chain: None })
    }

    /// Applies one batch; if it is refused, nothing of it remains.
    pub(super) fn apply(&mut self, batch: &Batch, digests: &[u64]) -> Result<Committed, Stop> {
        let guarded = may_be_refused(batch);
        if guarded {
            run(self.conn, "SAVEPOINT batch", [])?;
        }
        if self.chain.is_none() && !batch.audits.is_empty() {
            self.chain = Some(audit::last(self.conn)?);
        }
        let mut applying = Applying::new(self.conn, batch.now_us, self.seq, self.chain);
        let outcome = applying.batch(batch, digests);
        match &outcome {
            Ok(_) => {
                self.seq = applying.seq;
                self.latest_us = self.latest_us.max(batch.now_us);
                self.chain = applying.chain;
                for (kind, more) in applying.documents {
                    *self.documents.entry(kind.to_owned()).or_default() += more;
                }
                for (place, named) in applying.deltas {
                    let sum = self.deltas.entry(place).or_default();
                    for (name, numbers) in named {
                        add(sum.entry(name).or_default(), &numbers, 1);
                    }
                }
            }
            Err(Stop::Refused(_)) if guarded => run(self.conn, "ROLLBACK TO batch", [])?,
            Err(_) => return outcome,
        }
        if guarded {
            run(self.conn, "RELEASE batch", [])?;
        }
        outcome
    }

    /// Writes what is kept once for the whole transaction.
    pub(super) fn finish(mut self) -> rusqlite::Result<()> {
        if sums::apply(self.conn, &self.deltas, self.seq + 1)? {
            self.seq += 1;
        }
        for (kind, more) in self.documents.iter().filter(|(_, more)| **more != 0) {
            run(self.conn, sql::ADD_DOCUMENTS, params![kind, more])?;
        }
        // between two rows nothing is later than the step after the earlier one
        let seen: Option<i64> =
            self.conn.prepare_cached(sql::LAST_SEEN)?.query_row([], |r| r.get(0)).optional()?;
        let none = i64::MIN;
        if self.latest_us > seen.map_or(none, |seen| seen.saturating_add(limits::SEEN_STEP_US)) {
            run(self.conn, sql::SEE, [self.latest_us, self.seq])?;
        }
        if let Some(head) = self.chain {
            audit::set_last(self.conn, head)?;
        }
        run(self.conn, sql::SET_SEQ, [self.seq])
    }
}

/// A savepoint costs as much as a write: only a batch that can be refused needs one. What has no precondition and
/// rests on no generation is never refused.
fn may_be_refused(batch: &Batch) -> bool {
    !batch.reconciled.is_empty()
        || batch.grant.is_some()
        || !batch.rests_on.is_empty()
        || batch.writes.iter().any(|w| w.precondition != Precondition::None)
}
