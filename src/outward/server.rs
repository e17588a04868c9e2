//! A FHIR server that the operator has named: how it is reached, and what it may answer.
//!
//! What it answers is not trusted: it is read up to a length, a redirection is not followed, and an address that it
//! gives is called only below the server's own or one that the operator has named beside it. A token goes to the
//! server's own address and nowhere else.

use std::error::Error;
use std::sync::Arc;
use std::time::Duration;

use reqwest::header::{ACCEPT, AUTHORIZATION, HeaderMap, HeaderName, HeaderValue};
use reqwest::redirect::Policy;
use reqwest::{Certificate, Client, Identity, Method, Proxy, Response, StatusCode};
use tokio::sync::Mutex;
use url::Url;

use super::token::{Held, Keyring};
use super::{NotAllowed, Outward, is_below, limits, retry_after};

/// A server as it is configured.
#[derive(Clone, Debug, Default)]
pub struct Settings {
    /// What the rest of the configuration calls it.
    pub name: String,
    /// Its FHIR base, without a final slash.
    pub base: String,
    /// Addresses that its answers may point to beside those below its base: of files, of other servers.
    pub also: Vec<String>,
    /// PEM: the authorities that its certificate may be of; none: those that this machine trusts.
    pub authorities: Option<Vec<u8>>,
    /// PEM: our certificate and its key, shown to it.
    pub identity: Option<Secret>,
    /// What calls go through; none: nothing, whatever the environment says.
    pub proxy: Option<String>,
    /// How tokens are got for it; none: it asks for none.
    pub token: Option<TokenSettings>,
}

/// How tokens are got: SMART Backend Services.
#[derive(Clone, Debug, Default)]
pub struct TokenSettings {
    /// What it knows us as.
    pub client_id: String,
    /// Its token endpoint; none: as its `.well-known/smart-configuration` says.
    pub address: Option<String>,
    /// What is asked for.
    pub scopes: String,
    /// Private keys, the one to use first: while keys are changed the others are tried.
    pub keys: Vec<PrivateKey>,
}

/// A key that assertions are signed with.
#[derive(Clone, Debug, Default)]
pub struct PrivateKey {
    /// Its `kid`.
    pub id: String,
    /// Whether it is for ES384; else for RS384.
    pub elliptic: bool,
    /// PEM.
    pub pem: Secret,
}

/// Bytes that are shown to nobody.
#[derive(Clone, PartialEq, Eq, Default)]
pub struct Secret(pub Vec<u8>);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret")
    }
}

/// A FHIR server that is called. Cloning gives another handle on the same connections and token.
#[derive(Clone, Debug)]
pub struct Server(Arc<Parts>);

#[derive(Debug)]
struct Parts {
    name: String,
    base: Url,
    /// Where calls may go.
    reach: Outward,
    http: Client,
    keyring: Option<Keyring>,
    token: Mutex<Held>,
}

/// What is asked of a server.
#[derive(Clone, Debug)]
pub struct Request {
    /// The method.
    pub method: Method,
    /// Below the base, such as `Task/1`; or a whole address that the server gave.
    pub to: String,
    /// Headers beside those that every request has.
    pub headers: HeaderMap,
    /// What is sent, as FHIR's JSON unless `headers` says otherwise.
    pub body: Option<Vec<u8>>,
    /// Bytes of an answer, inflated.
    pub longest: usize,
}

/// What a server has answered.
#[derive(Clone, Debug)]
pub struct Answer {
    /// Status.
    pub status: StatusCode,
    /// Headers.
    pub headers: HeaderMap,
    /// Body, inflated.
    pub body: Vec<u8>,
}

