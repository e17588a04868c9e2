//! Reports that are made by themselves: of each day, week or month that is over, for each unit and for everybody.
//!
//! # Guarantees
//! - The id of a report derives from what it is about, and a report whose numbers are the ones that are kept is not
//!   written: neither a restart nor a second node makes one twice.
//! - What comes later and changes the numbers (late charting, corrections, withdrawals) makes a new version that says which
//!   one it replaces and why; the old one stays in its history.
//! - The reconciler waits for none of this: it is told nothing, and the sums that a report is made of are read.
//!
//! # How long it takes
//! A period is one reading of the sums, whatever the units. What has changed in periods that are over is looked for once an
//! hour, so a report has at most 24 versions a day.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex, PoisonError};

use chrono::{Days, NaiveDate};
use fhir_models::{MeasureReport, Resource};
use tokio::sync::{Notify, watch};
use tracing::{error, info, warn};

use crate::care::ledger::Feed;
use crate::care::time::{Instant, Length};
use crate::care::totals::Totals;
use crate::clock::Clock;
use crate::config::Reports;
use crate::site::Site;
use crate::stays::{Counted, Stays, Steps, What, Who, recorded};
use crate::store::{Batch, Identifier, OutcomeRow, Precondition, Store, StoreError, Write};
use crate::translate::measures::scheduled::{Slot, kept};
use crate::translate::measures::{self, Beside, Scope, Step, Whom};
use crate::translate::tallies::day_of;

/// Periods that are made up for after a time without reports: two months of days. Older ones can be asked for.
const CATCH_UP: usize = 62;

/// How often what has changed is looked for.
const REVISED_EVERY: Length = Length::hours(1);

/// Changes of the sums of a unit's day that are looked at together, and periods that they may touch before the rest waits
/// for the next look.
const CHANGES: usize = 2_000;
const PERIODS: usize = 40;

/// While more patients wait to be counted than a report can count by itself, it is put off, for so long at most.
const PUT_OFF: Length = Length::hours(6);

/// An event is seen when its second day is over, its signs of infection until days later, and nothing of that is in the
/// sums while the stay goes on: for so many days after their end periods are surveyed again each day.
const EVENTS_AHEAD: u64 = 9;

/// Reports in one commit.
const TOGETHER: usize = 64;

/// Makes the reports.
#[derive(Clone, Debug)]
pub struct Reporter {
    store: Store,
    stays: Stays,
    clock: Clock,
    wanted: Reports,
    /// Notified after a report was written.
    told: Arc<Notify>,
    state: Arc<Mutex<State>>,
}

/// What need not outlive the process.
#[derive(Clone, Copy, Default, Debug)]
struct State {
    revised: Option<Instant>,
    /// The day on which events of earlier periods were last looked for.
    surveyed: Option<NaiveDate>,
    /// Since when reports are put off.
    put_off: Option<Instant>,
}

/// What a period came to, as one reading of the sums.
struct Read {
    step: Step,
    period: (NaiveDate, NaiveDate),
    counts: Counted,
    events: Counted,
}

/// Units whose sums have changed, by place of the step and first day of the period.
type Touched = BTreeMap<usize, BTreeMap<NaiveDate, BTreeSet<String>>>;

/// Which units of a period are looked at.
enum Units {
    /// All, and everybody together.
    All,
    /// These, and everybody together.
    Some(BTreeSet<String>),
}

impl Reporter {
    /// Reports as `wanted`.
    pub fn new(store: Store, stays: Stays, clock: Clock, wanted: Reports, told: Arc<Notify>) -> Self {
        Reporter { store, stays, clock, wanted, told, state: Arc::default() }
    }

    /// Runs until `stop` says so; what is under way then is made again by the next process. Ends early only if the store
    /// can no longer be trusted.
    ///
    /// # Errors
    /// The store's `Fatal`.
    pub async fn run(self, mut stop: watch::Receiver<bool>) -> Result<(), StoreError> {
        while !*stop.borrow() {
            if self.wanted.schedule.is_empty() {
                let _ = stop.changed().await;
                continue;
            }
            let now = self.clock.now();
            let turned = tokio::select! {
                turned = self.turn(now) => turned,
                _ = stop.changed() => continue,
            };
            match turned {
                Ok(_) => {}
                Err(fatal @ (StoreError::Fatal(_) | StoreError::Closed)) => return Err(fatal),
                Err(other) => error!(error = %other, "reports are put off"),
            }
            let site = self.stays.site();
            let next = self.wanted.schedule.iter().map(|step| step.next(now, &site.rules)).min();
            tokio::select! {
                () = self.clock.sleep_until(next) => {}
                _ = stop.changed() => {}
            }
        }
        Ok(())
    }

