//! Ventilator-associated events as FHIR Parameters and as text, each with its table of days and the care that was charted
//! before it.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;
use serde_json::{Value as Json, json};

use crate::care::ledger::{Cell, Ledger};
use crate::care::surveillance::days::{Basis, Minimum};
use crate::care::surveillance::events::{Event, Setting, TableDay};
use crate::care::surveillance::infection::Infection;
use crate::care::surveillance::{CAUTION, Survey, care_on};

/// The care of so many days of ventilation before an event is shown beside it: our own choice of a week.
const DAYS_BEFORE: usize = 7;

/// The caution and the events of a stay, as members of `Parameters.parameter`.
pub fn parameters(survey: &Survey, ledger: &Ledger) -> Vec<Json> {
    let mut out = vec![json!({ "name": "caution", "valueString": CAUTION })];
    out.extend(survey.events.iter().map(|event| {
        let mut parts = about(event);
        parts.extend(event.table.iter().map(|row| json!({ "name": "day", "part": day(row) })));
        parts.extend(care_before(survey, event, ledger).iter().map(|(requirement, cell)| {
            let parts = [
                json!({ "name": "requirement", "valueCode": &**requirement }),
                json!({ "name": "met", "valueUnsignedInt": cell.met }),
                json!({ "name": "missed", "valueUnsignedInt": cell.missed }),
                json!({ "name": "excused", "valueUnsignedInt": cell.excused }),
            ];
            json!({ "name": "care-before", "part": parts })
        }));
        json!({ "name": "event", "part": parts })
    }));
    out
}

fn about(event: &Event) -> Vec<Json> {
    let date = |name: &str, day: NaiveDate| json!({ "name": name, "valueDate": day.to_string() });
    let mut parts =
        vec![date("date", event.date), json!({ "name": "ventilator-day", "valuePositiveInt": event.number })];
    parts.extend(event.by.iter().map(|by| json!({ "name": "worsened", "valueCode": setting(*by) })));
    if !event.unit.is_empty() {
        let unit = json!({ "reference": format!("Location/{}", event.unit) });
        parts.push(json!({ "name": "unit", "valueReference": unit }));
    }
    let window = json!({ "start": event.window.0.to_string(), "end": event.window.1.to_string() });
    parts.extend([
        date("until", event.until),
        json!({ "name": "window", "valuePeriod": window }),
        json!({ "name": "infection", "valueCode": infection(event.infection) }),
        json!({ "name": "settled", "valueBoolean": event.settled }),
    ]);
    parts
}

const fn setting(setting: Setting) -> &'static str {
    match setting {
        Setting::Peep => "peep",
        Setting::Fio2 => "fio2",
    }
}

const fn infection(infection: Infection) -> &'static str {
    match infection {
        Infection::Found => "found",
        Infection::NotFound => "not-found",
        Infection::NotCharted => "not-charted",
    }
}

/// A row of the table, with the documents that it rests on.
fn day(row: &TableDay) -> Vec<Json> {
    let mut parts = vec![json!({ "name": "date", "valueDate": row.day.to_string() })];
    let mut sources: Vec<&str> = Vec::new();
    if let Some(ventilator) = &row.ventilator {
        parts.push(json!({ "name": "ventilator-day", "valuePositiveInt": ventilator.number }));
        for (name, minimum, unit) in [("peep", &ventilator.peep, "cm[H2O]"), ("fio2", &ventilator.fio2, "%")]
        {
            let Some(minimum) = minimum else { continue };
            parts.push(quantity(name, minimum.value, 100, unit));
            parts.push(json!({ "name": format!("{name}-basis"), "valueCode": basis(minimum.basis) }));
            sources.extend(minimum.sources.iter().map(|s| &*s.0));
        }
    }
    if let Some((lowest, highest)) = row.sign.temperature {
        parts.push(quantity("lowest-temperature", lowest, 1_000, "Cel"));
        parts.push(quantity("highest-temperature", highest, 1_000, "Cel"));
    }
    if let Some((lowest, highest)) = row.sign.white_cells {
        parts.push(quantity("lowest-white-cells", lowest, 1, "/uL"));
        parts.push(quantity("highest-white-cells", highest, 1, "/uL"));
    }
    parts.extend(row.sign.given.iter().map(|agent| {
        let (system, code) = agent.split_once('|').unwrap_or(("", agent));
        json!({ "name": "antimicrobial", "valueCoding": { "system": system, "code": code } })
    }));
    if row.sign.qualifying {
        parts.push(json!({ "name": "antimicrobial-counts", "valueBoolean": true }));
    }
    sources.extend(row.sign.sources.iter().map(|s| &*s.0));
    let source = |s: &&str| json!({ "name": "source", "valueReference": { "reference": s } });
    parts.extend(sources.iter().map(source));
    parts
}

