//! What documents say to surveillance: settings of the ventilator, modes, temperature, white cells, antimicrobials.
//!
//! Read on demand and apart from what care is counted by: nothing here changes what is due.

mod amount;

use std::sync::Arc;

use chrono::NaiveDate;
use chrono_tz::Tz;
use fhir_models::codes::{EventStatus, MedicationAdministrationStatus, ObservationStatus};
use fhir_models::datatypes::{CodeableConcept, Coding, Quantity};
use fhir_models::medication_administration::MedicationAdministrationEffective;
use fhir_models::observation::ObservationEffective;
use fhir_models::{MedicationAdministration, Observation, Procedure};
use serde::Deserialize;

use super::charted::Concept;
use super::reading::{Reading as Document, Vague};
use crate::care::facts::{Source, When};
use crate::care::ledger::Doubt;
use crate::care::surveillance::charted::{Charting, Given, Mode, ModeRow, ModeSpan, Reading};
use crate::care::time::{Instant, Span};
use crate::translate::Settings;
use crate::translate::codes::{Codes, Watch, Watches};
use crate::translate::document::Stored;

use self::amount::amount;

/// ATC, in which what begins with J01 is an antibacterial for systemic use (from memory of the classification).
const ATC: &str = "http://www.whocc.no/atc";
const ANTIBACTERIALS: &str = "J01";

/// An administration that is charted over more days than this is an order and not what was given.
const LONGEST_ADMINISTRATION_DAYS: usize = 31;

/// Adds what the current version of a document says to surveillance. What it says and cannot be used becomes a doubt.
pub fn watch(
    stored: &Stored<'_>,
    codes: &Codes,
    settings: &Settings,
    charting: &mut Charting,
    doubts: &mut Vec<Doubt>,
) {
    let watched = matches!(stored.kind, "Observation" | "MedicationAdministration" | "Procedure");
    if stored.deleted || !watched || !names_something(stored, codes) {
        return;
    }
    let versions = std::slice::from_ref(stored);
    let mut document = Document::new(versions, stored, codes, &settings.own_bases);
    if document.meaning_is_whole() {
        let mut watcher = Watcher { source: stored.source(), codes, zone: settings.zone, charting };
        match stored.kind {
            "Observation" => document.typed(|row, document| watcher.observation(row, document)),
            "Procedure" => document.typed(|done, document| watcher.procedure(done, document)),
            _ => document.typed(|given, document| watcher.administration(given, document)),
        }
    }
    let source = stored.source();
    doubts.extend(document.into_extract().doubts().iter().map(|why| Doubt::new(&source, why.clone())));
}

/// As much of a document as tells whether surveillance looks at it.
#[derive(Deserialize)]
struct Named<'a> {
    #[serde(borrow)]
    code: Option<Concept<'a>>,
    #[serde(borrow, rename = "medicationCodeableConcept")]
    medication: Option<Concept<'a>>,
    /// It may be inside, and is then looked for.
    #[serde(rename = "medicationReference")]
    elsewhere: Option<serde::de::IgnoredAny>,
    #[serde(borrow, default)]
    component: Vec<Named<'a>>,
}

fn names_something(stored: &Stored<'_>, codes: &Codes) -> bool {
    let looked_at =
        |concept: &Concept<'_>| concept.coding.iter().any(|c| !watched(codes, &c.system, &c.code).is_empty());
    let any = |named: &Named<'_>| named.code.iter().chain(&named.medication).any(looked_at);
    serde_json::from_slice::<Named<'_>>(stored.body)
        .map_or(true, |all| all.elsewhere.is_some() || any(&all) || all.component.iter().any(any))
}

fn watched(codes: &Codes, system: &str, code: &str) -> Watches {
    let own = codes.watched(system, code);
    if system == ATC && code.starts_with(ANTIBACTERIALS) {
        own.or(Watches::of(Watch::Antimicrobial))
    } else {
        own
    }
}

struct Watcher<'a> {
    source: Source,
    codes: &'a Codes,
    zone: Tz,
    charting: &'a mut Charting,
}

/// One code of a row with its value: the row itself, or one of its components.
struct Part<'a> {
    code: &'a CodeableConcept,
    quantity: Option<&'a Quantity>,
    concept: Option<&'a CodeableConcept>,
    truth: Option<bool>,
    absent: bool,
}

