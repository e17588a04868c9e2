//! What is said of the feed itself: that a source is silent, and to each unit that its charting cannot be verified.

use std::collections::BTreeSet;

use super::{Reconciler, recorded, write};
use crate::care::ledger::Feed;
use crate::care::time::{Instant, Length};
use crate::feed;
use crate::store::{Batch, StayQuery, StoreError};
use crate::translate::outcomes::{Utterance, feed_silent, unverified};

/// For how long the care of a unit can go unseen: twice the longest interval of cleaning. Common practice, no source.
const UNSEEN: Length = Length::hours(8);

/// Stays that are read at a time.
const PAGE: usize = 500;

impl Reconciler {
    /// One operational DetectedIssue for each silence.
    pub(super) async fn tell_silences(&self, now: Instant) -> Result<(), StoreError> {
        for source in self.feeds.status(now) {
            let mark = format!("silence/{}", source.name);
            let open: Option<Instant> =
                self.store.mark(&mark).await?.and_then(|m| m.parse().ok()).map(Instant::from_micros);
            let (since, until) = match (source.state, open, source.told) {
                (feed::State::Silent, None, Some(told)) => (told, None),
                (feed::State::Live, Some(since), Some(_)) => (since, Some(now)),
                _ => continue,
            };
            let mut said = feed_silent(&source.name, since, until, None);
            let standing = self.store.document(said.kind, &said.id).await?;
            said.replaces = standing.map(|d| d.version);
            let remember = if until.is_some() { String::new() } else { since.micros().to_string() };
            let marks = vec![(mark.into(), remember)];
            let (writes, audits) = (vec![write(said)], vec![recorded()]);
            let batch = Batch { now_us: now.micros(), writes, marks, audits, ..Batch::default() };
            self.store.commit(batch).await?;
            self.told.notify_one();
        }
        Ok(())
    }

    /// One notice to each unit with patients when a silence lasts longer than their care can go unseen; it is over when
    /// the feed speaks again.
    pub(super) async fn tell_unverified(&self, now: Instant) -> Result<(), StoreError> {
        const MARK: &str = "unverified";
        let told = self.store.mark(MARK).await?.unwrap_or_default();
        let since = match self.feeds.at(now) {
            Feed::Silent { watermark } if watermark > Instant::EARLIEST && watermark + UNSEEN <= now => {
                Some(watermark)
            }
            Feed::Silent { .. } | Feed::Live { .. } => None,
        };
        // since when, and which units were told
        let mut lines = told.lines();
        let before = lines.next().and_then(|since| since.parse().ok()).map(Instant::from_micros);
        let units: BTreeSet<String> = lines.map(str::to_owned).collect();
        let (until, since, units) = match (before, since) {
            (None, None) | (Some(_), Some(_)) => return Ok(()),
            (None, Some(since)) => (None, since, self.units().await?),
            (Some(before), None) => (Some(now), before, units),
        };
        let mut writes = Vec::new();
        for unit in &units {
            let mut said: Utterance = unverified(unit, since, until);
            said.replaces = self.store.document(said.kind, &said.id).await?.map(|d| d.version);
            writes.push(write(said));
        }
        let remember = match until {
            Some(_) => String::new(),
            None => std::iter::once(since.micros().to_string()).chain(units).collect::<Vec<_>>().join("\n"),
        };
        let (marks, audits) = (vec![(MARK.into(), remember)], vec![recorded()]);
        self.store.commit(Batch { now_us: now.micros(), writes, marks, audits, ..Batch::default() }).await?;
        self.told.notify_one();
        Ok(())
    }

    /// The units in which stays are that are not over.
    async fn units(&self) -> Result<BTreeSet<String>, StoreError> {
        let (mut after, mut units) = (None, BTreeSet::new());
        loop {
            let query = StayQuery { open: Some(true), after, limit: PAGE, ..StayQuery::default() };
            let stays = self.store.stays(query).await?;
            units.extend(stays.iter().filter_map(|stay| stay.unit.clone()));
            let Some(last) = stays.last().filter(|_| stays.len() == PAGE) else { return Ok(units) };
            after = Some(last.stay.clone());
        }
    }
}
