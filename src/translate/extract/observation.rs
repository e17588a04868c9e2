//! Observation: rows of a flowsheet that tell care, the airway in use, an extubation, time away.

use std::sync::Arc;

use fhir_models::Observation;
use fhir_models::codes::ObservationStatus;
use fhir_models::datatypes::CodeableConcept;
use fhir_models::observation::ObservationEffective;
use serde::Deserialize;

use super::charted::Concept;
use super::reading::{Reading, Vague};
use super::{Care, ConditionSays, Tell};
use crate::care::facts::{Code, When};
use crate::care::time::Instant;
use crate::translate::codes::{Airway, Meaning};

/// One code of a row with its value: the row itself, or one of its components.
struct Part {
    code: Meaning,
    value: Meaning,
    /// The value says that what the code names was not so.
    denied: bool,
    absent: Option<Meaning>,
}

/// Start and end as charted; an instant is both.
type Charted = Result<(Option<When>, Option<When>), &'static str>;

/// As much of a row as tells whether anything in it has a meaning.
#[derive(Deserialize)]
struct Coded<'a> {
    #[serde(borrow)]
    code: Option<Concept<'a>>,
    #[serde(borrow, rename = "valueCodeableConcept")]
    value: Option<Concept<'a>>,
    #[serde(borrow, default)]
    component: Vec<Coded<'a>>,
}

/// True if no code or value of the row is known to mean anything. A row that cannot be read so is read whole.
pub(super) fn means_nothing(reading: &Reading<'_>) -> bool {
    let known = |concept: &Concept<'_>| {
        let mut codings = concept.coding.iter();
        codings.any(|c| reading.codes.code(&c.system, &c.code).is_some_and(|m| !m.is_empty()))
    };
    let any = |row: &Coded<'_>| row.code.iter().chain(&row.value).any(known);
    serde_json::from_slice::<Coded<'_>>(reading.stored.body)
        .is_ok_and(|row| !any(&row) && !row.component.iter().any(any))
}

pub(super) fn read(row: &Observation, reading: &mut Reading<'_>) {
    reading.made_in(row.encounter.as_ref());
    if row.status == Some(ObservationStatus::EnteredInError) {
        return;
    }
    let parts = parts(row, reading);
    if parts.is_empty() {
        return;
    }
    match row.status {
        Some(ObservationStatus::Final | ObservationStatus::Amended | ObservationStatus::Corrected) => {}
        Some(
            ObservationStatus::Registered
            | ObservationStatus::Preliminary
            | ObservationStatus::Cancelled
            | ObservationStatus::EnteredInError
            | ObservationStatus::Unknown,
        ) => return,
        None => return reading.doubt("its status has no value; it tells nothing"),
    }
    let charted = charted(row, reading);
    let at = match effective(row, &charted, reading) {
        Ok(at) => at,
        Err(why) => return reading.doubt(why),
    };
    for part in &parts {
        care(row, part, at, reading);
        airway(part, at, reading);
        if !part.denied && part.code.airways.or_has(part.value.airways, Airway::Away) {
            away(&charted, reading);
        }
        condition(part, &charted, reading);
    }
}

/// The row and its components, as far as they mean anything.
fn parts(row: &Observation, reading: &Reading<'_>) -> Vec<Part> {
    let part = |code: &CodeableConcept,
                value: Option<&CodeableConcept>,
                truth: Option<bool>,
                absent: Option<&CodeableConcept>| {
        let (code, value) = (reading.concept(Some(code)), reading.concept(value));
        let denied = truth == Some(false) || value.not_done;
        let absent = absent.map(|reason| reading.concept(Some(reason)));
        Part { code, value, denied, absent }
    };
    let whole = part(
        &row.code,
        row.value_codeable_concept.as_ref(),
        row.value_boolean,
        row.data_absent_reason.as_ref(),
    );
    let components = row.component.iter().map(|c| {
        part(&c.code, c.value_codeable_concept.as_ref(), c.value_boolean, c.data_absent_reason.as_ref())
    });
    let useful =
        |p: &Part| !p.code.is_empty() || !p.value.airways.is_empty() || !p.value.conditions.is_empty();
    std::iter::once(whole).chain(components).filter(useful).collect()
}

