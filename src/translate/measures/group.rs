//! A group of a report, with its strata.

use std::sync::Arc;

use fhir_models::datatypes::{CodeableConcept, Coding, Extension, Quantity, Value};
use fhir_models::measure::{MeasureGroup, MeasureGroupPopulation};
use fhir_models::measure_report::{
    MeasureReportGroup, MeasureReportGroupPopulation, MeasureReportGroupStratifier,
    MeasureReportGroupStratifierStratum, MeasureReportGroupStratifierStratumPopulation,
};

use super::definition::{Subject, in_use};
use super::hidden::{self, Hidden};
use super::kind::{Counted, Score};
use super::report::About;
use super::sum::{Counts, Sum, Sums, sums, whole};
use super::values::{hours, interval, masked, minutes, named, own, rate, ratio, unsigned};
use super::written::Apart;
use super::{chart, with_other};
use crate::care::protocol::Rules;
use crate::care::totals::{DayKind, Totals};

/// The values of a stratifier, each with its sum.
pub(super) type Strata<'s> = Vec<(CodeableConcept, &'s Sum)>;

impl About<'_> {
    /// Strata of which there are many go to `apart`, if there is such a place, and a mark stands where they belong.
    pub(super) fn group(
        &self,
        group: &MeasureGroup,
        subject: &Subject,
        totals: &Totals,
        apart: Option<&mut Apart>,
    ) -> MeasureReportGroup {
        let counted = self.kind.counts;
        let sums = sums(counted, subject, totals);
        let of_stratifier = |id: Option<&str>| self.strata(id, &sums);
        let strata: Vec<Strata<'_>> =
            group.stratifier.iter().map(|s| of_stratifier(s.id.as_deref())).collect();
        let points = self.points(subject);
        let other = self.beside.other.as_ref().map(|other| whole(counted, subject, &other.totals));
        let hidden = hidden::of_group(self, group, &sums.whole, &strata, &points, other.as_ref());
        let score = self.score(&sums.whole, hidden.whole).map(|mut score| {
            let other = other.as_ref().zip(self.beside.other.as_ref()).filter(|_| !hidden.other);
            let compared =
                other.and_then(|(sum, other)| with_other::compared(counted, &sums.whole, sum, other.period));
            score.extension.extend(compared);
            score
        });
        let mut extension = self.beside_group(&sums.whole, hidden.whole);
        if let Some(series) = &self.beside.series {
            let points = series.points.iter().map(|(period, _)| *period).zip(&points).zip(&hidden.points);
            let points: Vec<chart::Point<'_>> = points
                .map(|((period, sum), hidden)| chart::Point { period, sum: (!hidden).then_some(sum) })
                .collect();
            extension.extend(chart::chart(counted, series.step, &points));
        }
        MeasureReportGroup {
            id: group.id.clone(),
            extension,
            code: group.code.clone(),
            population: group
                .population
                .iter()
                .map(|p| self.population(p, &sums.whole, hidden.whole))
                .collect(),
            measure_score: score,
            stratifier: self.stratifiers(group, strata, &hidden, apart),
            ..MeasureReportGroup::default()
        }
    }

    /// The sums of a group at each point of the chart.
    fn points(&self, subject: &Subject) -> Vec<Sum> {
        let series = self.beside.series.iter().flat_map(|series| &series.points);
        series.map(|(_, totals)| whole(self.kind.counts, subject, totals)).collect()
    }

    fn stratifiers(
        &self,
        group: &MeasureGroup,
        strata: Vec<Strata<'_>>,
        hidden: &Hidden,
        mut apart: Option<&mut Apart>,
    ) -> Vec<MeasureReportGroupStratifier> {
        let all = group.stratifier.iter().zip(strata).zip(&hidden.strata);
        all.map(|((stratifier, strata), hidden)| {
            let stands = apart.as_mut().and_then(|apart| apart.take(self, group, &strata, hidden));
            let stratum = match stands {
                Some(stands) => vec![stands],
                None => (strata.into_iter().zip(hidden))
                    .map(|((value, sum), hidden)| self.stratum(value, &group.population, sum, *hidden))
                    .collect(),
            };
            MeasureReportGroupStratifier {
                id: stratifier.id.clone(),
                code: stratifier.code.clone().into_iter().collect(),
                stratum,
                ..MeasureReportGroupStratifier::default()
            }
        })
        .collect()
    }

    fn population(
        &self,
        population: &MeasureGroupPopulation,
        sum: &Sum,
        hidden: bool,
    ) -> MeasureReportGroupPopulation {
        let code = population_code(population);
        let counts = sum.counts(self.kind.counts);
        let beside = if hidden { Some(masked()) } else { code.and_then(|code| self.beside_count(code, sum)) };
        MeasureReportGroupPopulation {
            id: population.id.clone(),
            extension: beside.into_iter().collect(),
            code: population.code.clone(),
            count: code.filter(|_| !hidden).and_then(|code| count(&counts, code)),
            ..MeasureReportGroupPopulation::default()
        }
    }

    /// What R4 has no population for.
    pub(super) fn beside_group(&self, sum: &Sum, hidden: bool) -> Vec<Extension> {
        if hidden {
            return vec![masked()];
        }
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
            | Counted::Utilisation
            | Counted::Events
            | Counted::InfectedEvents => Vec::new(),
        }
    }

    pub(super) fn beside_count(&self, population: &str, sum: &Sum) -> Option<Extension> {
        let in_hours = |length| Some(own("hours", Value::Duration(hours(length))));
        match (self.kind.counts, population) {
            (Counted::Opportunities, "numerator") => Some(own("late-charted", unsigned(sum.late))),
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
                | Counted::Utilisation
                | Counted::Events
                | Counted::InfectedEvents,
                _,
            ) => None,
        }
    }

    fn score(&self, sum: &Sum, hidden: bool) -> Option<Quantity> {
        if hidden {
            return None;
        }
        let counts = sum.counts(self.kind.counts);
        let (value, unit, code, method) = match self.kind.counts.score() {
            Score::None => return None,
            Score::Share | Score::Whole => (ratio(counts.part, counts.of)?, None, "1", "wilson"),
            Score::Rate => {
                let unit = Some("for 1000 ventilator days".to_owned());
                (rate(counts.part, counts.of)?, unit, "10*-3/d", "mid-p")
            }
        };
        let limits = counts.interval(self.kind.counts).map(|limits| interval(limits, method));
        Some(Quantity {
            extension: limits.into_iter().collect(),
            value: Some(value),
            unit,
            system: Some("http://unitsofmeasure.org".to_owned()),
            code: Some(code.to_owned()),
            ..Quantity::default()
        })
    }

    fn strata<'s>(&self, stratifier: Option<&str>, sums: &'s Sums) -> Strata<'s> {
        match stratifier {
            Some("unit") => sums.by_unit.iter().map(|(unit, sum)| (self.unit_value(unit), sum)).collect(),
            Some("shift") => self.by_shift(sums),
            Some("day-kind") => sums
                .by_day
                .iter()
                .map(|(kind, sum)| (named("day-kind", day_kind(*kind), None), sum))
                .collect(),
            Some("requirement") => {
                let title = |id: &str| requirement_title(self.rules, id);
                let value = |id: &Arc<str>| named("requirement", id, title(id).as_deref());
                sums.by_requirement.iter().map(|(id, sum)| (value(id), sum)).collect()
            }
            Some(_) | None => Vec::new(),
        }
    }

    /// In the order of the site's shifts, then any the site no longer has.
    fn by_shift<'s>(&self, sums: &'s Sums) -> Strata<'s> {
        let place = |name: &Arc<str>| self.rules.shifts.iter().position(|s| s.name == *name);
        let mut shifts: Vec<(&Arc<str>, &Sum)> = sums.by_shift.iter().collect();
        shifts.sort_by_key(|(name, _)| place(name).unwrap_or(usize::MAX));
        shifts.into_iter().map(|(name, sum)| (named("shift", name, None), sum)).collect()
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
        hidden: bool,
    ) -> MeasureReportGroupStratifierStratum {
        let counted = populations.iter().map(|p| self.population(p, sum, hidden));
        let population = counted.map(|p| MeasureReportGroupStratifierStratumPopulation {
            id: p.id,
            extension: p.extension,
            code: p.code,
            count: p.count,
            ..MeasureReportGroupStratifierStratumPopulation::default()
        });
        MeasureReportGroupStratifierStratum {
            extension: self.beside_group(sum, hidden),
            value: Some(value),
            population: population.collect(),
            measure_score: self.score(sum, hidden),
            ..MeasureReportGroupStratifierStratum::default()
        }
    }
}

/// The code of a population.
pub(super) fn population_code(population: &MeasureGroupPopulation) -> Option<&str> {
    population.code.as_ref().and_then(|c| c.coding.first()).and_then(|c| c.code.as_deref())
}

/// The count of a population by its code.
pub(super) fn count(counts: &Counts, population: &str) -> Option<i32> {
    let count = match population {
        "initial-population" | "denominator" => counts.denominator,
        "denominator-exception" => counts.exception,
        "numerator" => counts.numerator,
        _ => return None,
    };
    Some(i32::try_from(count).unwrap_or(i32::MAX))
}

/// The code of a kind of day.
const fn day_kind(kind: DayKind) -> &'static str {
    match kind {
        DayKind::Weekday => "weekday",
        DayKind::Weekend => "weekend",
    }
}

/// The title of a requirement of a protocol in use.
fn requirement_title(rules: &Rules, id: &str) -> Option<Arc<str>> {
    let protocols = in_use(rules).into_iter().filter_map(|index| rules.protocols.get(index));
    let mut all = protocols.flat_map(|protocol| &protocol.requirements);
    all.find(|requirement| &*requirement.id == id).map(|requirement| requirement.title.clone())
}
