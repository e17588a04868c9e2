//! Tokens of a server: SMART Backend Services from the client's side (`private_key_jwt`, RS384 or ES384).

use std::sync::Mutex;

use jsonwebtoken::{Algorithm, EncodingKey, Header};
use reqwest::Client;
use serde::{Deserialize, Serialize};
use url::Url;

use super::limits;
use super::server::{Failure, PrivateKey, Secret, Server, TokenSettings, unreached, whole};

/// What tokens are asked for with.
#[derive(Debug)]
pub(super) struct Keyring {
    client_id: String,
    address: Option<String>,
    scopes: String,
    keys: Vec<Signing>,
    /// The key that was taken last.
    taken: Mutex<usize>,
}

struct Signing {
    header: Header,
    key: EncodingKey,
}

impl std::fmt::Debug for Signing {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Signing").field("kid", &self.header.kid).finish_non_exhaustive()
    }
}

/// The token that is at hand.
#[derive(Default)]
pub(super) struct Held {
    token: Option<String>,
    until_us: i64,
    /// Where tokens are given out, as the server says.
    address: Option<String>,
    /// Why none was given, and until when none is asked for.
    refusal: Option<(String, i64)>,
}

impl std::fmt::Debug for Held {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Held").field("until_us", &self.until_us).finish_non_exhaustive()
    }
}

#[derive(Serialize)]
struct Claims<'a> {
    iss: &'a str,
    sub: &'a str,
    aud: &'a str,
    iat: i64,
    exp: i64,
    jti: String,
}

#[derive(Deserialize)]
struct Given {
    access_token: String,
    expires_in: Option<i64>,
}

#[derive(Deserialize)]
struct Denied {
    error: String,
}

#[derive(Deserialize)]
struct Configuration {
    token_endpoint: String,
}

impl Held {
    pub(super) fn is_good(&self, now_us: i64) -> bool {
        self.token.is_some() && now_us < self.until_us
    }

    /// The server takes the token no more.
    pub(super) fn refused(&mut self, token: &str) {
        if self.token.as_deref() == Some(token) {
            self.token = None;
        }
    }
}

impl Keyring {
    pub(super) fn new(settings: &TokenSettings) -> Result<Self, String> {
        let keys = settings.keys.iter().map(signing).collect::<Result<Vec<_>, _>>()?;
        if keys.is_empty() {
            return Err("token: name at least one [[server.token.key]]".to_owned());
        }
        if let Some(address) = &settings.address {
            plain(address).map_err(|why| format!("token.address: {why}"))?;
        }
        Ok(Keyring {
            client_id: settings.client_id.clone(),
            address: settings.address.clone(),
            scopes: settings.scopes.clone(),
            keys,
            taken: Mutex::new(0),
        })
    }

    /// The token at hand, or a new one.
    pub(super) async fn token(
        &self,
        http: &Client,
        server: &Server,
        held: &mut Held,
        now_us: i64,
    ) -> Result<String, Failure> {
        if let Some(token) = held.token.as_ref().filter(|_| now_us < held.until_us) {
            return Ok(token.clone());
        }
        if let Some((why, until_us)) = &held.refusal
            && now_us < *until_us
        {
            return Err(Failure::NoToken(why.clone()));
        }
        let got = self.fresh(http, server, held, now_us).await;
        match &got {
            Ok(_) => held.refusal = None,
            Err(Failure::NoToken(why)) => {
                held.refusal = Some((why.clone(), now_us.saturating_add(limits::TOKEN_AGAIN_US)));
            }
            Err(Failure::NotAllowed(_) | Failure::Unreached(_) | Failure::TooLong(_) | Failure::Broken) => {}
        }
        got
    }

    async fn fresh(
        &self,
        http: &Client,
        server: &Server,
        held: &mut Held,
        now_us: i64,
    ) -> Result<String, Failure> {
        let address = self.endpoint(http, server, held).await?;
        let first = *self.taken.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        let mut last = Failure::NoToken("there is no key".to_owned());
        for turn in 0..self.keys.len() {
            let index = (first + turn) % self.keys.len();
            let Some(key) = self.keys.get(index) else { continue };
            match self.exchange(http, &address, key, now_us).await {
                Ok(given) => {
                    *self.taken.lock().unwrap_or_else(std::sync::PoisonError::into_inner) = index;
                    let good_s = given.expires_in.unwrap_or(limits::TOKEN_S).clamp(0, 86_400);
                    // one that is good for less than the margin is used for half its time
                    let used_s = (good_s - limits::TOKEN_MARGIN_S).max(good_s / 2);
                    held.until_us = now_us.saturating_add(used_s * 1_000_000);
                    held.token = Some(given.access_token.clone());
                    return Ok(given.access_token);
                }
                // it does not know this key: perhaps the next
                Err(failure @ Failure::NoToken(_)) => last = failure,
                Err(failure) => return Err(failure),
            }
        }
        // the endpoint may have moved
        held.address = None;
        Err(last)
    }

