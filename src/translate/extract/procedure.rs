//! Procedure: care, ventilation, extubation, time away.

use std::sync::Arc;

use fhir_models::Device;
use fhir_models::codes::EventStatus;

use super::charted::{Charted, Performed};
use super::reading::Reading;
use super::{Care, Devices, Tell, UnderWaySays};
use crate::care::facts::{Code, Proof, When};
use crate::care::time::Instant;
use crate::translate::codes::{Airway, Meaning};

pub(super) fn read(procedure: &Charted<'_>, reading: &mut Reading<'_>) {
    reading.made_at(procedure.encounter.as_ref());
    if procedure.status == Some(EventStatus::EnteredInError) {
        return;
    }
    let mut meaning = reading.coded(procedure.code.as_ref());
    let devices = if meaning.activities.is_empty() && meaning.airways.is_empty() {
        used(procedure, reading, meaning.to_mut())
    } else {
        None
    };
    if meaning.is_empty() && devices.is_none() {
        return uncoded(procedure, reading);
    }
    let Some(status) = procedure.status else {
        return reading.doubt("its status has no value; it tells nothing");
    };
    if !meaning.activities.is_empty() || devices.is_some() {
        care(procedure, status, meaning.activities.clone(), devices, reading);
    }
    if meaning.airways.has(Airway::InvasiveVentilation) {
        ventilation(procedure, status, reading);
    }
    if meaning.airways.has(Airway::Extubation) {
        extubation(procedure, status, reading);
    }
    if meaning.airways.has(Airway::Away) {
        away(procedure, status, reading);
    }
}

/// When this version was told, as it says itself.
fn told_at(procedure: &Charted<'_>) -> Option<Instant> {
    procedure.meta.as_ref().and_then(|m| m.at())
}

