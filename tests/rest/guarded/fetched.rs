//! Keys that are fetched, and tokens of other servers.

use std::net::SocketAddr;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};

use axum::Router;
use axum::http::StatusCode;
use axum::response::IntoResponse;
use axum::routing::any;
use serde_json::{Value, json};
use tokio::net::TcpListener;

use super::Guarded;
use super::jose::{Key, set};

/// A server of keys.
#[derive(Clone)]
struct KeyServer {
    address: SocketAddr,
    asked: Arc<AtomicUsize>,
    answer: Arc<Mutex<(u16, String, String)>>,
}

impl KeyServer {
    async fn new(keys: &[Value]) -> KeyServer {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let answer = Arc::new(Mutex::new((200, String::new(), set(keys))));
        let server = KeyServer { address, asked: Arc::default(), answer };
        let kept = server.clone();
        let serve = move || {
            let server = kept.clone();
            async move {
                server.asked.fetch_add(1, Ordering::SeqCst);
                let (status, cache, body) = server.answer.lock().unwrap().clone();
                let headers = [("cache-control", cache), ("location", "http://127.0.0.1:9/".to_owned())];
                (StatusCode::from_u16(status).unwrap(), headers, body).into_response()
            }
        };
        tokio::spawn(async move { axum::serve(listener, Router::new().fallback(any(serve))).await });
        server
    }

    fn says(&self, status: u16, cache: &str, body: String) {
        *self.answer.lock().unwrap() = (status, cache.to_owned(), body);
    }

    fn asked(&self) -> usize {
        self.asked.load(Ordering::SeqCst)
    }

    fn at(&self) -> String {
        format!("http://{}/jwks.json", self.address)
    }
}

async fn with_client(server: &KeyServer) -> Guarded {
    let lines = format!(
        "[[client]]\nid = \"feed\"\njwks_url = \"{}\"\nscopes = \"system/Procedure.s\"\n",
        server.at()
    );
    Guarded::new(&lines, &[]).await
}

async fn status(guarded: &Guarded, key: &Key, header: Value) -> u16 {
    let assertion = key.token(header, &guarded.claims("feed"));
    guarded.ask_token(&assertion, "system/Procedure.s").await.status
}

#[tokio::test]
async fn keys_are_kept_as_long_as_their_server_says_and_asked_for_once_a_minute_for_an_unknown_kid() {
    let (old, new) = (Key::p384("old"), Key::p384("new"));
    let server = KeyServer::new(&[old.jwk()]).await;
    server.says(200, "public, max-age=120", set(&[old.jwk()]));
    let guarded = with_client(&server).await;
    assert_eq!((status(&guarded, &old, json!({})).await, server.asked()), (200, 1));
    assert_eq!((status(&guarded, &old, json!({})).await, server.asked()), (200, 1));
    server.says(200, "public, max-age=120", set(&[new.jwk()]));
    guarded.pass(59);
    assert_eq!(
        (status(&guarded, &new, json!({})).await, server.asked()),
        (401, 1),
        "too soon for an unknown kid"
    );
    guarded.pass(2);
    assert_eq!((status(&guarded, &new, json!({})).await, server.asked()), (200, 2));
    assert_eq!((status(&guarded, &old, json!({})).await, server.asked()), (401, 2), "it was withdrawn");
    server.says(200, "no-store", set(&[new.jwk(), old.jwk()]));
    guarded.pass(121);
    assert_eq!((status(&guarded, &old, json!({})).await, server.asked()), (200, 3));
    assert_eq!((status(&guarded, &old, json!({})).await, server.asked()), (200, 4), "nothing may be kept");
}

#[tokio::test]
async fn a_set_of_keys_that_cannot_be_had_lets_nobody_in_and_is_not_asked_for_all_the_time() {
    let key = Key::p384("k");
    let server = KeyServer::new(&[key.jwk()]).await;
    let guarded = with_client(&server).await;
    let long = format!("{}{}", set(&[key.jwk()]), " ".repeat(1 << 20));
    for (what, status_code, body) in [
        ("an error", 500, set(&[key.jwk()])),
        ("a redirect", 302, set(&[key.jwk()])),
        ("a page", 200, "<html>".to_owned()),
        ("too much", 200, long),
        ("a thousand keys", 200, set(&vec![key.jwk(); 1_000])),
        ("the name twice", 200, set(&[key.jwk(), Key::p384("k").jwk()])),
    ] {
        guarded.pass(400);
        server.says(status_code, "max-age=300", body);
        let before = server.asked();
        assert_eq!(status(&guarded, &key, json!({})).await, 401, "{what}");
        assert_eq!(status(&guarded, &key, json!({})).await, 401, "{what}");
        assert_eq!(server.asked(), before + 1, "{what}");
    }
    guarded.pass(400);
    server.says(200, "", set(&[key.jwk()]));
    assert_eq!(status(&guarded, &key, json!({})).await, 200);
}

