//! `$care-gaps`: where each requirement of patients stands, a document for each.

use std::sync::Arc;

use axum::body::Body;
use axum::http::StatusCode;
use serde_json::json;

use super::asked::{contradiction, measure_id, missing};
use super::whom;
use crate::care::ledger::Ledger;
use crate::care::tally::Tally;
use crate::care::time::Instant;
use crate::care::totals::Totals;
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;
use crate::rest::search::calendar;
use crate::rest::{Outcome, Rest, limits, read};
use crate::stays::Who;
use crate::translate::gaps::{self, Document, Status};
use crate::translate::measures::{self, Scope, Whom};

/// The measure whose gaps are told where none is named: the one that has a group for every requirement.
const MEASURE: &str = "timeliness";

/// `GET` or `POST /fhir/Measure/$care-gaps`, or `/fhir/Measure/id/$care-gaps`.
pub(super) async fn care_gaps(edge: &Edge, ask: &Ask<'_>, id: Option<&str>, body: Body) -> Outcome {
    let rest = &edge.rest;
    let given = super::parameters(edge, ask, body).await?;
    let (mut start, mut end, mut subject) = (None, None, None);
    let mut named = id.map(str::to_owned);
    let mut wanted: Vec<Status> = Vec::new();
    for (name, value) in &given {
        let days = || {
            let why = "expected a date, such as 2026-01-31: whole local days are counted";
            calendar(value).ok_or_else(|| Refused::value(name, why))
        };
        match name.as_str() {
            "periodStart" => start = Some(days()?.0),
            "periodEnd" => end = Some(days()?.1),
            "subject" | "organization" if subject.is_none() => {
                subject = Some(whom::asked(name, value, rest)?)
            }
            "subject" | "organization" => {
                return Err(contradiction(name, "only one of subject and organization is asked for, once"));
            }
            "status" => {
                for code in value.split(',') {
                    let expected = "expected open-gap, closed-gap, prospective-gap or not-applicable";
                    wanted.push(Status::of(code).ok_or_else(|| Refused::value(name, expected))?);
                }
            }
            "measure" | "measureId" | "measureUrl" => {
                if named.replace(measure_id(value)?).is_some() {
                    return Err(contradiction(name, "the gaps of one measure are told at a time"));
                }
            }
            "practitioner" => {
                let why = "care is counted by patient and unit, never by who gave it";
                return Err(Refused::not_supported(name, why));
            }
            _ => return Err(Refused::not_supported(name, "not a parameter of this operation here")),
        }
    }
    let expected = "expected a date, such as 2026-01-31";
    let from = start.ok_or_else(|| missing("periodStart", expected))?;
    let to = end.ok_or_else(|| missing("periodEnd", expected))?;
    let period = super::asked::in_order("periodEnd", from, to)?;
    let subject =
        subject.ok_or_else(|| missing("subject", "expected Patient/id, Group/id or Location/id"))?;
    let measure = named.unwrap_or_else(|| MEASURE.to_owned());
    check_measure(rest, &measure)?;
    if wanted.is_empty() {
        wanted.push(Status::Open);
    }
    let who = whom::who(rest, Some(&subject), None).await?;
    let units = units(&who);
    let now = Instant::from_micros(ask.now_us);
    let asked = gaps::Asked { measure: &measure, period, units: units.as_deref(), wanted: &wanted, now };
    let mut returned = Vec::new();
    for patient in patients(rest, &who, &asked).await? {
        let document = of_patient(rest, ask, &patient, &asked).await?;
        // of whom it is asked is told, if only that there is nothing
        if document.is_some() || matches!(who, Who::Patients(..)) {
            ask.act.tells_of([patient.as_str()].into_iter());
        }
        returned.extend(document);
    }
    let mut answer = json!({ "resourceType": "Parameters" });
    if let Some(members) = answer.as_object_mut()
        && !returned.is_empty()
    {
        members.insert("parameter".to_owned(), returned.into());
    }
    Ok(Answer::json(StatusCode::OK, answer.to_string()))
}

/// Refuses a measure that has no groups for requirements.
fn check_measure(rest: &Rest, id: &str) -> Result<(), Refused> {
    let site = rest.stays.site();
    if measures::requirements(id, &site.rules).is_some() {
        return Ok(());
    }
    Err(match measures::measure(id, &site.rules) {
        Some(_) => Refused::not_supported("measure", "its groups are not about requirements of care"),
        None => Refused::NotFound,
    })
}

fn units(who: &Who) -> Option<Vec<Arc<str>>> {
    match who {
        Who::All => None,
        Who::Units(units) => Some(units.clone()),
        Who::Patients(_, units) => units.clone(),
    }
}

async fn patients(rest: &Rest, who: &Who, asked: &gaps::Asked<'_>) -> Result<Vec<String>, Refused> {
    let most = limits::GAP_PATIENTS;
    let found = match who {
        Who::Patients(patients, _) => patients.clone(),
        Who::All | Who::Units(_) => {
            // of a unit only those of whom something is counted there
            let all = rest.stays.patients_of(asked.period, limits::SUBJECTS + 1).await?;
            if all.len() > limits::SUBJECTS {
                return Err(too_many(limits::SUBJECTS));
            }
            all
        }
    };
    match who {
        Who::Patients(..) if found.len() > most => Err(too_many(most)),
        Who::Patients(..) | Who::All | Who::Units(_) => Ok(found),
    }
}

fn too_many(most: usize) -> Refused {
    let why = format!("the gaps of at most {most} patients are told; ask for a shorter period or a Group");
    Refused::too_costly("subject", why)
}

async fn of_patient(
    rest: &Rest,
    ask: &Ask<'_>,
    patient: &str,
    asked: &gaps::Asked<'_>,
) -> Result<Option<serde_json::Value>, Refused> {
    let site = rest.stays.site();
    let stays = rest.stays.ledgers(patient, asked.now).await?;
    let ledgers: Vec<&Ledger> = stays.iter().map(|stay| &stay.ledger).collect();
    let found = gaps::gaps(&ledgers, &site.rules, asked);
    if found.is_empty() {
        return Ok(None);
    }
    let mut tally = Tally::default();
    ledgers.iter().for_each(|ledger| tally.add(ledger));
    let totals = Totals::of(&tally, asked.period.0, asked.period.1, asked.units);
    let scope = Scope { whom: Whom::Patient(patient.to_owned()), ..Scope::default() };
    let (rules, now) = (&site.rules, asked.now);
    let made = measures::evaluate(asked.measure, &totals, rules, asked.period, &scope, now);
    let mut report = made.ok_or(Refused::NotFound)?;
    let mut rests = std::collections::BTreeSet::new();
    for stay in &stays {
        rests.append(&mut measures::evidence(asked.measure, &stay.facts, &stay.ledger, rules, asked.period));
    }
    report.evaluated_resource = rests
        .into_iter()
        .take(limits::EVALUATED_RESOURCES)
        .map(|source| fhir_models::datatypes::Reference {
            reference: Some(source.0.to_string()),
            ..fhir_models::datatypes::Reference::default()
        })
        .collect();
    let document = rest.store.document("Patient", patient).await?;
    let body = document.as_ref().map(read::resource).transpose()?.flatten();
    let bundle = Document {
        patient,
        body: body.as_deref(),
        gaps: &found,
        report: &report,
        base: ask.base,
        asked: *asked,
        rules,
    };
    Ok(Some(json!({ "name": "return", "resource": bundle.bundle() })))
}
