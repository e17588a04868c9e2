//! What is wrong with the data that a site sends, gathered document by document: codes that nobody mapped, the same
//! charting twice, clocks that run ahead.
//!
//! It names codes and documents and repeats nothing else of a patient.

use std::collections::{BTreeMap, BTreeSet};

use fhir_models::primitive::DateTime;
use serde_json::Value as Json;

use super::codes::Codes;
use super::extract::unmapped;

/// Examples that are kept of each finding.
const EXAMPLES: usize = 3;

/// What kind of thing is wrong.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Fault {
    /// No map knows the code.
    Unmapped,
    /// A document could not be used, or not as it stands.
    Doubt,
    /// A document that no patient, or no stay, can be found for.
    Unplaced,
    /// The same care charted twice, in two documents.
    Duplicate,
    /// Charted as of a time after it had been received: the clock of the source runs ahead.
    ClockAhead,
    /// No protocol holds in the unit.
    UnitWithoutProtocol,
}

/// One thing that is wrong.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Finding {
    /// What kind of thing.
    pub fault: Fault,
    /// Which one: a code as `system|code`, a reason, a source, a unit.
    pub what: String,
    /// How often, in documents.
    pub count: u64,
    /// An activity that the code may mean, for people to review; nothing is mapped by it.
    pub proposal: Option<&'static str>,
    /// A measure of it in words, such as how far a clock is ahead.
    pub detail: Option<String>,
    /// Documents, `Type/id`.
    pub examples: Vec<String>,
}

#[derive(Debug, Default)]
struct Seen {
    count: u64,
    display: Option<String>,
    examples: Vec<String>,
    ahead_us: i64,
}

/// Findings while documents are looked at.
#[derive(Debug, Default)]
pub struct Quality {
    seen: BTreeMap<(Fault, String), Seen>,
    charted: BTreeMap<(String, String, String), Vec<String>>,
}

impl Fault {
    /// Its code.
    pub const fn code(self) -> &'static str {
        match self {
            Fault::Unmapped => "unmapped-code",
            Fault::Doubt => "not-usable",
            Fault::Unplaced => "not-placed",
            Fault::Duplicate => "duplicate",
            Fault::ClockAhead => "clock-ahead",
            Fault::UnitWithoutProtocol => "unit-without-protocol",
        }
    }
}

impl Quality {
    /// Looks at a current document that was received at `received_us`.
    pub fn look(&mut self, kind: &str, id: &str, body: &[u8], received_us: i64, codes: &Codes) {
        let name = format!("{kind}/{id}");
        let Ok(read) = serde_json::from_slice::<Json>(body) else { return };
        // a document that has a code twice has it once
        let found: BTreeSet<(String, String)> =
            unmapped(kind, body, codes).into_iter().map(|found| (found.system, found.code)).collect();
        for (system, code) in found {
            let seen = self.note(Fault::Unmapped, format!("{system}|{code}"), &name);
            if seen.display.is_none() {
                seen.display = display(&read, &system, &code);
            }
        }
        let text = |member: &str| read.get(member).and_then(Json::as_str);
        let when = text("performedDateTime").or_else(|| text("effectiveDateTime"));
        let Some(when) = when else { return };
        if let Some(at) = when.parse::<DateTime>().ok().and_then(|at| at.instant_us())
            && at > received_us
        {
            let source = read.get("meta").and_then(|m| m.get("source")).and_then(Json::as_str);
            let seen = self.note(Fault::ClockAhead, source.unwrap_or("not named").to_owned(), &name);
            seen.ahead_us = seen.ahead_us.max(at - received_us);
        }
        let patient = read.get("subject").and_then(|s| s.get("reference")).and_then(Json::as_str);
        let coding = read.get("code").and_then(|c| c.get("coding")).and_then(|c| c.get(0));
        let code = coding.and_then(|c| c.get("code")).and_then(Json::as_str);
        if let (Some(patient), Some(code)) = (patient, code)
            && text("status") != Some("entered-in-error")
        {
            let key = (patient.to_owned(), code.to_owned(), when.to_owned());
            self.charted.entry(key).or_default().push(name);
        }
    }

    /// Notes something about a document, `Type/id`.
    pub fn doubt(&mut self, fault: Fault, why: &str, document: &str) {
        self.note(fault, why.to_owned(), document);
    }

    fn note(&mut self, fault: Fault, what: String, document: &str) -> &mut Seen {
        let seen = self.seen.entry((fault, what)).or_default();
        seen.count += 1;
        if seen.examples.len() < EXAMPLES {
            seen.examples.push(document.to_owned());
        }
        seen
    }

    /// All findings: by kind, the most frequent first.
    pub fn findings(mut self) -> Vec<Finding> {
        for ((_, code, _), mut documents) in std::mem::take(&mut self.charted) {
            if documents.len() > 1 {
                documents.sort_unstable();
                // the first of them is no duplicate
                for again in documents.iter().skip(1) {
                    self.note(Fault::Duplicate, code.clone(), again);
                }
            }
        }
        let finding = |((fault, what), seen): ((Fault, String), Seen)| Finding {
            proposal: (fault == Fault::Unmapped)
                .then(|| propose(&format!("{what} {}", seen.display.as_deref().unwrap_or_default())))
                .flatten(),
            detail: match fault {
                Fault::Unmapped => seen.display,
                Fault::ClockAhead => Some(format!("up to {} s ahead", seen.ahead_us / 1_000_000)),
                Fault::Doubt | Fault::Unplaced | Fault::Duplicate | Fault::UnitWithoutProtocol => None,
            },
            fault,
            what,
            count: seen.count,
            examples: seen.examples,
        };
        let mut out: Vec<Finding> = self.seen.into_iter().map(finding).collect();
        out.sort_by(|a, b| (a.fault, b.count, &a.what).cmp(&(b.fault, a.count, &b.what)));
        out
    }
}

/// The display of a coding anywhere in a document.
fn display(value: &Json, system: &str, code: &str) -> Option<String> {
    match value {
        Json::Object(members) => {
            let text = |name: &str| members.get(name).and_then(Json::as_str).unwrap_or_default();
            if text("code") == code && text("system") == system && !text("display").is_empty() {
                return Some(text("display").to_owned());
            }
            members.values().find_map(|inner| display(inner, system, code))
        }
        Json::Array(items) => items.iter().find_map(|inner| display(inner, system, code)),
        Json::Null | Json::Bool(_) | Json::Number(_) | Json::String(_) => None,
    }
}

/// What the words of a code and its display may mean. Common words of the trade; a proposal for people, never a map.
fn propose(text: &str) -> Option<&'static str> {
    const WORDS: &[(&[&str], &str)] = &[
        (&["extubat"], "extubation"),
        (&["brush", "tooth", "teeth"], "tooth-brushing"),
        (&["moist", "lip balm", "lubric"], "oral-moisturising"),
        (&["cuff"], "cuff-pressure-check"),
        (&["yankauer", "suction set", "suction kit", "suction tubing"], "suction-set-change"),
        (&["oral suction", "oropharyng", "secretion"], "oropharyngeal-suction-assessment"),
        (&["oral care", "mouth care", "oral hygiene", "mouth", "swab"], "oral-cleansing"),
        (&["intubat", "mechanical ventilation", "invasive vent"], "invasive-ventilation"),
    ];
    let text = text.to_lowercase().replace(['-', '_'], " ");
    WORDS.iter().find(|(words, _)| words.iter().any(|word| text.contains(word))).map(|(_, means)| *means)
}
