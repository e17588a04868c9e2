//! The hospital: its units, beds and places away, and how its item codes read in Terce's words.
//!
//! Harrowmere Infirmary does not exist.

use serde_json::{Value, json};

use crate::fhir::{LOCAL, TERCE};

/// A unit: `Location` id and name.
pub const UNITS: [(&str, &str); 2] = [("ward-larkfield", "Larkfield"), ("ward-quillgate", "Quillgate")];
/// Beds in each unit.
pub const BEDS_PER_UNIT: usize = 12;
/// Places off the unit: `Location` id and name.
pub const AWAY: [(&str, &str); 2] = [("theatre-2", "Theatre 2"), ("imaging", "Imaging")];
/// The whole house.
const HOUSE: (&str, &str) = ("harrowmere", "Harrowmere Infirmary (invented)");

/// `Location` id of a bed, counted from 0 over both units.
pub fn bed_id(bed: usize) -> String {
    format!("bed-{:02}", bed + 1)
}

/// `Location` id of the unit a bed stands in.
pub fn unit_of(bed: usize) -> &'static str {
    UNITS.get(bed / BEDS_PER_UNIT).or(UNITS.last()).map_or("", |u| u.0)
}

/// Everything that is there before the first patient: locations, and the map of local codes.
pub fn fixtures() -> Vec<Value> {
    let mut out = vec![location(HOUSE.0, HOUSE.1, ("bu", "Building"), None)];
    out.extend(UNITS.iter().map(|u| location(u.0, u.1, ("wa", "Ward"), Some(HOUSE.0))));
    out.extend(AWAY.iter().map(|a| location(a.0, a.1, ("ro", "Room"), Some(HOUSE.0))));
    out.extend((0..UNITS.len() * BEDS_PER_UNIT).map(|bed| {
        let name = format!("Bed {}", bed % BEDS_PER_UNIT + 1);
        location(&bed_id(bed), &name, ("bd", "Bed"), Some(unit_of(bed)))
    }));
    out.push(concept_map());
    out
}

fn location(id: &str, name: &str, (code, display): (&str, &str), part_of: Option<&str>) -> Value {
    let system = "http://terminology.hl7.org/CodeSystem/location-physical-type";
    let mut body = json!({
        "resourceType": "Location", "id": id, "status": "active", "mode": "instance", "name": name,
        "physicalType": { "coding": [{ "system": system, "code": code, "display": display }] },
    });
    if let (Some(object), Some(whole)) = (body.as_object_mut(), part_of) {
        object.insert("partOf".into(), json!({ "reference": format!("Location/{whole}") }));
    }
    body
}

/// Local item codes in Terce's words. One item, the whole round, stands for three activities.
fn concept_map() -> Value {
    let activity = [
        ("MC-SWAB", "oral-cleansing"),
        ("MC-BRUSH", "tooth-brushing"),
        ("MC-GEL", "oral-moisturising"),
        ("SUC-LOOK", "oropharyngeal-suction-assessment"),
        ("SUC-KIT", "suction-set-change"),
        ("CUFF-P", "cuff-pressure-check"),
    ];
    let airway = [("VENT-INV", "invasive-ventilation"), ("TUBE-OUT", "extubation")];
    let excuse = [
        ("R-REF", "refused"),
        ("R-CI", "contraindicated"),
        ("R-AIR", "airway-at-risk"),
        ("R-PROC", "procedure-in-progress"),
        ("R-COMF", "comfort-care"),
        ("VAL-ND", "not-done"),
    ];
    let mut activities = elements(&activity);
    let parts = ["oral-cleansing", "oral-moisturising", "oropharyngeal-suction-assessment"];
    let part = |code: &&str| json!({ "code": code, "equivalence": "wider", "comment": "every round is one of these" });
    activities.push(json!({ "code": "MC-ROUND", "target": parts.iter().map(part).collect::<Vec<_>>() }));
    let group = |target: &str, element: Vec<Value>| json!({ "source": LOCAL, "target": format!("{TERCE}/{target}"), "element": element });
    json!({
        "resourceType": "ConceptMap", "id": "harrowmere-items",
        "url": "https://harrowmere.example/fhir/ConceptMap/chart-items",
        "name": "HarrowmereChartItems", "status": "active",
        "group": [
            group("activity", activities),
            group("airway", elements(&airway)),
            group("excuse", elements(&excuse)),
        ],
    })
}

fn elements(pairs: &[(&str, &str)]) -> Vec<Value> {
    let element = |(local, own): &(&str, &str)| json!({ "code": local, "target": [{ "code": own, "equivalence": "equivalent" }] });
    pairs.iter().map(element).collect()
}
