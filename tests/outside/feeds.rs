//! A FHIR server that is not ours as a source: its ids and versions are no numbers, its pages have no links.

use std::path::Path;
use std::process::Stdio;

use serde_json::{Value, json};
use terce::care::time::Instant;
use terce::clock::Clock;
use terce::config::Config;
use terce::store::{Query, Store};
use tokio::io::{AsyncBufReadExt, BufReader};
use tokio::process::{Child, Command};

/// The server, on a port of its own; it ends with this process.
struct Source {
    _child: Child,
    base: String,
    http: reqwest::Client,
}

impl Source {
    async fn new() -> Source {
        let modules = super::folder("sources").join("node_modules");
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/feeds/source.mjs");
        let mut command = Command::new("node");
        command.arg(script).arg(modules).stdin(Stdio::piped()).stdout(Stdio::piped()).kill_on_drop(true);
        let mut child = command.spawn().unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let port = lines.next_line().await.unwrap().unwrap();
        Source { _child: child, base: format!("http://127.0.0.1:{port}/fhir"), http: reqwest::Client::new() }
    }

    async fn send(&self, method: reqwest::Method, path: &str, body: &Value) -> Value {
        let request = self.http.request(method, format!("{}/{path}", self.base));
        let request = request.header("content-type", "application/fhir+json").body(body.to_string());
        let answer = request.send().await.unwrap();
        assert!(answer.status().is_success(), "{}", answer.status());
        serde_json::from_slice(&answer.bytes().await.unwrap()).unwrap()
    }

    /// The one Task that is there, once it is so.
    async fn only_task(&self, is: impl Fn(&Value) -> bool) -> Value {
        loop {
            let found: Value =
                self.http.get(format!("{}/Task", self.base)).send().await.unwrap().json().await.unwrap();
            let all: Vec<&Value> =
                found["entry"].as_array().into_iter().flatten().map(|e| &e["resource"]).collect();
            assert!(all.len() <= 1, "{all:?}");
            if let Some(task) = all.into_iter().find(|task| is(task)) {
                return task.clone();
            }
        }
    }

    async fn create(&self, kind: &str, mut body: Value) -> String {
        body["resourceType"] = kind.into();
        self.send(reqwest::Method::POST, kind, &body).await["id"].as_str().unwrap().to_owned()
    }
}

