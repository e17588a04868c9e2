//! This service as the client of another: it gets tokens, uses them, and believes no answer.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use axum::Router;
use axum::body::Body;
use axum::extract::Request as Asked;
use axum::http::{Response, StatusCode};
use reqwest::header::HeaderName;
use terce::config::Config;
use terce::outward::{Failure, Request, Server};
use tokio::net::TcpListener;

use super::Guarded;
use super::jose::{Key, set};
use crate::rest::NOON_US;

const LINES: &str = "[[client]]\nid = \"us\"\njwks = \"us.json\"\nscopes = \"system/Patient.rs\"\n";

/// A server that knows us by this key.
async fn knows(key: &Key) -> Guarded {
    Guarded::new(LINES, &[("us.json", set(&[key.jwk()]))]).await
}

/// A server as configured: its base, and the keys that we have.
fn called(base: &str, keys: &[&Key], more: &str) -> Server {
    let folder = tempfile::tempdir().unwrap();
    let mut text = format!("[[server]]\nname = \"it\"\nbase = \"{base}\"\n{more}");
    if !keys.is_empty() {
        text += "[server.token]\nclient_id = \"us\"\nscopes = \"system/Patient.rs\"\n";
    }
    for key in keys {
        let file = format!("{}.pem", key.id);
        std::fs::write(folder.path().join(&file), key.pem()).unwrap();
        text += &format!(
            "[[server.token.key]]\nid = \"{}\"\nfile = \"{file}\"\nalgorithm = \"{}\"\n",
            key.id,
            key.algorithm()
        );
    }
    let path = folder.path().join("terce.toml");
    std::fs::write(&path, text).unwrap();
    Config::load(Some(&path)).unwrap().server("it").unwrap().clone()
}

#[tokio::test]
async fn a_token_is_got_used_again_and_got_anew_when_it_ends() {
    for key in [Key::p384("a"), Key::rsa("b")] {
        let guarded = knows(&key).await;
        let server = called(&guarded.url("/fhir"), &[&key], "");
        let now = || i64::try_from(guarded.now()).unwrap() * 1_000_000;
        let get = || Request::get("Patient?_count=1");
        assert_eq!(server.ask(get(), now()).await.unwrap().status, 200);
        assert_eq!(server.ask(get(), now()).await.unwrap().status, 200);
        guarded.pass(600);
        assert_eq!(server.ask(get(), now()).await.unwrap().status, 200);
        // what the token is not good for stays refused
        assert_eq!(server.ask(Request::get("Task"), now()).await.unwrap().status, 403);
    }
}

#[tokio::test]
async fn a_token_that_is_refused_is_got_anew_once() {
    let given = Arc::new(AtomicUsize::new(0));
    let (count, key) = (given.clone(), Key::p384("a"));
    // takes each token once
    let used = Arc::new(std::sync::Mutex::new(std::collections::BTreeSet::new()));
    let forgets = move |request: &Asked| {
        if request.uri().path().ends_with("/token") {
            let number = count.fetch_add(1, Ordering::SeqCst);
            let body = format!("{{\"access_token\":\"t{number}\",\"expires_in\":300}}");
            return Response::new(Body::from(body));
        }
        let token = request.headers()["authorization"].to_str().unwrap().to_owned();
        let new = !request.uri().path().ends_with("/never") && used.lock().unwrap().insert(token);
        let status = if new { StatusCode::OK } else { StatusCode::UNAUTHORIZED };
        Response::builder().status(status).body(Body::empty()).unwrap()
    };
    let (base, _) = answers(forgets).await;
    let server = with_tokens(&base, &[], &key);
    for tokens in 1..=3 {
        assert_eq!(server.ask(Request::get("Patient/1"), NOON_US).await.unwrap().status, 200);
        assert_eq!(given.load(Ordering::SeqCst), tokens);
    }
    // one that is refused at once is not asked for again and again
    assert_eq!(server.ask(Request::get("never"), NOON_US).await.unwrap().status, 401);
    assert_eq!(given.load(Ordering::SeqCst), 4);
}

