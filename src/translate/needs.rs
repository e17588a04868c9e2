//! What of a record a measure is counted from, with the codes that mean something at this site: a Library of type
//! module-definition.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use serde_json::{Value as Json, json};

use super::BASE;
use super::codes::{Airway, Codes, Meaning, Watch};
use super::measures::{self, Reads};
use crate::care::protocol::{Requirement, Rules};

/// What the record must say.
struct Need {
    kind: &'static str,
    elements: &'static [&'static str],
    /// The element that holds the code, and the name of the value set.
    coded: Option<(&'static str, &'static str)>,
}

/// The codes of a value set by its name.
type Sets<'a> = Vec<(&'static str, BTreeSet<(&'a str, &'a str)>)>;

/// The Library; none if there is no such measure.
pub fn library(
    id: &str,
    rules: &Rules,
    codes: &Codes,
    period: Option<(NaiveDate, NaiveDate)>,
) -> Option<Json> {
    let reads = measures::reads(id)?;
    let measure = measures::measure(id, rules)?;
    let (needs, sets) = (needs(reads), sets(id, reads, rules, codes));
    // a set of no code asks for nothing
    let used = |need: &Need| {
        need.coded.is_none_or(|(_, name)| sets.iter().any(|(n, all)| *n == name && !all.is_empty()))
    };
    let needs: Vec<&Need> = needs.iter().filter(|need| used(need)).collect();
    let named = |name: &str| needs.iter().any(|need| need.coded.is_some_and(|(_, set)| set == name));
    let contained: Vec<Json> =
        sets.iter().filter(|(name, _)| named(name)).map(|(name, all)| set(name, all)).collect();
    let mut library = json!({
        "resourceType": "Library",
        "id": format!("{id}-data-requirements"),
        "name": "TerceDataRequirements",
        "title": format!("What is read for: {}", measure.title.unwrap_or_default()),
        "version": measures::VERSION,
        "status": "active",
        "type": { "coding": [
            { "system": "http://terminology.hl7.org/CodeSystem/library-type", "code": "module-definition" }] },
        "description": "Stays that overlap the period are read whole: care from before it sets deadlines in it. Codes are \
            those that mean something at this site, by its own maps and the shipped one.",
        "relatedArtifact": [{ "type": "depends-on", "resource": format!("{BASE}/Measure/{id}|{}", measures::VERSION) }],
        "dataRequirement": needs.iter().map(|need| need.written(period)).collect::<Vec<_>>(),
    });
    if let Some(members) = library.as_object_mut()
        && !contained.is_empty()
    {
        members.insert("contained".to_owned(), Json::Array(contained));
    }
    Some(library)
}

impl Need {
    fn written(&self, period: Option<(NaiveDate, NaiveDate)>) -> Json {
        let kind = self.kind;
        let mut need = json!({
            "type": kind,
            "profile": [format!("http://hl7.org/fhir/StructureDefinition/{kind}")],
            "mustSupport": self.elements,
        });
        if let Some(members) = need.as_object_mut() {
            if let Some((path, set)) = self.coded {
                let filter = json!([{ "path": path, "valueSet": format!("#{set}") }]);
                members.insert("codeFilter".to_owned(), filter);
            }
            if let Some((from, to)) = period.filter(|_| kind == "Encounter") {
                let period = json!({ "start": from.to_string(), "end": to.to_string() });
                members.insert("dateFilter".to_owned(), json!([{ "path": "period", "valuePeriod": period }]));
            }
        }
        need
    }
}

const PROCEDURE: &[&str] = &["code", "status", "statusReason", "performed", "subject", "encounter"];
const OBSERVATION: &[&str] = &["code", "status", "effective", "issued", "value", "subject", "encounter"];

