//! Documents of the generator, and what is read from them.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, LazyLock};

use serde_json::Value;
use terce::care::facts::Facts;
use terce::care::time::Instant;
use terce::translate::Settings;
use terce::translate::codes::Codes;
use terce::translate::document::{Bases, Stored, read};
use terce::translate::dossier::{Assembled, Dossier, StayFacts};
use terce::translate::extract::{Extract, Tell, extract};
use terce::translate::shipped;

/// All documents of one run of the generator.
pub(super) struct Set {
    pub(super) documents: Vec<Document>,
    pub(super) codes: Codes,
}

/// One of them, as if it had been sent in July 2024, after all of it was over.
pub(super) struct Document {
    pub(super) kind: &'static str,
    pub(super) id: String,
    pub(super) body: String,
    pub(super) json: Value,
    pub(super) extract: Arc<Extract>,
}

const KINDS: [&str; 9] = [
    "Patient",
    "Encounter",
    "Location",
    "Procedure",
    "Device",
    "DeviceUseStatement",
    "Condition",
    "MedicationAdministration",
    "Observation",
];

pub(super) fn at(text: &str) -> Instant {
    chrono::DateTime::parse_from_rfc3339(text).unwrap().to_utc().into()
}

impl Set {
    /// The set of that name, read once for all tests.
    pub(super) fn of(name: &str) -> &'static Set {
        static COPD: LazyLock<Set> = LazyLock::new(|| Set::read("copd"));
        static ASPIRATION: LazyLock<Set> = LazyLock::new(|| Set::read("aspiration"));
        match name {
            "copd" => &COPD,
            "aspiration" => &ASPIRATION,
            _ => panic!("no set {name}"),
        }
    }

    fn read(name: &str) -> Self {
        let codes = Codes::shipped();
        let mut documents = Vec::new();
        for kind in KINDS {
            let path = super::folder("stays").join(name).join(format!("{kind}.ndjson"));
            let Ok(text) = std::fs::read_to_string(path) else { continue };
            documents.extend(text.lines().map(|line| Document::new(kind, line, &codes)));
        }
        Set { documents, codes }
    }

    pub(super) fn find(&self, kind: &str, id: &str) -> &Document {
        self.documents
            .iter()
            .find(|d| d.kind == kind && d.id == id)
            .unwrap_or_else(|| panic!("no {kind}/{id}"))
    }

    pub(super) fn patients(&self) -> Vec<&str> {
        self.documents.iter().filter(|d| d.kind == "Patient").map(|d| d.id.as_str()).collect()
    }

    /// Stays and doubts of a patient.
    pub(super) fn assembled(&self, patient: &str, settings: &Settings) -> Assembled {
        let mut dossier = Dossier::new(patient);
        let mut shared: BTreeMap<String, Arc<Extract>> = BTreeMap::new();
        for document in &self.documents {
            if document.patient() == Some(patient) {
                dossier.put(document.extract.clone());
            } else {
                shared.insert(format!("{}/{}", document.kind, document.id), document.extract.clone());
            }
        }
        dossier.stays(&|kind, id| shared.get(&format!("{kind}/{id}")).cloned(), settings)
    }
}

