//! A process that reads from a record and writes to a worklist is killed again and again, wherever it is.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use serde_json::{Value, json};
use terce::Running;
use terce::care::time::{Instant, Length};
use terce::clock::Clock;
use terce::config::Config;
use terce::store::Store;

use super::elsewhere::Elsewhere;
use super::placed::{bare, worklist};

const KILLS: usize = 20;
pub(super) const STAYS: usize = 8;
const AIRWAY: &str = "https://terce.example/fhir/CodeSystem/airway";
const ACTIVITY: &str = "https://terce.example/fhir/CodeSystem/activity";

/// The process, until it is dropped.
pub(super) struct Terce {
    process: Child,
    base: String,
}

impl Terce {
    /// With variables of its environment. One that ends before it listens has no address.
    pub(super) fn start_with(config: &Path, variables: &[(&str, &str)]) -> Terce {
        let mut process = Command::new(env!("CARGO_BIN_EXE_terce"))
            .args(["serve", "--log", "error", "--config"])
            .arg(config)
            .envs(variables.iter().copied())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut said = String::new();
        BufReader::new(process.stdout.take().unwrap()).read_line(&mut said).unwrap();
        let base = said.split(" at ").nth(1).and_then(|rest| rest.split(' ').next());
        let base = base.unwrap_or_default().to_owned();
        Terce { process, base }
    }

