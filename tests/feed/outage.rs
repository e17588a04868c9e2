//! A source is away for eight hours while care goes on: nothing false is said meanwhile, and nothing true is left out
//! afterwards.

use reqwest::Method;
use serde_json::{Value, json};
use terce::Running;
use terce::care::time::{Instant, Length};
use terce::clock::Clock;
use terce::config::Config;
use terce::store::{Query, Store};

use super::{memory, noon, polled, record, send};

const STAYS: usize = 500;
const AIRWAY: &str = "https://terce.example/fhir/CodeSystem/airway";
const ACTIVITY: &str = "https://terce.example/fhir/CodeSystem/activity";

fn after_noon(minutes: i64) -> Instant {
    noon() + Length::minutes(minutes)
}

/// Writes documents to the record, many at a time.
async fn write(to: &Running, documents: &[Value]) {
    for some in documents.chunks(400) {
        let entry = |document: &Value| {
            let url = format!(
                "{}/{}",
                document["resourceType"].as_str().unwrap(),
                document["id"].as_str().unwrap()
            );
            json!({"resource": document, "request": {"method": "PUT", "url": url}})
        };
        let entry: Vec<Value> = some.iter().map(entry).collect();
        let bundle = json!({"resourceType": "Bundle", "type": "batch", "entry": entry});
        assert_eq!(send(to, Method::POST, "", &bundle).await, 200);
    }
}

async fn get(of: &Running, path: &str) -> Value {
    reqwest::get(format!("{}/{path}", of.base())).await.unwrap().json().await.unwrap()
}

fn stay(n: usize) -> Vec<Value> {
    stay_in("north", n)
}

fn stay_in(unit: &str, n: usize) -> Vec<Value> {
    let (subject, encounter) =
        (json!({"reference": format!("Patient/p{n}")}), json!({"reference": format!("Encounter/e{n}")}));
    vec![
        json!({"resourceType": "Patient", "id": format!("p{n}")}),
        json!({"resourceType": "Encounter", "id": format!("e{n}"), "status": "in-progress", "subject": subject,
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "period": {"start": "2026-03-01T06:00:00Z"}, "location": [{"location": {"reference": format!("Location/{unit}")}}]}),
        json!({"resourceType": "Procedure", "id": format!("v{n}"), "status": "in-progress", "subject": subject,
            "encounter": encounter, "performedPeriod": {"start": "2026-03-01T11:50:00Z"},
            "code": {"coding": [{"system": AIRWAY, "code": "invasive-ventilation"}]}}),
    ]
}

fn cleaned(n: usize, at: Instant) -> Value {
    json!({"resourceType": "Procedure", "id": format!("c{n}-{}", at.micros() / 60_000_000), "status": "completed",
        "subject": {"reference": format!("Patient/p{n}")}, "encounter": {"reference": format!("Encounter/e{n}")},
        "performedDateTime": at.to_string(),
        "code": {"coding": [{"system": ACTIVITY, "code": "oral-cleansing"}]}})
}

/// The DetectedIssues of missed cleaning, and those of a silent feed.
async fn issues(of: &Running) -> (usize, usize) {
    let query = Query { kind: "DetectedIssue".into(), limit: 10_000, ..Query::default() };
    let found = of.store.search(query).await.unwrap().documents;
    let about = |row: &&terce::store::Listed, text: &str| {
        let body = String::from_utf8_lossy(row.document.body.as_deref().unwrap_or_default()).into_owned();
        row.document.patient.is_none() && body.contains(text)
    };
    let silent = found.iter().filter(|row| about(row, "feed-silent")).count();
    assert!(found.iter().filter(|row| about(row, "charting-unverified")).count() <= 1, "one notice a unit");
    let clean = found.iter().filter(|row| {
        let body = String::from_utf8_lossy(row.document.body.as_deref().unwrap_or_default());
        row.document.patient.is_some() && body.contains("|clean\"")
    });
    (clean.count(), silent)
}

