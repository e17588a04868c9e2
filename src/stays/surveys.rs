//! What surveillance finds in a patient's stays, read from the documents when it is asked for: it is not kept in memory
//! with what care is counted by.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;

use super::{CHUNK, StayLedger, Stays, stored};
use crate::care::facts::Facts;
use crate::care::ledger::{Doubt, Ledger};
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

    /// Adds to `tally` what surveillance finds in the stays that are open at `now`; what it found in the others is in the
    /// tally already. Reads all documents of each of those patients.
    ///
    /// # Errors
    /// The store.
    pub async fn watch_open(&self, tally: &mut Tally, now: Instant) -> Result<(), StoreError> {
        let mut after = None;
        loop {
            let query = StayQuery { open: Some(true), after, limit: CHUNK, ..StayQuery::default() };
            let stays = self.0.store.stays(query).await?;
            for open in &stays {
                let surveys = self.surveys(&open.patient, now).await?;
                surveys
                    .iter()
                    .filter(|s| s.stay.stay == open.stay)
                    .for_each(|s| tally.add_watched(&s.watched));
            }
            let Some(last) = stays.last().filter(|_| stays.len() == CHUNK) else { return Ok(()) };
            after = Some(last.stay.clone());
        }
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