impl Watcher<'_> {
    fn concept(&self, concept: Option<&CodeableConcept>) -> Watches {
        let codings = concept.into_iter().flat_map(|c| &c.coding);
        codings.fold(Watches::default(), |all, coding| all.or(self.coding(coding)))
    }

    fn coding(&self, coding: &Coding) -> Watches {
        let (system, code) = (coding.system.as_deref(), coding.code.as_deref());
        system.zip(code).map(|(system, code)| watched(self.codes, system, code)).unwrap_or_default()
    }

    fn observation(&mut self, row: &Observation, document: &mut Document<'_>) {
        match row.status {
            Some(ObservationStatus::Final | ObservationStatus::Amended | ObservationStatus::Corrected) => {}
            Some(
                ObservationStatus::Registered
                | ObservationStatus::Preliminary
                | ObservationStatus::Cancelled
                | ObservationStatus::EnteredInError
                | ObservationStatus::Unknown,
            )
            | None => return,
        }
        let at = match observed(row, document) {
            Ok(at) => at,
            Err(why) => return document.doubt(why),
        };
        let whole = Part {
            code: &row.code,
            quantity: row.value_quantity.as_ref(),
            concept: row.value_codeable_concept.as_ref(),
            truth: row.value_boolean,
            absent: row.data_absent_reason.is_some(),
        };
        self.part(&whole, at, document);
        for component in &row.component {
            let part = Part {
                code: &component.code,
                quantity: component.value_quantity.as_ref(),
                concept: component.value_codeable_concept.as_ref(),
                truth: component.value_boolean,
                absent: component.data_absent_reason.is_some(),
            };
            self.part(&part, at, document);
        }
    }

    fn part(&mut self, part: &Part<'_>, at: Instant, document: &mut Document<'_>) {
        let code = self.concept(Some(part.code));
        if part.absent || code.is_empty() {
            return;
        }
        for watch in [Watch::Peep, Watch::Fio2, Watch::Temperature, Watch::WhiteCells] {
            if !code.has(watch) {
                continue;
            }
            match part.quantity.ok_or("its value is not a quantity").and_then(|q| amount(watch, q)) {
                Ok(value) => self.reading(watch, Reading { at, value, source: self.source.clone() }),
                Err(why) => document.doubt(format!("{why}; surveillance leaves it out")),
            }
        }
        let named = mode(code);
        if named.is_none() && !code.has(Watch::Mode) {
            return;
        }
        let valued = mode(self.concept(part.concept));
        let mode = match (part.truth, valued.or(named)) {
            (Some(false), _) | (_, None) => Mode::Conventional,
            (Some(true) | None, Some(mode)) => mode,
        };
        self.charting.modes.push(ModeRow { at, mode, source: self.source.clone() });
    }

    fn reading(&mut self, watch: Watch, reading: Reading) {
        match watch {
            Watch::Peep => self.charting.peep.push(reading),
            Watch::Fio2 => self.charting.fio2.push(reading),
            Watch::Temperature => self.charting.temperature.push(reading),
            Watch::WhiteCells => self.charting.white_cells.push(reading),
            Watch::Mode
            | Watch::PressureRelease
            | Watch::HighFrequency
            | Watch::Extracorporeal
            | Watch::Antimicrobial => {}
        }
    }

    fn procedure(&mut self, done: &Procedure, document: &mut Document<'_>) {
        let Some(mode) = mode(self.concept(done.code.as_ref())) else { return };
        match done.status {
            Some(EventStatus::Completed | EventStatus::InProgress | EventStatus::Stopped) => {}
            Some(
                EventStatus::Preparation
                | EventStatus::NotDone
                | EventStatus::OnHold
                | EventStatus::EnteredInError
                | EventStatus::Unknown,
            )
            | None => return,
        }
        let period = done.performed_period.as_ref().map(|p| document.period(p));
        match period {
            Some(Ok((Some(When::At(from)), to))) => {
                let to = to.map(|to| match to {
                    When::At(at) => at,
                    When::Day(day) => Span::day(day, self.zone).to,
                });
                self.charting.supports.push(ModeSpan { from, to, mode, source: self.source.clone() });
            }
            Some(Ok(_)) | None => {
                document.doubt(
                    "a mode or support without a start known to the minute; surveillance leaves it out",
                );
            }
            Some(Err(why)) => document.doubt(why),
        }
    }

    fn administration(&mut self, given: &MedicationAdministration, document: &mut Document<'_>) {
        match given.status {
            Some(
                MedicationAdministrationStatus::Completed
                | MedicationAdministrationStatus::InProgress
                | MedicationAdministrationStatus::Stopped,
            ) => {}
            Some(
                MedicationAdministrationStatus::NotDone
                | MedicationAdministrationStatus::OnHold
                | MedicationAdministrationStatus::EnteredInError
                | MedicationAdministrationStatus::Unknown,
            )
            | None => return,
        }
        let inside = contained(given);
        let codings = given.medication_codeable_concept.iter().chain(inside.as_ref()).flat_map(|c| &c.coding);
        let agents = codings.filter(|c| self.coding(c).has(Watch::Antimicrobial));
        let Some(agent) = agents.map(name).min() else { return };
        let days = match given.effective() {
            Ok(Some(MedicationAdministrationEffective::DateTime(at))) => {
                document.when(at).map(|at| (at, at)).map_err(Vague::why)
            }
            Ok(Some(MedicationAdministrationEffective::Period(period))) => match document.period(period) {
                Ok((Some(from), to)) => Ok((from, to.unwrap_or(from))),
                Ok((None, _)) => Err("its period has no start; surveillance leaves it out"),
                Err(why) => Err(why),
            },
            Ok(None) | Err(_) => Err("it does not say when; surveillance leaves it out"),
        };
        let (from, to) = match days {
            Ok((from, to)) => (self.day(from), self.day(to)),
            Err(why) => return document.doubt(why),
        };
        let days: Vec<NaiveDate> =
            from.iter_days().take_while(|day| *day <= to).take(LONGEST_ADMINISTRATION_DAYS + 1).collect();
        if days.len() > LONGEST_ADMINISTRATION_DAYS {
            return document.doubt("given for more than a month without a pause; surveillance leaves it out");
        }
        let one = |day| Given { agent: agent.clone(), day, source: self.source.clone() };
        self.charting.given.extend(days.into_iter().map(one));
    }

    fn day(&self, when: When) -> NaiveDate {
        match when {
            When::At(at) => at.day(self.zone),
            When::Day(day) => day,
        }
    }
}

