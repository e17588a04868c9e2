//! Exports of a server: asked for, waited for, read, gone on with.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::Body;
use axum::extract::Request;
use axum::http::Response;
use serde_json::json;
use terce::Running;
use terce::care::time::Instant;
use terce::clock::Clock;
use terce::config::Config;
use terce::store::Store;
use tokio::net::TcpListener;

use super::{care, ids, memory, noon, polled};

/// Status, headers and body.
type Given = (u16, Vec<(&'static str, String)>, String);

/// A server that exports; how its paths answer can be changed.
#[derive(Clone)]
struct Exporter {
    base: String,
    answers: Arc<Mutex<BTreeMap<String, Given>>>,
    asked: Arc<Mutex<Vec<String>>>,
}

impl Exporter {
    async fn new() -> Exporter {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let base = format!("http://{}/fhir", listener.local_addr().unwrap());
        let (answers, asked) = (Arc::<Mutex<BTreeMap<_, _>>>::default(), Arc::<Mutex<Vec<_>>>::default());
        let exporter = Exporter { base, answers, asked };
        let of = exporter.clone();
        let router = Router::new().fallback(move |request: Request| {
            let path = request.uri().path().trim_start_matches("/fhir/").to_owned();
            let header = |name: &str| request.headers().get(name).map(|v| v.to_str().unwrap().to_owned());
            let line = format!("{} {path}?{}", request.method(), request.uri().query().unwrap_or_default());
            of.asked.lock().unwrap().push(line);
            if path.ends_with("$export") {
                assert_eq!(header("prefer").as_deref(), Some("respond-async"));
                assert_eq!(header("accept").as_deref(), Some("application/fhir+json"));
            }
            let found = of.answers.lock().unwrap().get(&path).cloned();
            let (status, headers, body) = found.unwrap_or((404, Vec::new(), String::new()));
            let mut response = Response::builder().status(status);
            for (name, value) in headers {
                response = response.header(name, value);
            }
            let response = response.body(Body::from(body)).unwrap();
            async move { response }
        });
        tokio::spawn(async move { axum::serve(listener, router).await });
        exporter
    }

    fn answers(&self, path: &str, status: u16, headers: &[(&'static str, String)], body: impl ToString) {
        self.answers.lock().unwrap().insert(path.to_owned(), (status, headers.to_vec(), body.to_string()));
    }

    fn asked(&self, what: &str) -> usize {
        self.asked.lock().unwrap().iter().filter(|line| line.contains(what)).count()
    }

    /// An export of these files is there, of what was so at `at`.
    fn is_ready(&self, files: &[(&str, String)], deleted: &[(&str, String)], at: &str) {
        let status = vec![("content-location", format!("{}/status/1", self.base))];
        self.answers("Group/icu/$export", 202, &status, "");
        let urls = |files: &[(&str, String)]| {
            files
                .iter()
                .map(|(name, _)| json!({"type": "x", "url": format!("{}/{name}", self.base)}))
                .collect::<Vec<_>>()
        };
        let manifest = json!({
            "transactionTime": at, "request": "x", "requiresAccessToken": false, "output": urls(files),
            "deleted": urls(deleted), "error": [],
        });
        self.answers("status/1", 200, &[], manifest);
        for (name, text) in files.iter().chain(deleted) {
            self.answers(name, 200, &[("content-type", "application/fhir+ndjson".into())], text);
        }
    }
}

async fn reading(exporter: &Exporter, store: Store) -> Running {
    let text = format!(
        "listen = \"127.0.0.1:0\"\n[[server]]\nname = \"record\"\nbase = \"{}\"\n[[source]]\nname = \"charting\"\n\
         heartbeat_seconds = 60\n[source.bulk]\nserver = \"record\"\ngroup = \"icu\"\ntypes = [\"Procedure\"]\n\
         every_seconds = 3600\n",
        exporter.base
    );
    terce::service::serve_on(store, Config::parse(&text).unwrap(), Clock::settable(noon())).await.unwrap()
}

fn lines(ids: &[&str]) -> String {
    ids.iter().map(|id| format!("{}\n", care(id, "x"))).collect::<Vec<_>>().concat()
}

async fn pass(service: &Running, seconds: i64) {
    service.clock.set(Instant::from_micros(service.clock.now().micros() + seconds * 1_000_000));
}

#[tokio::test]
async fn an_export_is_read_and_the_next_one_is_of_what_has_changed_since() {
    let exporter = Exporter::new().await;
    let header = r#"{"resourceType":"Parameters","parameter":[{"name":"header"}]}"#;
    let files = [
        ("files/1.ndjson", format!("{header}\n{}", lines(&["a", "b"]))),
        ("files/2.ndjson", care("c", "x").to_string()),
    ];
    exporter.is_ready(&files, &[], "2026-03-01T11:58:00.5Z");
    let service = reading(&exporter, memory().await).await;
    let first = polled(&service, |p| p.rounds == 1).await;
    assert_eq!(
        (first.documents, ids(&service, "Procedure").await),
        (3, vec!["a".into(), "b".into(), "c".into()])
    );
    assert_eq!(exporter.asked("GET Group/icu/$export?_type=Procedure"), 1);
    assert_eq!(exporter.asked("DELETE status/1"), 1, "what is read is given back");
    let told = service.store.sources().await.unwrap()[0].last_us;
    assert_eq!(told, super::NOON_US - 119_500_000, "all was told up to the server's own time of the export");
    let gone = json!({"resourceType": "Bundle", "type": "transaction", "entry": [
        {"request": {"method": "DELETE", "url": "Procedure/b"}}]});
    exporter.is_ready(
        &[("files/3.ndjson", lines(&["d"]))],
        &[("files/gone.ndjson", gone.to_string())],
        "2026-03-01T13:00:00Z",
    );
    pass(&service, 3_601).await;
    polled(&service, |p| p.rounds == 2).await;
    assert_eq!(ids(&service, "Procedure").await, ["a", "c", "d"]);
    assert_eq!(exporter.asked("_since=2026-03-01T11%3A58%3A00.5Z"), 1);
}

#[tokio::test]
async fn what_is_under_way_is_waited_for_and_gone_on_with_by_another_process() {
    let exporter = Exporter::new().await;
    let files = [("files/1.ndjson", lines(&["a"])), ("files/2.ndjson", lines(&["b"]))];
    exporter.is_ready(&files, &[], "2026-03-01T11:58:00Z");
    exporter.answers("files/2.ndjson", 503, &[], "");
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("terce.db");
    let open = async || Store::open_sqlite(Some(&path)).await.unwrap();
    let service = reading(&exporter, open().await).await;
    let failing = polled(&service, |p| p.tries == 1).await;
    assert!(failing.failing.unwrap().1.contains("503"));
    assert_eq!(ids(&service, "Procedure").await, ["a"]);
    service.shutdown().await.unwrap();
    exporter.answers("files/2.ndjson", 200, &[], lines(&["b"]));
    let again = reading(&exporter, open().await).await;
    polled(&again, |p| p.rounds == 1).await;
    assert_eq!(ids(&again, "Procedure").await, ["a", "b"]);
    assert_eq!(
        (exporter.asked("$export"), exporter.asked("GET files/1.ndjson")),
        (1, 1),
        "nothing is asked for twice"
    );
}

#[tokio::test]
async fn an_export_is_waited_for_as_the_server_says() {
    let exporter = Exporter::new().await;
    exporter.is_ready(&[("files/1.ndjson", lines(&["a"]))], &[], "2026-03-01T11:58:00Z");
    let manifest = exporter.answers.lock().unwrap()["status/1"].clone();
    exporter.answers("status/1", 202, &[("retry-after", "120".to_owned())], "");
    let service = reading(&exporter, memory().await).await;
    while exporter.asked("GET status/1") == 0 {
        tokio::task::yield_now().await;
    }
    exporter.answers.lock().unwrap().insert("status/1".to_owned(), manifest);
    assert_eq!(ids(&service, "Procedure").await, [""; 0]);
    pass(&service, 121).await;
    polled(&service, |p| p.rounds == 1).await;
    assert_eq!((ids(&service, "Procedure").await, exporter.asked("GET status/1")), (vec!["a".to_owned()], 2));
    // an export that is lost there is asked for anew
    exporter.answers("status/1", 404, &[], "");
    pass(&service, 3_601).await;
    polled(&service, |p| p.tries == 1).await;
    exporter.is_ready(&[("files/1.ndjson", lines(&["b"]))], &[], "2026-03-01T13:58:00Z");
    pass(&service, 600).await;
    polled(&service, |p| p.rounds == 2).await;
    assert_eq!(ids(&service, "Procedure").await, ["a", "b"]);
}

#[tokio::test]
async fn files_lie_where_the_operator_allows_and_nowhere_else() {
    let exporter = Exporter::new().await;
    exporter.is_ready(&[], &[], "2026-03-01T11:58:00Z");
    let elsewhere = Exporter::new().await;
    elsewhere.answers("secret", 200, &[], lines(&["stolen"]));
    let manifest = json!({"transactionTime": "2026-03-01T11:58:00Z", "output": [
        {"type": "Procedure", "url": format!("{}/secret", elsewhere.base)}]});
    exporter.answers("status/1", 200, &[], manifest);
    let service = reading(&exporter, memory().await).await;
    polled(&service, |p| p.tries == 1).await;
    assert_eq!(elsewhere.asked(""), 0);
    assert_eq!(ids(&service, "Procedure").await, [""; 0]);
}

#[tokio::test]
async fn what_a_server_could_not_export_is_asked_for_again_and_is_no_heartbeat() {
    let exporter = Exporter::new().await;
    let told = |severity: &str| json!({"resourceType": "OperationOutcome", "issue": [{"severity": severity, "code": "exception"}]});
    let with_errors = |text: String| {
        exporter.is_ready(&[("files/1.ndjson", lines(&["a"]))], &[], "2026-03-01T11:58:00Z");
        exporter.answers("files/errors.ndjson", 200, &[], text);
        let mut manifest: serde_json::Value =
            serde_json::from_str(&exporter.answers.lock().unwrap()["status/1"].2).unwrap();
        manifest["error"] =
            json!([{"type": "OperationOutcome", "url": format!("{}/files/errors.ndjson", exporter.base)}]);
        exporter.answers("status/1", 200, &[], manifest);
    };
    with_errors(format!("{}\n{}\n", told("information"), told("error")));
    let service = reading(&exporter, memory().await).await;
    let failed = polled(&service, |p| p.tries == 1).await;
    assert!(failed.failing.unwrap().1.contains("1 errors"));
    assert_eq!(ids(&service, "Procedure").await, ["a"], "what could be exported is read");
    assert!(service.store.sources().await.unwrap().is_empty(), "and not everything was told");
    // what is only said beside holds up nothing
    with_errors(told("warning").to_string());
    pass(&service, 3_601).await;
    polled(&service, |p| p.rounds == 1).await;
    assert_eq!(exporter.asked("_since"), 0, "it was asked for from the beginning again");
    assert_eq!(service.store.sources().await.unwrap().len(), 1);
}