#[tokio::test(flavor = "multi_thread")]
async fn eight_hours_without_a_source_make_no_false_alarm_and_hide_no_true_one() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("record.db");
    let first = record(Store::open_sqlite(Some(&path)).await.unwrap(), noon()).await;
    let all: Vec<Value> = (0..STAYS).flat_map(stay).collect();
    write(&first, &all).await;
    let base = first.base();
    let text = format!(
        "listen = \"127.0.0.1:0\"\n[site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\n[[server]]\n\
         name = \"record\"\nbase = \"{base}\"\n[[source]]\nname = \"charting\"\nheartbeat_seconds = 60\n\
         owner = \"Organization/it\"\n[source.poll]\nserver = \"record\"\nevery_seconds = 30\npage = 1000\n"
    );
    let clock = Clock::settable(noon());
    let service =
        terce::service::serve_on(memory().await, Config::parse(&text).unwrap(), clock.clone()).await.unwrap();
    polled(&service, |p| p.rounds == 1).await;
    service.settle().await.unwrap();
    // it falls silent; hours pass, in which every deadline passes twice
    let address = first.address;
    first.shutdown().await.unwrap();
    for minutes in (10..=480).step_by(10) {
        let tries = service.feeds.polls().borrow()["charting"].tries;
        clock.set(after_noon(minutes));
        polled(&service, |p| p.tries > tries).await;
        service.settle().await.unwrap();
    }
    assert_eq!(
        issues(&service).await,
        (0, 1),
        "one issue of the feed, and none of care that nobody can know of"
    );
    let of_owner = async || -> Vec<Value> {
        let found = get(&service, "Task?owner=Organization/it").await;
        found["entry"]
            .as_array()
            .cloned()
            .unwrap_or_default()
            .into_iter()
            .map(|e| e["resource"].clone())
            .collect()
    };
    let [task] = &of_owner().await[..] else { panic!("one Task of whoever runs the source") };
    assert_eq!(
        (&task["status"], task["code"]["coding"][0]["code"].as_str()),
        (&json!("ready"), Some("feed-silent"))
    );
    let mut taken = task.clone();
    taken["status"] = "in-progress".into();
    taken["note"] =
        json!([{"authorString": "Mara at IT", "text": "the interface engine is being restarted"}]);
    let of_it = format!("Task/{}", task["id"].as_str().unwrap());
    assert_eq!(send(&service, Method::PUT, &of_it, &taken).await, 200);
    // meanwhile nine of ten were cleaned every three hours, and one of ten was not
    let config = Config::parse(&format!("listen = \"{address}\"")).unwrap();
    let open = Store::open_sqlite(Some(&path)).await.unwrap();
    let again = terce::service::serve_on(open, config, Clock::settable(after_noon(480))).await.unwrap();
    let care = (0..STAYS).filter(|n| n % 10 != 0);
    let care: Vec<Value> =
        care.flat_map(|n| [120, 300, 470].map(|minutes| cleaned(n, after_noon(minutes)))).collect();
    write(&again, &care).await;
    clock.set(after_noon(490));
    polled(&service, |p| p.rounds == 2).await;
    service.settle().await.unwrap();
    let (missed, silent) = issues(&service).await;
    assert_eq!((missed, silent), (STAYS / 10, 1), "those who were not cleaned, and no others");
    let [task] = &of_owner().await[..] else { panic!("still the one") };
    assert_eq!(task["status"], "completed");
    assert_eq!(task["note"], taken["note"], "what a person wrote stays");
}

/// The stays whose cleaning is said to be missed, and how many issues there are of parts that are silent, and are open.
async fn said(of: &Running) -> (Vec<usize>, usize) {
    let query = Query { kind: "DetectedIssue".into(), limit: 10_000, ..Query::default() };
    let found = of.store.search(query).await.unwrap().documents;
    let read = |row: &terce::store::Listed| -> Value {
        serde_json::from_slice(row.document.body.as_deref().unwrap_or_default()).unwrap()
    };
    let open: Vec<Value> = found.iter().map(read).filter(|issue| issue["status"] == "preliminary").collect();
    let number = |issue: &Value| {
        let text = issue["patient"]["reference"].as_str()?.strip_prefix("Patient/p")?.parse().ok()?;
        issue.to_string().contains("|clean\"").then_some(text)
    };
    let mut missed: Vec<usize> = open.iter().filter_map(number).collect();
    missed.sort_unstable();
    let parts = open.iter().filter(|issue| issue.to_string().contains("has told no Procedure")).count();
    (missed, parts)
}