/// The system and the code of an agent.
fn name(coding: &Coding) -> Arc<str> {
    let text = |part: &Option<String>| part.clone().unwrap_or_default();
    format!("{}|{}", text(&coding.system), text(&coding.code)).into()
}

/// The medication that is described inside the document.
fn contained(given: &MedicationAdministration) -> Option<CodeableConcept> {
    #[derive(Deserialize)]
    struct Medication {
        id: Option<String>,
        code: Option<CodeableConcept>,
    }
    let reference = given.medication_reference.as_ref()?.reference.as_deref()?.strip_prefix('#')?;
    let inside = given.contained.iter().filter_map(|raw| serde_json::from_str::<Medication>(raw.get()).ok());
    inside.filter(|m| m.id.as_deref() == Some(reference)).find_map(|m| m.code)
}

fn mode(watches: Watches) -> Option<Mode> {
    if watches.has(Watch::HighFrequency) || watches.has(Watch::Extracorporeal) {
        Some(Mode::Excluded)
    } else {
        watches.has(Watch::PressureRelease).then_some(Mode::PressureRelease)
    }
}

fn observed(row: &Observation, document: &Document<'_>) -> Result<Instant, &'static str> {
    let when = match row.effective() {
        Err(_) => return Err("it says twice when it was; surveillance leaves it out"),
        Ok(None) => return Err("it does not say when; surveillance leaves it out"),
        Ok(Some(ObservationEffective::DateTime(at))) => document.when(at).map_err(Vague::why)?,
        Ok(Some(ObservationEffective::Instant(at))) => document.when_instant(at).map_err(Vague::why)?,
        Ok(Some(ObservationEffective::Period(period))) => match document.period(period)? {
            (_, Some(at)) | (Some(at), None) => at,
            (None, None) => return Err("it does not say when; surveillance leaves it out"),
        },
        Ok(Some(ObservationEffective::Timing(_))) => {
            return Err("its time is a schedule; surveillance leaves it out");
        }
    };
    match when {
        When::At(at) => Ok(at),
        When::Day(_) => Err("its time is known only to the day; surveillance leaves it out"),
    }
}
