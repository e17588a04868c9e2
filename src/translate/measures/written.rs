//! A report of many units as bytes: what has thousands of strata is written straight, without a resource in between.
//!
//! The bytes are those of the resource ([`evaluate_beside`](super::evaluate_beside)); `tests/measures` compares them.

use std::fmt::Write;

use fhir_models::Resource;
use fhir_models::datatypes::{CodeableConcept, Value};
use fhir_models::measure::{MeasureGroup, MeasureGroupPopulation};
use fhir_models::measure_report::MeasureReportGroupStratifierStratum;
use fhir_models::primitive::Decimal;
use serde::Serialize;

use super::group::population_code;
use super::kind::Score;
use super::report::About;
use super::sum::Sum;
use super::values::{rate, ratio};
use crate::translate::BASE;

/// From so many strata on they are written straight: below it nothing is gained.
const MANY: usize = 32;

/// Strata that are not in the resource, in the order in which their places come.
#[derive(Default)]
pub(super) struct Apart(Vec<(String, Vec<u8>)>);

impl Apart {
    /// The stratum that stands in the place of `strata` until the bytes are put there; none where they are too few.
    pub(super) fn take(
        &mut self,
        about: &About<'_>,
        group: &MeasureGroup,
        strata: &[(CodeableConcept, &Sum)],
        hidden: &[bool],
    ) -> Option<MeasureReportGroupStratifierStratum> {
        if strata.len() < MANY || hidden.contains(&true) {
            return None;
        }
        // no stratum that is evaluated has an id
        let place = format!("place-{}", self.0.len());
        let mut bytes = String::with_capacity(strata.len() * 2_400);
        let shape = Shape::of(about, group);
        for (number, (value, sum)) in strata.iter().enumerate() {
            if number > 0 {
                bytes.push(',');
            }
            shape.stratum(&mut bytes, value, sum);
        }
        let stands = MeasureReportGroupStratifierStratum { id: Some(place.clone()), ..Default::default() };
        self.0.push((place, bytes.into_bytes()));
        Some(stands)
    }

    /// The bytes of the whole.
    pub(super) fn put(self, report: &impl Resource) -> Vec<u8> {
        let written = report.write();
        let more: usize = self.0.iter().map(|(_, bytes)| bytes.len()).sum();
        let mut out = Vec::with_capacity(written.len() + more);
        let mut rest = written.as_slice();
        for (place, bytes) in self.0 {
            let stands = format!("{{\"id\":\"{place}\"}}");
            let Some(at) = memchr::memmem::find(rest, stands.as_bytes()) else { continue };
            out.extend_from_slice(rest.get(..at).unwrap_or_default());
            out.extend_from_slice(&bytes);
            rest = rest.get(at + stands.len()..).unwrap_or_default();
        }
        out.extend_from_slice(rest);
        out
    }
}

/// What all strata of a group have alike, as JSON.
struct Shape<'a> {
    about: &'a About<'a>,
    populations: Vec<Population<'a>>,
    /// Before and after the value of a score, with or without its interval.
    score: [String; 4],
}

struct Population<'a> {
    /// The code by which it is counted.
    code: &'a str,
    id: String,
    /// Its `code`, as JSON.
    coded: String,
}

fn json(value: &impl Serialize) -> String {
    // what comes here has no map with other keys than texts
    serde_json::to_string(value).unwrap_or_default()
}

impl<'a> Shape<'a> {
    fn of(about: &'a About<'a>, group: &'a MeasureGroup) -> Self {
        let population = |population: &'a MeasureGroupPopulation| Population {
            code: population_code(population).unwrap_or_default(),
            id: json(&population.id),
            coded: json(&population.code),
        };
        let (unit, code, method) = match about.kind.counts.score() {
            Score::Rate => ("\"unit\":\"for 1000 ventilator days\",", "10*-3/d", "mid-p"),
            Score::Share | Score::Whole | Score::None => ("", "1", "wilson"),
        };
        let score = [
            "{\"extension\":[{\"url\":\"low\",\"valueDecimal\":".to_owned(),
            "},{\"url\":\"high\",\"valueDecimal\":".to_owned(),
            format!(
                "}},{{\"url\":\"level\",\"valueDecimal\":0.95}},{{\"url\":\"method\",\"valueCode\":\"{method}\"}}],\
                 \"url\":\"{BASE}/StructureDefinition/interval\"}}"
            ),
            format!(",{unit}\"system\":\"http://unitsofmeasure.org\",\"code\":\"{code}\"}}"),
        ];
        Shape { about, populations: group.population.iter().map(population).collect(), score }
    }

    fn stratum(&self, out: &mut String, value: &CodeableConcept, sum: &Sum) {
        let counts = sum.counts(self.about.kind.counts);
        out.push('{');
        let beside = self.about.beside_group(sum, false);
        if !beside.is_empty() {
            out.push_str("\"extension\":");
            out.push_str(&json(&beside));
            out.push(',');
        }
        out.push_str("\"value\":");
        out.push_str(&json(value));
        out.push_str(",\"population\":[");
        for (number, population) in self.populations.iter().enumerate() {
            out.push_str(if number == 0 { "{\"id\":" } else { ",{\"id\":" });
            out.push_str(&population.id);
            if let Some(extension) = self.about.beside_count(population.code, sum) {
                out.push_str(",\"extension\":[");
                match extension.value.as_deref() {
                    // the one that most strata have
                    Some(Value::UnsignedInt(many)) => {
                        let url = &extension.url;
                        // writing to a String cannot fail
                        let _ = write!(out, "{{\"url\":\"{url}\",\"valueUnsignedInt\":{many}}}");
                    }
                    _ => out.push_str(&json(&extension)),
                }
                out.push(']');
            }
            out.push_str(",\"code\":");
            out.push_str(&population.coded);
            if let Some(count) = super::group::count(&counts, population.code) {
                let _ = write!(out, ",\"count\":{count}");
            }
            out.push('}');
        }
        out.push(']');
        self.score(out, &counts);
        out.push('}');
    }

    fn score(&self, out: &mut String, counts: &super::sum::Counts) {
        let counted = self.about.kind.counts;
        let value: Option<Decimal> = match counted.score() {
            Score::None => None,
            Score::Share | Score::Whole => ratio(counts.part, counts.of),
            Score::Rate => rate(counts.part, counts.of),
        };
        let Some(value) = value else { return };
        let [before, between, behind, last] = &self.score;
        out.push_str(",\"measureScore\":{");
        if let Some((low, high)) = counts.interval(counted) {
            out.push_str("\"extension\":[");
            out.push_str(before);
            let _ = write!(out, "{}", Shown(low));
            out.push_str(between);
            let _ = write!(out, "{}", Shown(high));
            out.push_str(behind);
            out.push_str("],");
        }
        let _ = write!(out, "\"value\":{value}");
        out.push_str(last);
    }
}

/// A number as [`decimal`](super::values::decimal) shows it.
struct Shown(f64);

impl std::fmt::Display for Shown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.4}", super::values::unsigned_zero(self.0))
    }
}
