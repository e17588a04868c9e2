//! What would become of a document, before it is sent: what it would tell of, and what of it could not be used.

use std::sync::Arc;

use super::codes::{Codes, NamedCondition};
use super::document::{Bases, Stored};
use super::extract::{Made, Tell, extract, unmapped};
use crate::care::facts::{Code, Source, When};
use crate::care::time::{Instant, Length};

/// One thing to know about a document before it is sent.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Advice {
    /// Something of it could not be used, or would be used with a guess; else it is only told.
    pub grave: bool,
    /// The element, as FHIRPath writes it.
    pub at: String,
    /// What; lower case, no final stop, and nothing of a patient's.
    pub why: String,
}

/// What would become of `stored` if it were received now: its `received_us`. Care may be charted as far `ahead` of it
/// as clocks may differ.
pub fn advice(stored: &Stored<'_>, codes: &Codes, bases: &Bases, ahead: Length) -> Vec<Advice> {
    let seen = Instant::from_micros(stored.received_us) + ahead;
    let mut desk = Desk { kind: stored.kind, seen, out: Vec::new() };
    match stored.kind {
        "ConceptMap" => {
            let source = Source::new(&format!("ConceptMap/{}", stored.id));
            let (_, refused) = Codes::build(&[(source.clone(), stored.body)], &[]);
            let own = refused.into_iter().filter(|(of, _)| *of == source);
            own.for_each(|(_, refusal)| desk.grave(refusal.path, &*refusal.why));
        }
        "ValueSet" => {
            let named = NamedCondition { name: stored.id, value_set: stored.body };
            let (_, refused) = Codes::build(&[], &[named]);
            let own = refused.into_iter().filter(|(of, _)| of.0.starts_with("ValueSet/"));
            own.for_each(|(_, refusal)| desk.grave(refusal.path, &*refusal.why));
        }
        _ => desk.charting(stored, codes, bases),
    }
    desk.out.sort_by_key(|a| !a.grave);
    desk.out
}

struct Desk<'a> {
    kind: &'a str,
    /// What lies after it waits.
    seen: Instant,
    out: Vec<Advice>,
}

impl Desk<'_> {
    fn grave(&mut self, at: impl Into<String>, why: impl Into<String>) {
        self.out.push(Advice { grave: true, at: at.into(), why: why.into() });
    }

    fn told(&mut self, at: impl Into<String>, why: impl Into<String>) {
        self.out.push(Advice { grave: false, at: at.into(), why: why.into() });
    }

    fn charting(&mut self, stored: &Stored<'_>, codes: &Codes, bases: &Bases) {
        let kind = self.kind;
        let extract = extract(stored, codes, bases);
        extract.doubts().iter().for_each(|why| self.grave(kind, &**why));
        for tell in extract.tells() {
            self.tell(tell);
        }
        for unknown in unmapped(kind, stored.body, codes) {
            self.told(unknown.at, "no map knows this code, so it tells nothing here");
        }
        let placed = extract.tells().iter().any(|t| match t {
            Tell::Care(_)
            | Tell::Excuse(_)
            | Tell::UnderWay(_)
            | Tell::Ventilated { .. }
            | Tell::Row { .. }
            | Tell::Extubation { .. }
            | Tell::Away { .. } => true,
            Tell::Rejected(_)
            | Tell::DeviceUse(_)
            | Tell::Condition(_)
            | Tell::Encounter(_)
            | Tell::Patient(_)
            | Tell::Device(_)
            | Tell::Location(_) => false,
        });
        match (&extract.encounter, placed) {
            (Made::Unsaid, true) => self.told(
                format!("{kind}.encounter"),
                "it names no encounter: it is placed by its time, in the only stay of the patient that covers it",
            ),
            (Made::Elsewhere, _) => self.grave(
                format!("{kind}.encounter"),
                "its encounter is not a document of this server; it is not counted",
            ),
            (Made::Unsaid | Made::In(_), _) => {}
        }
        if extract.is_silent() && matches!(kind, "Procedure" | "Observation") {
            self.told(kind, "it is kept, and tells nothing that is counted here");
        }
    }

    fn tell(&mut self, tell: &Tell) {
        let kind = self.kind;
        match tell {
            Tell::Care(care) => {
                self.told(kind, format!("it tells of care that was given: {}", names(&care.activities)));
                self.when(care.at);
            }
            Tell::Excuse(both) => {
                let (care, reason) = &**both;
                let what = names(&care.activities);
                self.told(kind, format!("it tells of care that was not given, {reason}: {what}"));
                self.when(care.at);
            }
            Tell::UnderWay(_) => {
                self.told(
                    kind,
                    "it tells of care that is being given; that credits nothing until it is completed",
                );
            }
            Tell::Ventilated { .. } => self.told(kind, "it tells of time on invasive ventilation"),
            Tell::DeviceUse(_) => self.told(kind, "it tells of the use of a device; which, the Device says"),
            Tell::Row { invasive: true, .. } => {
                self.told(kind, "it tells that an artificial airway was in use")
            }
            Tell::Row { invasive: false, .. } => self.told(kind, "it tells that another airway was in use"),
            Tell::Extubation { .. } => self.told(kind, "it tells that the artificial airway was removed"),
            Tell::Away { .. } => self.told(kind, "it tells of time off the unit"),
            Tell::Condition(_) => self.told(kind, "it tells of a condition that protocols ask for"),
            Tell::Rejected(says) => {
                let asked = says.asked.join(", ");
                self.told(kind, format!("it excuses, {}, what the Task asks for: {asked}", says.reason));
            }
            Tell::Encounter(_) | Tell::Patient(_) | Tell::Device(_) | Tell::Location(_) => {}
        }
    }

    fn when(&mut self, at: When) {
        match at {
            When::Day(_) => {
                let why = "only its day is known: it counts for what is asked for by the day, and for nothing that is \
                           asked for every few hours, at a time of day or after other care";
                self.grave(self.kind, why);
            }
            When::At(at) if at > self.seen => {
                self.grave(self.kind, "it lies in the future; it counts when its time has come");
            }
            When::At(_) => {}
        }
    }
}

fn names(activities: &Arc<[Code]>) -> String {
    match activities.is_empty() {
        true => "which, the Device that it used says".to_owned(),
        false => activities.iter().map(|a| a.0.to_string()).collect::<Vec<_>>().join(", "),
    }
}
