//! The values that reports are written with: numbers, days, concepts, extensions.

use chrono::NaiveDate;
use fhir_models::datatypes::{CodeableConcept, Coding, Extension, Period, Quantity, Value};
use fhir_models::primitive::{DateTime, Decimal};

use super::sum::RATE_DAYS;
use crate::care::statistics::Interval;
use crate::care::time::Length;
use crate::translate::BASE;

/// An extension of our own.
pub(super) fn own(name: &str, value: Value) -> Extension {
    let url = format!("{BASE}/StructureDefinition/{name}");
    Extension { url, value: Some(Box::new(value)), ..Extension::default() }
}

/// A concept that names something of the site.
pub(super) fn named(system: &str, code: &str, name: Option<&str>) -> CodeableConcept {
    // A code has no space at its ends and none beside another
    let is_code = !code.is_empty()
        && code.split(' ').all(|word| !word.is_empty() && !word.contains(char::is_whitespace));
    let coding = is_code.then(|| Coding {
        system: Some(format!("{BASE}/sid/{system}")),
        code: Some(code.to_owned()),
        ..Coding::default()
    });
    let text = name.unwrap_or(code).trim();
    CodeableConcept {
        coding: coding.into_iter().collect(),
        text: (!text.is_empty()).then(|| text.to_owned()),
        ..CodeableConcept::default()
    }
}

/// `part / of` to four places, by whole numbers; none if `of` is 0. What is not all is never shown as 1, nor what is
/// not nothing as 0.
pub(super) fn ratio(part: u64, of: u64) -> Option<Decimal> {
    let (wide, whole) = (u128::from(part) * 10_000, u128::from(of));
    let rounded = (wide + whole / 2).checked_div(whole)?;
    let shown = match rounded {
        0 if part > 0 => 1,
        10_000 if part < of => 9_999,
        rounded => rounded,
    };
    format!("{}.{:04}", shown / 10_000, shown % 10_000).parse().ok()
}

/// So many in [`RATE_DAYS`] days, to four places; none without any day.
pub(super) fn rate(events: u64, days: u64) -> Option<Decimal> {
    let (wide, days) = (u128::from(events) * u128::from(RATE_DAYS) * 10_000, u128::from(days));
    let rounded = (wide + days / 2).checked_div(days)?;
    let shown = if events > 0 { rounded.max(1) } else { rounded };
    format!("{}.{:04}", shown / 10_000, shown % 10_000).parse().ok()
}

/// In hours, to a thousandth.
pub(super) fn hours(length: Length) -> Quantity {
    let thousandths = (length.as_micros() + 1_800_000) / 3_600_000;
    Quantity {
        value: format!("{}.{:03}", thousandths / 1000, thousandths % 1000).parse().ok(),
        unit: Some("h".to_owned()),
        system: Some("http://unitsofmeasure.org".to_owned()),
        code: Some("h".to_owned()),
        ..Quantity::default()
    }
}

/// In whole minutes.
pub(super) fn minutes(length: Length) -> Quantity {
    Quantity {
        value: (length.as_micros() / 60_000_000).to_string().parse().ok(),
        unit: Some("min".to_owned()),
        system: Some("http://unitsofmeasure.org".to_owned()),
        code: Some("min".to_owned()),
        ..Quantity::default()
    }
}

/// A number that was computed, to four places.
pub(super) fn decimal(value: f64) -> Option<Value> {
    format!("{:.4}", unsigned_zero(value)).parse().ok().map(Value::Decimal)
}

/// What rounds to nothing from below is not shown with a sign.
pub(super) fn unsigned_zero(value: f64) -> f64 {
    if value.abs() < 0.000_05 { 0.0 } else { value }
}

pub(super) fn unsigned(count: u64) -> Value {
    Value::UnsignedInt(u32::try_from(count).unwrap_or(u32::MAX))
}

/// The level of all intervals.
pub(super) fn level() -> Option<Value> {
    "0.95".parse().ok().map(Value::Decimal)
}

/// A part of an extension; none without a value.
pub(super) fn part(name: &str, value: Option<Value>) -> Option<Extension> {
    let value = Some(Box::new(value?));
    Some(Extension { url: name.to_owned(), value, ..Extension::default() })
}

/// An extension of our own that has parts.
pub(super) fn parts(name: &str, parts: impl IntoIterator<Item = Option<Extension>>) -> Extension {
    Extension {
        url: format!("{BASE}/StructureDefinition/{name}"),
        extension: parts.into_iter().flatten().collect(),
        ..Extension::default()
    }
}

pub(super) fn interval((low, high): Interval, method: &str) -> Extension {
    let method = Some(Value::Code(method.to_owned()));
    let all = [
        part("low", decimal(low)),
        part("high", decimal(high)),
        part("level", level()),
        part("method", method),
    ];
    parts("interval", all)
}

/// Local days.
pub(super) fn days((from, to): (NaiveDate, NaiveDate)) -> Value {
    let (start, end) = (DateTime::from_date(from), DateTime::from_date(to));
    Value::Period(Period { start, end, ..Period::default() })
}

/// In place of what is hidden.
pub(super) fn masked() -> Extension {
    Extension {
        url: "http://hl7.org/fhir/StructureDefinition/data-absent-reason".to_owned(),
        value: Some(Box::new(Value::Code("masked".to_owned()))),
        ..Extension::default()
    }
}
