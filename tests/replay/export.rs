//! A made-up export, and beside it the facts that it is meant to say, written down without a look at how it is read.

use std::sync::Arc;

use serde_json::{Value, json};
use terce::care::facts::{
    AwaySpan, CareEvent, Code, Ending, Excuse, Extubation, Facts, Proof, Source, StayEnd, UnitSpan,
    Ventilated, When,
};
use terce::care::time::{Instant, Length};

const BASE: &str = "https://terce.example/fhir/CodeSystem";
const KINDS: [&str; 5] = [
    "oral-cleansing",
    "tooth-brushing",
    "oral-moisturising",
    "oropharyngeal-suction-assessment",
    "cuff-pressure-check",
];

/// One stay: its documents, a line each, and what they say.
pub(crate) struct Stay {
    pub(crate) lines: Vec<String>,
    pub(super) facts: Facts,
}

/// After everything.
pub(super) fn until() -> Instant {
    super::instant("2026-03-20T00:00:00Z")
}

/// The stays of patients 0 to `count`, always the same.
pub(crate) fn stays(count: u64) -> Vec<Stay> {
    (0..count).map(|n| Maker::new(n).stay()).collect()
}

struct Maker {
    n: u64,
    dice: u64,
    lines: Vec<String>,
    facts: Facts,
}

impl Maker {
    fn new(n: u64) -> Self {
        let facts = Facts { stay: format!("e{n}").into(), ..Facts::default() };
        Maker { n, dice: n.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1, lines: Vec::new(), facts }
    }

