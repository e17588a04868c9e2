//! What two reports of the same measure and period count differently, as Parameters and as rows.

use serde_json::{Value as Json, json};

use super::kind::{Counted as Of, Kind};
use crate::care::compare::{Changed, Counted, Difference, Why};
use crate::care::ledger::Outcome;
use crate::care::protocol::Rules;
use crate::care::time::{Instant, Length};

/// What the rows have.
pub const COMPARED_COLUMNS: [&str; 14] = [
    "patient",
    "stay",
    "change",
    "what",
    "requirement",
    "unit",
    "day",
    "shift",
    "at",
    "at_risk_hours",
    "covered_hours",
    "unverified_hours",
    "why",
    "documents",
];

/// A difference of one stay.
#[derive(Clone, PartialEq, Debug)]
pub struct OfStay<'a> {
    /// `Patient` id.
    pub patient: &'a str,
    /// `Encounter` id.
    pub stay: &'a str,
    /// What differs.
    pub difference: &'a Difference,
}

/// Whether a difference is one of the measure `id`, in one of `units` (none: in any).
pub fn concerns(
    id: &str,
    difference: &Difference,
    rules: &Rules,
    units: Option<&[std::sync::Arc<str>]>,
) -> bool {
    let Some(kind) = Kind::of(id) else { return false };
    let wanted = |unit: &std::sync::Arc<str>| units.is_none_or(|units| units.contains(unit));
    let held = |requirement: &str| {
        let mut all = rules.protocols.iter().flat_map(|p| &p.requirements);
        kind.groups == super::kind::Groups::Whole || all.any(|r| &*r.id == requirement && kind.groups.hold(r))
    };
    match (kind.counts, &difference.counted) {
        (
            Of::Opportunities | Of::RequirementDays | Of::CompleteDays | Of::Charting,
            Counted::Opportunity(o),
        ) => wanted(&o.unit) && held(&o.requirement),
        (Of::Covered | Of::Unverified, Counted::Hours(key, _)) => wanted(&key.unit) && held(&key.requirement),
        (Of::VentilatorDays | Of::PatientDays | Of::Utilisation, Counted::Census(count)) => {
            wanted(&count.unit)
        }
        (Of::Events | Of::InfectedEvents, Counted::Census(count)) => count.ventilated && wanted(&count.unit),
        (Of::Events, Counted::Event(event)) => wanted(&event.unit),
        (Of::InfectedEvents, Counted::Event(event)) => event.infected && wanted(&event.unit),
        (
            Of::Opportunities | Of::RequirementDays | Of::CompleteDays | Of::Charting,
            Counted::Hours(..) | Counted::Census(_) | Counted::Event(_),
        )
        | (Of::Covered | Of::Unverified, Counted::Opportunity(_) | Counted::Census(_) | Counted::Event(_))
        | (Of::VentilatorDays | Of::PatientDays | Of::Utilisation, Counted::Event(_))
        | (
            Of::VentilatorDays | Of::PatientDays | Of::Utilisation | Of::Events | Of::InfectedEvents,
            Counted::Opportunity(_) | Counted::Hours(..),
        ) => false,
    }
}

/// The code of a reason.
const fn why(why: Why) -> &'static str {
    match why {
        Why::ChartedLate => "charted-late",
        Why::HappenedSince => "happened-since",
        Why::Corrected => "corrected",
        Why::Withdrawn => "withdrawn",
        Why::Time => "time",
        Why::Rules => "rules",
    }
}

const fn change(added: bool) -> &'static str {
    if added { "added" } else { "removed" }
}

