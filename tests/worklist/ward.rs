//! A running service on a database in memory, with a clock that is set by hand, and one patient to chart for.

use std::collections::BTreeSet;
use std::path::PathBuf;

use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use terce::Running;
use terce::care::time::Instant;
use terce::clock::Clock;
use terce::config::Config;
use terce::store::Store;

pub const ACTIVITY: &str = "https://terce.example/fhir/CodeSystem/activity";
const AIRWAY: &str = "https://terce.example/fhir/CodeSystem/airway";
const EXCUSE: &str = "https://terce.example/fhir/CodeSystem/excuse";

pub struct Ward {
    pub service: Running,
    client: reqwest::Client,
}

/// An instant of 10 March 2026 in UTC; `1:08:00` is the day after.
pub fn at(text: &str) -> DateTime<Utc> {
    let parts: Vec<u32> = text.split(':').map(|p| p.parse().unwrap()).collect();
    let (day, hour, minute) = match parts[..] {
        [hour, minute] => (10, hour, minute),
        [day, hour, minute] => (10 + day, hour, minute),
        _ => panic!("{text}"),
    };
    format!("2026-03-{day}T{hour:02}:{minute:02}:00Z").parse().unwrap()
}

fn said(text: &str) -> String {
    at(text).to_rfc3339()
}

impl Ward {
    pub async fn open(config: &str) -> Ward {
        let config = format!("listen = \"127.0.0.1:0\"\n{config}");
        let clock = Clock::settable(Instant::from(at("00:00")));
        let store = Store::open_sqlite(None).await.unwrap();
        let service = terce::service::serve_on(store, Config::parse(&config).unwrap(), clock).await.unwrap();
        Ward { service, client: reqwest::Client::new() }
    }

    /// With the minimal protocol, and the patient p in the encounter e, ventilated in the unit north from 00:00.
    pub async fn with_patient() -> Ward {
        let ward = Ward::open("[site]\nprotocol = \"minimal\"\naway = [\"theatre\"]\n[[unit]]\nlocation = \"north\"\nowner = \"CareTeam/north\"\n[[unit]]\nlocation = \"ward\"\nprotocol = \"none\"\n").await;
        ward.admit().await;
        ward
    }

    pub async fn admit(&self) {
        self.put(json!({"resourceType": "Patient", "id": "p"})).await;
        self.encounter(json!({"status": "in-progress"}), &[("north", "00:00", None)]).await;
        self.put(self.ventilation(None)).await;
    }

    /// One more patient, `p{n}`, ventilated in the unit north from 00:00 in the encounter `e{n}`.
    pub async fn admit_another(&self, n: usize) {
        let (patient, encounter) = (format!("Patient/p{n}"), format!("Encounter/e{n}"));
        self.put(json!({"resourceType": "Patient", "id": format!("p{n}")})).await;
        self.put(
            json!({"resourceType": "Encounter", "id": format!("e{n}"), "subject": {"reference": patient},
            "status": "in-progress", "period": {"start": said("00:00")},
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "location": [{"location": {"reference": "Location/north"}}]}),
        )
        .await;
        let mut ventilation = self.ventilation(None);
        ventilation["id"] = format!("v{n}").into();
        ventilation["subject"]["reference"] = patient.into();
        ventilation["encounter"]["reference"] = encounter.into();
        self.put(ventilation).await;
    }

    pub fn ventilation(&self, end: Option<&str>) -> Value {
        let status = if end.is_some() { "completed" } else { "in-progress" };
        json!({"resourceType": "Procedure", "id": "v", "status": status, "subject": {"reference": "Patient/p"},
        "encounter": {"reference": "Encounter/e"},
        "code": {"coding": [{"system": AIRWAY, "code": "invasive-ventilation"}]},
        "performedPeriod": match end {
            Some(end) => json!({"start": said("00:00"), "end": said(end)}),
            None => json!({"start": said("00:00")}),
        }})
    }

    /// The encounter, with places: unit, from, to.
    pub async fn encounter(&self, more: Value, places: &[(&str, &str, Option<&str>)]) {
        let place = |(unit, from, to): &(&str, &str, Option<&str>)| {
            let mut period = json!({"start": said(from)});
            if let Some(to) = to {
                period["end"] = said(to).into();
            }
            json!({"location": {"reference": format!("Location/{unit}")}, "period": period})
        };
        let mut encounter = json!({"resourceType": "Encounter", "id": "e", "subject": {"reference": "Patient/p"},
            "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
            "period": {"start": said("00:00")}, "location": places.iter().map(place).collect::<Vec<_>>()});
        for (name, value) in more.as_object().unwrap() {
            encounter[name] = value.clone();
        }
        self.put(encounter).await;
    }

    pub async fn care(&self, id: &str, code: &str, when: &str) {
        self.put(self.procedure(id, code, "completed", when)).await;
    }

    pub fn procedure(&self, id: &str, code: &str, status: &str, when: &str) -> Value {
        let mut procedure = json!({"resourceType": "Procedure", "id": id, "status": status,
            "subject": {"reference": "Patient/p"}, "encounter": {"reference": "Encounter/e"},
            "code": {"coding": [{"system": ACTIVITY, "code": code}]}, "performedDateTime": said(when)});
        if status == "not-done" {
            procedure["statusReason"] = json!({"coding": [{"system": EXCUSE, "code": "refused"}]});
        }
        procedure
    }

    pub async fn put(&self, resource: Value) -> Value {
        let (kind, id) = (resource["resourceType"].as_str().unwrap(), resource["id"].as_str().unwrap());
        let (status, answer) = self.send("PUT", &format!("{kind}/{id}"), &resource).await;
        assert!((200..300).contains(&status), "{status} {answer}");
        answer
    }