    /// Waits until it ends by itself; none if it does not.
    pub(super) async fn waits(&mut self, most: Duration) -> Option<ExitStatus> {
        let begun = std::time::Instant::now();
        while begun.elapsed() < most {
            if let Some(status) = self.process.try_wait().unwrap() {
                return Some(status);
            }
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        None
    }

    pub(super) async fn all(&self, kind: &str) -> BTreeMap<String, Value> {
        let url = format!("{}/{kind}?_count=1000", self.base);
        let found: Value = reqwest::get(url).await.unwrap().json().await.unwrap();
        let entries = found["entry"].as_array().cloned().unwrap_or_default().into_iter();
        entries.map(|e| (e["resource"]["id"].as_str().unwrap().to_owned(), e["resource"].clone())).collect()
    }
}

impl Drop for Terce {
    fn drop(&mut self) {
        // SIGKILL
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// A record and a worklist, and the configuration of a service between them.
pub(super) struct Wire {
    record: Running,
    http: reqwest::Client,
    now: Instant,
    _folder: tempfile::TempDir,
    pub(super) elsewhere: Elsewhere,
    pub(super) config: PathBuf,
}

impl Wire {
    /// With stays whose cleaning is long overdue.
    pub(super) async fn new() -> Wire {
        let now = Clock::machine().now();
        let before = |minutes: i64| (now - Length::minutes(minutes)).to_string();
        let record = terce::service::serve_on(
            Store::open_sqlite(None).await.unwrap(),
            Config::parse("listen = \"127.0.0.1:0\"").unwrap(),
            Clock::machine(),
        )
        .await
        .unwrap();
        let elsewhere = Elsewhere::start().await;
        elsewhere.by(&Clock::machine());
        let folder = tempfile::tempdir().unwrap();
        let config = folder.path().join("terce.toml");
        let text = format!(
            "listen = \"127.0.0.1:0\"\ndata = \"{}\"\n{}[[server]]\nname = \"record\"\nbase = \"{}\"\n[[source]]\nname = \"charting\"\n\
             heartbeat_seconds = 60\n[source.poll]\nserver = \"record\"\nevery_seconds = 1\n",
            folder.path().display(),
            worklist(&elsewhere, "").replace("changes_seconds = 30", "changes_seconds = 1"),
            record.base()
        );
        std::fs::write(&config, text).unwrap();
        let wire = Wire { record, http: reqwest::Client::new(), now, _folder: folder, elsewhere, config };
        for n in 0..STAYS {
            let subject = json!({"reference": format!("Patient/p{n}")});
            wire.put(json!({"resourceType": "Patient", "id": format!("p{n}")})).await;
            wire.put(json!({"resourceType": "Encounter", "id": format!("e{n}"), "status": "in-progress", "subject": subject,
                "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
                "period": {"start": before(600)}, "location": [{"location": {"reference": "Location/north"}}]}))
                .await;
            wire.put(json!({"resourceType": "Procedure", "id": format!("v{n}"), "status": "in-progress", "subject": subject,
                "encounter": {"reference": format!("Encounter/e{n}")}, "performedPeriod": {"start": before(600)},
                "code": {"coding": [{"system": AIRWAY, "code": "invasive-ventilation"}]}}))
                .await;
        }
        wire
    }

    pub(super) async fn put(&self, document: Value) {
        let name =
            format!("{}/{}", document["resourceType"].as_str().unwrap(), document["id"].as_str().unwrap());
        let url = format!("{}/{name}", self.record.base());
        let request = self.http.put(url).header("content-type", "application/fhir+json");
        assert!(request.body(document.to_string()).send().await.unwrap().status().is_success());
    }

    /// Cleaning of the stay `n`, so many seconds ago.
    pub(super) fn care(&self, id: String, n: usize, seconds: i64) -> Value {
        json!({"resourceType": "Procedure", "id": id, "status": "completed", "subject": {"reference": format!("Patient/p{n}")},
            "encounter": {"reference": format!("Encounter/e{n}")},
            "performedDateTime": (self.now - Length::seconds(seconds)).to_string(),
            "code": {"coding": [{"system": ACTIVITY, "code": "oral-cleansing"}]}})
    }

    /// A nurse writes a note on a Task there; false if there is none yet.
    pub(super) fn nurse_writes(&self, turn: usize) -> bool {
        let tasks = self.elsewhere.all("Task");
        let Some(id) = tasks.keys().nth(turn % 3) else { return false };
        self.elsewhere.change(&format!("Task/{id}"), |task| {
            let mut notes = task["note"].as_array().cloned().unwrap_or_default();
            notes.push(json!({"authorString": "a nurse", "text": format!("note {turn}")}));
            task["note"] = notes.into();
        });
        true
    }

    /// Waits until what is here and there is the same: all of `procedures` read, and every note of a nurse kept.
    pub(super) async fn comes_to_agree(&self, terce: &Terce, procedures: usize, notes: usize) {
        let (mut same, mut looks) = (false, 0);
        while !same && looks < 900 {
            tokio::time::sleep(Duration::from_millis(100)).await;
            looks += 1;
            same = terce.all("Procedure").await.len() == procedures;
            for kind in ["Task", "DetectedIssue"] {
                let (here, there) = (terce.all(kind).await, self.elsewhere.all(kind));
                // notes of both are in the order in which each side came to know them
                let plain = |document: &Value| {
                    let mut document = bare(document);
                    document.as_object_mut().unwrap().remove("note");
                    document
                };
                same &= !here.is_empty() && here.keys().eq(there.keys());
                same &= here.values().map(plain).eq(there.values().map(plain));
            }
        }
        let (here, there) = (terce.all("Task").await, self.elsewhere.all("Task"));
        for (id, here) in &here {
            let there = there.get(id).map(bare).unwrap_or_default();
            for (name, value) in bare(here).as_object().unwrap().iter().filter(|(name, _)| *name != "note") {
                assert_eq!(there.get(name), Some(value), "Task/{id}: {name}");
            }
        }
        assert!(same, "{} and {} Tasks", here.len(), there.len());
        let all = there.values().flat_map(|task| task["note"].as_array().cloned().unwrap_or_default());
        let kept = all.filter(|note| note["authorString"] == "a nurse").count();
        assert_eq!(kept, notes, "no note was overwritten");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn whenever_it_is_killed_nothing_is_lost_and_nothing_is_there_twice() {
    let wire = Wire::new().await;
    let mut noted = 0;
    for kill in 0..KILLS {
        let terce = Terce::start_with(&wire.config, &[]);
        // care is charted there, which closes a Task; a nurse writes on another
        wire.put(wire.care(format!("k{kill}"), kill % STAYS, kill as i64)).await;
        noted += usize::from(wire.nurse_writes(kill));
        let lives = Duration::from_millis(20 + (kill as u64 * 97) % 700);
        // what it is doing then is what is tried here
        tokio::time::sleep(lives).await;
        drop(terce);
    }
    let terce = Terce::start_with(&wire.config, &[]);
    wire.comes_to_agree(&terce, STAYS + KILLS, noted).await;
    assert_eq!(terce.all("Task").await.len(), STAYS, "one Task a stay");
}