    /// From 0 up to, not including, `below`.
    fn roll(&mut self, below: u64) -> u64 {
        self.dice = self.dice.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.dice >> 33) % below
    }

    fn put(&mut self, document: Value) {
        self.lines.push(format!("{document}\n"));
    }

    fn patient(&self) -> Value {
        json!({"reference": format!("Patient/p{}", self.n)})
    }

    fn encounter(&self) -> Value {
        json!({"reference": format!("Encounter/e{}", self.n)})
    }

    /// `minutes` after the patient came; around the change of the clocks of 8 March 2026.
    fn at(&self, minutes: u64) -> Instant {
        let begin = super::instant("2026-03-06T05:00:00Z") + Length::minutes((self.n * 37 % 2_000) as i64);
        begin + Length::minutes(minutes as i64)
    }

    fn stay(mut self) -> Stay {
        let length = 1_200 + self.roll(3_000);
        let over = self.roll(4) > 0;
        self.put(json!({"resourceType": "Patient", "id": format!("p{}", self.n)}));
        self.facts.begins = Some(self.at(0));
        self.whereabouts(length, over);
        self.ventilation(length);
        for number in 0..length / 40 {
            let kind = KINDS[self.roll(5) as usize];
            let at = self.roll(length);
            self.care(number, kind, at);
        }
        Stay { lines: self.lines, facts: self.facts }
    }

    fn whereabouts(&mut self, length: u64, over: bool) {
        let id = format!("e{}", self.n);
        let source = Source::new(&format!("Encounter/{id}/_history/1"));
        let moved = 100 + self.roll(length - 200);
        let away = moved / 2;
        let back = (away + 30 + self.roll(200)).min(moved);
        let spans = [("north", 0, Some(moved)), ("south", moved, over.then_some(length))];
        let mut places = Vec::new();
        for (unit, from, to) in spans {
            places.push(json!({"location": {"reference": format!("Location/{unit}")}, "period": self.period(from, to)}));
            let (from, to) = (self.at(from), to.map(|t| self.at(t)));
            self.facts.units.push(UnitSpan { unit: unit.into(), from, to, source: source.clone() });
        }
        if self.roll(2) == 0 {
            let period = self.period(away, Some(back));
            places.push(json!({"location": {"reference": "Location/theatre"}, "period": period}));
            let (from, to) = (self.at(away), Some(self.at(back)));
            self.facts.away.push(AwaySpan { from, to, source: source.clone() });
        }
        if over {
            self.facts.ends = Some(StayEnd { at: self.at(length), how: Ending::Discharged, source });
        }
        let encounter = json!({"resourceType": "Encounter", "id": id, "subject": self.patient(),
            "status": if over { "finished" } else { "in-progress" },
            "meta": {"versionId": "1", "lastUpdated": self.at(length).to_string()},
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "period": self.period(0, over.then_some(length)), "location": places});
        self.put(encounter);
    }

    fn period(&self, from: u64, to: Option<u64>) -> Value {
        match to {
            Some(to) => json!({"start": self.at(from).to_string(), "end": self.at(to).to_string()}),
            None => json!({"start": self.at(from).to_string()}),
        }
    }

    fn ventilation(&mut self, length: u64) {
        let from = self.roll(200);
        let to = from + 400 + self.roll(length);
        let id = format!("v{}", self.n);
        let source = Source::new(&format!("Procedure/{id}/_history/1"));
        let open = self.roll(3) == 0;
        let document = json!({"resourceType": "Procedure", "id": id, "subject": self.patient(),
            "encounter": self.encounter(), "status": if open { "in-progress" } else { "completed" },
            "meta": {"versionId": "1", "lastUpdated": self.at(to).to_string()},
            "code": {"coding": [{"system": format!("{BASE}/airway"), "code": "invasive-ventilation"}]},
            "performedPeriod": self.period(from, (!open).then_some(to))});
        self.put(document);
        let ends = (!open).then(|| When::At(self.at(to)));
        let from = When::At(self.at(from));
        self.facts.ventilated.push(Ventilated { from, to: ends, proof: Proof::Procedure, source });
        if open && to < length {
            let id = format!("x{}", self.n);
            let source = Source::new(&format!("Procedure/{id}/_history/1"));
            let document = json!({"resourceType": "Procedure", "id": id, "subject": self.patient(),
                "encounter": self.encounter(), "status": "completed", "performedDateTime": self.at(to).to_string(),
                "meta": {"versionId": "1", "lastUpdated": self.at(to).to_string()},
                "code": {"coding": [{"system": format!("{BASE}/airway"), "code": "extubation"}]}});
            self.put(document);
            self.facts.extubations.push(Extubation { at: self.at(to), source });
        }
    }

    /// Care as a Procedure or a row of a flowsheet; given, refused, corrected, or entered in error.
    fn care(&mut self, number: u64, kind: &str, at: u64) {
        let (id, lag) = (format!("c{}-{number}", self.n), [0, 5, 20, 45, 300][self.roll(5) as usize]);
        let (when, told) = (self.at(at), self.at(at + lag));
        let coded = json!({"coding": [{"system": format!("{BASE}/activity"), "code": kind}]});
        let meta = |version: u64, told: Instant| json!({"versionId": version.to_string(), "lastUpdated": told.to_string()});
        let mut document = json!({"resourceType": "Procedure", "id": id, "status": "completed", "code": coded,
            "subject": self.patient(), "encounter": self.encounter(), "meta": meta(1, told),
            "performedDateTime": when.to_string()});
        let mut source = Source::new(&format!("Procedure/{id}/_history/1"));
        let activities: Arc<[Code]> = [Code::new(kind)].into();
        let (mut when, mut recorded) = (when, told);
        match self.roll(12) {
            0 => {
                document["status"] = "not-done".into();
                document["statusReason"] =
                    json!({"coding": [{"system": format!("{BASE}/excuse"), "code": "refused"}]});
                let reason = Code::new("refused");
                let at = When::At(when);
                let asked = Vec::new();
                let excuse = Excuse { at, activities, asked, reason, recorded, received: recorded, source };
                self.facts.excuses.push(excuse);
                return self.put(document);
            }
            1 => {
                document["status"] = "entered-in-error".into();
                return self.put(document);
            }
            2 => {
                // a later version moves it; it was charted when the first version was, unless that lay before it
                self.put(document.clone());
                let (moved, again) = (when + Length::minutes(10), told + Length::minutes(15));
                document["performedDateTime"] = moved.to_string().into();
                document["meta"] = meta(2, again);
                source = Source::new(&format!("Procedure/{id}/_history/2"));
                recorded = if told < moved { again } else { told };
                when = moved;
            }
            3 => {
                // a later version takes it back, and names another code
                self.put(document.clone());
                document["meta"] = meta(2, told + Length::minutes(15));
                document["code"] = json!({"coding": [{"system": "urn:other", "code": "linen"}]});
                return self.put(document);
            }
            4 | 5 => {
                document = json!({"resourceType": "Observation", "id": id, "status": "final", "code": coded,
                    "subject": self.patient(), "encounter": self.encounter(), "meta": meta(1, self.at(at + 600)),
                    "effectiveDateTime": when.to_string(), "issued": told.to_string()});
                source = Source::new(&format!("Observation/{id}/_history/1"));
            }
            _ => {}
        }
        self.put(document);
        let at = When::At(when);
        self.facts.care.push(CareEvent { at, activities, recorded, received: recorded, source });
    }
}
