//! Ventilator-associated events: a finder by the published surveillance protocol, for the infection-prevention team to
//! confirm.
//!
//! From charted settings of the ventilator to daily minima, from these to a worsening after two days that were stable
//! (a ventilator-associated condition, VAC), from temperature, white cells and antimicrobials around it to signs of
//! infection (IVAC). Every event carries the table of days it rests on. The rules are those of the protocol for adult
//! locations of the National Healthcare Safety Network (CDC NHSN), as far as they are marked so beside each:
//!
//! * *published*: the wording was seen in print or on the agency's pages;
//! * *from memory*: recalled of the protocol, to be checked against the edition that a site works by.
//!
//! In reading order: [`charted`] (what the record says), [`days`] (days of ventilation and their minima), [`events`]
//! (VAC), [`infection`] (IVAC), [`denominators`] (ventilator days, patient days, episodes).
//!
//! # What it is not
//! A screening aid: no diagnosis, no alarm, and it says nothing of why something happened. The third step of the
//! protocol, possible pneumonia, needs cultures and is not made.

pub mod charted;
pub mod days;
pub mod denominators;
pub mod events;
pub mod infection;

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;

use self::charted::Charting;
use self::days::{Episode, VentilatorDay};
use self::events::Event;
use super::airway::{Charted, airway};
use super::facts::Facts;
use super::ledger::{Cell, Ledger};
use super::place::places;
use super::protocol::Rules;
use super::time::{Instant, Span};

/// What must stand wherever an event is shown to people.
pub const CAUTION: &str = "Found by a screening rule in charted settings. The infection-prevention team confirms or \
    rejects it; it is not a diagnosis. Care that is shown beside it was charted before it and is not said to have caused \
    or prevented it.";

/// What surveillance finds in one stay.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Survey {
    /// Episodes of ventilation by calendar day, in order.
    pub episodes: Vec<Episode>,
    /// All days of ventilation, in order.
    pub days: Vec<VentilatorDay>,
    /// The events, in order.
    pub events: Vec<Event>,
}

/// Surveys the stay of `facts` at `now`.
///
/// # Guarantees
/// - The survey depends on the set of facts and readings, not on their order.
/// - Only days that are over at `now`, or that the end of the stay closed, are compared.
///
/// # Assumptions
/// - The patient is in a location for adults: the protocol has other rules for children, which are not made.
pub fn survey(charting: &Charting, facts: &Facts, rules: &Rules, now: Instant) -> Survey {
    let ends = facts.ends.as_ref().map(|e| e.at);
    let stay = Span::until(facts.begins.unwrap_or(Instant::EARLIEST), ends);
    let until = Span::new(Instant::EARLIEST, now);
    let ventilated = airway(&Charted::all(facts), rules, stay, now).episodes.within(until);
    let over = |day: NaiveDate| ends.is_some_and(|at| at <= now) || day < now.day(rules.zone);
    let episodes = days::episodes(&ventilated, rules.zone);
    let days = days::days(&episodes, &ventilated, charting, rules.zone);
    let places = places(&facts.units);
    let events = events::events(&days, charting, rules.zone, &over, &|day| {
        places.first_known(Span::new(Span::day(days::before(day, 1), rules.zone).from, now)).cloned()
    });
    Survey { episodes, days, events }
}

/// What the ledger of the same stay counted on the local days `from..=to`, by requirement: to be shown beside an event,
/// usually for the days before it.
pub fn care_on(ledger: &Ledger, from: NaiveDate, to: NaiveDate) -> BTreeMap<Arc<str>, Cell> {
    let mut out: BTreeMap<Arc<str>, Cell> = BTreeMap::new();
    for (key, cell) in ledger.cells.iter().filter(|(key, _)| from <= key.day && key.day <= to) {
        out.entry(key.requirement.clone()).or_default().add(cell);
    }
    out
}
