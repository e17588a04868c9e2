//! A report as rows: one for each group, and one for each stratum of it, with the same numbers.

use fhir_models::MeasureReport;
use fhir_models::datatypes::{CodeableConcept, Extension, Quantity, Value};

/// What the rows have.
pub const COLUMNS: [&str; 25] = [
    "measure",
    "version",
    "period_start",
    "period_end",
    "zone",
    "subject",
    "counted_at",
    "known_at",
    "patients_waiting",
    "group",
    "group_title",
    "stratifier",
    "stratum",
    "stratum_title",
    "initial_population",
    "denominator",
    "denominator_exception",
    "numerator",
    "late_charted",
    "score",
    "low",
    "high",
    "unverified_hours",
    "median_delay_minutes",
    "p90_delay_minutes",
];

/// One row; empty where a column says nothing.
pub type Row = [String; COLUMNS.len()];

/// The rows of a report that [`evaluate`](super::evaluate) has made.
pub fn rows(report: &MeasureReport) -> Vec<Row> {
    let common = common(report);
    let mut out = Vec::new();
    for group in &report.group {
        let title = [group.id.clone().unwrap_or_default(), text(group.code.as_ref())];
        let head = |stratum: [String; 3]| -> Vec<String> {
            common.iter().chain(&title).chain(&stratum).cloned().collect()
        };
        let counts: Vec<Population<'_>> =
            group.population.iter().map(|p| (p.id.as_deref(), p.count, p.extension.as_slice())).collect();
        let numbers = numbers(&counts, group.measure_score.as_ref(), &group.extension);
        out.extend(row(head(Default::default()), numbers));
        for stratifier in &group.stratifier {
            let name = stratifier.id.clone().unwrap_or_default();
            for stratum in &stratifier.stratum {
                let value = stratum.value.as_ref();
                let code = value.and_then(|v| v.coding.first()).and_then(|c| c.code.clone());
                let head = head([name.clone(), code.unwrap_or_default(), text(value)]);
                let counts: Vec<Population<'_>> = (stratum.population.iter())
                    .map(|p| (p.id.as_deref(), p.count, p.extension.as_slice()))
                    .collect();
                let score = stratum.measure_score.as_ref();
                out.extend(row(head, self::numbers(&counts, score, &stratum.extension)));
            }
        }
    }
    out
}

/// A population's id, count and what stands beside it.
type Population<'a> = (Option<&'a str>, Option<i32>, &'a [Extension]);

fn row(head: Vec<String>, numbers: [String; 11]) -> Option<Row> {
    head.into_iter().chain(numbers).collect::<Vec<_>>().try_into().ok()
}

fn common(report: &MeasureReport) -> [String; 9] {
    let (measure, version) = report.measure.as_deref().and_then(|m| m.split_once('|')).unwrap_or_default();
    let subject = report.subject.as_ref().or(report.reporter.as_ref());
    let shown = |date: Option<&fhir_models::primitive::DateTime>| date.map(ToString::to_string);
    let zone = report.period.start_element.as_ref().and_then(|element| element.extension.first());
    [
        measure.rsplit('/').next().unwrap_or_default().to_owned(),
        version.to_owned(),
        shown(report.period.start.as_ref()).unwrap_or_default(),
        shown(report.period.end.as_ref()).unwrap_or_default(),
        zone.map(value).unwrap_or_default(),
        subject.and_then(|s| s.reference.clone()).unwrap_or_default(),
        shown(report.date.as_ref()).unwrap_or_default(),
        beside(&report.extension, "known-at"),
        beside(&report.extension, "waiting"),
    ]
}

fn numbers(
    populations: &[Population<'_>],
    score: Option<&Quantity>,
    extensions: &[Extension],
) -> [String; 11] {
    let find = |id: &str| populations.iter().find(|(found, ..)| *found == Some(id));
    let count = |id: &str| {
        find(id).and_then(|(_, count, _)| *count).map(|count| count.to_string()).unwrap_or_default()
    };
    let score_extensions = score.map(|s| s.extension.as_slice()).unwrap_or_default();
    let interval = score_extensions.iter().find(|e| e.url.ends_with("/interval"));
    let limit = |name: &str| {
        let parts = interval.map(|i| i.extension.as_slice()).unwrap_or_default();
        parts.iter().find(|part| part.url == name).map(value).unwrap_or_default()
    };
    [
        count("initial-population"),
        count("denominator"),
        count("denominator-exception"),
        count("numerator"),
        find("numerator").map(|(.., more)| beside(more, "late-charted")).unwrap_or_default(),
        score.and_then(|s| s.value.as_ref()).map(ToString::to_string).unwrap_or_default(),
        limit("low"),
        limit("high"),
        beside(extensions, "unverified-hours"),
        beside(extensions, "median-delay"),
        beside(extensions, "p90-delay"),
    ]
}

fn beside(extensions: &[Extension], name: &str) -> String {
    let found = extensions.iter().find(|e| e.url.rsplit('/').next() == Some(name));
    found.map(value).unwrap_or_default()
}

fn value(extension: &Extension) -> String {
    match extension.value.as_deref() {
        Some(Value::Decimal(number)) => number.to_string(),
        Some(Value::UnsignedInt(number)) => number.to_string(),
        Some(Value::DateTime(at)) => at.to_string(),
        Some(Value::Code(text) | Value::String(text)) => text.clone(),
        Some(Value::Duration(length)) => length.value.as_ref().map(ToString::to_string).unwrap_or_default(),
        _ => String::new(),
    }
}

fn text(concept: Option<&CodeableConcept>) -> String {
    concept.and_then(|concept| concept.text.clone()).unwrap_or_default()
}
