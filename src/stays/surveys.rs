//! What surveillance finds in a patient's stays, read from the documents when it is asked for: it is not kept in memory
//! with what care is counted by.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;

use super::{CHUNK, StayLedger, Stays, stored};
use crate::care::facts::Facts;
use crate::care::ledger::{Doubt, Ledger, State};
use crate::care::protocol::Rules;
use crate::care::surveillance::charted::Charting;
use crate::care::surveillance::denominators::{Watched, watched};
use crate::care::surveillance::{Survey, survey};
use crate::care::tally::Tally;
use crate::care::time::{Instant, Span};
use crate::site::Site;
use crate::store::{StayQuery, StoreError};
use crate::translate::extract::watch;

/// A stay with what surveillance finds in it.
#[derive(Clone, Debug)]
pub struct StaySurvey {
    /// The stay and its ledger, for the care that was charted before an event.
    pub stay: StayLedger,
    /// Days and events.
    pub survey: Survey,
    /// What it adds to the sums.
    pub watched: BTreeMap<(Arc<str>, NaiveDate), Watched>,
    /// What of the patient's documents surveillance could not use.
    pub doubts: Vec<Doubt>,
}

/// The survey of the stay of `facts` as its ledger stands, and what it adds to the sums. `charting` is the patient's.
pub fn survey_of(
    facts: &Facts,
    ledger: &Ledger,
    charting: &Charting,
    rules: &Rules,
) -> (Survey, BTreeMap<(Arc<str>, NaiveDate), Watched>) {
    let ends = facts.ends.as_ref().map(|e| e.at);
    let own = charting.of_stay(Span::until(facts.begins.unwrap_or(Instant::EARLIEST), ends));
    // a day whose charting has not reached us is not over
    let survey = survey(&own, facts, rules, ledger.unverified_since.unwrap_or(ledger.now));
    let watched = watched(&survey, &own, &ledger.census, rules);
    (survey, watched)
}

impl StaySurvey {
    /// Whether what was found is kept with the sums: the stay is over and nothing of it is to come.
    pub fn is_kept(&self) -> bool {
        let ledger = &self.stay.ledger;
        matches!(ledger.state, State::Ended { .. })
            && ledger.wake.is_none()
            && ledger.unverified_since.is_none()
    }
}

impl Stays {
    /// The surveys of a patient's stays at `now`.
    ///
    /// # Errors
    /// The store.
    pub async fn surveys(&self, patient: &str, now: Instant) -> Result<Vec<StaySurvey>, StoreError> {
        let site = self.site();
        let (charting, doubts) = self.charting(patient, &site).await?;
        let stays = self.ledgers(patient, now).await?.into_iter().map(|stay| {
            let (survey, watched) = survey_of(&stay.facts, &stay.ledger, &charting, &site.rules);
            StaySurvey { stay, survey, watched, doubts: doubts.clone() }
        });
        Ok(stays.collect())
    }

    /// Adds to `tally` what surveillance finds in the stays of the local days `from..=to` that are open at `now`; what it
    /// found in the others is in the tally already. Reads all documents of each of those patients, and nothing if they
    /// are more than `most`: the answer is of how many stays the events are not in the tally.
    ///
    /// # Errors
    /// The store.
    pub async fn watch_open(
        &self,
        tally: &mut Tally,
        (from, to): (NaiveDate, NaiveDate),
        now: Instant,
        most: usize,
    ) -> Result<u64, StoreError> {
        let zone = self.site().rules.zone;
        let overlaps_us = Some((Span::day(from, zone).from.micros(), Span::day(to, zone).to.micros()));
        let (mut after, mut open) = (None, Vec::new());
        loop {
            let query =
                StayQuery { open: Some(true), overlaps_us, after, limit: CHUNK, ..StayQuery::default() };
            let stays = self.0.store.stays(query).await?;
            let last = stays.last().filter(|_| stays.len() == CHUNK).map(|last| last.stay.clone());
            open.extend(stays.into_iter().map(|stay| (stay.patient, stay.stay)));
            after = last;
            if after.is_none() {
                break;
            }
        }
        if open.len() > most {
            return Ok(open.len() as u64);
        }
        for (patient, stay) in open {
            for survey in self.surveys(&patient, now).await?.iter().filter(|s| s.stay.stay == stay) {
                // of a patient who is to be reconciled a stay that is over may still be called open
                if !survey.is_kept() {
                    tally.add_watched(&survey.watched);
                }
            }
        }
        Ok(0)
    }

    /// What surveillance finds in a patient's stays, kept or not.
    ///
    /// # Errors
    /// The store.
    pub async fn watched_of(&self, patient: &str, now: Instant) -> Result<Tally, StoreError> {
        let mut tally = Tally::default();
        self.surveys(patient, now).await?.iter().for_each(|survey| tally.add_watched(&survey.watched));
        Ok(tally)
    }

    /// What a patient's documents say to surveillance, and what of it could not be used.
    ///
    /// # Errors
    /// The store.
    pub async fn charting(&self, patient: &str, site: &Site) -> Result<(Charting, Vec<Doubt>), StoreError> {
        let (mut charting, mut doubts) = (Charting::default(), Vec::new());
        for document in self.0.store.documents_of(patient, 0).await?.documents {
            watch(&stored(&document), &site.codes, &site.settings, &mut charting, &mut doubts);
        }
        doubts.sort();
        doubts.dedup();
        Ok((charting, doubts))
    }
}
