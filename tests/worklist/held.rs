//! More lapses at once than neglect explains are held back, and announced in the end.

use serde_json::Value;

use super::ward::Ward;

const STAYS: usize = 60;

async fn lapses(ward: &Ward) -> usize {
    ward.all("DetectedIssue?code=care-lapse&_count=1000").await.len()
}

#[tokio::test]
async fn a_whole_unit_that_misses_at_once_is_held_back_told_and_announced_after_a_while() {
    let ward = Ward::open("[site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\n").await;
    for n in 0..STAYS {
        ward.admit_another(n).await;
    }
    ward.until("04:31").await;
    assert_eq!(lapses(&ward).await, 20, "of sixty, no more than twenty at once");
    ward.until("04:32").await;
    let told: Vec<Value> = ward.all("DetectedIssue?code=held-back").await;
    assert_eq!((told.len(), &told[0]["status"]), (1, &"preliminary".into()));
    assert!(told[0]["detail"].as_str().unwrap().contains("north"));
    let metrics =
        reqwest::get(format!("http://{}/metrics", ward.service.admin)).await.unwrap().text().await.unwrap();
    assert!(metrics.contains("terce_announcements_held 40"), "{metrics}");
    for minute in 33..=43 {
        ward.until(&format!("04:{minute}")).await;
    }
    assert_eq!(lapses(&ward).await, STAYS, "nothing is dropped");
    let told: Vec<Value> = ward.all("DetectedIssue?code=held-back").await;
    assert_eq!((told.len(), &told[0]["status"]), (1, &"final".into()));
    let issue = &ward.all("DetectedIssue?code=care-lapse&_count=1000").await[STAYS - 1];
    assert_eq!(issue["identifiedPeriod"]["start"], "2026-03-10T04:00:00+00:00", "with its true time");
}

#[tokio::test]
async fn a_long_silence_is_told_to_each_unit_once() {
    let watched = "[site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\n[[unit]]\nlocation = \"empty\"\n\
                   [[source]]\nname = \"record\"\nheartbeat_seconds = 60\n";
    let ward = Ward::open(watched).await;
    ward.admit().await;
    ward.post("/feed/record/heartbeat").await;
    let notices = async || ward.all("DetectedIssue?code=charting-unverified").await;
    let until = async |status: &str| {
        let mut changed = ward.service.store.changed();
        while notices().await.first().is_none_or(|notice| notice["status"] != status) {
            changed.changed().await.unwrap();
        }
    };
    ward.until("07:59").await;
    assert_eq!(notices().await, [] as [Value; 0]);
    ward.until("08:01").await;
    until("preliminary").await;
    ward.until("23:00").await;
    ward.until("1:08:00").await;
    let told = notices().await;
    assert_eq!(told.len(), 1, "to the unit with a patient, and once: {told:?}");
    assert!(told[0]["detail"].as_str().unwrap().contains("north"));
    let metrics =
        reqwest::get(format!("http://{}/metrics", ward.service.admin)).await.unwrap().text().await.unwrap();
    assert!(metrics.contains("terce_source_state{source=\"record\",state=\"silent\"} 1"), "{metrics}");
    ward.post("/feed/record/heartbeat").await;
    until("final").await;
    assert_eq!(notices().await.len(), 1);
}
