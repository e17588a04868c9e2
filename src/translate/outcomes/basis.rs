//! Which items of a ledger a Task or a DetectedIssue rests on.

use std::collections::BTreeSet;

use fhir_models::Task;
use fhir_models::codes::TaskStatus;
use fhir_models::datatypes::{Reference, Value};

use super::by_hand::asked;
use super::task::is_over;
use super::{SaidDocument, issue};
use crate::care::explain::Explained;
use crate::care::time::Instant;

/// Those of `items`, the explained ledger of `stay`, that `document` rests on.
///
/// Of a Task: where the requirements stand that it asks for, while it is open; the lapses that it answers; what was
/// counted by the care that closed it, or by its rejection. Of a DetectedIssue: its lapse, and the deadlines missed in
/// it; where the lapse is gone, what became of its first deadline.
pub fn rests_on(document: &SaidDocument, stay: &str, items: Vec<Explained>) -> Vec<Explained> {
    match document.kind.as_str() {
        "Task" => match fhir_models::parse_scanned::<Task>(&document.body) {
            Ok(task) => of_task(&task, &document.id, stay, items),
            Err(_) => Vec::new(),
        },
        "DetectedIssue" => of_issue(&document.id, stay, items),
        _ => Vec::new(),
    }
}

fn of_task(task: &Task, id: &str, stay: &str, items: Vec<Explained>) -> Vec<Explained> {
    let open = task.status.is_some_and(|s: TaskStatus| !is_over(s));
    let asked = asked(task);
    let given = task.input.iter().chain(&task.output).filter_map(|p| match p.value.as_deref() {
        Some(Value::Reference(reference)) => reference.reference.as_deref(),
        _ => None,
    });
    let reason = task.reason_reference.as_ref().and_then(|r: &Reference| r.reference.as_deref());
    let named: BTreeSet<&str> = given.chain(reason).collect();
    let own = format!("Task/{id}/");
    let rests = |item: &Explained| match item.what {
        "lapse" => item.at.is_some_and(|at| {
            named.contains(format!("DetectedIssue/{}", issue::id(stay, &item.requirement, at)).as_str())
        }),
        "met" | "missed" | "excused" => {
            item.sources.iter().any(|s| named.contains(&*s.0) || s.0.starts_with(own.as_str()))
        }
        _ => open && asked.contains(&item.requirement),
    };
    items.into_iter().filter(rests).collect()
}

fn of_issue(id: &str, stay: &str, items: Vec<Explained>) -> Vec<Explained> {
    let names = |item: &Explained, at: Option<Instant>| {
        at.is_some_and(|at| issue::id(stay, &item.requirement, at) == id)
    };
    let lapse = items.iter().find(|i| i.what == "lapse" && names(i, i.at));
    let lapse = lapse.and_then(|l| Some((l.requirement.clone(), l.span?)));
    let rests = |item: &Explained| match (item.what, &lapse) {
        ("lapse", _) => names(item, item.at),
        ("missed", Some((requirement, span))) => {
            item.requirement == *requirement && item.deadline.is_some_and(|d| span.contains(d))
        }
        ("met" | "missed" | "excused", _) => names(item, item.deadline),
        _ => false,
    };
    items.into_iter().filter(rests).collect()
}
