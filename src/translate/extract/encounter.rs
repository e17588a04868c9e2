//! Encounter: the stay, its parts, and where the patient was.

use fhir_models::Encounter;
use fhir_models::codes::{EncounterLocationStatus, EncounterStatus};
use fhir_models::encounter::EncounterLocation;

use super::reading::Reading;
use super::{EncounterSays, LocationRow, Tell};

/// Classes (v3-ActCode) in which no one stays in a bed: ambulatory, home health, virtual, before admission.
const VISITS: [&str; 4] = ["AMB", "HH", "VR", "PRENC"];

pub(super) fn read(encounter: &Encounter, reading: &mut Reading<'_>) {
    let period = encounter.period.as_ref().map(|p| reading.period(p)).unwrap_or(Ok((None, None)));
    let (from, to) = match period {
        Ok(both) => both,
        Err(why) => {
            reading.doubt(format!("of the period of the encounter: {why}"));
            (None, None)
        }
    };
    let rows: Vec<LocationRow> = encounter.location.iter().filter_map(|l| row(l, reading)).collect();
    let status = encounter.status;
    if status.is_none() {
        reading.doubt("its status has no value; taken as going on");
    }
    let over = matches!(status, Some(EncounterStatus::Finished | EncounterStatus::Cancelled)) && to.is_none();
    let told = if over {
        let code = status.map(EncounterStatus::as_str);
        reading.told_since(super::reading::said_at(encounter.meta.as_ref()), |o| o.status.as_deref() == code)
    } else {
        super::reading::told(reading.stored, super::reading::said_at(encounter.meta.as_ref()))
    };
    let says = EncounterSays {
        status,
        visit: encounter.class.code.as_deref().is_some_and(|c| VISITS.contains(&c)),
        subject: reading.id(encounter.subject.as_ref(), "Patient"),
        part_of: reading.id(encounter.part_of.as_ref(), "Encounter"),
        from,
        to,
        told,
        rows: rows.into(),
    };
    reading.tell(Tell::Encounter(Box::new(says)));
}

fn row(entry: &EncounterLocation, reading: &mut Reading<'_>) -> Option<LocationRow> {
    let left = match entry.status {
        Some(EncounterLocationStatus::Planned | EncounterLocationStatus::Reserved) => return None,
        Some(EncounterLocationStatus::Completed) => true,
        Some(EncounterLocationStatus::Active) | None => false,
    };
    let Some(location) = reading.id(Some(&entry.location), "Location") else {
        reading.doubt(
            "a location that is not a document of this server; where the patient was then is not known",
        );
        return None;
    };
    let timed = entry.period.is_some();
    match entry.period.as_ref().map(|p| reading.period(p)).unwrap_or(Ok((None, None))) {
        Ok((from, to)) => Some(LocationRow { location, left, timed, from, to }),
        Err(why) => {
            reading.doubt(format!("of the period of a location: {why}"));
            None
        }
    }
}
