//! The MeasureReport, made by walking the Measure.

use std::sync::Arc;

use chrono::NaiveDate;
use fhir_models::codes::{MeasureReportStatus, MeasureReportType};
use fhir_models::datatypes::{
    CodeableConcept, Coding, Element, Extension, Period, Quantity, Reference, Value,
};
use fhir_models::measure::{MeasureGroup, MeasureGroupPopulation, MeasureGroupStratifier};
use fhir_models::measure_report::{
    MeasureReportGroup, MeasureReportGroupPopulation, MeasureReportGroupStratifier,
    MeasureReportGroupStratifierStratum, MeasureReportGroupStratifierStratumPopulation,
};
use fhir_models::primitive::{DateTime, Decimal, Time};
use fhir_models::{Measure, MeasureReport};

use super::definition::{Subject, in_use};
use super::kind::{Counted, Kind};
use super::sum::{Counts, Sum, Sums, sums};
use super::{Scope, Whom, narrative};
use crate::care::protocol::Rules;
use crate::care::time::{Instant, Length};
use crate::care::totals::{DayKind, Totals};
use crate::translate::BASE;

/// What every report says of how it was counted.
pub(super) const BASIS: &str =
    "documented care: what was charted was counted. Charted care is not the same as care that was done.";

/// All that a report is about, but the numbers.
pub(super) struct About<'a> {
    pub(super) kind: &'static Kind,
    pub(super) rules: &'a Rules,
    pub(super) period: (NaiveDate, NaiveDate),
    pub(super) scope: &'a Scope,
    pub(super) now: Instant,
}