/// A service to which two units of ten patients chart, with heartbeats, and when each part of that is silent.
async fn two_units(store: Store, clock: &Clock) -> Running {
    let text = "listen = \"127.0.0.1:0\"\n[site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\n[[unit]]\n\
                location = \"south\"\n[[source]]\nname = \"charting\"\nheartbeat_seconds = 60\n[[source.expect]]\n\
                type = \"Procedure\"\nsilent_after_minutes = 240\n";
    terce::service::serve_on(store, Config::parse(text).unwrap(), clock.clone()).await.unwrap()
}

/// Time passes to `minutes` after noon, with a heartbeat each five of them.
async fn pass(service: &Running, clock: &Clock, minutes: i64) {
    let from = clock.now().since(noon()).as_micros() / 60_000_000;
    for now in (from + 5..=minutes).step_by(5) {
        clock.set(after_noon(now));
        service.feeds.heard("charting", after_noon(now));
        service.settle().await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn where_one_unit_falls_silent_while_others_chart_its_care_is_unverified_and_theirs_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("terce.db");
    let clock = Clock::settable(noon());
    let service = two_units(Store::open_sqlite(Some(&path)).await.unwrap(), &clock).await;
    let units = |n: usize| if n < 10 { "north" } else { "south" };
    let all: Vec<Value> = (0..20).flat_map(|n| stay_in(units(n), n)).collect();
    service.feeds.heard("charting", noon());
    write(&service, &all).await;
    pass(&service, &clock, 120).await;
    let clean = async |minutes: i64, n: &[usize]| -> Vec<Value> {
        n.iter().map(|n| cleaned(*n, after_noon(minutes))).collect()
    };
    let everybody: Vec<usize> = (0..20).collect();
    write(&service, &clean(115, &everybody).await).await;
    // the interface of the north breaks; in the south the last patient is forgotten
    let south: Vec<usize> = (10..19).collect();
    for minutes in [300, 480] {
        pass(&service, &clock, minutes + 5).await;
        write(&service, &clean(minutes, &south).await).await;
    }
    // what is known of the patients in the north goes on coming: their places, their names
    write(&service, &(0..10).map(|n| stay_in("north", n)[0].clone()).collect::<Vec<_>>()).await;
    pass(&service, &clock, 500).await;
    assert_eq!(said(&service).await, (vec![19], 1), "one true miss, no false one, and one issue of the part");
    let state = service.feeds.silent_parts();
    assert_eq!(state.iter().map(|(part, _)| part.unit.as_str()).collect::<Vec<_>>(), ["north"]);
    assert_eq!(state[0].1, after_noon(120), "since the last that was heard");
    // it holds across a restart
    service.shutdown().await.unwrap();
    let service = two_units(Store::open_sqlite(Some(&path)).await.unwrap(), &clock).await;
    service.feeds.heard("charting", clock.now());
    service.settle().await.unwrap();
    pass(&service, &clock, 510).await;
    assert_eq!(said(&service).await, (vec![19], 1));
    // it is mended, and what was charted comes bit by bit: nine were cleaned, and one was not
    for n in 0..9 {
        write(&service, &clean(300, &[n]).await).await;
        write(&service, &clean(480, &[n]).await).await;
        service.settle().await.unwrap();
        assert_eq!(said(&service).await.0, [19], "nobody is said to be missed before all is in");
    }
    pass(&service, &clock, 530).await;
    assert_eq!(said(&service).await, (vec![9, 19], 0), "who was not cleaned, and no others");
}
