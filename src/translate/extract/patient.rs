//! Patient: birth and death.

use fhir_models::Patient;
use fhir_models::patient::Deceased;

use super::reading::{Reading, day};
use super::{PatientSays, Tell};
use crate::care::facts::When;

pub(super) fn read(patient: &Patient, reading: &mut Reading<'_>) {
    let born = day(patient.birth_date.as_ref());
    let died = match patient.deceased() {
        Err(_) => {
            reading.doubt("it says twice whether the patient died; not taken as dead");
            None
        }
        Ok(None | Some(Deceased::Boolean(false))) => None,
        Ok(Some(Deceased::Boolean(true))) => {
            reading.doubt("died, without a time; taken at the time at which that was told");
            Some(When::At(told(patient, reading)))
        }
        Ok(Some(Deceased::DateTime(at))) => match reading.when(at) {
            Ok(when) => Some(when),
            Err(_) => {
                reading.doubt("died at a time that cannot be used; taken at the time at which that was told");
                Some(When::At(told(patient, reading)))
            }
        },
    };
    reading.tell(Tell::Patient(Box::new(PatientSays { born, died })));
}

fn told(patient: &Patient, reading: &mut Reading<'_>) -> crate::care::time::Instant {
    let flagged = patient.deceased_boolean;
    reading.told_since(super::reading::said_at(patient.meta.as_ref()), |o| {
        flagged.is_some() && o.deceased_boolean == flagged
    })
}
