//! A FHIR server on loopback that is not ours: it keeps what it is given, and answers as badly as it is told to.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::State;
use axum::http::{HeaderMap, Request, Response, StatusCode};
use serde_json::{Value, json};
use terce::clock::Clock;
use tokio::net::TcpListener;

/// What goes wrong there, in chances of a hundred.
#[derive(Clone, Copy, Default)]
pub struct Trouble {
    /// It answers nothing but 503.
    pub down: bool,
    pub throttled: u64,
    pub broken: u64,
    /// A write is done, and the answer does not arrive.
    pub lost: u64,
    /// Somebody writes a note on a document just after it was read.
    pub raced: u64,
}

#[derive(Default)]
struct Kept {
    documents: BTreeMap<String, (u64, Value)>,
    /// Method, path and status of each request.
    log: Vec<(String, String, u16)>,
    trouble: Trouble,
    gives_ids: bool,
    refuses: Option<String>,
    roll: u64,
    made: u64,
    raced: u64,
    raced_tasks: usize,
    /// How often what has changed was asked for and told.
    looks: u64,
    tells_old: bool,
    thinks: Duration,
    clock: Option<Clock>,
}

#[derive(Clone)]
pub struct Elsewhere {
    pub url: String,
    kept: Arc<Mutex<Kept>>,
}

impl Elsewhere {
    pub async fn start() -> Elsewhere {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let url = format!("http://{}/fhir", listener.local_addr().unwrap());
        let kept = Arc::new(Mutex::new(Kept { roll: 7, ..Kept::default() }));
        let router = Router::new().fallback(answer).with_state(kept.clone());
        tokio::spawn(async move { axum::serve(listener, router).await.unwrap() });
        Elsewhere { url, kept }
    }

    /// Stamps what it is given with the time of this clock.
    pub fn by(&self, clock: &Clock) {
        self.kept.lock().unwrap().clock = Some(clock.clone());
    }

    pub fn gives_ids(&self) {
        self.kept.lock().unwrap().gives_ids = true;
    }

    pub fn is_in(&self, trouble: Trouble) {
        self.kept.lock().unwrap().trouble = trouble;
    }

    /// Refuses whatever contains `text`; none: nothing.
    pub fn refuses(&self, text: Option<&str>) {
        self.kept.lock().unwrap().refuses = text.map(str::to_owned);
    }

    /// The documents of a type, by id.
    pub fn all(&self, kind: &str) -> BTreeMap<String, Value> {
        let kept = self.kept.lock().unwrap();
        let of = kept.documents.iter().filter(|(name, _)| name.starts_with(&format!("{kind}/")));
        of.map(|(name, (_, document))| (name.split_once('/').unwrap().1.to_owned(), document.clone()))
            .collect()
    }

    /// Requests so far that wrote.
    pub fn writes(&self) -> Vec<(String, String, u16)> {
        self.kept.lock().unwrap().log.iter().filter(|(method, _, _)| method != "GET").cloned().collect()
    }

    pub fn requests(&self) -> usize {
        self.kept.lock().unwrap().log.len()
    }

    /// How often somebody wrote just after a document was read.
    pub fn raced(&self) -> u64 {
        self.kept.lock().unwrap().raced
    }

    /// How often that was a Task.
    pub fn raced_tasks(&self) -> usize {
        self.kept.lock().unwrap().raced_tasks
    }

    /// How often somebody was told what has changed here.
    pub fn looks(&self) -> u64 {
        self.kept.lock().unwrap().looks
    }

    /// What it tells of changed documents has no notes in it, as if somebody had written them while it answered.
    pub fn tells_old(&self) {
        self.kept.lock().unwrap().tells_old = true;
    }

    /// It takes so long to find out what has changed.
    pub fn thinks(&self, long: Duration) {
        self.kept.lock().unwrap().thinks = long;
    }

    /// Somebody changes a document.
    pub fn change(&self, name: &str, change: impl FnOnce(&mut Value)) {
        self.kept.lock().unwrap().change(name, change);
    }

    pub fn delete(&self, name: &str) {
        self.kept.lock().unwrap().documents.remove(name).unwrap();
    }
}

