//! The FHIR R4 resources of the ward, as its record system would send them.

use serde_json::{Map, Value, json};

use crate::chart::Activity;
use crate::people::{Nurse, Person};
use crate::time::{Minute, fhir, fhir_day};

/// Terce's own code systems.
pub const TERCE: &str = "https://terce.example/fhir/CodeSystem";
/// The hospital's own item list.
pub const LOCAL: &str = "https://harrowmere.example/chart-items";
/// The hospital's identifiers of what it charts.
pub const SID: &str = "https://harrowmere.example/sid/charting";

/// A code with its system.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Coded(pub &'static str, pub &'static str, pub &'static str);

/// When a procedure was performed.
#[derive(Clone, Copy, Debug)]
pub enum Performed {
    /// An instant.
    At(Minute),
    /// A period, perhaps still open.
    Period(Minute, Option<Minute>),
}

/// All of a Procedure that differs from one to the next.
#[derive(Clone, Debug)]
pub struct Procedure {
    /// Logical id; none for the service to choose.
    pub id: Option<String>,
    /// Business identifier.
    pub identifier: String,
    /// FHIR `event-status`.
    pub status: &'static str,
    /// What.
    pub code: Coded,
    /// Why not.
    pub reason: Option<Coded>,
    /// Whose.
    pub patient: u32,
    /// Whether it names the encounter.
    pub in_encounter: bool,
    /// When.
    pub performed: Performed,
    /// By whom; also who recorded it.
    pub nurse: Nurse,
}

/// `Patient` id.
pub fn patient_id(patient: u32) -> String {
    format!("pt-{patient:04}")
}

/// `Encounter` id.
pub fn encounter_id(patient: u32) -> String {
    format!("en-{patient:04}")
}

/// The code by which an activity is charted: Terce's own, or the hospital's.
pub fn activity_code(activity: Activity, local: bool) -> Coded {
    let own = |code, display| Coded("activity", code, display);
    let item = |code, display| Coded(LOCAL, code, display);
    match (activity, local) {
        (Activity::Cleansing, false) => own("oral-cleansing", "Oral cleansing"),
        (Activity::Cleansing, true) => item("MC-SWAB", "Mouth: swabbed"),
        (Activity::Brushing, false) => own("tooth-brushing", "Tooth brushing"),
        (Activity::Brushing, true) => item("MC-BRUSH", "Mouth: brushed"),
        (Activity::Moisturising, false) => own("oral-moisturising", "Oral moisturising"),
        (Activity::Moisturising, true) => item("MC-GEL", "Mouth: gel"),
        (Activity::SuctionLook, false) => {
            own("oropharyngeal-suction-assessment", "Oropharyngeal suction assessment")
        }
        (Activity::SuctionLook, true) => item("SUC-LOOK", "Suction: back of mouth"),
        (Activity::SuctionSet, false) => own("suction-set-change", "Suction set change"),
        (Activity::SuctionSet, true) => item("SUC-KIT", "Suction: new set"),
        (Activity::CuffPressure, false) => own("cuff-pressure-check", "Cuff pressure check"),
        (Activity::CuffPressure, true) => item("CUFF-P", "Cuff: pressure"),
        (Activity::Turning, _) => item("TURN", "Turned in bed"),
    }
}

/// The local item for a whole round: cleaned, gel, suction looked at.
pub const ROUND: Coded = Coded(LOCAL, "MC-ROUND", "Mouth: whole round");
/// The local value for an item that was not done.
pub const NOT_DONE: Coded = Coded(LOCAL, "VAL-ND", "not done");

impl Coded {
    /// As a CodeableConcept.
    pub fn concept(self) -> Value {
        let system = if self.0 == LOCAL { LOCAL.to_owned() } else { format!("{TERCE}/{}", self.0) };
        json!({ "coding": [{ "system": system, "code": self.1, "display": self.2 }], "text": self.2 })
    }
}

fn put(body: &mut Value, element: &str, value: Value) {
    if let Some(object) = body.as_object_mut() {
        object.insert(element.to_owned(), value);
    }
}

fn period(from: Minute, to: Option<Minute>) -> Value {
    let mut period = Map::new();
    period.insert("start".into(), json!(fhir(from)));
    if let Some(to) = to {
        period.insert("end".into(), json!(fhir(to)));
    }
    Value::Object(period)
}

fn subject(patient: u32) -> Value {
    json!({ "reference": format!("Patient/{}", patient_id(patient)) })
}

/// By staff number: who the nurses are is kept elsewhere in the house, and the service has no need of it.
fn nurse_reference(nurse: Nurse) -> Value {
    let staff = json!({ "system": "https://harrowmere.example/sid/staff", "value": nurse.id });
    json!({ "type": "Practitioner", "identifier": staff, "display": format!("{} (invented)", nurse.name) })
}

