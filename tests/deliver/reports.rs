//! Reports are put on another server, and follow what is charted late.

use std::time::Duration;

use serde_json::Value;
use terce::care::time::Length;

use super::elsewhere::Elsewhere;
use super::placed::bare;
use crate::worklist::ward::Ward;

/// Every report that is kept, by id.
async fn ours(ward: &Ward) -> Vec<Value> {
    let mut all = ward.all("MeasureReport?_count=1000").await;
    all.sort_by_key(|report| report["id"].as_str().map(str::to_owned));
    all
}

/// How many cleanings were given in time in the unit on the day, by its report.
fn given(all: &[Value]) -> Option<u64> {
    let of_north = all.iter().find(|report| {
        report["subject"]["reference"] == "Location/north" && report["period"]["start"] == "2026-03-10"
    })?;
    let all = of_north["group"][0]["population"].as_array()?;
    all.iter().find(|population| population["code"]["coding"][0]["code"] == "numerator")?["count"].as_u64()
}

/// Waits until the same reports are there as here, and the unit's tells so many cleanings. Lets minutes pass: while
/// charting waits to be counted, reports are put off, and what has changed is looked for by the hour.
async fn same(ward: &Ward, elsewhere: &Elsewhere, cleanings: u64) {
    let mut changed = ward.service.store.changed();
    // a look takes 20 ms at most, so this is more than ten seconds and less than a week by the ward's clock
    for _ in 0..1_000 {
        let (ours, theirs) = (ours(ward).await, elsewhere.all("MeasureReport"));
        if given(&ours) == Some(cleanings) && theirs.values().map(bare).eq(ours.iter().map(bare)) {
            return;
        }
        ward.service.clock.set(ward.service.clock.now() + Length::minutes(5));
        ward.service.settle().await.unwrap();
        // whatever comes first: it is only looked again
        let _ = tokio::time::timeout(Duration::from_millis(20), changed.changed()).await;
    }
    panic!("{} reports here, {} there", ours(ward).await.len(), elsewhere.all("MeasureReport").len());
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
    same(&ward, &elsewhere, 0).await;
    ward.care("late", "oral-cleansing", "03:30").await;
    same(&ward, &elsewhere, 1).await;
    assert!(elsewhere.all("Task").is_empty() && elsewhere.all("DetectedIssue").is_empty());
    assert!(elsewhere.writes().iter().all(|(_, _, status)| *status < 300), "{:?}", elsewhere.writes());
}