#[tokio::test]
async fn while_keys_are_changed_the_one_that_is_known_is_used() {
    let (new, old) = (Key::p384("new"), Key::p384("old"));
    let guarded = knows(&old).await;
    let server = called(&guarded.url("/fhir"), &[&new, &old], "");
    assert_eq!(server.ask(Request::get("Patient"), NOON_US).await.unwrap().status, 200);
}

#[tokio::test]
async fn a_key_that_nobody_knows_is_said_and_not_shown_again_at_once() {
    let (known, other) = (Key::p384("known"), Key::p384("other"));
    let guarded = knows(&known).await;
    let server = called(&guarded.url("/fhir"), &[&other], "");
    let refused = server.ask(Request::get("Patient"), NOON_US).await.unwrap_err();
    assert_eq!(refused.to_string(), "no token: the token endpoint answered invalid_client");
    for _ in 0..30 {
        // asked this often the endpoint would answer 429
        assert_eq!(server.ask(Request::get("Patient"), NOON_US + 1).await.unwrap_err(), refused);
    }
}

/// A server with a token endpoint at a known place.
fn with_tokens(base: &str, also: &[&str], key: &Key) -> Server {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("a.pem"), key.pem()).unwrap();
    let path = folder.path().join("terce.toml");
    let text = format!(
        "[[server]]\nname = \"it\"\nbase = \"{base}\"\nalso = {also:?}\n[server.token]\nclient_id = \"us\"\n\
         scopes = \"system/*.rs\"\naddress = \"{base}/token\"\n[[server.token.key]]\nid = \"a\"\nfile = \"a.pem\"\n"
    );
    std::fs::write(&path, text).unwrap();
    Config::load(Some(&path)).unwrap().server("it").unwrap().clone()
}

/// A server that answers everything so, and counts.
async fn answers(
    answer: impl Fn(&Asked) -> Response<Body> + Clone + Send + Sync + 'static,
) -> (String, Arc<AtomicUsize>) {
    let asked = Arc::new(AtomicUsize::new(0));
    let count = asked.clone();
    let router = Router::new().fallback(move |request: Asked| {
        count.fetch_add(1, Ordering::SeqCst);
        let response = answer(&request);
        async move { response }
    });
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(async move { axum::serve(listener, router).await });
    (format!("http://{address}/fhir"), asked)
}

#[tokio::test]
async fn a_redirection_is_an_answer_and_is_not_followed() {
    let (elsewhere, reached) = answers(|_| Response::new(Body::from("{}"))).await;
    let (base, _) = answers(move |_| {
        let to = Response::builder().status(StatusCode::FOUND).header("location", elsewhere.clone());
        to.body(Body::empty()).unwrap()
    })
    .await;
    let answer = called(&base, &[], "").ask(Request::get("Patient/1"), NOON_US).await.unwrap();
    assert_eq!(answer.status, 302);
    assert_eq!(reached.load(Ordering::SeqCst), 0);
}

#[tokio::test]
async fn an_answer_without_end_is_not_read_to_it() {
    let endless = |_: &Asked| {
        let piece = || Ok::<_, std::io::Error>(vec![b' '; 64 << 10]);
        let pieces = futures_util::stream::repeat_with(piece);
        Response::new(Body::from_stream(pieces))
    };
    let (base, _) = answers(endless).await;
    let request = Request { longest: 1 << 20, ..Request::get("Patient/1") };
    assert_eq!(called(&base, &[], "").ask(request, NOON_US).await.unwrap_err(), Failure::TooLong(1 << 20));
}

