//! A report as people read it where nothing else is shown of it.

use std::fmt::Write;

use fhir_models::Measure;
use fhir_models::codes::NarrativeStatus;
use fhir_models::datatypes::{CodeableConcept, Narrative};
use fhir_models::measure_report::MeasureReportGroup;

use super::Whom;
use super::kind::Score;
use super::report::{About, BASIS};
use crate::care::surveillance::CAUTION;

/// Title, period, when and from what it was counted, and a row for each group.
pub(super) fn narrative(about: &About<'_>, measure: &Measure, groups: &[MeasureReportGroup]) -> Narrative {
    let mut div = String::from("<div xmlns=\"http://www.w3.org/1999/xhtml\">");
    // Writing to a String cannot fail
    let _ = write(&mut div, about, measure, groups);
    div.push_str("</div>");
    Narrative::new(NarrativeStatus::Generated, div)
}

fn write(
    div: &mut String,
    about: &About<'_>,
    measure: &Measure,
    groups: &[MeasureReportGroup],
) -> std::fmt::Result {
    let (zone, (from, to)) = (about.rules.zone, about.period);
    write!(div, "<p><b>{}</b>, ", escaped(measure.title.as_deref().unwrap_or_default()))?;
    match &about.scope.whom {
        Whom::Location(unit) => write!(div, "{}, ", escaped(about.unit_name(unit).unwrap_or(unit)))?,
        Whom::Organization(id) => write!(div, "organization {}, ", escaped(id))?,
        Whom::Group(id) => write!(div, "group {}, ", escaped(id))?,
        Whom::All | Whom::Patient(_) => {}
    }
    if let Some(unit) = about.scope.unit.as_deref() {
        let name = if unit.is_empty() { "not known" } else { about.unit_name(unit).unwrap_or(unit) };
        write!(div, "unit {}, ", escaped(name))?;
    }
    write!(div, "local days {from} to {to} ({zone}). Counted at {}", about.now.shown(zone))?;
    if let Some(at) = about.scope.known_at {
        write!(div, " as it was known at {}", at.shown(zone))?;
    }
    if about.scope.waiting > 0 {
        write!(div, ", before the last charting of {} patients was counted", about.scope.waiting)?;
    }
    match about.scope.heard_until {
        Some(at) => write!(div, " from what was charted until {}.</p>", at.shown(zone))?,
        None => write!(div, ".</p>")?,
    }
    if about.kind.counts.events() {
        write!(div, "<p>{}</p>", escaped(CAUTION))?;
    }
    if about.beside.hides() {
        let smallest = about.beside.smallest;
        write!(
            div,
            "<p>Counts from 1 to less than {smallest} are hidden, with what would give them away.</p>"
        )?;
    }
    write!(div, "<p>Basis: {BASIS}{}</p><table><tr><th>Group</th>", about.unit_of_count())?;
    for population in groups.first().iter().flat_map(|g| &g.population) {
        write!(div, "<th>{}</th>", escaped(shown(population.code.as_ref())))?;
    }
    write!(div, "<th>Score</th></tr>")?;
    let score = about.kind.counts.score();
    for group in groups {
        write!(div, "<tr><td>{}</td>", escaped(shown(group.code.as_ref())))?;
        // where a count is missing, it is hidden
        let hidden = group.population.iter().any(|p| p.count.is_none());
        for population in &group.population {
            match population.count {
                Some(count) => write!(div, "<td>{count}</td>")?,
                None => write!(div, "<td>hidden</td>")?,
            }
        }
        match group.measure_score.as_ref().and_then(|s| s.value.as_ref()) {
            Some(value) if score == Score::Rate => write!(div, "<td>{value} for 1000 days</td></tr>")?,
            Some(value) => write!(div, "<td>{value}</td></tr>")?,
            None if hidden => write!(div, "<td>hidden</td></tr>")?,
            None if score == Score::None => write!(div, "<td/></tr>")?,
            None => write!(div, "<td>nothing counted</td></tr>")?,
        }
    }
    write!(div, "</table>")
}

fn shown(code: Option<&CodeableConcept>) -> &str {
    let text = code.and_then(|c| c.text.as_deref());
    text.or_else(|| code?.coding.first()?.display.as_deref()).unwrap_or_default()
}

/// What would be markup, as text; what XML cannot hold is left out.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\u{9}' | '\u{A}' | '\u{D}' => out.push(' '),
            c if c < ' ' || c == '\u{FFFE}' || c == '\u{FFFF}' => {}
            c => out.push(c),
        }
    }
    out
}