impl About<'_> {
    pub(super) fn report(&self, measure: &Measure, subjects: &[Subject], totals: &Totals) -> MeasureReport {
        let groups = measure.group.iter().zip(subjects);
        let group: Vec<MeasureReportGroup> = groups
            .map(|(group, subject)| self.group(group, &sums(self.kind.counts, subject, totals)))
            .collect();
        let url = measure.url.as_deref().unwrap_or_default();
        let version = measure.version.as_deref().unwrap_or_default();
        MeasureReport {
            text: Some(narrative::narrative(self, measure, &group)),
            extension: self.extensions(),
            status: Some(MeasureReportStatus::Complete),
            r#type: Some(match self.scope.whom {
                Whom::Patient(_) => MeasureReportType::Individual,
                Whom::All | Whom::Group(_) | Whom::Location(_) | Whom::Organization(_) => {
                    MeasureReportType::Summary
                }
            }),
            measure: Some(format!("{url}|{version}")),
            subject: self.subject(),
            reporter: match &self.scope.whom {
                // R4 takes no Organization for the subject of a report
                Whom::Organization(id) => Some(Reference::to("Organization", id)),
                Whom::All | Whom::Patient(_) | Whom::Group(_) | Whom::Location(_) => None,
            },
            date: self.now.shown(self.rules.zone).parse().ok(),
            period: Period {
                start: DateTime::from_date(self.period.0),
                start_element: Some(self.zone()),
                end: DateTime::from_date(self.period.1),
                end_element: Some(self.zone()),
                ..Period::default()
            },
            improvement_notation: measure.improvement_notation.clone(),
            group,
            ..MeasureReport::default()
        }
    }

    fn subject(&self) -> Option<Reference> {
        match &self.scope.whom {
            Whom::Patient(patient) => Some(Reference::to("Patient", patient)),
            Whom::Group(group) => Some(Reference::to("Group", group)),
            Whom::Location(unit) => Some(self.unit_reference(unit)),
            Whom::Organization(_) | Whom::All => None,
        }
    }

    fn unit_reference(&self, unit: &str) -> Reference {
        let display = self.unit_name(unit).map(str::to_owned);
        Reference { display, ..Reference::to("Location", unit) }
    }

    pub(super) fn unit_name(&self, unit: &str) -> Option<&str> {
        self.rules.units.get(unit).and_then(|unit| unit.name.as_deref())
    }

    /// What a count is of, where that is not what one would think.
    pub(super) fn unit_of_count(&self) -> &'static str {
        match self.kind.counts {
            Counted::Covered | Counted::Unverified => " Counts are whole minutes.",
            Counted::Opportunities
            | Counted::RequirementDays
            | Counted::CompleteDays
            | Counted::Charting
            | Counted::VentilatorDays
            | Counted::PatientDays
            | Counted::Utilisation => "",
        }
    }

    fn zone(&self) -> Element {
        let url = "http://hl7.org/fhir/StructureDefinition/tz-code".to_owned();
        let value = Some(Box::new(Value::Code(self.rules.zone.name().to_owned())));
        Element { extension: vec![Extension { url, value, ..Extension::default() }], ..Element::default() }
    }

    fn extensions(&self) -> Vec<Extension> {
        let mut out = vec![own("basis", Value::String(BASIS.to_owned()))];
        for protocol in in_use(self.rules).into_iter().filter_map(|index| self.rules.protocols.get(index)) {
            out.push(own("protocol", Value::String(format!("{} {}", protocol.name, protocol.version))));
        }
        let shown = |at: Instant| at.shown(self.rules.zone).parse().ok();
        let heard = self.scope.heard_until.and_then(shown);
        out.extend(heard.map(|at| own("heard-until", Value::DateTime(at))));
        let known = self.scope.known_at.and_then(shown);
        out.extend(known.map(|at| own("known-at", Value::DateTime(at))));
        if self.scope.waiting > 0 {
            let waiting = u32::try_from(self.scope.waiting).unwrap_or(u32::MAX);
            out.push(own("waiting", Value::UnsignedInt(waiting)));
        }
        if let Some(unit) = self.scope.unit.as_deref().filter(|unit| !unit.is_empty()) {
            out.push(own("unit", Value::Reference(self.unit_reference(unit))));
        }
        match self.kind.counts {
            Counted::VentilatorDays | Counted::PatientDays | Counted::Utilisation => {
                let at: Option<Time> = self.rules.census_at.format("%H:%M:%S").to_string().parse().ok();
                out.extend(at.map(|at| own("census-time", Value::Time(at))));
            }
            Counted::Opportunities
            | Counted::Covered
            | Counted::Unverified
            | Counted::RequirementDays
            | Counted::CompleteDays
            | Counted::Charting => {}
        }
        out
    }

    fn group(&self, group: &MeasureGroup, sums: &Sums) -> MeasureReportGroup {
        MeasureReportGroup {
            id: group.id.clone(),
            extension: self.beside(&sums.whole),
            code: group.code.clone(),
            population: group.population.iter().map(|p| self.population(p, &sums.whole)).collect(),
            measure_score: self.score(&sums.whole),
            stratifier: group
                .stratifier
                .iter()
                .map(|s| self.stratifier(s, &group.population, sums))
                .collect(),
            ..MeasureReportGroup::default()
        }
    }

    fn population(&self, population: &MeasureGroupPopulation, sum: &Sum) -> MeasureReportGroupPopulation {
        let code = population.code.as_ref().and_then(|c| c.coding.first()).and_then(|c| c.code.as_deref());
        let counts = sum.counts(self.kind.counts);
        MeasureReportGroupPopulation {
            id: population.id.clone(),
            extension: code.and_then(|code| self.beside_count(code, sum)).into_iter().collect(),
            code: population.code.clone(),
            count: code.and_then(|code| count(&counts, code)),
            ..MeasureReportGroupPopulation::default()
        }
    }

    /// What R4 has no population for.
    fn beside(&self, sum: &Sum) -> Vec<Extension> {
        match self.kind.counts {
            Counted::Covered => vec![own("unverified-hours", Value::Duration(hours(sum.unverified)))],
            Counted::Charting => {
                let of = |name, percent| {
                    Some(own(name, Value::Duration(minutes(sum.delays.percentile(percent)?))))
                };
                [of("median-delay", 50), of("p90-delay", 90)].into_iter().flatten().collect()
            }
            Counted::Opportunities
            | Counted::Unverified
            | Counted::RequirementDays
            | Counted::CompleteDays
            | Counted::VentilatorDays
            | Counted::PatientDays
            | Counted::Utilisation => Vec::new(),
        }
    }

    fn beside_count(&self, population: &str, sum: &Sum) -> Option<Extension> {
        let in_hours = |length| Some(own("hours", Value::Duration(hours(length))));
        match (self.kind.counts, population) {
            (Counted::Opportunities, "numerator") => {
                let late = u32::try_from(sum.late).unwrap_or(u32::MAX);
                Some(own("late-charted", Value::UnsignedInt(late)))
            }
            (Counted::Covered, "numerator") => in_hours(sum.covered),
            (Counted::Covered, _) => in_hours(sum.at_risk),
            (Counted::Unverified, "numerator") => in_hours(sum.unverified),
            (Counted::Unverified, _) => in_hours(sum.all_at_risk()),
            (
                Counted::Opportunities
                | Counted::RequirementDays
                | Counted::CompleteDays
                | Counted::Charting
                | Counted::VentilatorDays
                | Counted::PatientDays
                | Counted::Utilisation,
                _,
            ) => None,
        }
    }

    fn score(&self, sum: &Sum) -> Option<Quantity> {
        match self.kind.counts {
            // a cohort is counted and not scored
            Counted::VentilatorDays | Counted::PatientDays => return None,
            Counted::Opportunities
            | Counted::Covered
            | Counted::Unverified
            | Counted::RequirementDays
            | Counted::CompleteDays
            | Counted::Charting
            | Counted::Utilisation => {}
        }
        let counts = sum.counts(self.kind.counts);
        let value = Some(ratio(counts.part, counts.of)?);
        let interval = counts.interval(self.kind.counts).map(interval);
        Some(Quantity {
            extension: interval.into_iter().collect(),
            value,
            system: Some("http://unitsofmeasure.org".to_owned()),
            code: Some("1".to_owned()),
            ..Quantity::default()
        })
    }

    fn stratifier(
        &self,
        stratifier: &MeasureGroupStratifier,
        populations: &[MeasureGroupPopulation],
        sums: &Sums,
    ) -> MeasureReportGroupStratifier {
        let stratum = |value, sum| self.stratum(value, populations, sum);
        let strata = match stratifier.id.as_deref() {
            Some("unit") => {
                sums.by_unit.iter().map(|(unit, sum)| stratum(self.unit_value(unit), sum)).collect()
            }
            Some("shift") => self.by_shift(populations, sums),
            Some("day-kind") => sums
                .by_day
                .iter()
                .map(|(kind, sum)| stratum(named("day-kind", day_kind(*kind), None), sum))
                .collect(),
            Some("requirement") => {
                let title = |id: &str| requirement_title(self.rules, id);
                let value = |id: &Arc<str>| named("requirement", id, title(id).as_deref());
                sums.by_requirement.iter().map(|(id, sum)| stratum(value(id), sum)).collect()
            }
            Some(_) | None => Vec::new(),
        };
        MeasureReportGroupStratifier {
            id: stratifier.id.clone(),
            code: stratifier.code.clone().into_iter().collect(),
            stratum: strata,
            ..MeasureReportGroupStratifier::default()
        }
    }

    /// In the order of the site's shifts, then any the site no longer has.
    fn by_shift(
        &self,
        populations: &[MeasureGroupPopulation],
        sums: &Sums,
    ) -> Vec<MeasureReportGroupStratifierStratum> {
        let place = |name: &Arc<str>| self.rules.shifts.iter().position(|s| s.name == *name);
        let mut shifts: Vec<(&Arc<str>, &Sum)> = sums.by_shift.iter().collect();
        shifts.sort_by_key(|(name, _)| place(name).unwrap_or(usize::MAX));
        let stratum =
            |(name, sum): (&Arc<str>, &Sum)| self.stratum(named("shift", name, None), populations, sum);
        shifts.into_iter().map(stratum).collect()
    }

    fn unit_value(&self, unit: &str) -> CodeableConcept {
        match unit {
            "" => CodeableConcept {
                coding: vec![Coding {
                    system: Some("http://terminology.hl7.org/CodeSystem/data-absent-reason".to_owned()),
                    code: Some("unknown".to_owned()),
                    display: Some("Unknown".to_owned()),
                    ..Coding::default()
                }],
                text: Some("unit not known".to_owned()),
                ..CodeableConcept::default()
            },
            unit => named("location", unit, self.unit_name(unit)),
        }
    }

    fn stratum(
        &self,
        value: CodeableConcept,
        populations: &[MeasureGroupPopulation],
        sum: &Sum,
    ) -> MeasureReportGroupStratifierStratum {
        let counted = populations.iter().map(|p| self.population(p, sum));
        let population = counted.map(|p| MeasureReportGroupStratifierStratumPopulation {
            id: p.id,
            extension: p.extension,
            code: p.code,
            count: p.count,
            ..MeasureReportGroupStratifierStratumPopulation::default()
        });
        MeasureReportGroupStratifierStratum {
            extension: self.beside(sum),
            value: Some(value),
            population: population.collect(),
            measure_score: self.score(sum),
            ..MeasureReportGroupStratifierStratum::default()
        }
    }
}

