//! Worsening after two stable days: the ventilator-associated condition.

use std::sync::Arc;

use chrono::NaiveDate;
use chrono_tz::Tz;

use super::charted::Charting;
use super::days::{Minimum, VentilatorDay, after, before};
use super::infection::{Infection, Sign, infection, signs};
use crate::care::facts::Source;

/// So much more PEEP is worse: 3 cmH2O (published: PMC5721221, table 1). In hundredths.
const PEEP_RISE: i64 = 300;

/// So much more oxygen is worse: 0.20 (published: the same). In hundredths of a percent.
const FIO2_RISE: i64 = 2_000;

/// Days of an event, its date being the first: no other event begins in them, whatever the episode (from memory).
const EVENT_DAYS: u64 = 14;

/// Signs of infection count so many days before and after the date of the event (from memory).
const WINDOW: u64 = 2;

/// Signs on the first days of ventilation do not count (from memory).
const FIRST_WINDOW_DAY: u32 = 3;

/// The fourth day of an antimicrobial that was begun on the last day of the window may be one without it, which counts
/// if it is given again on the next.
const TREATMENT_AFTER: u64 = 4;

/// A setting that is compared.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Setting {
    /// Positive end-expiratory pressure.
    Peep,
    /// Fraction of inspired oxygen.
    Fio2,
}

/// A ventilator-associated event.
#[derive(Clone, PartialEq, Debug)]
pub struct Event {
    /// Its date: the first day of worsening, not the day on which that was seen (from memory).
    pub date: NaiveDate,
    /// That day's number in the episode of ventilation.
    pub number: u32,
    /// What worsened, one or both.
    pub by: Vec<Setting>,
    /// The unit it is attributed to, empty if not known: where the patient was when the day before its date began, so
    /// that one on the day of a transfer or the day after belongs to the unit that was left (from memory).
    pub unit: Arc<str>,
    /// The last of its fourteen days.
    pub until: NaiveDate,
    /// First and last day on which signs of infection count.
    pub window: (NaiveDate, NaiveDate),
    /// Whether it comes with signs of infection.
    pub infection: Infection,
    /// False while the days ahead can still add to the signs of infection.
    pub settled: bool,
    /// The days from the first of the two stable ones to the end of the window, or to the last day of antimicrobials
    /// that counts.
    pub table: Vec<TableDay>,
}

impl Event {
    /// The documents that its table of days rests on.
    pub fn sources(&self) -> Vec<Source> {
        let minima = self.table.iter().filter_map(|row| row.ventilator.as_ref());
        let minima = minima.flat_map(|day| [&day.peep, &day.fio2]).flatten();
        let signs = self.table.iter().flat_map(|row| &row.sign.sources);
        minima.flat_map(|minimum| &minimum.sources).chain(signs).cloned().collect()
    }
}

/// A row of an event's table.
#[derive(Clone, PartialEq, Debug)]
pub struct TableDay {
    /// The local day.
    pub day: NaiveDate,
    /// The day of ventilation; none without any.
    pub ventilator: Option<VentilatorDay>,
    /// What was charted of signs of infection.
    pub sign: Sign,
}

/// The events of a stay. `over` tells of which days no more is to come, `unit` to which unit an event of a date is
/// attributed.
pub(super) fn events(
    days: &[VentilatorDay],
    charting: &Charting,
    zone: Tz,
    over: &dyn Fn(NaiveDate) -> bool,
    unit: &dyn Fn(NaiveDate) -> Option<Arc<str>>,
) -> Vec<Event> {
    let mut out: Vec<Event> = Vec::new();
    for four in days.windows(4) {
        let [first, second, third, fourth] = four else { continue };
        // one day after the other of one episode, so that day 3 is the first that can be the date of an event
        if fourth.number != first.number + 3 || !over(fourth.day) {
            continue;
        }
        if out.last().is_some_and(|event| third.day <= event.until) {
            continue;
        }
        let minima = |of: fn(&VentilatorDay) -> &Option<Minimum>| {
            [first, second, third, fourth].map(|day| of(day).as_ref().map(|m| m.value))
        };
        let by: Vec<Setting> = [
            (Setting::Peep, worsened(minima(|d| &d.peep), PEEP_RISE)),
            (Setting::Fio2, worsened(minima(|d| &d.fio2), FIO2_RISE)),
        ]
        .into_iter()
        .filter_map(|(setting, worsened)| worsened.then_some(setting))
        .collect();
        if !by.is_empty() {
            out.push(event(third, by, days, charting, zone, over, unit));
        }
    }
    out
}

/// Whether the daily minimum of one setting, stable or falling over two days, rose and stayed for two: each of them is
/// compared with the first of the stable ones (published; that it is the first, from memory).
fn worsened(minima: [Option<i64>; 4], rise: i64) -> bool {
    let [Some(first), Some(second), Some(third), Some(fourth)] = minima else { return false };
    second <= first && third >= first + rise && fourth >= first + rise
}

fn event(
    onset: &VentilatorDay,
    by: Vec<Setting>,
    days: &[VentilatorDay],
    charting: &Charting,
    zone: Tz,
    over: &dyn Fn(NaiveDate) -> bool,
    unit: &dyn Fn(NaiveDate) -> Option<Arc<str>>,
) -> Event {
    let date = onset.day;
    let first_that_counts = before(date, u64::from(onset.number.saturating_sub(FIRST_WINDOW_DAY)));
    let window = (before(date, WINDOW).max(first_that_counts), after(date, WINDOW));
    let found = infection(charting, window, zone);
    let last_treated = found.qualifying.range(..=after(window.1, TREATMENT_AFTER)).next_back();
    let last = last_treated.copied().unwrap_or(window.1).max(window.1);
    let table = before(date, 2).iter_days().take_while(|day| *day <= last);
    Event {
        date,
        number: onset.number,
        by,
        unit: unit(date).unwrap_or_default(),
        until: after(date, EVENT_DAYS - 1),
        window,
        settled: found.infection == Infection::Found || over(after(window.1, TREATMENT_AFTER)),
        infection: found.infection,
        table: table
            .map(|day| TableDay {
                day,
                ventilator: days.iter().find(|d| d.day == day).cloned(),
                sign: signs(charting, day, &found, zone),
            })
            .collect(),
    }
}
