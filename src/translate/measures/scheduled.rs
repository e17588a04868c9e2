//! Reports that are made by themselves when a period is over: which, under which id, and what a later one says of the one
//! it replaces.

use chrono::{Days, NaiveDate, NaiveTime};
use fhir_models::MeasureReport;
use fhir_models::datatypes::{Extension, Identifier, Reference, Value};
use fhir_models::measure_report::MeasureReportGroup;

use super::Step;
use super::values::{own, part, parts, unsigned};
use crate::care::protocol::Rules;
use crate::care::time::{Instant, local_instant};
use crate::translate::BASE;
use crate::translate::outcomes::derived_id;

/// Which report.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Slot<'a> {
    /// The id of its measure.
    pub measure: &'a str,
    /// Of which length its period is.
    pub step: Step,
    /// First and last local day.
    pub period: (NaiveDate, NaiveDate),
    /// A `Location` id; none: everybody.
    pub unit: Option<&'a str>,
}

impl Slot<'_> {
    /// Its logical id, which derives from what it is about.
    pub fn id(&self) -> String {
        derived_id(&["report", &self.name()])
    }

    /// Its business identifier: system and value.
    pub fn identifier(&self) -> (String, String) {
        (format!("{BASE}/sid/report"), self.name())
    }

    fn name(&self) -> String {
        // no id of a place is *
        let unit = self.unit.unwrap_or("*");
        format!("{}/{}/{}/{unit}", self.measure, self.step.code(), self.period.0)
    }

    /// Where the differences of two instants are told, below the base of a server.
    fn explanation(&self, earlier: &str, later: &str) -> String {
        let written = |instant: &str| instant.replace('+', "%2B");
        let subject = self.unit.map(|unit| format!("&subject=Location/{unit}")).unwrap_or_default();
        format!(
            "Measure/{}/$evaluate-measure?periodStart={}&periodEnd={}{subject}&asOf={}&comparedWith={}",
            self.measure,
            self.period.0,
            self.period.1,
            written(later),
            written(earlier),
        )
    }
}

/// `report` as it is kept under the id of `slot`; none if what is kept, `standing` with its version, has the same numbers.
pub fn kept(
    report: MeasureReport,
    slot: &Slot<'_>,
    standing: Option<(&MeasureReport, u64)>,
) -> Option<MeasureReport> {
    if standing.is_some_and(|(standing, _)| standing.group == report.group) {
        return None;
    }
    let mut report = report;
    let (system, value) = slot.identifier();
    report.identifier =
        vec![Identifier { system: Some(system), value: Some(value), ..Identifier::default() }];
    report.extension.push(own("schedule", Value::Code(slot.step.code().to_owned())));
    report.reporter = slot.unit.map(|unit| Reference::to("Location", unit));
    if let Some((standing, version)) = standing {
        let replaces = replaces(&report, slot, standing, version);
        report.extension.push(replaces);
    }
    Some(report)
}

fn replaces(report: &MeasureReport, slot: &Slot<'_>, standing: &MeasureReport, version: u64) -> Extension {
    let reference = Some(format!("MeasureReport/{}/_history/{version}", slot.id()));
    let reference = Value::Reference(Reference { reference, ..Reference::default() });
    let explanation = standing.date.as_ref().zip(report.date.as_ref());
    let explanation = explanation
        .map(|(earlier, later)| Value::Uri(slot.explanation(&earlier.to_string(), &later.to_string())));
    let head = [
        part("report", Some(reference)),
        part("counted-at", standing.date.clone().map(Value::DateTime)),
        part("explanation", explanation),
    ];
    parts("replaces", head.into_iter().chain(changes(&standing.group, &report.group).into_iter().map(Some)))
}

/// The counts of groups that differ.
fn changes(before: &[MeasureReportGroup], after: &[MeasureReportGroup]) -> Vec<Extension> {
    let mut ids: Vec<&Option<String>> = before.iter().chain(after).map(|group| &group.id).collect();
    let mut seen = Vec::new();
    ids.retain(|id| {
        !seen.contains(id) && {
            seen.push(*id);
            true
        }
    });
    let mut out = Vec::new();
    for id in ids {
        let group = |all: &'_ [MeasureReportGroup]| all.iter().find(|group| group.id == *id).cloned();
        let (old, new) = (group(before), group(after));
        let populations = new.as_ref().or(old.as_ref()).map(|g| g.population.clone()).unwrap_or_default();
        for population in populations {
            let count = |group: &Option<MeasureReportGroup>| {
                let all = group.as_ref().map(|g| g.population.as_slice()).unwrap_or_default();
                all.iter().find(|p| p.id == population.id).and_then(|p| p.count)
            };
            let (old, new) = (count(&old), count(&new));
            if old == new {
                continue;
            }
            let text = |text: &Option<String>| text.clone().map(Value::String);
            let number = |count: Option<i32>| count.map(|count| unsigned(u64::from(count.unsigned_abs())));
            let all = [
                part("group", text(id)),
                part("population", text(&population.id)),
                part("before", number(old)),
                part("after", number(new)),
            ];
            let extension = all.into_iter().flatten().collect();
            out.push(Extension { url: "change".to_owned(), extension, ..Extension::default() });
        }
    }
    out
}

/// When a report of a period that ends with `last` can be made: when that is over and its charting has had the time that
/// the site allows.
pub fn ready_at(last: NaiveDate, rules: &Rules) -> Instant {
    let after = last.checked_add_days(Days::new(1)).unwrap_or(last);
    local_instant(after, NaiveTime::MIN, rules.zone) + rules.allowance
}

impl Step {
    /// The periods that can be reported at `now` and end after `made`, the oldest first, at most the last `most`; without
    /// `made` only the last one.
    pub fn over(
        self,
        made: Option<NaiveDate>,
        now: Instant,
        rules: &Rules,
        most: usize,
    ) -> Vec<(NaiveDate, NaiveDate)> {
        let mut out = Vec::new();
        let mut period = self.around(now.day(rules.zone));
        while out.len() < most {
            if ready_at(period.1, rules) <= now {
                if made.is_some_and(|made| period.1 <= made) {
                    break;
                }
                out.push(period);
                if made.is_none() {
                    break;
                }
            }
            let Some(before) = period.0.pred_opt() else { break };
            period = self.around(before);
        }
        out.reverse();
        out
    }

    /// The next instant at which a period can be reported.
    pub fn next(self, now: Instant, rules: &Rules) -> Instant {
        let mut period = self.around(now.day(rules.zone));
        // the one that has just ended may still be given its time
        if let Some(before) = period.0.pred_opt().map(|day| self.around(day))
            && ready_at(before.1, rules) > now
        {
            period = before;
        }
        ready_at(period.1, rules)
    }
}