    /// Status and body of the answer.
    pub async fn send(&self, method: &str, path: &str, body: &Value) -> (u16, Value) {
        let url = format!("{}/{path}", self.service.base());
        let request = self.client.request(method.parse().unwrap(), url.trim_end_matches('/'));
        let request = request.header("content-type", "application/fhir+json").body(body.to_string());
        let answer = request.send().await.unwrap();
        (answer.status().as_u16(), serde_json::from_str(&answer.text().await.unwrap()).unwrap())
    }

    pub async fn post(&self, path: &str) {
        let url = format!("http://{}{path}", self.service.address);
        let status = self.client.post(url).send().await.unwrap().status();
        assert!(status.is_success(), "{status}");
    }

    pub async fn get(&self, path: &str) -> Value {
        let text = self
            .client
            .get(format!("{}/{path}", self.service.base()))
            .send()
            .await
            .unwrap()
            .text()
            .await
            .unwrap();
        serde_json::from_str(&text).unwrap_or_else(|_| panic!("{path}: {text}"))
    }

    /// What is shown to people.
    pub async fn text(&self, path: &str) -> String {
        let url = format!("{}/{path}", self.service.base());
        let asked = self.client.get(url).header("accept", "text/plain");
        asked.send().await.unwrap().text().await.unwrap()
    }

    /// Lets the time come and everything be done that is due then.
    pub async fn until(&self, when: &str) {
        self.service.clock.set(Instant::from(at(when)));
        self.service.settle().await.unwrap();
    }

    pub async fn all(&self, path: &str) -> Vec<Value> {
        let bundle = self.get(path).await;
        let entries = bundle["entry"].as_array().cloned().unwrap_or_default();
        entries.into_iter().map(|e| e["resource"].clone()).collect()
    }

    /// Every Task, in the order of the last change.
    pub async fn tasks(&self) -> Vec<Value> {
        self.all("Task?patient=p").await
    }

    /// The open Task; there is never a second one.
    pub async fn task(&self) -> Option<Value> {
        let open = |t: &Value| {
            !matches!(
                t["status"].as_str(),
                Some("completed" | "cancelled" | "rejected" | "failed" | "entered-in-error")
            )
        };
        let open: Vec<Value> = self.tasks().await.into_iter().filter(open).collect();
        assert!(open.len() <= 1, "two open Tasks");
        open.into_iter().next()
    }

    /// Status, mitigation and start of each DetectedIssue of `requirement`, in the order of their starts.
    pub async fn issues(&self, requirement: &str) -> Vec<String> {
        let mut out: Vec<String> = Vec::new();
        for issue in self.all("DetectedIssue?patient=p").await {
            let key = issue["identifier"][0]["value"].as_str().unwrap();
            if key.ends_with(&format!("|{requirement}")) {
                let why = issue["mitigation"][0]["action"]["coding"][0]["code"].as_str().unwrap_or("-");
                let start: DateTime<Utc> =
                    issue["identifiedPeriod"]["start"].as_str().unwrap().parse().unwrap();
                out.push(format!("{} {} {why}", start.format("%H:%M"), issue["status"].as_str().unwrap()));
            }
        }
        out.sort();
        out
    }

    /// System and code of everything of the project's own that Tasks and DetectedIssues are said with.
    pub async fn own_codes(&self) -> BTreeSet<(String, String)> {
        fn gather(value: &Value, out: &mut BTreeSet<(String, String)>) {
            match value {
                Value::Object(members) => {
                    if let Some(system) = value["system"].as_str()
                        && let Some(name) = system.strip_prefix("https://terce.example/fhir/CodeSystem/")
                    {
                        out.insert((name.to_owned(), value["code"].as_str().unwrap().to_owned()));
                    }
                    members.values().for_each(|v| gather(v, out));
                }
                Value::Array(items) => items.iter().for_each(|v| gather(v, out)),
                _ => {}
            }
        }
        let mut out = BTreeSet::new();
        for path in ["Task?_count=1000", "DetectedIssue?_count=1000"] {
            self.all(path).await.iter().for_each(|r| gather(r, &mut out));
        }
        out
    }

    /// Writes everything that the service has said to `target/emitted/{name}.ndjson`.
    pub async fn emit(&self, name: &str) -> PathBuf {
        let mut lines = Vec::new();
        for path in ["Task?_count=1000", "DetectedIssue?_count=1000"] {
            lines.extend(self.all(path).await);
            lines.push(self.get(path).await);
        }
        for measure in terce::translate::measures::MEASURES {
            let period = "periodStart=2026-03-10&periodEnd=2026-03-11";
            lines.push(self.get(&format!("Measure/{measure}/$evaluate-measure?{period}")).await);
            let one =
                format!("Measure/{measure}/$evaluate-measure?{period}&reportType=subject&subject=Patient/p");
            lines.push(self.get(&one).await);
        }
        for path in ["metadata", "Encounter/e/$explain", "Procedure/unknown", "Task?_summary=count"] {
            lines.push(self.get(path).await);
        }
        let text: String = lines.iter().map(|l| format!("{l}\n")).collect();
        Ward::write(name, &text)
    }

    /// Writes lines to `target/emitted/{name}/all.ndjson`; returns the folder.
    pub fn write(name: &str, lines: &str) -> PathBuf {
        let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("target/emitted").join(name);
        std::fs::create_dir_all(&folder).unwrap();
        std::fs::write(folder.join("all.ndjson"), lines).unwrap();
        folder
    }
}
