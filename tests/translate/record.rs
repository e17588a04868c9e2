//! A record to be read, and what is read from it as text.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Arc;

use serde_json::{Value, json};
use terce::care::facts::When;
use terce::care::ledger::Doubt;
use terce::care::time::Instant;
use terce::translate::Settings;
use terce::translate::codes::Codes;
use terce::translate::document::{Stored, read};
use terce::translate::dossier::{Assembled, Dossier};
use terce::translate::extract::{Extract, extract, extract_versions};

pub(super) const ACTIVITY: &str = "https://terce.example/fhir/CodeSystem/activity";
pub(super) const AIRWAY: &str = "https://terce.example/fhir/CodeSystem/airway";
pub(super) const EXCUSE: &str = "https://terce.example/fhir/CodeSystem/excuse";
pub(super) const SNOMED: &str = "http://snomed.info/sct";

/// One version of a document.
#[derive(Clone, Debug)]
pub(super) struct Version {
    pub kind: String,
    pub id: String,
    pub version: u64,
    pub first_us: i64,
    pub received_us: i64,
    pub body: Option<Vec<u8>>,
}

impl Version {
    pub(super) fn stored(&self) -> Stored<'_> {
        Stored {
            kind: &self.kind,
            id: &self.id,
            version: self.version,
            first_us: self.first_us,
            received_us: self.received_us,
            deleted: self.body.is_none(),
            body: self.body.as_deref().unwrap_or_default(),
        }
    }
}

/// All that was sent about patient `p`, in the order in which it was.
#[derive(Clone)]
pub(super) struct Record {
    pub versions: Vec<Version>,
    pub codes: Codes,
    pub settings: Settings,
    now: i64,
}

pub(super) fn us(text: &str) -> i64 {
    chrono::DateTime::parse_from_rfc3339(text).unwrap().timestamp_micros()
}

impl Record {
    /// Patient `p`, in encounter `e` since 2 March 2026, 08:00.
    pub(super) fn new() -> Self {
        let mut record = Self::empty();
        record.put(json!({ "resourceType": "Patient", "id": "p", "birthDate": "1960-05-04" }));
        record.put(encounter("e", json!({ "period": { "start": "2026-03-02T08:00:00Z" } })));
        record
    }

    pub(super) fn empty() -> Self {
        let (codes, settings) = (Codes::shipped(), Settings::new(chrono_tz::Europe::Berlin));
        Record { versions: Vec::new(), codes, settings, now: us("2026-03-09T00:00:00Z") }
    }

    /// What follows is received then.
    pub(super) fn at(&mut self, text: &str) -> &mut Self {
        self.now = us(text);
        self
    }

    /// Sends a document, or another version of it.
    pub(super) fn put(&mut self, body: Value) -> &mut Self {
        let text = |name: &str| body[name].as_str().unwrap().to_owned();
        self.send(&text("resourceType"), &text("id"), Some(serde_json::to_vec(&body).unwrap()))
    }

    pub(super) fn delete(&mut self, kind: &str, id: &str) -> &mut Self {
        self.send(kind, id, None)
    }

    fn send(&mut self, kind: &str, id: &str, body: Option<Vec<u8>>) -> &mut Self {
        let earlier: Vec<&Version> = self.versions.iter().filter(|v| v.kind == kind && v.id == id).collect();
        let version = Version {
            kind: kind.into(),
            id: id.into(),
            version: earlier.len() as u64 + 1,
            first_us: earlier.first().map_or(self.now, |v| v.first_us),
            received_us: self.now,
            body,
        };
        self.versions.push(version);
        self
    }

    /// What the current version of each document says.
    pub(super) fn extracts(&self) -> Vec<Arc<Extract>> {
        let mut by_name: BTreeMap<(&str, &str), Vec<Stored<'_>>> = BTreeMap::new();
        for version in &self.versions {
            by_name.entry((&version.kind, &version.id)).or_default().push(version.stored());
        }
        let bases = &self.settings.own_bases;
        let one = |versions: Vec<Stored<'_>>| {
            let last = extract(versions.last().unwrap(), &self.codes, bases);
            if last.wants_versions() {
                extract_versions(&versions, &self.codes, bases).unwrap()
            } else {
                last
            }
        };
        by_name.into_values().map(one).map(Arc::new).collect()
    }

    /// Whether the store would keep a document with the patient.
    fn own(&self, extract: &Extract) -> bool {
        let current =
            self.versions.iter().rev().find(|v| v.kind == extract.kind() && v.id == extract.id()).unwrap();
        let Some(body) = &current.body else { return true };
        match read(&current.kind, body, &self.settings.own_bases) {
            Ok(read) => match read.links.patient {
                Some(patient) => patient == "p",
                None => !matches!(current.kind.as_str(), "Location" | "Device" | "Encounter"),
            },
            Err(_) => true,
        }
    }

    pub(super) fn assembled(&self) -> Assembled {
        let extracts = self.extracts();
        let mut dossier = Dossier::new("p");
        for extract in &extracts {
            if self.own(extract) {
                dossier.put(extract.clone());
            }
        }
        let shared =
            |kind: &str, id: &str| extracts.iter().find(|e| e.kind() == kind && e.id() == id).cloned();
        dossier.stays(&shared, &self.settings)
    }

    /// Everything that is read, a line each.
    pub(super) fn told(&self) -> String {
        told(&self.assembled())
    }

    /// The lines but for those of the stay itself.
    pub(super) fn facts(&self) -> String {
        self.told()
            .lines()
            .filter(|l| !l.starts_with("stay ") && !l.starts_with("needs "))
            .collect::<Vec<_>>()
            .join("\n")
    }
}

