//! The MeasureReport, made by walking the Measure.

use chrono::NaiveDate;
use fhir_models::codes::{MeasureReportStatus, MeasureReportType};
use fhir_models::datatypes::{Element, Extension, Period, Reference, Value};
use fhir_models::measure_report::MeasureReportGroup;
use fhir_models::primitive::{DateTime, Time};
use fhir_models::{Measure, MeasureReport};

use super::definition::{Subject, in_use};
use super::kind::{Counted, Kind};
use super::values::{own, unsigned};
use super::written::Apart;
use super::{Beside, Scope, Whom, narrative};
use crate::care::protocol::Rules;
use crate::care::surveillance::CAUTION;
use crate::care::time::Instant;
use crate::care::totals::Totals;

/// What every report says of how it was counted.
pub(super) const BASIS: &str =
    "documented care: what was charted was counted. Charted care is not the same as care that was done.";

/// All that a report is about, but the numbers.
pub(super) struct About<'a> {
    pub(super) kind: &'static Kind,
    pub(super) rules: &'a Rules,
    pub(super) period: (NaiveDate, NaiveDate),
    pub(super) scope: &'a Scope,
    pub(super) beside: &'a Beside,
    pub(super) now: Instant,
}

impl About<'_> {
    /// With `apart`, strata of which there are many are put there.
    pub(super) fn report(
        &self,
        measure: &Measure,
        subjects: &[Subject],
        totals: &Totals,
        mut apart: Option<&mut Apart>,
    ) -> MeasureReport {
        let groups = measure.group.iter().zip(subjects);
        let group: Vec<MeasureReportGroup> =
            groups.map(|(group, subject)| self.group(group, subject, totals, apart.as_deref_mut())).collect();
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
            | Counted::Utilisation
            | Counted::Events
            | Counted::InfectedEvents => "",
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
        for (name, many) in [("waiting", self.scope.waiting), ("unsurveyed", self.scope.unsurveyed)] {
            if many > 0 {
                out.push(own(name, unsigned(many)));
            }
        }
        if self.beside.hides() {
            out.push(own("suppressed-below", unsigned(self.beside.smallest)));
        }
        if let Some(unit) = self.scope.unit.as_deref().filter(|unit| !unit.is_empty()) {
            out.push(own("unit", Value::Reference(self.unit_reference(unit))));
        }
        if self.kind.counts.events() {
            out.push(own("caution", Value::String(CAUTION.to_owned())));
        }
        match self.kind.counts {
            Counted::VentilatorDays
            | Counted::PatientDays
            | Counted::Utilisation
            | Counted::Events
            | Counted::InfectedEvents => {
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
}
