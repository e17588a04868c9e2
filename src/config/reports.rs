//! Reports: which are made by themselves, and what they hide.

use serde::Deserialize;

use crate::translate::measures::{MEASURES, Step};

/// What a site wants of reports.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Reports {
    /// A report is made of each such period when it is over; none: no report is made by itself.
    pub schedule: Vec<Step>,
    /// Of which measures, by id.
    pub measures: Vec<&'static str>,
    /// Counts from 1 to less than this are hidden in reports about many, made by themselves or asked for; 0: none.
    pub suppress_below: u64,
}

/// As written.
#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub(super) struct ReportsFile {
    schedule: Vec<String>,
    measures: Option<Vec<String>>,
    suppress_below: u64,
}

pub(super) fn read(file: ReportsFile, errors: &mut Vec<String>) -> Reports {
    let mut reports = Reports { suppress_below: file.suppress_below, ..Reports::default() };
    for step in &file.schedule {
        match Step::of(step) {
            Some(step) if !reports.schedule.contains(&step) => reports.schedule.push(step),
            Some(_) => errors.push(format!("reports.schedule: \"{step}\" is there already")),
            None => errors.push(format!("reports.schedule: \"{step}\" is none; expected day, week, month")),
        }
    }
    let Some(wanted) = file.measures else {
        reports.measures = MEASURES.to_vec();
        return reports;
    };
    for id in &wanted {
        match MEASURES.iter().find(|known| *known == id) {
            Some(id) if !reports.measures.contains(id) => reports.measures.push(id),
            Some(_) => errors.push(format!("reports.measures: \"{id}\" is there already")),
            None => errors.push(format!(
                "reports.measures: there is no measure \"{id}\"; expected some of {}",
                MEASURES.join(", ")
            )),
        }
    }
    reports
}