    /// Makes every report that can be made at `now`, and replaces those whose numbers have changed. Returns how many were
    /// written.
    ///
    /// # Errors
    /// The store.
    pub async fn turn(&self, now: Instant) -> Result<usize, StoreError> {
        let mut written = 0;
        let site = self.stays.site();
        let mut made: Vec<Option<NaiveDate>> = Vec::new();
        for step in self.wanted.schedule.iter().copied() {
            made.push(self.made(step).await?);
            for period in step.over(made.last().copied().flatten(), now, &site.rules, CATCH_UP) {
                let Some(read) = self.read(step, &[period], now).await? else { break };
                for read in &read {
                    let many = self.write(read, &Units::All, &site, Some(period.1), now).await?;
                    let (step, from, to) = (step.code(), period.0, period.1);
                    info!(step, %from, %to, reports = many, "a period is over: reports were made");
                    written += many;
                }
                if let Some(made) = made.last_mut() {
                    *made = Some(period.1);
                }
            }
        }
        // no day is over before its charting has had its time
        let today = (now - site.rules.allowance).day(site.rules.zone);
        if self.state().surveyed != Some(today) {
            written += self.survey_again(&site, today, now).await?;
            self.state_mut(|state| state.surveyed = Some(today));
        }
        let due = self.state().revised.is_none_or(|at| now >= at + REVISED_EVERY || now < at);
        if due && self.revise(&made, &site, now, &mut written).await? {
            self.state_mut(|state| state.revised = Some(now));
        }
        if written > 0 {
            self.told.notify_one();
        }
        Ok(written)
    }