/// Why there is no answer. Texts hold no address: there may be a secret in it.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Failure {
    /// The address may not be called.
    #[error("{0}")]
    NotAllowed(&'static str),
    /// It was not reached, or took too long. A write may have been done.
    #[error("{0}")]
    Unreached(&'static str),
    /// It ended the connection before it had answered. A write may have been done.
    #[error("it ended the connection before it had answered")]
    Broken,
    /// It answered at more length than is read. A write may have been done.
    #[error("the answer is longer than {0} bytes")]
    TooLong(usize),
    /// No token is given to us.
    #[error("no token: {0}")]
    NoToken(String),
}

impl Request {
    /// Reads what is at `to`.
    pub fn get(to: impl Into<String>) -> Self {
        Request {
            method: Method::GET,
            to: to.into(),
            headers: HeaderMap::new(),
            body: None,
            longest: limits::PAGE_BYTES,
        }
    }

    /// Sends a document.
    pub fn send(method: Method, to: impl Into<String>, body: Vec<u8>) -> Self {
        Request { method, body: Some(body), longest: limits::ANSWER_BYTES, ..Request::get(to) }
    }

    /// With a header; one that no header can be is left out.
    #[must_use]
    pub fn with(mut self, name: HeaderName, value: &str) -> Self {
        if let Ok(value) = HeaderValue::from_str(value) {
            self.headers.insert(name, value);
        }
        self
    }
}

impl Answer {
    /// For how many microseconds the server wants to be left alone, an hour at most.
    pub fn pause_us(&self, now_us: i64) -> Option<i64> {
        retry_after(&self.headers, now_us, limits::ASKED_PAUSE_US)
    }
}

impl Server {
    /// As configured.
    ///
    /// # Errors
    /// What is wrong with the settings.
    pub fn new(settings: &Settings) -> Result<Self, String> {
        let everywhere = ["0.0.0.0/0".to_owned(), "::/0".to_owned()];
        let allow: Vec<String> = std::iter::once(&settings.base).chain(&settings.also).cloned().collect();
        let reach = Outward::new(&allow, &everywhere).map_err(|wrong| wrong.join("; "))?;
        let base = Url::parse(&format!("{}/", settings.base.trim_end_matches('/')))
            .map_err(|_| "base: expected an address such as https://host/fhir".to_owned())?;
        let keyring = settings.token.as_ref().map(Keyring::new).transpose()?;
        let parts = Parts {
            name: settings.name.clone(),
            base,
            reach,
            http: http(settings)?,
            keyring,
            token: Mutex::default(),
        };
        Ok(Server(Arc::new(parts)))
    }

    /// What the configuration calls it.
    pub fn name(&self) -> &str {
        &self.0.name
    }

    /// Its FHIR base, without a final slash.
    pub fn base(&self) -> &str {
        self.0.base.as_str().trim_end_matches('/')
    }

    /// Asks, and reads the answer whole. Where a token is refused that was at hand, a new one is got once.
    ///
    /// # Errors
    /// [`Failure`]; an answer of any status is none.
    pub async fn ask(&self, request: Request, now_us: i64) -> Result<Answer, Failure> {
        let longest = request.longest;
        let response = self.open(request, now_us).await?;
        let (status, headers) = (response.status(), response.headers().clone());
        Ok(Answer { status, headers, body: whole(response, longest).await? })
    }

    /// Asks, and gives the answer to be read piece by piece: for files of many documents. Its length is for the caller
    /// to bound.
    ///
    /// # Errors
    /// As [`Server::ask`].
    pub async fn open(&self, request: Request, now_us: i64) -> Result<Response, Failure> {
        let url = self.address(&request.to)?;
        let ours = is_below(&url, &self.0.base);
        let Some(keyring) = self.0.keyring.as_ref().filter(|_| ours) else {
            return self.call(&request, url, None).await;
        };
        let mut held = self.0.token.lock().await;
        let at_hand = held.is_good(now_us);
        let token = keyring.token(&self.0.http, self, &mut held, now_us).await?;
        drop(held);
        let response = self.call(&request, url.clone(), Some(&token)).await?;
        if response.status() != StatusCode::UNAUTHORIZED || !at_hand {
            return Ok(response);
        }
        let mut held = self.0.token.lock().await;
        held.refused(&token);
        let token = keyring.token(&self.0.http, self, &mut held, now_us).await?;
        drop(held);
        self.call(&request, url, Some(&token)).await
    }

    /// As [`Server::open`], of a file: a redirection to another allowed address is followed once, without a token.
    ///
    /// # Errors
    /// As [`Server::ask`].
    pub async fn open_file(&self, request: Request, now_us: i64) -> Result<Response, Failure> {
        let response = self.open(request.clone(), now_us).await?;
        if !response.status().is_redirection() {
            return Ok(response);
        }
        let to = response.headers().get(reqwest::header::LOCATION).and_then(|at| at.to_str().ok());
        let Some(to) = to.and_then(|to| response.url().join(to).ok()) else { return Ok(response) };
        let url = self.address(to.as_str())?;
        self.call(&request, url, None).await
    }

    /// The whole address of what is below the base or was given by the server.
    ///
    /// # Errors
    /// It lies elsewhere.
    pub fn address(&self, to: &str) -> Result<Url, Failure> {
        let whole = match to.contains("://") {
            true => to.to_owned(),
            false => format!("{}{}", self.0.base, to.trim_start_matches('/')),
        };
        self.0.reach.check(&whole).map_err(|NotAllowed(why)| Failure::NotAllowed(why))
    }

    async fn call(&self, request: &Request, url: Url, token: Option<&str>) -> Result<Response, Failure> {
        let mut call = self
            .0
            .http
            .request(request.method.clone(), url)
            .header(ACCEPT, HeaderValue::from_static("application/fhir+json"))
            .timeout(limits::ANSWER_TIME);
        if let Some(body) = &request.body {
            call = call.header("content-type", "application/fhir+json").body(body.clone());
        }
        if let Some(token) = token {
            let mut value = HeaderValue::from_str(&format!("Bearer {token}"))
                .map_err(|_| Failure::NoToken("it is no token that can be sent".into()))?;
            value.set_sensitive(true);
            call = call.header(AUTHORIZATION, value);
        }
        // these replace what was set before
        call.headers(request.headers.clone()).send().await.map_err(|error| unreached(&error))
    }
}

/// Reads an answer up to a length.
pub(super) async fn whole(mut response: Response, longest: usize) -> Result<Vec<u8>, Failure> {
    let mut body = Vec::new();
    while let Some(piece) = response.chunk().await.map_err(|error| unreached(&error))? {
        if body.len() + piece.len() > longest {
            return Err(Failure::TooLong(longest));
        }
        body.extend_from_slice(&piece);
    }
    Ok(body)
}

fn http(settings: &Settings) -> Result<Client, String> {
    let mut builder = Client::builder()
        .user_agent(concat!("terce/", env!("CARGO_PKG_VERSION")))
        .redirect(Policy::none())
        .connect_timeout(limits::CONNECT_TIME)
        // a server that died behind a gateway is noticed
        .tcp_keepalive(Duration::from_secs(30))
        .pool_max_idle_per_host(limits::IDLE)
        .gzip(true)
        .no_proxy();
    if let Some(address) = &settings.proxy {
        let proxy = Proxy::all(address).map_err(|_| "proxy: expected an address such as http://host:3128")?;
        builder = builder.proxy(proxy);
    }
    if let Some(pem) = &settings.authorities {
        let all = Certificate::from_pem_bundle(pem).map_err(|_| "ca: expected certificates in PEM")?;
        builder = builder.tls_certs_only(all);
    }
    if let Some(Secret(pem)) = &settings.identity {
        let why = "certificate: expected a certificate and the private key that goes with it, in PEM";
        builder = builder.identity(Identity::from_pem(pem).map_err(|_| why)?);
    }
    builder.build().map_err(|_| "TLS cannot be set up with this certificate on this machine".to_owned())
}

/// Why there is no answer.
pub(super) fn unreached(error: &reqwest::Error) -> Failure {
    let mut cause: Option<&(dyn Error + 'static)> = error.source();
    while let Some(inner) = cause {
        if let Some(NotAllowed(why)) = inner.downcast_ref::<NotAllowed>() {
            return Failure::NotAllowed(why);
        }
        cause = inner.source();
    }
    if error.is_timeout() {
        Failure::Unreached("it did not answer in time")
    } else if error.is_connect() {
        Failure::Unreached("it could not be reached")
    } else {
        Failure::Broken
    }
}