/// The devices that a Procedure used or worked on. What their codes, or devices inside the document, mean of care is
/// added to `meaning`; what they are as airways is not: the use of a ventilator is told by other documents.
fn used(procedure: &Charted<'_>, reading: &Reading<'_>, meaning: &mut Meaning) -> Devices {
    for code in &procedure.used_code {
        meaning.activities = reading.coded(Some(code)).into_owned().with(meaning).activities;
    }
    let references =
        procedure.used_reference.iter().chain(procedure.focal_device.iter().map(|d| &d.manipulated));
    let inside = |id: &str| {
        let resources = procedure
            .contained
            .iter()
            .filter_map(|c| fhir_models::parse_scanned::<Device>(c.get().as_bytes()).ok());
        let device = resources.into_iter().find(|d| d.id.as_deref() == Some(id));
        let meaning = device.map(|d| reading.concept(d.r#type.as_ref())).unwrap_or_default();
        Meaning { activities: meaning.activities, ..Meaning::default() }
    };
    let devices = reading.devices(references, inside, meaning);
    if meaning.activities.is_empty() { devices } else { None }
}

/// A Procedure whose code can never match anything is seen by someone; one whose code means nothing here is not.
fn uncoded(procedure: &Charted<'_>, reading: &mut Reading<'_>) {
    let codings = procedure.code.as_ref().map(|c| c.coding.as_slice()).unwrap_or_default();
    if !codings.iter().any(|c| !c.system.is_empty() && !c.code.is_empty()) {
        reading
            .doubt("it has no code with a system; text and display are never matched, so it tells nothing");
    }
}

fn care(
    procedure: &Charted<'_>,
    status: EventStatus,
    activities: Arc<[Code]>,
    devices: Devices,
    reading: &mut Reading<'_>,
) {
    match status {
        EventStatus::Completed => {
            if let Some(at) = effective(procedure, reading) {
                let care = event(procedure, at, activities, devices, reading);
                reading.tell(Tell::Care(care));
            }
        }
        EventStatus::InProgress => {
            let since = match span(procedure, reading) {
                Ok((Some(When::At(since)), _)) => Some(since),
                Ok(_) | Err(_) => None,
            };
            let told = reading.told_since(told_at(procedure), |o| o.status.as_deref() == Some("in-progress"));
            reading.tell(Tell::UnderWay(Box::new(UnderWaySays { since, told, activities, devices })));
        }
        EventStatus::NotDone => not_done(procedure, activities, devices, reading),
        EventStatus::Unknown => reading.doubt("whether it was done is not known; it tells nothing"),
        EventStatus::Preparation
        | EventStatus::OnHold
        | EventStatus::Stopped
        | EventStatus::EnteredInError => {}
    }
}

fn not_done(procedure: &Charted<'_>, activities: Arc<[Code]>, devices: Devices, reading: &mut Reading<'_>) {
    let Some(reason) = reading.coded(procedure.status_reason.as_ref()).excuse.clone() else {
        return reading.doubt("not done, and its reason is none that counts; it has no effect");
    };
    let at = match procedure.performed() {
        Performed::DateTime(_) | Performed::Period(_) | Performed::Vague => effective(procedure, reading),
        Performed::Unsaid | Performed::Twice => {
            reading.doubt("not done, without a time; taken at the time at which it was charted");
            let told = reading.told_since(told_at(procedure), |o| o.status.as_deref() == Some("not-done"));
            Some(When::At(told))
        }
    };
    if let Some(at) = at {
        let care = event(procedure, at, activities, devices, reading);
        reading.tell(Tell::Excuse(Box::new((care, reason))));
    }
}

fn event(
    procedure: &Charted<'_>,
    at: When,
    activities: Arc<[Code]>,
    devices: Devices,
    reading: &mut Reading<'_>,
) -> Care {
    let recorded = reading.recorded(None, told_at(procedure), at);
    Care { at, activities, devices, recorded, received: reading.received() }
}

/// When it was done: the time, else the end of the period, else its start.
fn effective(procedure: &Charted<'_>, reading: &mut Reading<'_>) -> Option<When> {
    match span(procedure, reading) {
        Ok((_, Some(end))) => Some(end),
        Ok((Some(start), None)) => {
            if procedure.performed_period.is_some() {
                reading.doubt("its period has no end; taken at its start");
            }
            Some(start)
        }
        Ok((None, None)) => {
            reading.doubt("it does not say when; it tells nothing");
            None
        }
        Err(why) => {
            reading.doubt(why);
            None
        }
    }
}

/// Start and end as charted; an instant is a start.
fn span(
    procedure: &Charted<'_>,
    reading: &Reading<'_>,
) -> Result<(Option<When>, Option<When>), &'static str> {
    match procedure.performed() {
        Performed::Twice => Err("it says twice when it was; it tells nothing"),
        Performed::Unsaid => Ok((None, None)),
        Performed::DateTime(at) => {
            reading.when_at(at.0).map(|at| (Some(at), None)).map_err(super::reading::Vague::why)
        }
        Performed::Period(period) => reading.between(period.start.map(|s| s.0), period.end.map(|e| e.0)),
        Performed::Vague => Err("its time is a text, an age or a range; it tells nothing"),
    }
}

fn ventilation(procedure: &Charted<'_>, status: EventStatus, reading: &mut Reading<'_>) {
    let goes_on = match status {
        EventStatus::InProgress | EventStatus::OnHold => true,
        EventStatus::Completed | EventStatus::Stopped => false,
        EventStatus::Unknown => return reading.doubt("whether it took place is not known; it tells nothing"),
        EventStatus::Preparation | EventStatus::NotDone | EventStatus::EnteredInError => return,
    };
    let (from, to) = match span(procedure, reading) {
        Ok((Some(from), to)) => (from, to),
        Ok((None, _)) => return reading.doubt("ventilation without a start; it tells nothing"),
        Err(why) => return reading.doubt(why),
    };
    if status == EventStatus::OnHold {
        reading.doubt("ventilation on hold; taken to go on until its end or an extubation is charted");
    }
    let to = if goes_on { to } else { Some(to.unwrap_or_else(|| ended(procedure, status, reading))) };
    reading.tell(Tell::Ventilated { from, to, proof: Proof::Procedure });
}

/// The end of what is over and has no end: when that was recorded.
fn ended(procedure: &Charted<'_>, status: EventStatus, reading: &mut Reading<'_>) -> When {
    reading.doubt("it is over and has no end; taken to have ended when that was charted");
    When::At(reading.told_since(told_at(procedure), |o| o.status.as_deref() == Some(status.as_str())))
}

fn extubation(procedure: &Charted<'_>, status: EventStatus, reading: &mut Reading<'_>) {
    if status != EventStatus::Completed {
        return;
    }
    match effective(procedure, reading) {
        Some(When::At(at)) => reading.tell(Tell::Extubation { at }),
        Some(When::Day(_)) => reading.doubt("an extubation known only to the day; it ends nothing"),
        None => {}
    }
}

fn away(procedure: &Charted<'_>, status: EventStatus, reading: &mut Reading<'_>) {
    let over = match status {
        EventStatus::InProgress => false,
        EventStatus::Completed | EventStatus::Stopped => true,
        EventStatus::Preparation
        | EventStatus::NotDone
        | EventStatus::OnHold
        | EventStatus::EnteredInError
        | EventStatus::Unknown => return,
    };
    let instant = |when: Option<When>| match when {
        Some(When::At(at)) => Ok(Some(at)),
        Some(When::Day(_)) => Err("time away known only to the day; it tells nothing"),
        None => Ok(None),
    };
    let said = span(procedure, reading).and_then(|(from, to)| Ok((instant(from)?, instant(to)?)));
    let (from, to): (Instant, Option<Instant>) = match said {
        Ok((Some(from), to)) => (from, to),
        Ok((None, _)) => return reading.doubt("time away without a start; it tells nothing"),
        Err(why) => return reading.doubt(why),
    };
    if over && to.is_none() && procedure.performed_date_time.is_some() {
        return reading.doubt("time away without a period; it tells nothing");
    }
    let to = match to {
        None if over => match ended(procedure, status, reading) {
            When::At(at) => Some(at),
            When::Day(_) => None,
        },
        charted => charted,
    };
    reading.tell(Tell::Away { from, to });
}
