//! Sums over stays: what was added up with each reconciliation, and what has gone on since.

use std::sync::Arc;

use chrono::{Days, NaiveDate};

use super::Stays;
use crate::care::ahead::hours;
use crate::care::ledger::State;
use crate::care::tally::Tally;
use crate::care::time::{Instant, local_instant};
use crate::care::totals::Totals;
use crate::store::{AheadRow, Shares, StoreError, Sums, SumsQuery};
use crate::translate::measures;
use crate::translate::tallies::{self, Adding};

/// Patients that are to be reconciled and are counted from their documents meanwhile: what was just charted is in the
/// next report. If there are more, a backlog is being worked off, and the report says how many wait.
const FRESH: usize = 16;

/// Whose care is counted.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Who {
    /// Everybody's.
    All,
    /// What belongs to these units, `Location` ids.
    Units(Vec<Arc<str>>),
    /// That of these patients, in these units (none: in any).
    Patients(Vec<String>, Option<Vec<Arc<str>>>),
}

/// What sums are wanted of.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum What {
    /// Counts and hours.
    Counts,
    /// The delays of charting as well.
    CountsAndDelays,
    /// Counts, and what surveillance finds in stays that go on as well as in those that are over.
    CountsAndEvents,
}

/// Stays that go on and are surveyed for a report at most: each takes some milliseconds.
const SURVEYED: usize = 500;

impl What {
    /// What must be read for the measure of this id.
    pub fn of(measure: &str) -> What {
        if measures::tells_delays(measure) {
            What::CountsAndDelays
        } else if measures::tells_events(measure) {
            What::CountsAndEvents
        } else {
            What::Counts
        }
    }

    const fn topics(self) -> &'static [u8] {
        match self {
            What::Counts | What::CountsAndEvents => &[tallies::COUNTS],
            What::CountsAndDelays => &[tallies::COUNTS, tallies::DELAYS],
        }
    }
}

/// Sums, and how complete they are.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Counted {
    /// The sums.
    pub totals: Totals,
    /// Of so many patients the last charting is not counted yet.
    pub waiting: u64,
    /// Of so many stays that go on the events are not counted, where they are asked for.
    pub unsurveyed: u64,
}

/// Sums of a period, and of each of its parts.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Steps {
    /// Of the whole period.
    pub whole: Counted,
    /// Of each part, in order.
    pub parts: Vec<Totals>,
}

/// The local days of a period, and what of them is wanted.
struct Period<'a> {
    from: NaiveDate,
    to: NaiveDate,
    units: Option<&'a [Arc<str>]>,
}

impl Stays {
    /// The sums over all stays of `who` for the local days `from..=to`, as known at `now`.
    ///
    /// # Errors
    /// The store.
    pub async fn totals(
        &self,
        what: What,
        who: &Who,
        (from, to): (NaiveDate, NaiveDate),
        now: Instant,
    ) -> Result<Counted, StoreError> {
        let units = match who {
            Who::All => None,
            Who::Units(units) => Some(units.as_slice()),
            Who::Patients(patients, units) => {
                let mut counted = Counted::default();
                for patient in patients {
                    let tally = self.counts_of(what, patient, (from, to), now).await?;
                    counted.totals.add(&tally, from, to, units.as_deref());
                }
                return Ok(counted);
            }
        };
        let mut counted = self.added_up(what, &Period { from, to, units }, now).await?;
        if what == What::CountsAndEvents {
            let mut open = Tally::default();
            counted.unsurveyed = self.watch_open(&mut open, (from, to), now, SURVEYED).await?;
            counted.totals.add(&open, from, to, units);
        }
        Ok(counted)
    }

    /// The sums for each of `parts`, which lie one after the other, and for all of them together.
    ///
    /// # Guarantees
    /// The sums of the parts add up to those of the whole, whatever is written meanwhile.
    ///
    /// # Errors
    /// The store.
    pub async fn in_steps(
        &self,
        what: What,
        who: &Who,
        parts: &[(NaiveDate, NaiveDate)],
        now: Instant,
    ) -> Result<Steps, StoreError> {
        let mut steps = Steps { parts: vec![Totals::default(); parts.len()], ..Steps::default() };
        let (Some((from, _)), Some((_, to))) = (parts.first(), parts.last()) else { return Ok(steps) };
        let whole = (*from, *to);
        let mut add = |tally: &Tally, units: Option<&[Arc<str>]>| {
            for (totals, (from, to)) in steps.parts.iter_mut().zip(parts) {
                totals.add(tally, *from, *to, units);
            }
        };
        match who {
            Who::Patients(patients, units) => {
                for patient in patients {
                    add(&self.counts_of(what, patient, whole, now).await?, units.as_deref());
                }
            }
            Who::All | Who::Units(_) => {
                let units = if let Who::Units(units) = who { Some(units.as_slice()) } else { None };
                if what == What::CountsAndEvents {
                    // the documents of open stays are read once for all parts
                    let mut open = Tally::default();
                    steps.whole.unsurveyed = self.watch_open(&mut open, whole, now, SURVEYED).await?;
                    add(&open, units);
                }
                for (totals, (from, to)) in steps.parts.iter_mut().zip(parts) {
                    let counted = self.added_up(what, &Period { from: *from, to: *to, units }, now).await?;
                    totals.add_all(&counted.totals);
                    steps.whole.waiting = steps.whole.waiting.max(counted.waiting);
                    // others are to be answered meanwhile
                    tokio::task::yield_now().await;
                }
            }
        }
        steps.parts.iter().for_each(|part| steps.whole.totals.add_all(part));
        Ok(steps)
    }

