//! What would have been under other rules: the stays of the last weeks, counted by both.

use std::collections::BTreeSet;
use std::sync::Arc;

use chrono::NaiveDate;

use super::{Shared, Stays};
use crate::care::history::ledger_and_history;
use crate::care::ledger::Opportunities;
use crate::care::protocol::{Protocol, Rules, UnitProtocol};
use crate::care::tally::Tally;
use crate::care::time::Instant;
use crate::store::StoreError;

/// What is tried, and on what.
#[derive(Clone, Debug)]
pub struct Trial {
    /// The rules in force, and those that are tried.
    pub rules: [Rules; 2],
    /// The local days, first and last.
    pub period: (NaiveDate, NaiveDate),
    /// Only what belongs to this unit, a `Location` id; none: everything.
    pub unit: Option<String>,
    /// At most so many patients, those that come first by id.
    pub patients: usize,
}

/// What the same stays come to.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Tried {
    /// Under the rules in force, and under those that were tried.
    pub sides: [Side; 2],
    /// Patients that were counted.
    pub patients: usize,
    /// There are more.
    pub more: bool,
}

/// What the stays come to under one set of rules.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Side {
    /// What was counted.
    pub tally: Tally,
    /// Tasks that would have been opened in the period.
    pub tasks: u64,
    /// Lapses that would have been announced in it.
    pub issues: u64,
}

/// `rules` with a protocol in place of the one that holds in `unit`, or everywhere.
pub fn with_protocol(rules: &Rules, protocol: Protocol, unit: Option<&str>) -> Rules {
    let mut tried = rules.clone();
    let index = tried.protocols.len();
    tried.protocols.push(protocol);
    match unit {
        Some(unit) => tried.units.entry(unit.into()).or_default().protocol = UnitProtocol::Named(index),
        None => {
            tried.default_protocol = Some(index);
            for unit in tried.units.values_mut().filter(|unit| unit.protocol != UnitProtocol::Nowhere) {
                unit.protocol = UnitProtocol::Default;
            }
        }
    }
    tried
}

impl Stays {
    /// Counts the same stays by both rules, as if each had been in force all the time and the feed had never been
    /// silent: what became known when is as it was.
    ///
    /// # Errors
    /// The store.
    pub async fn tried(&self, trial: &Trial, now: Instant) -> Result<Tried, StoreError> {
        let (from, to) = trial.period;
        let mut patients = self.patients_of(trial.period, trial.patients + 1).await?;
        let mut tried = Tried { more: patients.len() > trial.patients, ..Tried::default() };
        patients.truncate(trial.patients);
        let mut shared = Shared::default();
        for patient in &patients {
            let reading = self.read(patient, &mut shared).await?;
            for stay in &reading.assembled.stays {
                for (rules, side) in trial.rules.iter().zip(&mut tried.sides) {
                    let (ledger, history) =
                        ledger_and_history(&stay.facts, rules, now, Opportunities::Summed);
                    let mut tally = Tally::default();
                    tally.add(&ledger);
                    side.tally.merge(&tally.of(from, to, trial.unit.as_deref()));
                    let here = |unit: &Arc<str>| trial.unit.as_deref().is_none_or(|wanted| wanted == &**unit);
                    let within = |at: Instant| (from..=to).contains(&at.day(rules.zone));
                    let tasks = history.tasks.iter().filter(|t| within(t.opened) && here(&t.unit));
                    side.tasks += tasks.count() as u64;
                    let issues = history.issues.iter().filter(|i| within(i.announced) && here(&i.unit));
                    side.issues += issues.count() as u64;
                }
            }
            // others are to be answered meanwhile
            tokio::task::yield_now().await;
        }
        tried.patients = patients.len();
        Ok(tried)
    }
}

impl Side {
    /// The requirements that were counted.
    pub fn requirements(&self) -> BTreeSet<Arc<str>> {
        self.tally.cells.keys().map(|key| key.requirement.clone()).collect()
    }
}