#[tokio::test]
async fn an_assertion_may_name_the_address_that_is_registered_and_no_other() {
    let key = Key::p384("k");
    let (server, elsewhere) = (KeyServer::new(&[key.jwk()]).await, KeyServer::new(&[key.jwk()]).await);
    let guarded = with_client(&server).await;
    assert_eq!(status(&guarded, &key, json!({ "jku": server.at() })).await, 200);
    assert_eq!(status(&guarded, &key, json!({ "jku": elsewhere.at() })).await, 401);
    assert_eq!(elsewhere.asked(), 0);
}

const AUDIENCE: &str = "https://terce.example/fhir";
const ISSUER: &str = "https://login.example";

fn claims(guarded: &Guarded, name: &str, value: Value) -> Value {
    let mut claims = json!({
        "iss": ISSUER, "sub": "dashboard", "aud": AUDIENCE, "client_id": "dashboard", "iat": guarded.now(),
        "exp": guarded.now() + 300, "scope": "openid system/Procedure.s launch/patient",
    });
    if value.is_null() {
        claims.as_object_mut().unwrap().remove(name);
    } else {
        claims[name] = value;
    }
    claims
}

#[tokio::test]
async fn tokens_of_a_registered_server_are_taken_if_they_are_for_this_one() {
    let (key, other) = (Key::rsa("k"), Key::rsa("k"));
    let server = KeyServer::new(&[key.jwk()]).await;
    let lines = format!(
        "[[issuer]]\nissuer = \"{ISSUER}\"\naudience = \"{AUDIENCE}\"\njwks_url = \"{}\"\n\
         scopes = \"system/Procedure.rs system/Task.rs\"\nsources = [\"charting\"]\n",
        server.at()
    );
    let guarded = Guarded::new(&lines, &[]).await;
    let now = guarded.now();
    let none = || claims(&guarded, "none", Value::Null);
    for (what, token, expected) in [
        ("right", key.token(json!({}), &none()), 200),
        ("of the kind that is for access", key.token(json!({ "typ": "at+jwt" }), &none()), 200),
        ("several audiences", key.token(json!({}), &claims(&guarded, "aud", json!(["x", AUDIENCE]))), 200),
        ("scopes in a list", key.token(json!({}), &claims(&guarded, "scope", json!(["system/*.s"]))), 200),
        ("no client_id, but a sub", key.token(json!({}), &claims(&guarded, "client_id", Value::Null)), 200),
        (
            "more than is registered",
            key.token(json!({}), &claims(&guarded, "scope", json!("system/Patient.s"))),
            403,
        ),
        ("another scope", key.token(json!({}), &claims(&guarded, "scope", json!("system/Procedure.r"))), 403),
        (
            "a restricted scope",
            key.token(json!({}), &claims(&guarded, "scope", json!("system/Procedure.s?a=b"))),
            403,
        ),
        ("no scope", key.token(json!({}), &claims(&guarded, "scope", Value::Null)), 403),
        ("another audience", key.token(json!({}), &claims(&guarded, "aud", json!("https://x.example"))), 401),
        ("no audience", key.token(json!({}), &claims(&guarded, "aud", Value::Null)), 401),
        ("another issuer", key.token(json!({}), &claims(&guarded, "iss", json!("https://x.example"))), 401),
        ("an id token", key.token(json!({}), &claims(&guarded, "nonce", json!("n"))), 401),
        ("another id token", key.token(json!({}), &claims(&guarded, "at_hash", json!("h"))), 401),
        ("another kind", key.token(json!({ "typ": "logout+jwt" }), &none()), 401),
        ("over", key.token(json!({}), &claims(&guarded, "exp", json!(now - 11))), 401),
        ("for too long", key.token(json!({}), &claims(&guarded, "exp", json!(now + 311))), 401),
        ("not begun", key.token(json!({}), &claims(&guarded, "nbf", json!(now + 60))), 401),
        ("an extension that must be understood", key.token(json!({ "crit": ["x"] }), &none()), 401),
        ("another key", other.token(json!({}), &none()), 401),
        ("another address of keys", key.token(json!({ "jku": "https://x.example" }), &none()), 401),
    ] {
        assert_eq!(guarded.get(&token, "/fhir/Procedure").await.status, expected, "{what}");
    }
    let beat =
        guarded.http.post(guarded.url("/feed/charting/heartbeat")).bearer_auth(key.token(json!({}), &none()));
    assert_eq!(guarded.send(beat).await.status, 204);
    let over = key.token(json!({}), &claims(&guarded, "exp", json!(now - 11)));
    assert_eq!(guarded.get(&over, "/fhir/Procedure").await.verdict(), (401, "expired"));
    // nobody gets tokens here
    assert_eq!(guarded.form("grant_type=client_credentials").await.status, 404);
    assert_eq!(
        guarded.send(guarded.http.get(guarded.url("/.well-known/smart-configuration"))).await.status,
        404
    );
}
