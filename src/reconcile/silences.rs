//! What is said of the feed itself: that a source is silent, and to each unit that its charting cannot be verified.

use std::collections::{BTreeMap, BTreeSet};

use super::{Reconciler, recorded, write};
use crate::care::ledger::Feed;
use crate::care::time::{Instant, Length};
use crate::feed;
use crate::store::{Batch, StayQuery, StoreError};
use crate::translate::outcomes::{Utterance, feed_silent, mend, unverified};

/// For how long the care of a unit can go unseen where its protocol asks for nothing by intervals; elsewhere twice its
/// longest interval. Common practice, no source.
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
            let task = self.task_to_mend(&source.name, &said.id, (since, until)).await?;
            let remember = if until.is_some() { String::new() } else { since.micros().to_string() };
            let marks = vec![(mark.into(), remember)];
            let writes = std::iter::once(said).chain(task).map(write).collect();
            let audits = vec![recorded()];
            let batch = Batch { now_us: now.micros(), writes, marks, audits, ..Batch::default() };
            self.store.commit(batch).await?;
            self.told.notify_one();
        }
        Ok(())
    }

    /// The Task of whoever runs a source to see to what an issue tells of; none if nobody is named, or it stands already.
    pub(super) async fn task_to_mend(
        &self,
        source: &str,
        issue: &str,
        (since, until): (Instant, Option<Instant>),
    ) -> Result<Option<Utterance>, StoreError> {
        let Some(owner) = self.feeds.owner(source) else { return Ok(None) };
        let first = mend(&owner, issue, since, until, None);
        let standing = self.store.document("Task", &first.id).await?;
        let stands =
            standing.as_ref().and_then(|document| Some((document.body.as_deref()?, document.version)));
        if stands.is_none() && until.is_some() {
            return Ok(None);
        }
        Ok(Some(mend(&owner, issue, since, until, stands)))
    }

    /// One notice to each unit with patients when a silence lasts longer than their care can go unseen; it is over when
    /// charting reaches us again.
    pub(super) async fn tell_unverified(&self, now: Instant) -> Result<(), StoreError> {
        const MARK: &str = "unverified";
        // a line for each unit that was told: its id, and since when
        let remembered = self.store.mark(MARK).await?.unwrap_or_default();
        let line = |line: &str| {
            let (unit, since) = line.split_once('\t')?;
            Some((unit.to_owned(), Instant::from_micros(since.parse().ok()?)))
        };
        let before: BTreeMap<String, Instant> = remembered.lines().filter_map(line).collect();
        if before.is_empty() && !self.is_silent(now) && self.feeds.silent_parts().is_empty() {
            return Ok(());
        }
        let rules = self.stays.rules();
        let (mut told, mut writes) = (BTreeMap::new(), Vec::new());
        let units = self.units().await?;
        for unit in units.iter().chain(before.keys().filter(|unit| !units.contains(*unit))) {
            let unseen = rules.longest_interval(Some(unit)).map_or(UNSEEN, |interval| interval + interval);
            let since = match self.feeds.of(Some(unit), now) {
                Feed::Silent { watermark } if watermark > Instant::EARLIEST && watermark + unseen <= now => {
                    Some(watermark)
                }
                Feed::Silent { .. } | Feed::Live { .. } => None,
            };
            let (since, until) = match (before.get(unit), since) {
                (None, None) => continue,
                (Some(since), Some(_)) => {
                    told.insert(unit.clone(), *since);
                    continue;
                }
                (None, Some(since)) => {
                    told.insert(unit.clone(), since);
                    (since, None)
                }
                (Some(since), None) => (*since, Some(now)),
            };
            let mut said: Utterance = unverified(unit, since, until);
            said.replaces = self.store.document(said.kind, &said.id).await?.map(|d| d.version);
            writes.push(write(said));
        }
        if writes.is_empty() {
            return Ok(());
        }
        let remember: Vec<String> =
            told.iter().map(|(unit, since)| format!("{unit}\t{}", since.micros())).collect();
        let (marks, audits) = (vec![(MARK.into(), remember.join("\n"))], vec![recorded()]);
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