/// One row of [`COMPARED_COLUMNS`].
pub fn compared_row(of: &OfStay<'_>) -> [String; COMPARED_COLUMNS.len()] {
    let difference = of.difference;
    let (mut requirement, mut shift, mut at) = (String::new(), String::new(), String::new());
    let mut hours = [String::new(), String::new(), String::new()];
    let (what, unit, day) = match &difference.counted {
        Counted::Opportunity(o) => {
            (requirement, shift, at) = (o.requirement.to_string(), o.shift.to_string(), o.at.to_string());
            (outcome(o.outcome, o.late_charted), o.unit.to_string(), o.day)
        }
        Counted::Hours(key, cell) => {
            (requirement, shift) = (key.requirement.to_string(), key.shift.to_string());
            hours = [cell.at_risk, cell.covered, cell.unverified].map(in_hours);
            ("hours", key.unit.to_string(), key.day)
        }
        Counted::Census(count) => {
            let what = if count.ventilated { "ventilator-day" } else { "patient-day" };
            (what, count.unit.to_string(), count.day)
        }
        Counted::Event(event) => {
            let what = if event.infected { "event-with-signs-of-infection" } else { "event" };
            (what, event.unit.to_string(), event.day)
        }
    };
    let [at_risk, covered, unverified] = hours;
    let documents: Vec<String> = difference.by.iter().map(by).collect();
    [
        of.patient.to_owned(),
        of.stay.to_owned(),
        change(difference.added).to_owned(),
        what.to_owned(),
        requirement,
        unit,
        day.to_string(),
        shift,
        at,
        at_risk,
        covered,
        unverified,
        why(difference.why).to_owned(),
        documents.join("; "),
    ]
}

fn outcome(outcome: Outcome, late: bool) -> &'static str {
    match outcome {
        Outcome::Met if late => "met-charted-late",
        Outcome::Met => "met",
        Outcome::Missed => "missed",
        Outcome::Excused => "excused",
    }
}

/// In hours, to a thousandth.
fn in_hours(length: Length) -> String {
    let thousandths = (length.as_micros() + 1_800_000) / 3_600_000;
    format!("{}.{:03}", thousandths / 1000, thousandths % 1000)
}

/// A document with its versions, for people.
fn by(changed: &Changed) -> String {
    let version = |v: Option<u64>| v.map_or("none".to_owned(), |v| v.to_string());
    let (before, after) = (version(changed.before), version(changed.after));
    format!("{} {before} -> {after} received {}", changed.document, changed.received)
}

/// All of them as FHIR Parameters.
pub fn compared(measure: &str, earlier: Instant, later: Instant, differences: &[OfStay<'_>]) -> Json {
    let mut parameters = vec![
        json!({ "name": "measure", "valueCanonical": format!("{}/Measure/{measure}", crate::translate::BASE) }),
        json!({ "name": "earlier", "valueInstant": earlier.to_string() }),
        json!({ "name": "later", "valueInstant": later.to_string() }),
        json!({ "name": "differences", "valueUnsignedInt": differences.len() }),
    ];
    parameters.extend(differences.iter().map(difference));
    json!({ "resourceType": "Parameters", "parameter": parameters })
}

fn difference(of: &OfStay<'_>) -> Json {
    let row = compared_row(of);
    let mut parts = vec![
        json!({ "name": "patient", "valueReference": { "reference": format!("Patient/{}", of.patient) } }),
        json!({ "name": "stay", "valueReference": { "reference": format!("Encounter/{}", of.stay) } }),
    ];
    for (name, value) in COMPARED_COLUMNS.iter().zip(&row).filter(|(_, value)| !value.is_empty()) {
        match *name {
            "patient" | "stay" | "documents" => {}
            "change" | "what" | "why" => parts.push(json!({ "name": name, "valueCode": value })),
            "day" => parts.push(json!({ "name": name, "valueDate": value })),
            "at" => parts.push(json!({ "name": name, "valueInstant": value })),
            "at_risk_hours" | "covered_hours" | "unverified_hours" => {
                let number: Option<serde_json::Number> = serde_json::from_str(value).ok();
                parts.push(json!({ "name": name, "valueDecimal": number }));
            }
            "unit" => {
                let reference = json!({ "reference": format!("Location/{value}") });
                parts.push(json!({ "name": name, "valueReference": reference }));
            }
            _ => parts.push(json!({ "name": name, "valueString": value })),
        }
    }
    for changed in &of.difference.by {
        let mut part = vec![
            json!({ "name": "document", "valueReference": { "reference": &*changed.document } }),
            json!({ "name": "received", "valueInstant": changed.received.to_string() }),
        ];
        for (name, version) in [("before", changed.before), ("after", changed.after)] {
            part.extend(version.map(|v| json!({ "name": name, "valueString": v.to_string() })));
        }
        parts.push(json!({ "name": "by", "part": part }));
    }
    json!({ "name": "difference", "part": parts })
}
