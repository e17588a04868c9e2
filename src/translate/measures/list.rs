//! A report that says who is in each population: R4's `subject-list`.
//!
//! Each population of the summary refers to a List, each entry of a List to the individual MeasureReport of one patient.
//! All of them are contained in the summary, so that it is whole by itself.

use fhir_models::codes::{ListMode, ListStatus, MeasureReportType};
use fhir_models::datatypes::Reference;
use fhir_models::list::ListEntry;
use fhir_models::measure_report::MeasureReportGroup;
use fhir_models::resource::RawResource;
use fhir_models::{List, MeasureReport};

/// The individual reports of the patients that `summary` adds up, in order: one for each patient.
///
/// # Guarantees
/// A patient is in the list of a population if the count of it in the patient's own report is not 0. A population of
/// nobody has no list.
///
/// # Assumptions
/// All of them are reports of the same measure and period as `summary`.
pub fn with_subjects(mut summary: MeasureReport, individuals: Vec<MeasureReport>) -> MeasureReport {
    summary.r#type = Some(MeasureReportType::SubjectList);
    let mut individuals = individuals;
    let id_of = |number: usize| format!("individual-{}", number + 1);
    for (number, report) in individuals.iter_mut().enumerate() {
        report.id = Some(id_of(number));
        // what is contained has no text of its own
        report.text = None;
    }
    let mut lists: Vec<RawResource> = Vec::new();
    let mut named: Vec<bool> = vec![false; individuals.len()];
    for (group_place, group) in summary.group.iter_mut().enumerate() {
        for (place, population) in group.population.iter_mut().enumerate() {
            let own = |report: &MeasureReport| report.group.iter().position(|own| own.id == group.id);
            let counts =
                |report: &MeasureReport| count(own(report).and_then(|n| report.group.get(n)), place) > 0;
            let inside: Vec<usize> =
                (0..).zip(&individuals).filter(|(_, report)| counts(report)).map(|(n, _)| n).collect();
            if inside.is_empty() {
                continue;
            }
            let id = format!("list-{}-{}", group_place + 1, place + 1);
            let entry = |number: &usize| ListEntry {
                item: Reference {
                    reference: Some(format!("#{}", id_of(*number))),
                    r#type: Some("MeasureReport".to_owned()),
                    ..Reference::default()
                },
                ..ListEntry::default()
            };
            let list = List {
                id: Some(id.clone()),
                status: Some(ListStatus::Current),
                mode: Some(ListMode::Snapshot),
                entry: inside.iter().map(entry).collect(),
                ..List::default()
            };
            lists.extend(RawResource::of(&list));
            for number in inside {
                if let Some(named) = named.get_mut(number) {
                    *named = true;
                }
            }
            population.subject_results = Some(Reference {
                reference: Some(format!("#{id}")),
                r#type: Some("List".to_owned()),
                ..Reference::default()
            });
        }
    }
    summary.contained = lists;
    // what nothing refers to must not be contained
    let referred = individuals.iter().zip(named).filter(|(_, named)| *named).map(|(report, _)| report);
    summary.contained.extend(referred.filter_map(RawResource::of));
    summary
}

fn count(group: Option<&MeasureReportGroup>, place: usize) -> i32 {
    group.and_then(|group| group.population.get(place)).and_then(|p| p.count).unwrap_or(0)
}
