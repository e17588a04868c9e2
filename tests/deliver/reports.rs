//! Reports are put on another server, and follow what is charted late.

use std::time::Duration;

use serde_json::Value;

use super::elsewhere::Elsewhere;
use super::placed::bare;
use crate::worklist::ward::Ward;

/// Every report that is kept, by id.
async fn ours(ward: &Ward) -> Vec<Value> {
    let mut all = ward.all("MeasureReport?_count=1000").await;
    all.sort_by_key(|report| report["id"].as_str().map(str::to_owned));
    all
}

/// The report of the unit for the day.
fn of_north(all: &[Value]) -> Option<&Value> {
    all.iter().find(|report| {
        report["subject"]["reference"] == "Location/north" && report["period"]["start"] == "2026-03-10"
    })
}

/// Waits until the same reports are there as here, and that of the unit is of this version.
async fn same(ward: &Ward, elsewhere: &Elsewhere, version: &str) -> Vec<Value> {
    loop {
        let (ours, theirs) = (ours(ward).await, elsewhere.all("MeasureReport"));
        let is_new = of_north(&ours).is_some_and(|report| report["meta"]["versionId"] == version);
        if is_new && theirs.values().map(bare).eq(ours.iter().map(bare)) {
            return ours;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

#[tokio::test]
async fn reports_are_there_as_they_are_here_and_again_when_late_charting_changes_them() {
    let elsewhere = Elsewhere::start().await;
    let config = format!(
        "[[server]]\nname = \"quality\"\nbase = \"{}\"\n[[deliver]]\nserver = \"quality\"\ntypes = [\"MeasureReport\"]\n\
         [reports]\nschedule = [\"day\"]\nmeasures = [\"timeliness\"]\n\
         [site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\n",
        elsewhere.url
    );
    let ward = Ward::open(&config).await;
    elsewhere.by(&ward.service.clock);
    ward.admit().await;
    ward.until("04:31").await;
    ward.until("1:01:00").await;
    let first = same(&ward, &elsewhere, "1").await;
    ward.care("late", "oral-cleansing", "03:30").await;
    // it is counted before the hour at which changes are looked for
    ward.until("1:01:30").await;
    ward.until("1:03:00").await;
    let then = same(&ward, &elsewhere, "2").await;
    assert_ne!(of_north(&first).unwrap()["group"], of_north(&then).unwrap()["group"]);
    assert!(elsewhere.all("Task").is_empty() && elsewhere.all("DetectedIssue").is_empty());
    assert!(elsewhere.writes().iter().all(|(_, _, status)| *status < 300), "{:?}", elsewhere.writes());
}
