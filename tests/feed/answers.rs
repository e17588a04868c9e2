//! What a source answers is not trusted: what is wrong with it is a failure of that item or round, and never more.

use std::sync::{Arc, Mutex};

use axum::Router;
use axum::body::Body;
use axum::extract::Request;
use axum::http::Response;
use serde_json::{Value, json};
use tokio::net::TcpListener;

use super::{care, ids, memory, next_round, noon, polled, reader};

/// Status, headers and body.
type Given = (u16, Vec<(&'static str, String)>, Vec<u8>);

/// What it is, and what is answered.
type Row<'a> = (&'a str, u16, Vec<(&'static str, &'a str)>, String);

/// A server that answers everything with what is put here.
struct Stub {
    base: String,
    answer: Arc<Mutex<Given>>,
    asked: Arc<Mutex<Vec<String>>>,
}

impl Stub {
    async fn new() -> Stub {
        let answer = Arc::new(Mutex::new((200, Vec::new(), Vec::new())));
        let asked = Arc::new(Mutex::new(Vec::new()));
        let (given, seen) = (answer.clone(), asked.clone());
        let router = Router::new().fallback(move |request: Request| {
            let known = request.headers().get("if-none-match").map(|tag| tag.to_str().unwrap().to_owned());
            let known = known.map(|tag| format!(" {tag}")).unwrap_or_default();
            seen.lock().unwrap().push(format!("{}{known}", request.uri()));
            let (status, headers, body): Given = given.lock().unwrap().clone();
            let mut response = Response::builder().status(status);
            for (name, value) in headers {
                response = response.header(name, value);
            }
            let response = response.body(Body::from(body)).unwrap();
            async move { response }
        });
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let base = format!("http://{}/fhir", listener.local_addr().unwrap());
        tokio::spawn(async move { axum::serve(listener, router).await });
        Stub { base, answer, asked }
    }

    fn answers(&self, status: u16, headers: &[(&'static str, &str)], body: impl Into<Vec<u8>>) {
        let headers = headers.iter().map(|(name, value)| (*name, (*value).to_owned())).collect();
        *self.answer.lock().unwrap() = (status, headers, body.into());
    }

    fn tells(&self, resources: &[Value]) {
        let entry: Vec<Value> = resources.iter().map(|r| json!({"resource": r})).collect();
        let page = json!({"resourceType": "Bundle", "type": "searchset", "entry": entry});
        self.answers(200, &[JSON], page.to_string());
    }
}

const JSON: (&str, &str) = ("content-type", "application/fhir+json");

fn updated(id: &str, at: &str) -> Value {
    let mut care = care(id, "x");
    care["meta"] = json!({"versionId": "1", "lastUpdated": at});
    care
}

#[tokio::test]
async fn what_makes_no_sense_fails_the_round_and_the_next_is_as_ever() {
    let stub = Stub::new().await;
    let reader = reader(memory().await, &stub.base, "types = [\"Procedure\"]", noon()).await;
    polled(&reader, |p| p.tries == 1).await;
    let page = |next: &str| {
        let link = json!([{"relation": "next", "url": next}]);
        json!({"resourceType": "Bundle", "type": "searchset", "link": link, "entry": []}).to_string()
    };
    let huge = format!("{{\"resourceType\":\"Bundle\",\"x\":\"{}\"}}", "a".repeat(17 << 20));
    let rows: Vec<Row<'_>> = vec![
        ("HTML with 200", 200, vec![("content-type", "text/html")], "<html>hello</html>".to_owned()),
        ("no JSON", 200, vec![JSON], "{".to_owned()),
        ("an outcome", 200, vec![JSON], json!({"resourceType": "OperationOutcome"}).to_string()),
        (
            "members twice",
            200,
            vec![JSON],
            "{\"resourceType\":\"Bundle\",\"entry\":[],\"entry\":[]}".to_owned(),
        ),
        ("too long", 200, vec![JSON], huge),
        ("a redirection", 302, vec![("location", "http://169.254.169.254/")], String::new()),
        ("a page elsewhere", 200, vec![JSON], page("http://169.254.169.254/latest")),
        ("a page of a file", 200, vec![JSON], page("file:///etc/passwd")),
        ("refused", 400, vec![JSON], String::new()),
        ("not let in", 403, vec![JSON], String::new()),
        ("busy", 429, vec![("retry-after", "1e99")], String::new()),
        ("busy for ever", 503, vec![("retry-after", "99999999999999999999")], String::new()),
    ];
    for (tries, (what, status, headers, body)) in (2..).zip(rows) {
        stub.answers(status, &headers, body);
        let now = reader.clock.now();
        // an hour is the longest that anybody is left alone
        reader.clock.set(terce::care::time::Instant::from_micros(now.micros() + 3_601_000_000));
        let failed = polled(&reader, |p| p.tries == tries).await;
        assert!(failed.failing.is_some(), "{what}");
        assert!(!format!("{:?}", failed.failing).contains("169.254"), "{what}");
    }
    stub.tells(&[updated("a", "2026-03-01T11:00:00Z")]);
    let now = reader.clock.now();
    reader.clock.set(terce::care::time::Instant::from_micros(now.micros() + 3_601_000_000));
    assert_eq!(polled(&reader, |p| p.rounds == 1).await.failing, None);
    assert_eq!(ids(&reader, "Procedure").await, ["a"]);
}

#[tokio::test]
async fn a_server_that_wants_to_be_left_alone_is() {
    let stub = Stub::new().await;
    stub.answers(503, &[("retry-after", "120")], "");
    let reader = reader(memory().await, &stub.base, "types = [\"Procedure\"]", noon()).await;
    polled(&reader, |p| p.tries == 1).await;
    stub.tells(&[]);
    let asked = stub.asked.lock().unwrap().len();
    reader.clock.set(terce::care::time::Instant::from_micros(noon().micros() + 119_000_000));
    tokio::task::yield_now().await;
    assert_eq!(stub.asked.lock().unwrap().len(), asked);
    reader.clock.set(terce::care::time::Instant::from_micros(noon().micros() + 121_000_000));
    polled(&reader, |p| p.rounds == 1).await;
}

#[tokio::test]
async fn a_document_that_is_refused_is_a_dead_letter_and_holds_up_no_other() {
    let stub = Stub::new().await;
    let mut bad = updated("bad", "2026-03-01T11:00:00Z");
    bad["status"] = json!("asleep");
    let mut nameless = care("x", "x");
    nameless.as_object_mut().unwrap().remove("id");
    let mut twice = updated("twice", "2026-03-01T11:00:02Z").to_string();
    twice.insert_str(twice.len() - 1, ",\"status\":\"completed\"");
    let other = json!({"resourceType": "Nonsense", "id": "n"});
    let whole =
        [updated("a", "2026-03-01T11:00:01Z"), bad, nameless, other, updated("b", "2026-03-01T11:00:03Z")];
    let mut entries: Vec<String> = whole.iter().map(|r| format!("{{\"resource\":{r}}}")).collect();
    entries.push(format!("{{\"resource\":{twice}}}"));
    let page = format!("{{\"resourceType\":\"Bundle\",\"entry\":[{}]}}", entries.join(","));
    stub.answers(200, &[JSON], page);
    let reader = reader(memory().await, &stub.base, "types = [\"Procedure\"]", noon()).await;
    assert_eq!(polled(&reader, |p| p.rounds == 1).await.documents, 2);
    assert_eq!(ids(&reader, "Procedure").await, ["a", "b"]);
    let query = terce::store::LetterQuery { limit: 10, bodies: true, ..Default::default() };
    let letters = reader.store.letters(query.clone()).await.unwrap();
    let mut names: Vec<(&str, &str)> =
        letters.iter().map(|l| (l.about.name.as_str(), l.why.split(':').next().unwrap())).collect();
    names.sort_unstable();
    assert_eq!(names[0], ("Nonsense/n", "not-supported"));
    assert_eq!(names[1], ("Procedure/bad", "code-invalid"));
    assert_eq!(names[2], ("Procedure/twice", "structure"));
    assert!(names[3].0.starts_with("digest/"));
    // mended at the source, it is taken in, and the letter is gone
    stub.tells(&[updated("bad", "2026-03-01T11:30:00Z")]);
    next_round(&reader).await;
    assert_eq!(ids(&reader, "Procedure").await, ["a", "b", "bad"]);
    assert_eq!(reader.store.letters(query).await.unwrap().len(), 3);
}

#[tokio::test]
async fn an_answer_that_is_not_sorted_is_read_by_pages_and_ends_where_it_has_come_to_its_end() {
    let stub = Stub::new().await;
    stub.tells(&[
        updated("late", "2026-03-01T11:30:00Z"),
        updated("early", "2026-03-01T10:00:00Z"),
        care("never", "x"),
    ]);
    let reader =
        reader(memory().await, &stub.base, "types = [\"Procedure\"]\noverlap_seconds = 60", noon()).await;
    polled(&reader, |p| p.rounds == 1).await;
    next_round(&reader).await;
    let asked = stub.asked.lock().unwrap().clone();
    assert_eq!(asked[0], "/fhir/Procedure?_sort=_lastUpdated&_count=200");
    assert_eq!(asked[1], "/fhir/Procedure?_lastUpdated=ge2026-03-01T11:29:00Z&_sort=_lastUpdated&_count=200");
}

#[tokio::test]
async fn what_has_not_changed_is_asked_for_with_its_tag_and_is_a_heartbeat_all_the_same() {
    let stub = Stub::new().await;
    let page = |documents: &[Value]| {
        let entry: Vec<Value> = documents.iter().map(|r| json!({"resource": r})).collect();
        json!({"resourceType": "Bundle", "type": "searchset", "entry": entry}).to_string()
    };
    let tagged = |tag: &'static str| [JSON, ("etag", tag)];
    let first = updated("a", "2026-03-01T11:59:00Z");
    stub.answers(200, &tagged("W/\"1\""), page(std::slice::from_ref(&first)));
    let reader = reader(memory().await, &stub.base, "types = [\"Procedure\"]", noon()).await;
    polled(&reader, |p| p.rounds == 1).await;
    // asked from another place in time, which is another question
    assert_eq!(next_round(&reader).await.rounds, 2);
    stub.answers(304, &[], "");
    assert_eq!(next_round(&reader).await.rounds, 3);
    let heard = reader.store.sources().await.unwrap()[0].last_us;
    assert_eq!(heard, noon().micros() + 62_000_000, "nothing is new up to when it was asked");
    let asked = stub.asked.lock().unwrap().clone();
    assert!(!asked[1].ends_with("W/\"1\"") && asked[2] == format!("{} W/\"1\"", asked[1]), "{asked:?}");
    stub.answers(200, &tagged("W/\"2\""), page(&[first, updated("b", "2026-03-01T12:01:00Z")]));
    next_round(&reader).await;
    assert_eq!(ids(&reader, "Procedure").await, ["a", "b"]);
    // who says that nothing has changed without being asked so makes no sense
    stub.answers(304, &[], "");
    assert_eq!(next_round(&reader).await.tries, 1);
}