    async fn exchange(
        &self,
        http: &Client,
        address: &str,
        key: &Signing,
        now_us: i64,
    ) -> Result<Given, Failure> {
        let now_s = now_us.div_euclid(1_000_000);
        let claims = Claims {
            iss: &self.client_id,
            sub: &self.client_id,
            aud: address,
            iat: now_s,
            exp: now_s + limits::ASSERTION_S,
            jti: uuid::Uuid::new_v4().to_string(),
        };
        let assertion = jsonwebtoken::encode(&key.header, &claims, &key.key)
            .map_err(|_| Failure::NoToken("the key cannot sign".to_owned()))?;
        let form: String = url::form_urlencoded::Serializer::new(String::new())
            .append_pair("grant_type", "client_credentials")
            .append_pair("scope", &self.scopes)
            .append_pair("client_assertion_type", "urn:ietf:params:oauth:client-assertion-type:jwt-bearer")
            .append_pair("client_assertion", &assertion)
            .finish();
        let response = http
            .post(address)
            .header("accept", "application/json")
            .header("content-type", "application/x-www-form-urlencoded")
            .timeout(limits::ANSWER_TIME)
            .body(form)
            .send()
            .await
            .map_err(|error| unreached(&error))?;
        let status = response.status();
        let body = whole(response, limits::ANSWER_BYTES).await?;
        if status.is_success() {
            return serde_json::from_slice(&body)
                .map_err(|_| Failure::NoToken("the answer of the token endpoint holds none".to_owned()));
        }
        if status.is_server_error() || status.as_u16() == 429 {
            return Err(Failure::Unreached("its token endpoint is not ready"));
        }
        let said = serde_json::from_slice::<Denied>(&body).ok().map(|d| d.error);
        // only words that OAuth knows are repeated
        let known =
            ["invalid_client", "invalid_scope", "invalid_grant", "unauthorized_client", "invalid_request"];
        let word = known.into_iter().find(|k| said.as_deref() == Some(k));
        let word = word.map_or_else(|| format!("status {}", status.as_u16()), str::to_owned);
        Err(Failure::NoToken(format!("the token endpoint answered {word}")))
    }

    /// Where tokens are given out: as configured, else as the server says.
    async fn endpoint(&self, http: &Client, server: &Server, held: &mut Held) -> Result<String, Failure> {
        if let Some(address) = self.address.as_ref().or(held.address.as_ref()) {
            return Ok(address.clone());
        }
        let at = server.address(".well-known/smart-configuration")?;
        let response = http
            .get(at)
            .header("accept", "application/json")
            .timeout(limits::ANSWER_TIME)
            .send()
            .await
            .map_err(|error| unreached(&error))?;
        let body = whole(response, limits::ANSWER_BYTES).await?;
        let said: Configuration = serde_json::from_slice(&body)
            .map_err(|_| Failure::NoToken("the server does not say where tokens are given out".to_owned()))?;
        plain(&said.token_endpoint).map_err(|why| Failure::NoToken(why.to_owned()))?;
        held.address = Some(said.token_endpoint.clone());
        Ok(said.token_endpoint)
    }
}

/// Assertions go over TLS, or stay on this machine.
fn plain(address: &str) -> Result<(), &'static str> {
    let url = Url::parse(address).map_err(|_| "expected an address")?;
    let here = matches!(url.host_str(), Some("127.0.0.1" | "[::1]" | "localhost"));
    let safe = url.scheme() == "https" || (url.scheme() == "http" && here);
    if safe { Ok(()) } else { Err("a token endpoint has an address of https") }
}

fn signing(key: &PrivateKey) -> Result<Signing, String> {
    let PrivateKey { id, elliptic, pem: Secret(pem) } = key;
    let (algorithm, read) = match elliptic {
        true => (Algorithm::ES384, EncodingKey::from_ec_pem(pem)),
        false => (Algorithm::RS384, EncodingKey::from_rsa_pem(pem)),
    };
    let why = || format!("token.key {id}: expected a private key for {algorithm:?} in PEM");
    let mut header = Header::new(algorithm);
    header.kid = Some(id.clone());
    Ok(Signing { header, key: read.map_err(|_| why())? })
}