impl Document {
    /// As it would lie in a store.
    pub(super) fn stored(&self) -> Stored<'_> {
        let received_us = at("2024-07-10T00:00:00Z").micros();
        let (version, first_us, deleted) = (1, received_us, false);
        let body = self.body.as_bytes();
        Stored { kind: self.kind, id: &self.id, version, first_us, received_us, deleted, body }
    }

    fn new(kind: &'static str, body: &str, codes: &Codes) -> Self {
        let bases = Bases::default();
        read(kind, body.as_bytes(), &bases).unwrap_or_else(|e| panic!("{kind} is refused: {e:?}\n{body}"));
        let json: Value = serde_json::from_str(body).unwrap();
        let id = json["id"].as_str().unwrap().to_owned();
        let received_us = at("2024-07-10T00:00:00Z").micros();
        let (version, first_us, deleted) = (1, received_us, false);
        let stored = Stored { kind, id: &id, version, first_us, received_us, deleted, body: body.as_bytes() };
        let extract = Arc::new(extract(&stored, codes, &bases));
        Document { kind, id, body: body.to_owned(), json, extract }
    }

    /// Whose it is, by its own words.
    pub(super) fn patient(&self) -> Option<&str> {
        if self.kind == "Patient" {
            return Some(&self.id);
        }
        let named = ["subject", "patient"].iter().find_map(|name| self.json[name]["reference"].as_str());
        named.map(|reference| reference.strip_prefix("Patient/").unwrap())
    }

    pub(super) fn source(&self) -> String {
        format!("{}/{}/_history/1", self.kind, self.id)
    }

    pub(super) fn codings(&self) -> Vec<(String, String)> {
        codings(&self.json)
    }

    /// Describes the patient, the stay, a thing or a place: read by what refers to it.
    pub(super) fn is_described(&self) -> bool {
        let described = |t: &Tell| {
            matches!(t, Tell::Patient(_) | Tell::Encounter(_) | Tell::Location(_) | Tell::Device(_))
        };
        self.extract.tells().iter().any(described)
    }
}

/// System and code of every coding of what was done, used or observed.
pub(super) fn codings(document: &Value) -> Vec<(String, String)> {
    let own = [&document["code"], &document["type"], &document["valueCodeableConcept"]];
    let used = document["usedCode"].as_array().into_iter().flatten();
    let codings = own.into_iter().chain(used).flat_map(|c| c["coding"].as_array().into_iter().flatten());
    let text = |part: &Value| part.as_str().map(str::to_owned);
    codings.filter_map(|c| Some((text(&c["system"])?, text(&c["code"])?))).collect()
}

/// System and code of everything that the shipped map gives a meaning that counts, read from the map itself.
/// Ventilation without an artificial airway is known and does not count; what surveillance looks at is no care.
pub(super) fn mapped() -> BTreeSet<(String, String)> {
    let map: Value =
        serde_json::from_slice(shipped::document("ConceptMap", "default").unwrap().body).unwrap();
    let mut out = BTreeSet::new();
    let of_care = |group: &&Value| !group["target"].as_str().unwrap().ends_with("/surveillance");
    for group in map["group"].as_array().unwrap().iter().filter(of_care) {
        for element in group["element"].as_array().unwrap() {
            let targets = element["target"].as_array().into_iter().flatten();
            if targets
                .into_iter()
                .any(|t| t["code"].as_str().is_some_and(|c| c != "non-invasive-ventilation"))
            {
                let text = |part: &Value| part.as_str().unwrap().to_owned();
                out.insert((text(&group["source"]), text(&element["code"])));
            }
        }
    }
    assert!(out.len() > 20, "{out:?}");
    out
}

/// The sources of every fact of a stay.
pub(super) fn sources(facts: &Facts) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    out.extend(facts.ventilated.iter().map(|f| f.source.to_string()));
    out.extend(facts.airway_rows.iter().map(|f| f.source.to_string()));
    out.extend(facts.extubations.iter().map(|f| f.source.to_string()));
    out.extend(facts.units.iter().map(|f| f.source.to_string()));
    out.extend(facts.away.iter().map(|f| f.source.to_string()));
    out.extend(facts.care.iter().map(|f| f.source.to_string()));
    out.extend(facts.excuses.iter().map(|f| f.source.to_string()));
    out.extend(facts.under_way.iter().map(|f| f.source.to_string()));
    out.extend(facts.conditions.iter().map(|f| f.source.to_string()));
    out
}

/// The doubts of all stays and of what waits, as source and reason.
pub(super) fn doubts(assembled: &Assembled) -> Vec<(String, String)> {
    let of_stays = assembled.stays.iter().flat_map(|stay: &StayFacts| &stay.doubts);
    of_stays.chain(&assembled.waiting).map(|d| (d.source.to_string(), d.why.to_string())).collect()
}