    fn state(&self) -> State {
        *self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn state_mut(&self, change: impl FnOnce(&mut State)) {
        change(&mut self.state.lock().unwrap_or_else(PoisonError::into_inner));
    }

    /// The last day up to which the reports of a step were made.
    async fn made(&self, step: Step) -> Result<Option<NaiveDate>, StoreError> {
        let mark = self.store.mark(&mark(step.code())).await?;
        Ok(mark.and_then(|mark| mark.parse().ok()))
    }

    /// The sums of periods of a step, in order; none if they are to be read later.
    async fn read(
        &self,
        step: Step,
        periods: &[(NaiveDate, NaiveDate)],
        now: Instant,
    ) -> Result<Option<Vec<Read>>, StoreError> {
        let counts = self.stays.in_steps(What::CountsAndDelays, &Who::All, periods, now).await?;
        let events = match self.wanted.measures.iter().any(|id| measures::tells_events(id)) {
            true => self.stays.in_steps(What::CountsAndEvents, &Who::All, periods, now).await?,
            false => Steps { parts: vec![Totals::default(); periods.len()], ..Steps::default() },
        };
        let waiting = counts.whole.waiting.max(events.whole.waiting);
        if waiting == 0 {
            self.state_mut(|state| state.put_off = None);
        } else {
            let since = self.state().put_off.unwrap_or(now);
            self.state_mut(|state| state.put_off = Some(since));
            if now < since + PUT_OFF {
                return Ok(None);
            }
            warn!(waiting, "reports are made though charting waits to be counted");
        }
        let of = |steps: &Steps, totals: Totals| Counted {
            totals,
            waiting: steps.whole.waiting,
            unsurveyed: steps.whole.unsurveyed,
        };
        let parts = counts.parts.iter().cloned().zip(events.parts.iter().cloned());
        let read = periods.iter().zip(parts).map(|(period, (own, other))| Read {
            step,
            period: *period,
            counts: of(&counts, own),
            events: of(&events, other),
        });
        Ok(Some(read.collect()))
    }

    /// Writes what of a period is not kept yet, or is kept with other numbers.
    async fn write(
        &self,
        read: &Read,
        units: &Units,
        site: &Arc<Site>,
        made: Option<NaiveDate>,
        now: Instant,
    ) -> Result<usize, StoreError> {
        let (mut writes, mut written) = (Vec::new(), 0);
        let known: BTreeSet<String> = match units {
            Units::All => {
                let named = site.rules.units.keys().map(ToString::to_string);
                let counted = [&read.counts, &read.events].into_iter().flat_map(|c| c.totals.parts());
                let counted = counted.filter(|(_, _, part)| !part.is_empty());
                named
                    .chain(counted.map(|(unit, _, _)| unit.to_string()))
                    .filter(|unit| !unit.is_empty())
                    .collect()
            }
            Units::Some(units) => units.iter().filter(|unit| !unit.is_empty()).cloned().collect(),
        };
        for unit in known.iter().map(|unit| Some(unit.as_str())).chain([None]) {
            let totals = |counted: &Counted| match unit {
                Some(unit) => counted.totals.of_unit(unit),
                None => counted.totals.clone(),
            };
            let (counts, events) = (totals(&read.counts), totals(&read.events));
            for measure in &self.wanted.measures {
                let slot = Slot { measure, step: read.step, period: read.period, unit };
                let (counted, totals) = match measures::tells_events(measure) {
                    true => (&read.events, &events),
                    false => (&read.counts, &counts),
                };
                writes.extend(self.report(&slot, (counted, totals), site, now).await?);
            }
            if writes.len() >= TOGETHER {
                written += self.commit(std::mem::take(&mut writes), Vec::new(), now).await?;
            }
            // others are to be answered meanwhile
            tokio::task::yield_now().await;
        }
        let marks = made.map(|made| (mark(read.step.code()).into(), made.to_string()));
        written += self.commit(writes, marks.into_iter().collect(), now).await?;
        Ok(written)
    }

    async fn report(
        &self,
        slot: &Slot<'_>,
        (counted, totals): (&Counted, &Totals),
        site: &Arc<Site>,
        now: Instant,
    ) -> Result<Option<Write>, StoreError> {
        let heard_until = match self.stays.feed(now) {
            feed if feed == Feed::unwatched() => None,
            Feed::Live { watermark } | Feed::Silent { watermark } => Some(watermark),
        };
        let scope = Scope {
            whom: slot.unit.map_or(Whom::All, |unit| Whom::Location(unit.to_owned())),
            heard_until,
            waiting: counted.waiting,
            unsurveyed: counted.unsurveyed,
            ..Scope::default()
        };
        let beside = Beside { smallest: self.wanted.suppress_below, ..Beside::default() };
        let rules = &site.rules;
        let Some(report) =
            measures::evaluate_beside(slot.measure, totals, rules, slot.period, &scope, &beside, now)
        else {
            return Ok(None);
        };
        let standing = self.store.document("MeasureReport", &slot.id()).await?;
        let before = standing.as_ref().and_then(|document| {
            let read: MeasureReport = fhir_models::parse(document.body.as_deref()?).ok()?;
            Some((read, document.version))
        });
        let precondition = match &standing {
            Some(document) if document.body.is_some() => Precondition::Version(document.version),
            Some(_) | None => Precondition::Absent,
        };
        let report = kept(report, slot, before.as_ref().map(|(read, version)| (read, *version)));
        Ok(report.map(|report| write(slot, &report, precondition)))
    }

    /// Returns how many documents were written.
    async fn commit(
        &self,
        writes: Vec<Write>,
        marks: Vec<(std::borrow::Cow<'static, str>, String)>,
        now: Instant,
    ) -> Result<usize, StoreError> {
        if writes.is_empty() && marks.is_empty() {
            return Ok(0);
        }
        let many = writes.len();
        let audits = if writes.is_empty() { Vec::new() } else { vec![recorded()] };
        let batch = Batch { now_us: now.micros(), writes, marks, audits, ..Batch::default() };
        self.store.commit(batch).await?;
        Ok(many)
    }

    /// Of the measures of events, the periods that ended a while ago.
    async fn survey_again(
        &self,
        site: &Arc<Site>,
        today: NaiveDate,
        now: Instant,
    ) -> Result<usize, StoreError> {
        let events: Vec<&'static str> =
            self.wanted.measures.iter().copied().filter(|id| measures::tells_events(id)).collect();
        let since = today.checked_sub_days(Days::new(EVENTS_AHEAD)).filter(|_| !events.is_empty());
        if since.is_none() {
            return Ok(0);
        }
        let only = Reporter { wanted: Reports { measures: events, ..self.wanted.clone() }, ..self.clone() };
        let mut written = 0;
        for step in self.wanted.schedule.iter().copied() {
            let periods = step.over(since, now, &site.rules, CATCH_UP);
            for read in only.read(step, &periods, now).await?.into_iter().flatten() {
                written += only.replace(&read, &Units::All, site, now).await?;
            }
        }
        Ok(written)
    }

    /// Replaces the reports of a period whose numbers have changed; what was never made is not made.
    async fn replace(
        &self,
        read: &Read,
        units: &Units,
        site: &Arc<Site>,
        now: Instant,
    ) -> Result<usize, StoreError> {
        let Some(measure) = self.wanted.measures.first() else { return Ok(0) };
        let all = Slot { measure, step: read.step, period: read.period, unit: None };
        match self.store.document("MeasureReport", &all.id()).await? {
            Some(document) if document.body.is_some() => self.write(read, units, site, None, now).await,
            Some(_) | None => Ok(0),
        }
    }

    /// Replaces the reports whose sums have changed, up to `made` of each step. False if some of them must wait.
    async fn revise(
        &self,
        made: &[Option<NaiveDate>],
        site: &Arc<Site>,
        now: Instant,
        written: &mut usize,
    ) -> Result<bool, StoreError> {
        let mark = mark("seq");
        let mut after: i64 = self.store.mark(&mark).await?.and_then(|seq| seq.parse().ok()).unwrap_or(0);
        loop {
            let changes = self.store.sums_changed(after, CHANGES).await?;
            let (Some((_, _, first)), Some((_, _, last))) = (changes.first(), changes.last()) else {
                return Ok(true);
            };
            let (touched, upto) = self.touched(made, &changes);
            // of one transaction all is looked at together
            let upto = upto.unwrap_or(*last).max(*first);
            for (place, periods) in &touched {
                let Some(step) = self.wanted.schedule.get(*place).copied() else { continue };
                let days: Vec<(NaiveDate, NaiveDate)> = periods.keys().map(|day| step.around(*day)).collect();
                let Some(read) = self.read(step, &days, now).await? else { return Ok(false) };
                for (read, units) in read.iter().zip(periods.values()) {
                    *written += self.replace(read, &Units::Some(units.clone()), site, now).await?;
                }
            }
            let marks = vec![(mark.clone().into(), upto.to_string())];
            self.commit(Vec::new(), marks, now).await?;
            let all = upto == *last && changes.len() < CHANGES;
            if all || !touched.is_empty() {
                return Ok(all);
            }
            after = upto;
        }
    }

    /// The periods that were reported and that changes of the sums touch, with the units, by place of their step and first
    /// day; and up to which position these are, if not to the last.
    fn touched(&self, made: &[Option<NaiveDate>], changes: &[(i64, String, i64)]) -> (Touched, Option<i64>) {
        let mut touched = Touched::new();
        for (day, unit, seq) in changes {
            let Some(day) = day_of(*day) else { continue };
            if touched.values().map(BTreeMap::len).sum::<usize>() >= PERIODS {
                return (touched, Some(seq - 1));
            }
            for (place, (step, made)) in self.wanted.schedule.iter().zip(made).enumerate() {
                let (first, last) = step.around(day);
                if made.is_some_and(|made| last <= made) {
                    let periods = touched.entry(place).or_default();
                    periods.entry(first).or_default().insert(unit.clone());
                }
            }
        }
        (touched, None)
    }
}

fn mark(of: &str) -> String {
    format!("reports/{of}")
}

fn write(slot: &Slot<'_>, report: &MeasureReport, precondition: Precondition) -> Write {
    let (system, value) = slot.identifier();
    Write {
        kind: "MeasureReport".into(),
        id: Some(slot.id()),
        body: Some(report.write()),
        precondition,
        identifiers: vec![Identifier { system, value }],
        outcome: Some(OutcomeRow {
            status: Some("complete".to_owned()),
            location: slot.unit.map(str::to_owned),
            code: Some(slot.measure.to_owned()),
            ..OutcomeRow::default()
        }),
        ..Write::default()
    }
}
