//! The generator keeps its promises: the same seed the same ward, and nothing that points nowhere.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::Value;

use super::*;
use crate::house::fixtures;
use crate::time::read;

const DAYS: u32 = 3;

fn written(seed: u64) -> (Ward, Vec<Chart>) {
    let mut ward = Ward::new(seed, outages(DAYS));
    let all = (opening() + 1..=opening() + Minute::from(DAYS) * DAY).flat_map(|m| ward.tick(m)).collect();
    (ward, all)
}

#[test]
fn the_same_seed_is_the_same_ward() {
    let lines = |seed| written(seed).1.iter().map(|c| format!("{c:?}")).collect::<Vec<_>>();
    assert_eq!(lines(3), lines(3));
    assert_ne!(lines(3), lines(4));
}

fn references(value: &Value, out: &mut BTreeSet<String>) {
    match value {
        Value::Object(object) => {
            if let Some(Value::String(reference)) = object.get("reference") {
                out.insert(reference.clone());
            }
            object.values().for_each(|v| references(v, out));
        }
        Value::Array(all) => all.iter().for_each(|v| references(v, out)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

#[test]
fn every_reference_leads_to_something() {
    let (mut ward, mut charts) = written(5);
    // What was still on the way when time was up counts as there.
    charts.extend(std::mem::take(&mut ward.on_the_way).into_values());
    let name =
        |b: &Value| format!("{}/{}", b["resourceType"].as_str().unwrap(), b["id"].as_str().unwrap_or("-"));
    let bodies: Vec<Value> =
        fixtures().into_iter().chain(charts.iter().map(|c| c.request.body().clone())).collect();
    let known: BTreeSet<String> = bodies.iter().map(name).collect();
    let mut used = BTreeSet::new();
    bodies.iter().for_each(|b| references(b, &mut used));
    assert_eq!(used.difference(&known).collect::<Vec<_>>(), Vec::<&String>::new());
}

#[test]
fn ids_and_times_are_such_as_fhir_allows() {
    for chart in written(6).1 {
        let body = chart.request.body();
        let id = body["id"].as_str().unwrap_or("posted");
        assert!(id.len() <= 64 && id.chars().all(|c| c.is_ascii_alphanumeric() || c == '-'), "{id}");
        assert_eq!(body.get("id").is_none(), matches!(chart.request, Request::Post { .. }));
        if let Some(period) = body.get("performedPeriod").or(body.get("period")) {
            let start = read(period["start"].as_str().unwrap()).unwrap();
            assert!(period.get("end").is_none_or(|e| read(e.as_str().unwrap()).unwrap() >= start), "{body}");
        }
    }
}

#[test]
fn nothing_is_written_before_it_is_done() {
    for chart in written(7).1 {
        let at = match &chart.says {
            Says::Nothing | Says::Withdrawn => continue,
            Says::Stay(from, to, _) | Says::Ventilated(from, to) => to.unwrap_or(*from),
            Says::Died(at) | Says::Extubated(at) | Says::Care(at, _) | Says::Excuse(at, _) => *at,
        };
        assert!(at <= chart.written && chart.written <= chart.arrives, "{chart:?}");
    }
}

#[test]
fn versions_of_one_resource_arrive_in_their_order() {
    let mut last: BTreeMap<String, Minute> = BTreeMap::new();
    for chart in written(8).1 {
        let before = last.insert(chart.key.clone(), chart.written);
        assert!(before.is_none_or(|b| b <= chart.written), "{chart:?}");
    }
}

#[test]
fn an_outage_holds_everything_back() {
    let (ward, charts) = written(9);
    let (from, to) = ward.outages.spans[0];
    let held: Vec<_> = charts.iter().filter(|c| from <= c.written && c.written < to).collect();
    assert!(held.len() > 100, "{}", held.len());
    assert!(held.iter().all(|c| c.arrives == to));
    assert_eq!(ward.outages.next_heartbeat(from + 1), to);
    assert_eq!(ward.outages.next_heartbeat(from - 1), to);
    assert_eq!(ward.outages.next_heartbeat(from - 2), from - 2);
}

#[test]
fn everything_that_happens_on_a_ward_happens() {
    let (ward, charts) = written(1);
    let stays: Vec<_> = ward.stays().collect();
    assert!(stays.iter().any(|s| s.course.ventilated.iter().any(|v| v.tracheostomy)));
    assert!(stays.iter().any(|s| s.course.died && s.gone));
    assert!(stays.iter().any(|s| s.course.ventilated.len() > 1));
    assert!(stays.iter().any(|s| !s.forgotten.is_empty()));
    let units =
        |s: &&&Stay| s.stops.iter().filter(|p| !p.away).map(|p| &p.places[0]).collect::<BTreeSet<_>>().len();
    assert!(stays.iter().any(|s| units(&s) > 1), "nobody moved to the other unit");
    let kinds: BTreeSet<&str> = charts.iter().map(|c| c.request.text("resourceType")).collect();
    assert!(kinds.is_superset(
        &["Device", "DeviceUseStatement", "Encounter", "Observation", "Patient", "Procedure"].into()
    ));
    let statuses: BTreeSet<&str> = charts.iter().map(|c| c.request.text("status")).collect();
    let some = ["completed", "not-done", "in-progress", "entered-in-error", "final", "finished"];
    assert!(statuses.is_superset(&some.into()), "{statuses:?}");
    let beds: Vec<u32> = ward.beds.iter().filter_map(|b| b.patient).collect();
    assert_eq!(beds.iter().collect::<BTreeSet<_>>().len(), beds.len(), "two beds, one patient");
    assert!(beds.len() >= 16, "{}", beds.len());
}

#[test]
fn no_device_stands_at_a_patient_before_its_use_is_charted() {
    let mut ventilated = BTreeSet::new();
    let charts = written(10).1;
    for minute in charts.chunk_by(|a, b| a.arrives == b.arrives) {
        let uses = minute.iter().filter(|c| matches!(c.says, Says::Ventilated(..)));
        ventilated.extend(uses.map(|c| c.patient));
        let mut devices = minute.iter().filter(|c| c.request.text("resourceType") == "Device");
        assert!(devices.all(|c| ventilated.contains(&c.patient)));
    }
}