/// Somebody changes a Task there, by a client that is not ours.
async fn nurse(base: &str, task: &str, status: &str) {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/clients/nurse.mjs");
    let mut command = Command::new("node");
    command.arg(script).args([base, task, status]).env("TERCE_CLIENTS", super::folder("clients"));
    let output = command.output().await.unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

fn coded(system: &str, code: &str) -> Value {
    json!({"coding": [{"system": format!("https://terce.example/fhir/CodeSystem/{system}"), "code": code}]})
}

#[tokio::test(flavor = "multi_thread")]
async fn a_record_that_is_not_ours_is_read_and_a_task_comes_of_it() {
    let source = Source::new().await;
    let patient = source.create("Patient", json!({})).await;
    let subject = json!({"reference": format!("Patient/{patient}")});
    let encounter = source
        .create(
            "Encounter",
            json!({
                "status": "in-progress", "subject": subject, "period": {"start": "2026-03-01T08:00:00Z"},
                "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            }),
        )
        .await;
    let made = json!({"reference": format!("Encounter/{encounter}")});
    source
        .create(
            "Procedure",
            json!({
                "status": "in-progress", "code": coded("airway", "invasive-ventilation"), "subject": subject,
                "encounter": made, "performedPeriod": {"start": "2026-03-01T08:00:00Z"},
            }),
        )
        .await;
    // more than a page of other charting
    let mut others = Vec::new();
    for _ in 0..60 {
        let body = json!({"status": "completed", "subject": subject, "code": {"text": "turned"}});
        others.push(source.create("Procedure", body).await);
    }
    let text = format!(
        "listen = \"127.0.0.1:0\"\n[[server]]\nname = \"record\"\nbase = \"{}\"\n[[source]]\nname = \"charting\"\n\
         heartbeat_seconds = 60\n[source.poll]\nserver = \"record\"\nevery_seconds = 30\npage = 20\n\
         types = [\"Patient\", \"Encounter\", \"Procedure\"]\n[[deliver]]\nserver = \"record\"\nchanges_seconds = 30\n[site]\nprotocol = \"minimal\"\n",
        source.base
    );
    let noon = Instant::from_micros(1_772_366_400_000_000);
    let clock = Clock::settable(noon);
    let store = Store::open_sqlite(None).await.unwrap();
    let running =
        terce::service::serve_on(store, Config::parse(&text).unwrap(), clock.clone()).await.unwrap();
    let mut polls = running.feeds.polls();
    let read = |rounds| {
        move |all: &std::collections::BTreeMap<String, terce::feed::Polled>| {
            all.get("charting").is_some_and(|polled| polled.rounds == rounds)
        }
    };
    polls.wait_for(read(1)).await.unwrap();
    let documents = polls.borrow()["charting"].documents;
    assert_eq!(documents, 63, "{:?}", polls.borrow());
    running.settle().await.unwrap();
    let tasks = || async {
        let query = Query { kind: "Task".into(), limit: 10, ..Query::default() };
        let found = running.store.search(query).await.unwrap().documents;
        found
            .iter()
            .map(|row| {
                serde_json::from_slice::<Value>(row.document.body.as_deref().unwrap()).unwrap()["status"]
                    .clone()
            })
            .collect::<Vec<_>>()
    };
    assert_eq!(tasks().await, ["ready"], "care has been due since ten");
    // the Task is there, and what a nurse does to it there comes back
    let task = source.only_task(|_| true).await;
    let id = task["id"].as_str().unwrap();
    nurse(&source.base, id, "in-progress").await;
    clock.set(Instant::from_micros(noon.micros() + 1_000_000 * 31));
    polls.wait_for(read(2)).await.unwrap();
    let mut changed = running.store.changed();
    while tasks().await != ["in-progress"] {
        changed.changed().await.unwrap();
    }
    // charted there, it closes the Task here; what is changed there is changed here
    source
        .create(
            "Procedure",
            json!({
                "status": "completed", "code": coded("activity", "oral-cleansing"), "subject": subject,
                "encounter": made, "performedDateTime": "2026-03-01T11:59:00Z",
            }),
        )
        .await;
    let changed = json!({
        "resourceType": "Procedure", "id": others[7], "status": "entered-in-error", "subject": subject,
        "code": {"text": "turned"},
    });
    source.send(reqwest::Method::PUT, &format!("Procedure/{}", others[7]), &changed).await;
    clock.set(Instant::from_micros(noon.micros() + 62_000_000));
    polls.wait_for(read(3)).await.unwrap();
    assert_eq!(polls.borrow()["charting"].documents, 65);
    running.settle().await.unwrap();
    let document = running.store.document("Procedure", &others[7]).await.unwrap().unwrap();
    assert!(String::from_utf8(document.body.unwrap()).unwrap().contains("entered-in-error"));
    let explained: Value = reqwest::get(format!("{}/Encounter/{encounter}/$explain", running.base()))
        .await
        .unwrap()
        .json()
        .await
        .unwrap();
    assert!(explained.to_string().contains("11:59"), "the cleaning counts");
    // the care that was charted closes it there too, and leaves what the nurse wrote
    let done = source.only_task(|task| task["status"] == "completed").await;
    assert_eq!((done["id"].as_str(), &done["owner"]["reference"]), (Some(id), &"Practitioner/n1".into()));
    let notes = done["note"].as_array().unwrap();
    assert!(notes.iter().any(|note| note["text"] == "made in-progress at the worklist"), "{notes:?}");
    running.shutdown().await.unwrap();
}