fn needs(reads: Reads) -> Vec<Need> {
    let need = |kind, elements, coded| Need { kind, elements, coded };
    let mut out = vec![
        need("Patient", &["identifier", "deceased"][..], None),
        need("Encounter", &["status", "subject", "period", "location", "partOf"], None),
        need("Location", &["partOf", "managingOrganization"], None),
        need("Procedure", PROCEDURE, Some(("code", "airway"))),
        need("Observation", OBSERVATION, Some(("code", "airway-rows"))),
        need("Device", &["type", "patient"], Some(("type", "airway-devices"))),
        need("DeviceUseStatement", &["status", "subject", "timing", "device"], None),
    ];
    match reads {
        Reads::Stays => {}
        Reads::Care => {
            out.push(need("Procedure", PROCEDURE, Some(("code", "care"))));
            out.push(need("Observation", OBSERVATION, Some(("code", "care"))));
            out.push(need("Procedure", PROCEDURE, Some(("statusReason", "excuses"))));
            out.push(need(
                "Condition",
                &["code", "clinicalStatus", "subject", "onset", "abatement"],
                Some(("code", "conditions")),
            ));
        }
        Reads::Surveillance => {
            out.push(need("Observation", OBSERVATION, Some(("code", "surveillance"))));
            let given: &[&str] = &["medication", "status", "effective", "subject", "context"];
            out.push(need("MedicationAdministration", given, Some(("medication", "antimicrobials"))));
        }
    }
    out
}

fn sets<'a>(id: &str, reads: Reads, rules: &Rules, codes: &'a Codes) -> Sets<'a> {
    let airway =
        |wanted: &'static [Airway]| codes.that(|m| wanted.iter().any(|airway| m.airways.has(*airway)));
    let mut out = vec![
        (
            "airway",
            airway(&[Airway::InvasiveVentilation, Airway::NonInvasive, Airway::Extubation, Airway::Away]),
        ),
        ("airway-rows", airway(&[Airway::InvasiveRow, Airway::OtherRow, Airway::Away])),
        ("airway-devices", airway(&[Airway::Ventilator, Airway::EndotrachealTube, Airway::TracheostomyTube])),
    ];
    let counted: Vec<&Requirement> = (rules.protocols.iter().flat_map(|protocol| &protocol.requirements))
        .filter(|requirement| measures::counts_requirement(id, requirement))
        .collect();
    let triggers = |m: &Meaning| {
        // care that other care follows is read for it
        let all = rules.protocols.iter().flat_map(|protocol| {
            let after = protocol.requirements.iter().filter_map(|r| match r.kind {
                crate::care::protocol::Kind::After { requirement, .. } if counted.contains(&r) => {
                    protocol.requirements.get(requirement)
                }
                crate::care::protocol::Kind::After { .. }
                | crate::care::protocol::Kind::Every { .. }
                | crate::care::protocol::Kind::PerDay { .. }
                | crate::care::protocol::Kind::At { .. } => None,
            });
            after.collect::<Vec<_>>()
        });
        let mut wanted = counted.iter().copied().chain(all).flat_map(|requirement| &requirement.activities);
        wanted.any(|activity| m.activities.contains(activity))
    };
    match reads {
        Reads::Stays => {}
        Reads::Care => {
            out.push(("care", codes.that(triggers)));
            out.push(("excuses", codes.that(|m| m.excuse.is_some() || m.not_done)));
            let named = |m: &Meaning| {
                counted.iter().filter_map(|r| r.condition.as_ref()).any(|c| m.conditions.contains(c))
            };
            out.push(("conditions", codes.that(named)));
        }
        Reads::Surveillance => {
            let settings = [Watch::Peep, Watch::Fio2, Watch::Mode, Watch::Temperature, Watch::WhiteCells];
            out.push(("surveillance", codes.watched_as(&settings)));
            out.push(("antimicrobials", codes.watched_as(&[Watch::Antimicrobial])));
        }
    }
    out
}

fn set(name: &str, codes: &BTreeSet<(&str, &str)>) -> Json {
    let systems: BTreeSet<&str> = codes.iter().map(|(system, _)| *system).collect();
    let include = |system: &str| {
        let of = codes.iter().filter(|(s, _)| *s == system).map(|(_, code)| json!({ "code": code }));
        json!({ "system": system, "concept": of.collect::<Vec<_>>() })
    };
    let include: Vec<Json> = systems.into_iter().map(include).collect();
    json!({ "resourceType": "ValueSet", "id": name, "status": "active", "compose": { "include": include } })
}