/// An encounter of patient `p`, going on unless `more` says otherwise.
pub(super) fn encounter(id: &str, more: Value) -> Value {
    let base = json!({
        "resourceType": "Encounter", "id": id, "status": "in-progress",
        "class": { "system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP" },
        "subject": { "reference": "Patient/p" },
    });
    with(base, more)
}

/// A Procedure of patient `p` in encounter `e` with one coding.
pub(super) fn procedure(status: &str, system: &str, code: &str, more: Value) -> Value {
    let base = json!({
        "resourceType": "Procedure", "id": "x", "status": status,
        "code": { "coding": [{ "system": system, "code": code }] },
        "subject": { "reference": "Patient/p" }, "encounter": { "reference": "Encounter/e" },
    });
    with(base, more)
}

/// An Observation of patient `p` in encounter `e` with one coding.
pub(super) fn observation(status: &str, system: &str, code: &str, more: Value) -> Value {
    let mut base = procedure(status, system, code, json!({ "resourceType": "Observation" }));
    if let Value::Object(more) = more {
        base.as_object_mut().unwrap().extend(more);
    }
    base
}

/// A DeviceUseStatement of device `d` by patient `p`.
pub(super) fn device_use(status: &str, more: Value) -> Value {
    let base = json!({
        "resourceType": "DeviceUseStatement", "id": "u", "status": status,
        "subject": { "reference": "Patient/p" }, "device": { "reference": "Device/d" },
    });
    with(base, more)
}

/// A device with one coding as its type.
pub(super) fn device(id: &str, system: &str, code: &str, more: Value) -> Value {
    let base = json!({
        "resourceType": "Device", "id": id, "type": { "coding": [{ "system": system, "code": code }] },
    });
    with(base, more)
}

/// `base` with the members of `more`. A null takes a member away, here or from what all this is put into.
pub(super) fn with(mut base: Value, more: Value) -> Value {
    let members = base.as_object_mut().unwrap();
    for (name, value) in more.as_object().unwrap() {
        if !value.is_null() || members.remove(name).is_none() {
            members.insert(name.clone(), value.clone());
        }
    }
    base
}

fn told(assembled: &Assembled) -> String {
    let mut out = String::new();
    for stay in &assembled.stays {
        let facts = &stay.facts;
        write!(out, "stay {} {}", stay.encounters.join("+"), at(facts.begins)).unwrap();
        match &facts.ends {
            Some(end) => writeln!(out, " to {} {:?}", at(Some(end.at)), end.how).unwrap(),
            None => writeln!(out, " on").unwrap(),
        }
        let mut line = |text: String| writeln!(out, "{text}").unwrap();
        for v in &facts.ventilated {
            line(format!(
                "ventilated {} to {} {:?}",
                when(v.from),
                v.to.map_or("open".into(), when),
                v.proof
            ));
        }
        for r in &facts.airway_rows {
            line(format!("row {} {}", at(Some(r.at)), if r.invasive { "invasive" } else { "other" }));
        }
        facts.extubations.iter().for_each(|e| line(format!("extubated {}", at(Some(e.at)))));
        facts
            .units
            .iter()
            .for_each(|u| line(format!("unit {} {} to {}", u.unit, at(Some(u.from)), at(u.to))));
        facts.away.iter().for_each(|a| line(format!("away {} to {}", at(Some(a.from)), at(a.to))));
        for c in &facts.care {
            line(format!("care {} {:?} recorded {}", when(c.at), c.activities, at(Some(c.recorded))));
        }
        facts
            .excuses
            .iter()
            .filter(|e| e.asked.is_empty())
            .for_each(|e| line(format!("excuse {} {:?} {}", when(e.at), e.activities, e.reason)));
        let rejected = facts.excuses.iter().filter(|e| !e.asked.is_empty());
        rejected.for_each(|e| line(format!("rejected {} {:?} {}", when(e.at), e.asked, e.reason)));
        facts.under_way.iter().for_each(|u| line(format!("under way {} {:?}", at(u.since), u.activities)));
        for c in &facts.conditions {
            line(format!("condition {} {} to {}", c.name, at(Some(c.from)), at(c.to)));
        }
        stay.doubts.iter().for_each(|d| line(format!("doubt {}", doubt(d))));
    }
    assembled.waiting.iter().for_each(|d| writeln!(out, "waits {}", doubt(d)).unwrap());
    assembled.depends.iter().for_each(|(kind, id)| writeln!(out, "needs {kind}/{id}").unwrap());
    out
}

fn doubt(doubt: &Doubt) -> String {
    let name = doubt.source.0.split("/_history").next().unwrap();
    format!("{name}: {}", doubt.why)
}

/// Without the year and the month, which are always the same in these tests.
fn at(instant: Option<Instant>) -> String {
    let Some(instant) = instant else { return "open".into() };
    let text = instant.to_string();
    let text = text.strip_suffix(":00Z").or(text.strip_suffix('Z')).unwrap_or(&text);
    text.strip_prefix("2026-03-").unwrap_or(text).replace('T', " ")
}

fn when(when: When) -> String {
    match when {
        When::At(instant) => at(Some(instant)),
        When::Day(day) => format!("day {}", day.format("%d")),
    }
}

/// Compares texts line by line without the indentation of the expected one.
#[track_caller]
pub(super) fn check(name: &str, found: &str, expected: &str) {
    let trim =
        |text: &str| text.lines().map(str::trim).filter(|l| !l.is_empty()).collect::<Vec<_>>().join("\n");
    assert_eq!(trim(found), trim(expected), "{name}");
}