impl Procedure {
    /// The resource.
    pub fn body(&self) -> Value {
        let mut body = json!({
            "resourceType": "Procedure",
            "identifier": [{ "system": SID, "value": self.identifier }],
            "status": self.status,
            "code": self.code.concept(),
            "subject": subject(self.patient),
            "recorder": nurse_reference(self.nurse),
            "performer": [{ "actor": nurse_reference(self.nurse) }],
        });
        if let Some(id) = &self.id {
            put(&mut body, "id", json!(id));
        }
        if let Some(reason) = self.reason {
            put(&mut body, "statusReason", reason.concept());
        }
        if self.in_encounter {
            let encounter = format!("Encounter/{}", encounter_id(self.patient));
            put(&mut body, "encounter", json!({ "reference": encounter }));
        }
        match self.performed {
            Performed::At(at) => put(&mut body, "performedDateTime", json!(fhir(at))),
            Performed::Period(from, to) => put(&mut body, "performedPeriod", period(from, to)),
        }
        body
    }
}

/// A row of the flowsheet.
pub fn observation(row: &Procedure, at: Minute, issued: Minute, value: Option<Coded>) -> Value {
    let mut body = json!({
        "resourceType": "Observation",
        "id": row.id,
        "identifier": [{ "system": SID, "value": row.identifier }],
        "status": row.status,
        "category": [{ "coding": [{
            "system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "activity"
        }]}],
        "code": row.code.concept(),
        "subject": subject(row.patient),
        "encounter": { "reference": format!("Encounter/{}", encounter_id(row.patient)) },
        "effectiveDateTime": fhir(at),
        "issued": fhir(issued),
        "performer": [nurse_reference(row.nurse)],
    });
    match value {
        Some(value) => put(&mut body, "valueCodeableConcept", value.concept()),
        None => put(&mut body, "valueString", json!("done")),
    }
    body
}

/// A patient, marked as invented.
pub fn patient(patient: u32, person: &Person, died: Option<Minute>) -> Value {
    let mut body = json!({
        "resourceType": "Patient",
        "id": patient_id(patient),
        "meta": { "security": [{
            "system": "http://terminology.hl7.org/CodeSystem/v3-ActReason",
            "code": "HTEST", "display": "test health data"
        }]},
        "identifier": [{ "system": "https://harrowmere.example/sid/patient", "value": format!("H{patient:06}") }],
        "active": true,
        "name": [{
            "use": "official", "family": person.family, "given": [person.given],
            "text": format!("{} {} (invented)", person.given, person.family)
        }],
        "gender": person.gender,
        "birthDate": person.born.to_string(),
    });
    if let Some(died) = died {
        put(&mut body, "deceasedDateTime", json!(fhir(died)));
    }
    body
}

/// Where a patient was: `Location` ids and the time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stop {
    /// The bed and its unit, or the place away.
    pub places: Vec<String>,
    /// Since.
    pub from: Minute,
    /// Until; none: still there.
    pub to: Option<Minute>,
    /// Off the unit.
    pub away: bool,
}

/// A stay as charted: its period, where the patient was, and whether it ended by death.
pub fn encounter(patient: u32, begins: Minute, ends: Option<Minute>, died: bool, stops: &[Stop]) -> Value {
    let location = |stop: &Stop, place: &String| {
        json!({
            "location": { "reference": format!("Location/{place}") },
            "status": if stop.to.is_some() { "completed" } else { "active" },
            "period": period(stop.from, stop.to),
        })
    };
    let locations: Vec<Value> = stops.iter().flat_map(|s| s.places.iter().map(|p| location(s, p))).collect();
    let mut body = json!({
        "resourceType": "Encounter",
        "id": encounter_id(patient),
        "status": if ends.is_some() { "finished" } else { "in-progress" },
        "class": {
            "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP",
            "display": "inpatient encounter"
        },
        "subject": subject(patient),
        "period": period(begins, ends),
        "location": locations,
    });
    if ends.is_some() {
        let (code, display) =
            if died { ("exp", "Expired") } else { ("other-hcf", "Other healthcare facility") };
        let system = "http://terminology.hl7.org/CodeSystem/discharge-disposition";
        let coding = json!([{ "system": system, "code": code, "display": display }]);
        put(&mut body, "hospitalization", json!({ "dischargeDisposition": { "coding": coding } }));
    }
    body
}

/// A ventilator or a tube at a patient.
pub fn device(id: &str, patient: u32, kind: Coded) -> Value {
    json!({
        "resourceType": "Device", "id": id, "status": "active",
        "type": kind.concept(), "patient": subject(patient),
    })
}

/// The use of a device; known to the day only if so asked.
pub fn device_use(id: &str, device: &str, patient: u32, span: (Minute, Option<Minute>), days: bool) -> Value {
    let (from, to) = span;
    let write = |at| if days { fhir_day(at) } else { fhir(at) };
    let mut timing = Map::new();
    timing.insert("start".into(), json!(write(from)));
    if let Some(to) = to {
        timing.insert("end".into(), json!(write(to)));
    }
    json!({
        "resourceType": "DeviceUseStatement", "id": id,
        "status": if to.is_some() { "completed" } else { "active" },
        "subject": subject(patient),
        "timingPeriod": timing,
        "device": { "reference": format!("Device/{device}") },
    })
}
