//! A service that is not open: who gets a token, what for, and what is refused; over a socket.

mod calling;
mod configuration;
mod fetched;
mod hooks;
mod jose;
mod keys;
mod scopes;
mod tls;
mod tokens;

use std::net::SocketAddr;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

use reqwest::Method;
use serde_json::{Value, json};
use tempfile::TempDir;
use terce::care::time::Instant;
use terce::config::Config;
use terce::store::Store;
use tokio::net::TcpListener;
use tokio::sync::watch;

use super::{NOON_US, Service};
use jose::Key;

/// A service with registered clients, at an address.
struct Guarded {
    service: Service,
    address: SocketAddr,
    http: reqwest::Client,
    /// Moved on before each attempt, so that failures do not add up.
    now_us: AtomicU64,
    names: AtomicU64,
    _stop: watch::Sender<bool>,
    _folder: TempDir,
}

/// An answer.
struct Said {
    status: u16,
    headers: reqwest::header::HeaderMap,
    body: Value,
}

impl Said {
    /// The status, and the code of the error or of the issue.
    fn verdict(&self) -> (u16, &str) {
        let code = self.body["error"].as_str().or_else(|| self.body["issue"][0]["code"].as_str());
        (self.status, code.unwrap_or_default())
    }

    fn token(&self) -> String {
        self.body["access_token"].as_str().unwrap_or_else(|| panic!("no token: {}", self.body)).to_owned()
    }
}

impl Guarded {
    /// With these lines of configuration; `files` are written beside it.
    async fn new(lines: &str, files: &[(&str, String)]) -> Guarded {
        Guarded::on(Store::open_sqlite(None).await.unwrap(), lines, files).await
    }

    async fn on(store: Store, lines: &str, files: &[(&str, String)]) -> Guarded {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let folder = tempfile::tempdir().unwrap();
        let config = configured(lines, files, address, folder.path()).unwrap();
        let service = Service::on(store, config).await;
        let (stop, stopped) = watch::channel(false);
        tokio::spawn(terce::rest::serve(listener, service.router.clone(), stopped));
        let http = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).build().unwrap();
        let now_us = AtomicU64::new(u64::try_from(NOON_US).unwrap());
        Guarded { service, address, http, now_us, names: AtomicU64::new(0), _stop: stop, _folder: folder }
    }

    fn url(&self, path: &str) -> String {
        format!("http://{}{path}", self.address)
    }

    /// Seconds since 1970 by the clock of the service.
    fn now(&self) -> u64 {
        self.now_us.load(Ordering::SeqCst) / 1_000_000
    }

    /// Puts the clock of the service forward.
    fn pass(&self, seconds: u64) {
        let now = self.now_us.fetch_add(seconds * 1_000_000, Ordering::SeqCst) + seconds * 1_000_000;
        self.service.clock.set(Instant::from_micros(i64::try_from(now).unwrap()));
    }

    /// The claims of an assertion that is right.
    fn claims(&self, client: &str) -> Value {
        let name = self.names.fetch_add(1, Ordering::SeqCst);
        json!({
            "iss": client, "sub": client, "aud": self.url("/auth/token"), "exp": self.now() + 300,
            "iat": self.now(), "jti": format!("assertion-{name}"),
        })
    }

    async fn send(&self, request: reqwest::RequestBuilder) -> Said {
        let response = request.send().await.unwrap();
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let body = response.bytes().await.unwrap();
        Said { status, headers, body: serde_json::from_slice(&body).unwrap_or(Value::Null) }
    }

    async fn form(&self, form: &str) -> Said {
        let request = self.http.post(self.url("/auth/token")).body(form.to_owned());
        self.send(request.header("content-type", "application/x-www-form-urlencoded")).await
    }

    /// Asks for a token with an assertion.
    async fn ask_token(&self, assertion: &str, scope: &str) -> Said {
        let kind = "urn%3Aietf%3Aparams%3Aoauth%3Aclient-assertion-type%3Ajwt-bearer";
        let scope = scope.replace(' ', "+").replace('?', "%3F").replace('=', "%3D");
        self.form(&format!(
            "grant_type=client_credentials&client_assertion_type={kind}&client_assertion={assertion}&scope={scope}"
        ))
        .await
    }

    /// A token for `client`.
    async fn token(&self, key: &Key, client: &str, scope: &str) -> String {
        let assertion = key.token(json!({}), &self.claims(client));
        self.ask_token(&assertion, scope).await.token()
    }

    /// A request with a token.
    async fn with(&self, token: &str, method: Method, path: &str, body: Option<&Value>) -> Said {
        let mut request = self.http.request(method, self.url(path)).bearer_auth(token);
        if let Some(body) = body {
            request = request.header("content-type", "application/fhir+json").body(body.to_string());
        }
        self.send(request).await
    }

    async fn get(&self, token: &str, path: &str) -> Said {
        self.with(token, Method::GET, path, None).await
    }
}

/// The configuration of such a service.
fn configured(
    lines: &str,
    files: &[(&str, String)],
    address: SocketAddr,
    folder: &Path,
) -> Result<Config, Vec<String>> {
    for (name, text) in files {
        std::fs::write(folder.join(name), text).unwrap();
    }
    let head = format!("public_base = \"http://{address}/fhir\"\n");
    let tail = "\n[[source]]\nname = \"charting\"\nheartbeat_seconds = 60\n";
    let path = folder.join("terce.toml");
    std::fs::write(&path, format!("{head}{lines}{tail}")).unwrap();
    Config::load(Some(&path))
}

/// `claims` with one changed; `null` takes it out.
fn but(claims: Value, name: &str, value: Value) -> Value {
    let mut claims = claims;
    if value.is_null() {
        claims.as_object_mut().unwrap().remove(name);
    } else {
        claims[name] = value;
    }
    claims
}