    /// As [`Stays::tally_of`], with what else is wanted of a patient.
    ///
    /// # Errors
    /// The store.
    pub async fn counts_of(
        &self,
        what: What,
        patient: &str,
        period: (NaiveDate, NaiveDate),
        now: Instant,
    ) -> Result<Tally, StoreError> {
        let mut tally = self.tally_of(patient, period, now).await?;
        if what == What::CountsAndEvents {
            tally.watched = self.watched_of(patient, now).await?.watched;
        }
        Ok(tally)
    }

    /// What one patient's stays come to on the local days `from..=to`, as known at `now`.
    ///
    /// # Errors
    /// The store.
    pub async fn tally_of(
        &self,
        patient: &str,
        (from, to): (NaiveDate, NaiveDate),
        now: Instant,
    ) -> Result<Tally, StoreError> {
        let (first, last) = (tallies::day_number(from), tallies::day_number(to));
        let shares = self.0.store.shares(patient, first, last).await?;
        if shares.dirty {
            return self.tally_now(patient, now).await;
        }
        let mut tally = contributed(&shares);
        for row in &shares.ahead {
            self.go_on(row, now, &mut tally)?;
        }
        Ok(tally)
    }

    /// The patients of whom something was counted on the local days `from..=to`, at most so many, by what was last
    /// reconciled.
    ///
    /// # Errors
    /// The store.
    pub async fn patients_of(
        &self,
        (from, to): (NaiveDate, NaiveDate),
        limit: usize,
    ) -> Result<Vec<String>, StoreError> {
        let (from, to) = (tallies::day_number(from), tallies::day_number(to));
        self.0.store.counted(from, to, limit).await
    }

    /// The sums over all stays for the local days `from..=to`, day by day, as known at `now`: each patient is read by
    /// itself. What surveillance found in open stays is not in it: see [`Stays::watch_open`].
    ///
    /// # Errors
    /// The store.
    pub async fn tally(&self, from: NaiveDate, to: NaiveDate, now: Instant) -> Result<Tally, StoreError> {
        let mut sum = Tally::default();
        for patient in self.patients_of((from, to), usize::MAX).await? {
            sum.merge(&self.tally_of(&patient, (from, to), now).await?);
        }
        Ok(sum.of(from, to, None))
    }

    /// From the documents, as they are now.
    async fn tally_now(&self, patient: &str, now: Instant) -> Result<Tally, StoreError> {
        let mut tally = Tally::default();
        let ledgers = self.ledgers(patient, now).await?;
        let over = |state: &State| matches!(state, State::Ended { .. });
        ledgers.iter().for_each(|stay| tally.add(&stay.ledger));
        if ledgers.iter().any(|stay| over(&stay.ledger.state)) {
            for survey in self.surveys(patient, now).await?.iter().filter(|survey| survey.is_kept()) {
                tally.add_watched(&survey.watched);
            }
        }
        Ok(tally)
    }

    fn go_on(&self, row: &AheadRow, now: Instant, tally: &mut Tally) -> Result<(), StoreError> {
        let ahead =
            tallies::decode_ahead(&row.body).map_err(|error| StoreError::Internal(error.to_string()))?;
        for (key, cell) in hours(&ahead, now, &self.site().rules) {
            tally.cells.entry(key).or_default().add(&cell);
        }
        Ok(())
    }

    async fn added_up(&self, what: What, period: &Period<'_>, now: Instant) -> Result<Counted, StoreError> {
        let Period { from, to, units } = period;
        let zone = self.site().rules.zone;
        let end = to.checked_add_days(Days::new(1)).unwrap_or(*to);
        let query = SumsQuery {
            topics: what.topics().to_vec(),
            from_day: tallies::day_number(*from),
            to_day: tallies::day_number(*to),
            units: units.map(|units| units.iter().map(|unit| unit.to_string()).collect()),
            // what was reconciled after the end of the period has nothing ahead in it
            ahead_before_us: local_instant(end, chrono::NaiveTime::MIN, zone).micros().min(now.micros()),
            fresh: FRESH,
        };
        let summed = self.0.store.summed(query).await?;
        let mut counted = Counted { waiting: summed.waiting, ..Counted::default() };
        let mut adding = Adding::to(&mut counted.totals);
        for row in &summed.rows {
            let damaged = || StoreError::Internal(format!("the sums of unit {} cannot be read", row.unit));
            let sums = Sums::read(&row.body).ok_or_else(damaged)?;
            let names = || sums.names().unwrap_or_default().into_iter().map(str::to_owned).collect();
            let mut unit = adding.unit(&row.unit, sums.names_as_bytes(), names);
            let each = |place: usize, numbers: &[i64]| match row.taken {
                false => unit.add(place, numbers),
                true => unit.take(place, numbers),
            };
            sums.each(each).ok_or_else(damaged)?;
        }
        let mut running = Tally::default();
        for row in summed.ahead.iter().filter(|row| summed.fresh.iter().all(|(p, _)| *p != row.patient)) {
            self.go_on(row, now, &mut running)?;
        }
        counted.totals.add(&running, *from, *to, *units);
        for (patient, before) in &summed.fresh {
            counted.totals.take(&contributed(before), *from, *to, *units);
            counted.totals.add(&self.tally_now(patient, now).await?, *from, *to, *units);
        }
        Ok(counted)
    }
}

fn contributed(shares: &Shares) -> Tally {
    let mut tally = Tally::default();
    for row in &shares.rows {
        if let Some(day) = tallies::day_of(row.day) {
            tallies::add_to_tally(&mut tally, day, &row.part.unit, &row.part.name, &row.part.numbers);
        }
    }
    tally
}