#[tokio::test]
async fn what_is_sent_small_and_inflates_is_measured_inflated() {
    use std::io::Write as _;
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    for _ in 0..64 {
        packed.write_all(&vec![0; 1 << 20]).unwrap();
    }
    let bomb = packed.finish().unwrap();
    assert!(bomb.len() < 100_000);
    let bomb = move |_: &Asked| {
        let builder = Response::builder().header("content-encoding", "gzip");
        builder.body(Body::from(bomb.clone())).unwrap()
    };
    let (base, _) = answers(bomb).await;
    let request = Request { longest: 1 << 20, ..Request::get("Patient/1") };
    assert_eq!(called(&base, &[], "").ask(request, NOON_US).await.unwrap_err(), Failure::TooLong(1 << 20));
}

#[tokio::test]
async fn an_address_that_it_gives_is_called_below_its_own_and_named_ones_only() {
    let (other, reached) = answers(|_| Response::new(Body::from("{}"))).await;
    let (base, _) = answers(|_| Response::new(Body::from("{}"))).await;
    let elsewhere = format!("{other}/export/1.ndjson");
    let alone = called(&base, &[], "");
    for to in [
        elsewhere.as_str(),
        "http://169.254.169.254/latest",
        "file:///etc/passwd",
        "http://127.0.0.1:1/fhir",
        &base.replace("http://", "http://user@"),
    ] {
        let refused = alone.ask(Request::get(to), NOON_US).await.unwrap_err();
        assert!(matches!(refused, Failure::NotAllowed(_)), "{to}: {refused:?}");
    }
    assert!(matches!(
        alone.ask(Request::get("../other"), NOON_US).await.unwrap_err(),
        Failure::NotAllowed(_)
    ));
    assert_eq!(reached.load(Ordering::SeqCst), 0);
    let both = called(&base, &[], &format!("also = [\"{other}/export\"]\n"));
    assert_eq!(both.ask(Request::get(elsewhere), NOON_US).await.unwrap().status, 200);
}

#[tokio::test]
async fn a_token_goes_to_the_server_and_to_nobody_else() {
    let tells = |request: &Asked| {
        let told = request.headers().contains_key("authorization").to_string();
        let path = request.uri().path();
        let body = match path.ends_with("/token") {
            true => "{\"access_token\":\"t\",\"expires_in\":300}".to_owned(),
            false => told,
        };
        Response::new(Body::from(body))
    };
    let (base, _) = answers(tells).await;
    let (files, _) = answers(tells).await;
    let server = with_tokens(&base, &[&files], &Key::p384("a"));
    let told = async |to: String| server.ask(Request::get(to), NOON_US).await.unwrap().body;
    assert_eq!(told("Patient/1".to_owned()).await, b"true");
    assert_eq!(told(format!("{files}/1.ndjson")).await, b"false");
}

#[tokio::test]
async fn a_server_that_is_not_there_is_unreached() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let base = format!("http://{}/fhir", listener.local_addr().unwrap());
    drop(listener);
    let request = Request::get("Patient/1").with(HeaderName::from_static("if-match"), "W/\"1\"");
    let failure = called(&base, &[], "").ask(request, NOON_US).await.unwrap_err();
    assert_eq!(failure, Failure::Unreached("it could not be reached"));
}

#[test]
fn everything_that_is_wrong_with_servers_is_said_at_once() {
    let text = "[[server]]\nname = \"a b\"\nbase = \"ftp://x\"\n[[server]]\nname = \"b\"\nbase = \"https://b.example/fhir\"\n\
                certificate = \"none.pem\"\n[[server]]\nname = \"c\"\nbase = \"https://c.example/fhir\"\nca = \"missing.pem\"\n\
                [[server]]\nname = \"d\"\nbase = \"https://d.example/fhir\"\n[server.token]\nclient_id = \"x\"\nscopes = \"y\"\n";
    let wrong = Config::parse(text).unwrap_err().join("\n");
    for part in [
        "server[0].name",
        "server[0].\"ftp://x\" is not an address",
        "server[1].certificate: a certificate and its key",
        "server[2].ca: missing.pem",
        "server[3].token: name at least one",
    ] {
        assert!(wrong.contains(part), "{part} is not in\n{wrong}");
    }
}