impl Kept {
    fn dice(&mut self) -> u64 {
        self.roll = self.roll.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.roll >> 33) % 100
    }

    fn put(&mut self, name: &str, mut document: Value) -> u64 {
        let version = self.documents.get(name).map_or(1, |(version, _)| version + 1);
        let at = self.clock.as_ref().map_or_else(String::new, |clock| clock.now().to_string());
        document["id"] = name.split_once('/').unwrap().1.into();
        document["meta"] = json!({"versionId": version.to_string(), "lastUpdated": at});
        self.documents.insert(name.to_owned(), (version, document));
        version
    }

    fn change(&mut self, name: &str, change: impl FnOnce(&mut Value)) {
        let mut document = self.documents[name].1.clone();
        change(&mut document);
        self.put(name, document);
    }

    fn answer(
        &mut self,
        method: &str,
        path: &str,
        query: &str,
        headers: &HeaderMap,
        body: &[u8],
    ) -> Response<Body> {
        let text =
            |name: &str| headers.get(name).and_then(|v| v.to_str().ok()).unwrap_or_default().to_owned();
        let of_identifier = |kept: &Kept, kind: &str, query: &str| {
            let asked = query.strip_prefix("identifier=").unwrap_or_default();
            let asked =
                url::form_urlencoded::parse(format!("x={asked}").as_bytes()).next().unwrap().1.into_owned();
            let is = |document: &Value| {
                let id = &document["identifier"][0];
                let both = |system: &str, value: &str| format!("{system}|{value}");
                both(id["system"].as_str().unwrap(), id["value"].as_str().unwrap()) == asked
            };
            let of = kept.documents.iter().filter(|(name, _)| name.starts_with(&format!("{kind}/")));
            of.filter(|(_, (_, document))| is(document)).map(|(name, _)| name.clone()).collect::<Vec<_>>()
        };
        let (kind, id) = path.split_once('/').unwrap_or((path, ""));
        match (method, id, query) {
            ("GET", "", query) if query.starts_with("_lastUpdated=ge") => {
                let since = query.strip_prefix("_lastUpdated=ge").unwrap().split('&').next().unwrap();
                let of = self.documents.iter().filter(|(name, _)| name.starts_with(&format!("{kind}/")));
                self.looks += 1;
                let found = of.filter(|(_, (_, d))| d["meta"]["lastUpdated"].as_str().unwrap() >= since);
                let mut entry: Vec<Value> = found.map(|(_, (_, d))| json!({"resource": d})).collect();
                for told in entry.iter_mut().filter(|_| self.tells_old) {
                    told["resource"].as_object_mut().unwrap().remove("note");
                    told["resource"]["meta"]["versionId"] = "0".into();
                }
                said(200, None, &json!({"resourceType": "Bundle", "type": "searchset", "entry": entry}))
            }
            ("GET", "", query) => {
                let names = of_identifier(self, kind, query);
                let entry: Vec<Value> =
                    names.iter().map(|name| json!({"resource": self.documents[name].1})).collect();
                said(200, None, &json!({"resourceType": "Bundle", "type": "searchset", "entry": entry}))
            }
            ("GET", _, _) => match self.documents.get(path).cloned() {
                Some((version, document)) => {
                    if self.dice() < self.trouble.raced {
                        self.raced += 1;
                        self.raced_tasks += usize::from(kind == "Task");
                        let note = json!({"authorString": "a nurse", "text": format!("note {}", self.raced)});
                        self.change(path, |document| {
                            let mut notes = document["note"].as_array().cloned().unwrap_or_default();
                            notes.push(note);
                            document["note"] = notes.into();
                        });
                    }
                    said(200, Some(version), &document)
                }
                None => said(404, None, &json!({"resourceType": "OperationOutcome"})),
            },
            ("PUT", "", query) => {
                let document: Value = serde_json::from_slice(body).unwrap();
                assert!(document.get("id").is_none(), "an id goes with a conditional update");
                match &of_identifier(self, kind, query)[..] {
                    [] => {
                        self.made += 1;
                        let name = format!("{kind}/there-{}", self.made);
                        let version = self.put(&name, document);
                        said(201, Some(version), &self.documents[&name].1)
                    }
                    [name] => {
                        let version = self.put(name, document);
                        said(200, Some(version), &self.documents[name].1)
                    }
                    _ => said(412, None, &json!({"resourceType": "OperationOutcome"})),
                }
            }
            ("PUT", _, _) => {
                let document: Value = serde_json::from_slice(body).unwrap();
                assert_eq!(document["id"], id);
                let there = self.documents.get(path).map(|(version, _)| *version);
                let asked = text("if-match");
                let matches = there.is_some_and(|version| asked == format!("W/\"{version}\""));
                if there.is_none() && self.gives_ids {
                    return said(405, None, &json!({"resourceType": "OperationOutcome"}));
                }
                if text("if-none-match") == "*" && there.is_some() || !asked.is_empty() && !matches {
                    return said(412, None, &json!({"resourceType": "OperationOutcome"}));
                }
                let version = self.put(path, document);
                said(if there.is_some() { 200 } else { 201 }, Some(version), &Value::Null)
            }
            _ => said(400, None, &json!({"resourceType": "OperationOutcome"})),
        }
    }
}

fn said(status: u16, version: Option<u64>, body: &Value) -> Response<Body> {
    let mut response = Response::builder().status(status).header("content-type", "application/fhir+json");
    if let Some(version) = version {
        response = response.header("etag", format!("W/\"{version}\""));
    }
    let body = if body.is_null() { Body::empty() } else { Body::from(body.to_string()) };
    response.body(body).unwrap()
}

async fn answer(State(kept): State<Arc<Mutex<Kept>>>, request: Request<Body>) -> Response<Body> {
    let (parts, body) = request.into_parts();
    let body = to_bytes(body, usize::MAX).await.unwrap();
    let path = parts.uri.path().trim_start_matches("/fhir/").to_owned();
    let query = parts.uri.query().unwrap_or_default().to_owned();
    if query.starts_with("_lastUpdated") {
        let long = kept.lock().unwrap().thinks;
        tokio::time::sleep(long).await;
    }
    let mut kept = kept.lock().unwrap();
    let trouble = kept.trouble;
    let refused = kept.refuses.clone().is_some_and(|text| String::from_utf8_lossy(&body).contains(&text));
    let lost = kept.dice() < trouble.lost && parts.method != "GET";
    let response = if trouble.down {
        said(503, None, &Value::Null)
    } else if kept.dice() < trouble.throttled {
        let mut response = said(429, None, &Value::Null);
        response.headers_mut().insert("retry-after", "7".parse().unwrap());
        response
    } else if kept.dice() < trouble.broken {
        said(500, None, &Value::Null)
    } else if refused {
        said(422, None, &json!({"resourceType": "OperationOutcome"}))
    } else {
        kept.answer(parts.method.as_str(), &path, &query, &parts.headers, &body)
    };
    let status = response.status().as_u16();
    kept.log.push((parts.method.to_string(), path, status));
    if lost && !trouble.down {
        // it breaks off within the answer
        let pieces = futures_util::stream::iter([Ok(Bytes::from("{")), Err(std::io::Error::other("lost"))]);
        return Response::builder().status(StatusCode::OK).body(Body::from_stream(pieces)).unwrap();
    }
    response
}
