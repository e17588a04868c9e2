//! The tallies of a stay that is over, as bytes: one row for each local day.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::care::ledger::{Cell, CellKey, Census, Ledger, PatientDay, RequirementCounts};
use crate::care::surveillance::denominators::Watched;
use crate::care::tally::Tally;
use crate::care::time::Length;

/// What a stay contributes to the sums of one day.
#[derive(Default, Serialize, Deserialize)]
struct Day {
    cells: Vec<CellRow>,
    /// Unit, then for each requirement met, missed, excused.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    patient_day: Option<(Arc<str>, RequirementCounts)>,
    /// Unit, ventilated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    census: Option<(Arc<str>, bool)>,
    /// For each unit events, those with signs of infection, episodes begun, patients on pressure release.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    watched: Vec<(Arc<str>, [u32; 4])>,
}

#[derive(Serialize, Deserialize)]
struct CellRow {
    unit: Arc<str>,
    shift: Arc<str>,
    requirement: Arc<str>,
    /// Met, missed, excused, charted late.
    counts: [u32; 4],
    /// At risk, covered, unverified, in microseconds.
    hours: [i64; 3],
}

/// The rows of `ledger`, and of what surveillance found in the same stay, by local day, in order.
pub fn encode(
    ledger: &Ledger,
    watched: &BTreeMap<(Arc<str>, NaiveDate), Watched>,
) -> Vec<(NaiveDate, Vec<u8>)> {
    let mut days: BTreeMap<NaiveDate, Day> = BTreeMap::new();
    for (key, cell) in &ledger.cells {
        days.entry(key.day).or_default().cells.push(CellRow {
            unit: key.unit.clone(),
            shift: key.shift.clone(),
            requirement: key.requirement.clone(),
            counts: [cell.met, cell.missed, cell.excused, cell.late_charted],
            hours: [cell.at_risk, cell.covered, cell.unverified].map(Length::as_micros),
        });
    }
    for day in &ledger.patient_days {
        days.entry(day.day).or_default().patient_day = Some((day.unit.clone(), day.counts.clone()));
    }
    for count in &ledger.census {
        days.entry(count.day).or_default().census = Some((count.unit.clone(), count.ventilated));
    }
    for ((unit, day), cell) in watched {
        let counts = [cell.events, cell.infected, cell.begun, cell.pressure_release];
        days.entry(*day).or_default().watched.push((unit.clone(), counts));
    }
    // nothing in these types can fail to be written as JSON
    days.into_iter().map(|(date, day)| (date, serde_json::to_vec(&day).unwrap_or_default())).collect()
}

/// Adds a row of [`encode`] to `tally`.
///
/// # Errors
/// The bytes are not such a row.
pub fn decode(date: NaiveDate, bytes: &[u8], tally: &mut Tally) -> Result<(), serde_json::Error> {
    let day: Day = serde_json::from_slice(bytes)?;
    for row in day.cells {
        let ([met, missed, excused, late_charted], [at_risk, covered, unverified]) =
            (row.counts, row.hours.map(Length::micros));
        let key = CellKey { unit: row.unit, day: date, shift: row.shift, requirement: row.requirement };
        let cell = Cell { met, missed, excused, late_charted, at_risk, covered, unverified };
        tally.cells.entry(key).or_default().add(&cell);
    }
    if let Some((unit, counts)) = day.patient_day {
        tally.add_day(&PatientDay { day: date, unit, counts });
    }
    if let Some((unit, ventilated)) = day.census {
        tally.add_census(&Census { day: date, unit, ventilated });
    }
    for (unit, [events, infected, begun, pressure_release]) in day.watched {
        let cell = Watched { events, infected, begun, pressure_release };
        tally.watched.entry((unit, date)).or_default().add(&cell);
    }
    Ok(())
}