fn quantity(name: &str, value: i64, by: i64, unit: &str) -> Json {
    let value: Option<serde_json::Number> = decimal(value, by).parse().ok();
    let quantity =
        json!({ "value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit });
    json!({ "name": name, "valueQuantity": quantity })
}

const fn basis(basis: Basis) -> &'static str {
    match basis {
        Basis::Held => "held",
        Basis::Lowest => "lowest",
    }
}

/// `value / by` without a float; what there is after the point ends with a digit that is not 0.
fn decimal(value: i64, by: i64) -> String {
    let (whole, rest) = (value / by, value % by);
    let places = by.ilog10() as usize;
    let text = format!("{whole}.{rest:0places$}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The care of the days of ventilation before an event, a week at most, by requirement.
fn care_before(survey: &Survey, event: &Event, ledger: &Ledger) -> BTreeMap<Arc<str>, Cell> {
    let before = survey.days.iter().map(|d| d.day).filter(|day| *day < event.date);
    let days: Vec<NaiveDate> = before.rev().take(DAYS_BEFORE).collect();
    let (Some(last), Some(first)) = (days.first(), days.last()) else { return BTreeMap::new() };
    care_on(ledger, *first, *last)
}

/// The events of a stay as people read them: the caution, then for each event a line, its table, and the care before it.
pub fn text(survey: &Survey, ledger: &Ledger) -> String {
    let mut lines = vec![CAUTION.to_owned()];
    if survey.events.is_empty() {
        lines.push(format!("\nno event found in {} days of ventilation", survey.days.len()));
    }
    for event in &survey.events {
        let by: Vec<&str> = event.by.iter().map(|by| setting(*by)).collect();
        let unit = if event.unit.is_empty() { "not known" } else { &*event.unit };
        let settled = if event.settled { "" } else { " so far" };
        lines.push(format!(
            "\n{}, day {} of ventilation, unit {unit}: worse by {}; signs of infection: {}{settled}",
            event.date,
            event.number,
            by.join(" and "),
            infection(event.infection),
        ));
        lines.extend(event.table.iter().map(table_line));
        for (requirement, cell) in care_before(survey, event, ledger) {
            let Cell { met, missed, excused, .. } = cell;
            lines.push(format!("  before it, {requirement}: {met} met, {missed} missed, {excused} excused"));
        }
    }
    lines.push(String::new());
    lines.join("\n")
}

fn table_line(row: &TableDay) -> String {
    let setting = |minimum: Option<&Minimum>| minimum.map_or("-".to_owned(), |m| decimal(m.value, 100));
    let ventilator = row.ventilator.as_ref();
    let range = |range: Option<(i64, i64)>, by: i64| {
        range.map_or("-".to_owned(), |(low, high)| format!("{} to {}", decimal(low, by), decimal(high, by)))
    };
    format!(
        "  {}  day {:>2}  PEEP {:>5}  FiO2 {:>5}  temperature {}  white cells {}  antimicrobials {}{}",
        row.day,
        ventilator.map_or("-".to_owned(), |v| v.number.to_string()),
        setting(ventilator.and_then(|v| v.peep.as_ref())),
        setting(ventilator.and_then(|v| v.fio2.as_ref())),
        range(row.sign.temperature, 1_000),
        range(row.sign.white_cells, 1),
        row.sign.given.len(),
        if row.sign.qualifying { ", counts" } else { "" },
    )
}