fn charted(row: &Observation, reading: &Reading<'_>) -> Charted {
    let instant = |when: Result<When, Vague>| when.map(|at| (Some(at), Some(at))).map_err(Vague::why);
    match row.effective() {
        Err(_) => Err("it says twice when it was; it tells nothing"),
        Ok(None) => Err("it does not say when; it tells nothing"),
        Ok(Some(ObservationEffective::DateTime(at))) => instant(reading.when(at)),
        Ok(Some(ObservationEffective::Instant(at))) => instant(reading.when_instant(at)),
        Ok(Some(ObservationEffective::Period(period))) => reading.period(period),
        Ok(Some(ObservationEffective::Timing(_))) => Err("its time is a schedule; it tells nothing"),
    }
}

fn effective(row: &Observation, charted: &Charted, reading: &mut Reading<'_>) -> Result<When, &'static str> {
    match *charted {
        Ok((_, Some(end))) => Ok(end),
        Ok((Some(start), None)) => {
            if row.effective_period.is_some() {
                reading.doubt("its period has no end; taken at its start");
            }
            Ok(start)
        }
        Ok((None, None)) => Err("it does not say when; it tells nothing"),
        Err(why) => Err(why),
    }
}

fn care(row: &Observation, part: &Part, at: When, reading: &mut Reading<'_>) {
    if part.code.activities.is_empty() {
        return;
    }
    let activities: Arc<[Code]> = part.code.activities.clone();
    let recorded = reading.recorded(row.issued.as_ref(), super::reading::said_at(row.meta.as_ref()), at);
    let care = Care { at, activities, devices: None, recorded, received: reading.received() };
    if !part.denied && part.absent.is_none() {
        return reading.tell(Tell::Care(care));
    }
    let absent = part.absent.as_ref().and_then(|a| a.excuse.clone());
    match part.value.excuse.clone().or(absent) {
        Some(reason) => reading.tell(Tell::Excuse(Box::new((care, reason)))),
        None => {
            reading.doubt("not done, or its value is missing, without a reason that counts; it has no effect")
        }
    }
}

/// The value tells more than the code: a row `oxygen device` is what its value says.
fn airway(part: &Part, at: When, reading: &mut Reading<'_>) {
    let (code, value) = (part.code.airways, part.value.airways);
    let invasive = if part.absent.is_some() {
        None
    } else if value.has(Airway::InvasiveRow) {
        Some(true)
    } else if value.has(Airway::OtherRow) {
        Some(false)
    } else if code.has(Airway::InvasiveRow) {
        Some(!part.denied)
    } else {
        (code.has(Airway::OtherRow) && !part.denied).then_some(false)
    };
    let removed = !part.denied && part.absent.is_none() && code.or_has(value, Airway::Extubation);
    if invasive.is_none() && !removed {
        return;
    }
    let When::At(at) = at else {
        return reading.doubt("a row of the airway known only to the day; it tells nothing");
    };
    if let Some(invasive) = invasive {
        reading.tell(Tell::Row { at, invasive });
    }
    if removed {
        reading.tell(Tell::Extubation { at });
    }
}

fn away(charted: &Charted, reading: &mut Reading<'_>) {
    let instants: Option<(Instant, Option<Instant>)> = match *charted {
        Ok((Some(When::At(from)), None)) => Some((from, None)),
        Ok((Some(When::At(from)), Some(When::At(to)))) if from < to => Some((from, Some(to))),
        Ok(_) | Err(_) => None,
    };
    match instants {
        Some((from, to)) => reading.tell(Tell::Away { from, to }),
        None => reading.doubt("time away without a period known to the minute; it tells nothing"),
    }
}

fn condition(part: &Part, charted: &Charted, reading: &mut Reading<'_>) {
    let names = part.code.clone().with(&part.value).conditions;
    if names.is_empty() || part.denied || part.absent.is_some() {
        return;
    }
    match *charted {
        Ok((Some(from), to)) if Some(from) != to => {
            reading.tell(Tell::Condition(Box::new(ConditionSays { names, from, to })));
        }
        Ok(_) | Err(_) => {
            reading.doubt("a condition that holds at an instant holds for no time; it needs a period")
        }
    }
}
