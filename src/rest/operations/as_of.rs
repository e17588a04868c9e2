//! Reports of the record as it was known at an instant, and what two of them count differently.

use std::sync::Arc;

use axum::http::StatusCode;
use chrono::NaiveDate;

use crate::care::compare::{Difference, Reading, differences};
use crate::care::tally::Tally;
use crate::care::time::Instant;
use crate::care::totals::Totals;
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::refused::Refused;
use crate::rest::{Outcome, Rest, limits, table};
use crate::site::Site;
use crate::stays::{Known, What, Who};
use crate::translate::measures::{self, COMPARED_COLUMNS, OfStay};

/// Whose care, of which days.
pub(super) struct Wanted<'a> {
    pub(super) measure: &'a str,
    pub(super) who: &'a Who,
    pub(super) period: (NaiveDate, NaiveDate),
}

impl Wanted<'_> {
    fn units(&self) -> Option<&[Arc<str>]> {
        match self.who {
            Who::All => None,
            Who::Units(units) => Some(units),
            Who::Patients(_, units) => units.as_deref(),
        }
    }

    /// The patients that are looked at, by what was known at `since` or later.
    async fn patients(&self, rest: &Rest, since: Instant) -> Result<Vec<String>, Refused> {
        let most = limits::AS_OF_PATIENTS;
        let patients = rest.stays.patients_since(self.who, self.period, since, most).await?;
        if patients.len() > most {
            let why =
                format!("at most {most} patients are counted anew; ask for a shorter period or a Group");
            return Err(Refused::too_costly("asOf", why));
        }
        Ok(patients.into_iter().collect())
    }
}

/// The site as it was at `at`.
pub(super) async fn site_at(rest: &Rest, at: Instant) -> Result<Arc<Site>, Refused> {
    rest.stays.site_at(at).await.map_err(|error| {
        tracing::warn!(error = format!("{error:#}"), "the definitions of an earlier instant cannot be used");
        let why = "the protocol that the configuration names was not there at that instant".to_owned();
        Refused::Unprocessable { at: "asOf".to_owned(), why }
    })
}

/// The sums as they were known at `at`.
pub(super) async fn totals_at(
    rest: &Rest,
    wanted: &Wanted<'_>,
    at: Instant,
    site: &Arc<Site>,
) -> Result<Totals, Refused> {
    let mut totals = Totals::default();
    for patient in wanted.patients(rest, at).await? {
        let known = rest.stays.known_at(&patient, at, site, What::of(wanted.measure)).await?;
        let mut tally = Tally::default();
        for known in &known.stays {
            tally.add(&known.stay.ledger);
            tally.add_watched(&known.watched);
        }
        totals.add(&tally, wanted.period.0, wanted.period.1, wanted.units());
    }
    Ok(totals)
}

/// Everything that the report as it was known at one of two instants counts and the other does not.
pub(super) async fn compare(
    rest: &Rest,
    ask: &Ask<'_>,
    wanted: &Wanted<'_>,
    instants: (Instant, Instant),
) -> Outcome {
    let (earlier, later) = (instants.0.min(instants.1), instants.0.max(instants.1));
    let (old, new) = (site_at(rest, earlier).await?, site_at(rest, later).await?);
    let mut found: Vec<(String, String, Difference)> = Vec::new();
    for patient in wanted.patients(rest, earlier).await? {
        let what = What::of(wanted.measure);
        let before = rest.stays.known_at(&patient, earlier, &old, what).await?;
        let after = rest.stays.known_at(&patient, later, &new, what).await?;
        for (stay, difference) in of_patient(&before, &after, wanted) {
            found.push((patient.clone(), stay, difference));
        }
        if found.len() > limits::DIFFERENCES {
            let why = format!("there are more than {} differences; ask for less", limits::DIFFERENCES);
            return Err(Refused::too_costly("comparedWith", why));
        }
    }
    let patients: std::collections::BTreeSet<&str> = found.iter().map(|(p, _, _)| p.as_str()).collect();
    ask.act.tells_of(patients.into_iter());
    let told: Vec<OfStay<'_>> =
        found.iter().map(|(patient, stay, difference)| OfStay { patient, stay, difference }).collect();
    if ask.wants("text/csv") {
        return table::csv(&COMPARED_COLUMNS, told.iter().map(measures::compared_row));
    }
    let body = measures::compared(wanted.measure, earlier, later, &told);
    Ok(Answer::json(StatusCode::OK, body.to_string()))
}

/// The differences of each stay of a patient, by its id.
fn of_patient(before: &Known, after: &Known, wanted: &Wanted<'_>) -> Vec<(String, Difference)> {
    let changed = before.changed(after);
    let mut ids: Vec<&str> = before.stays.iter().chain(&after.stays).map(|s| s.stay.stay.as_str()).collect();
    ids.sort_unstable();
    ids.dedup();
    let mut out = Vec::new();
    for id in ids {
        let (old, new) = (reading(before, id), reading(after, id));
        let all = differences(old, new, &changed, before.at, wanted.period);
        let concern = |difference: &Difference| {
            [&before.site, &after.site]
                .into_iter()
                .any(|site| measures::concerns(wanted.measure, difference, &site.rules, wanted.units()))
        };
        out.extend(all.into_iter().filter(concern).map(|difference| (id.to_owned(), difference)));
    }
    out
}

fn reading<'a>(known: &'a Known, id: &str) -> Option<Reading<'a>> {
    let known_stay = known.stays.iter().find(|known| known.stay.stay == id)?;
    let (stay, events) = (&known_stay.stay, known_stay.events.as_slice());
    Some(Reading { facts: &stay.facts, ledger: &stay.ledger, rules: &known.site.rules, events })
}