/// The count of a population by its code.
fn count(counts: &Counts, population: &str) -> Option<i32> {
    let count = match population {
        "initial-population" | "denominator" => counts.denominator,
        "denominator-exception" => counts.exception,
        "numerator" => counts.numerator,
        _ => return None,
    };
    Some(i32::try_from(count).unwrap_or(i32::MAX))
}

/// The code of a kind of day.
pub(super) const fn day_kind(kind: DayKind) -> &'static str {
    match kind {
        DayKind::Weekday => "weekday",
        DayKind::Weekend => "weekend",
    }
}

/// The title of a requirement of a protocol in use.
pub(super) fn requirement_title(rules: &Rules, id: &str) -> Option<Arc<str>> {
    let protocols = in_use(rules).into_iter().filter_map(|index| rules.protocols.get(index));
    let mut all = protocols.flat_map(|protocol| &protocol.requirements);
    all.find(|requirement| &*requirement.id == id).map(|requirement| requirement.title.clone())
}

/// An extension of our own.
fn own(name: &str, value: Value) -> Extension {
    let url = format!("{BASE}/StructureDefinition/{name}");
    Extension { url, value: Some(Box::new(value)), ..Extension::default() }
}

/// A concept that names something of the site.
fn named(system: &str, code: &str, name: Option<&str>) -> CodeableConcept {
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
fn ratio(part: u64, of: u64) -> Option<Decimal> {
    let (wide, whole) = (u128::from(part) * 10_000, u128::from(of));
    let rounded = (wide + whole / 2).checked_div(whole)?;
    let shown = match rounded {
        0 if part > 0 => 1,
        10_000 if part < of => 9_999,
        rounded => rounded,
    };
    format!("{}.{:04}", shown / 10_000, shown % 10_000).parse().ok()
}

/// In hours, to a thousandth.
fn hours(length: Length) -> Quantity {
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
fn minutes(length: Length) -> Quantity {
    Quantity {
        value: (length.as_micros() / 60_000_000).to_string().parse().ok(),
        unit: Some("min".to_owned()),
        system: Some("http://unitsofmeasure.org".to_owned()),
        code: Some("min".to_owned()),
        ..Quantity::default()
    }
}

fn interval((low, high): (f64, f64)) -> Extension {
    let decimal = |value: f64| format!("{value:.4}").parse().ok().map(Value::Decimal);
    let part = |name: &str, value: Option<Value>| Extension {
        url: name.to_owned(),
        value: value.map(Box::new),
        ..Extension::default()
    };
    Extension {
        url: format!("{BASE}/StructureDefinition/interval"),
        extension: vec![
            part("low", decimal(low)),
            part("high", decimal(high)),
            part("level", "0.95".parse().ok().map(Value::Decimal)),
            part("method", Some(Value::Code("wilson".to_owned()))),
        ],
        ..Extension::default()
    }
}
