//! People who look at pages: signed in by the hospital's own OpenID Connect provider (OpenID Connect Core 1.0, the code
//! flow of section 3.1, with PKCE, RFC 7636).
//!
//! # Guarantees
//! - Who is signed in may do what the roles that the provider tells give, and nothing else; roles that are not
//!   configured give nothing, and without any role nobody is signed in.
//! - What a browser keeps is a random text; here its digest is kept, in memory: whoever is signed in signs in again
//!   after a restart, mostly without noticing, as the provider still knows them.
//! - A sign-in is finished only by the browser that began it.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use anyhow::{Context as _, ensure};
use jsonwebtoken::Algorithm;
use reqwest::Client;
use serde::Deserialize;

use super::fetch::{self, Fetched};
use super::scopes::Scopes;
use super::signed::{Audience, Signed, Wrong};
use super::{Holder, digest, limits, random};

/// How people sign in, as the configuration says.
#[derive(Clone, Debug)]
pub struct SignIn {
    /// The provider's `iss`: its configuration lies below it.
    pub issuer: String,
    /// What this service is registered as there.
    pub client: String,
    /// Its secret; none for a public client.
    pub secret: Option<Secret>,
    /// The algorithms that the provider signs with.
    pub algorithms: Vec<Algorithm>,
    /// The claim of the ID token that tells roles: a text, or a list of them.
    pub claim: String,
    /// What each role may do.
    pub roles: Vec<(String, Scopes)>,
    /// Where the provider sends people back to.
    pub back: String,
}

/// What must not be shown.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(pub String);

impl std::fmt::Debug for Secret {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Secret")
    }
}

/// Those who sign in.
#[derive(Debug)]
pub(super) struct People {
    how: SignIn,
    http: Option<Client>,
    provider: tokio::sync::Mutex<Option<(i64, Provider)>>,
    /// By the digest of `state`.
    begun: Mutex<BTreeMap<String, Begun>>,
    /// By the digest of what the browser keeps.
    signed_in: Mutex<BTreeMap<String, Person>>,
}

/// What the provider says of itself (OpenID Connect Discovery 1.0, 3).
#[derive(Clone, Debug)]
struct Provider {
    sign_in: String,
    token: String,
    keys: std::sync::Arc<Fetched>,
}

#[derive(Deserialize)]
struct Discovered {
    issuer: String,
    authorization_endpoint: String,
    token_endpoint: String,
    jwks_uri: String,
}

#[derive(Deserialize)]
struct Tokens {
    id_token: String,
}

#[derive(Debug)]
struct Begun {
    at_us: i64,
    /// The digest of what the browser that began it keeps.
    browser: String,
    nonce: String,
    verifier: String,
    to: String,
}

#[derive(Debug)]
struct Person {
    holder: Holder,
    since_us: i64,
    seen_us: i64,
}

/// Where to send a browser that wants to sign in, and what it keeps meanwhile.
#[derive(Debug)]
pub struct Beginning {
    /// The provider's page.
    pub address: String,
    /// A secret of the browser.
    pub browser: String,
}

/// Somebody is signed in.
#[derive(Debug)]
pub struct SignedIn {
    /// What the browser keeps: a secret.
    pub browser: String,
    /// The page that was asked for.
    pub to: String,
}

/// Why nobody is signed in.
#[derive(Debug, thiserror::Error)]
pub enum NotSignedIn {
    /// The provider.
    #[error("the provider did not answer as expected: {0:#}")]
    Provider(anyhow::Error),
    /// No sign-in was begun like that, or too long ago, or by another browser.
    #[error("no sign-in was begun here that this one finishes")]
    NotBegun,
    /// The ID token.
    #[error("the ID token: {0}")]
    Token(#[from] Wrong),
    /// None of the roles is configured.
    #[error("none of the person's roles is configured")]
    NoRole,
}

impl People {
    pub(super) fn new(how: SignIn) -> Self {
        let (provider, begun, signed_in) = Default::default();
        People { how, http: fetch::http(), provider, begun, signed_in }
    }

    /// Begins a sign-in that leads to the page `to`.
    pub(super) async fn begin(&self, to: &str, now_us: i64) -> Result<Beginning, NotSignedIn> {
        let provider = self.provider(now_us).await.map_err(NotSignedIn::Provider)?;
        let (state, browser, nonce, verifier) = (random(), random(), random(), random());
        let mut address = reqwest::Url::parse(&provider.sign_in)
            .map_err(|error| NotSignedIn::Provider(anyhow::Error::new(error)))?;
        address
            .query_pairs_mut()
            .append_pair("response_type", "code")
            .append_pair("scope", "openid")
            .append_pair("client_id", &self.how.client)
            .append_pair("redirect_uri", &self.how.back)
            .append_pair("state", &state)
            .append_pair("nonce", &nonce)
            .append_pair("code_challenge", &digest(verifier.as_bytes()))
            .append_pair("code_challenge_method", "S256");
        // only a page of ours: anything else would lead people astray
        let ours = to.starts_with('/') && !to.starts_with("//") && !to.contains(['\\', '\r', '\n']);
        let begun = Begun {
            at_us: now_us,
            browser: digest(browser.as_bytes()),
            nonce,
            verifier,
            to: if ours { to.to_owned() } else { "/".to_owned() },
        };
        let mut all = self.begun.lock().unwrap_or_else(PoisonError::into_inner);
        all.retain(|_, begun| now_us < begun.at_us.saturating_add(micros(limits::SIGN_IN_TIME)));
        if all.len() >= limits::SIGN_INS {
            let oldest = all.iter().min_by_key(|(_, begun)| begun.at_us).map(|(state, _)| state.clone());
            oldest.and_then(|state| all.remove(&state));
        }
        all.insert(digest(state.as_bytes()), begun);
        Ok(Beginning { address: address.into(), browser })
    }

    /// Finishes a sign-in with what the provider has sent back.
    pub(super) async fn finish(
        &self,
        (state, code): (&str, &str),
        browser: &str,
        now_us: i64,
    ) -> Result<SignedIn, NotSignedIn> {
        let begun = {
            let mut all = self.begun.lock().unwrap_or_else(PoisonError::into_inner);
            let begun = all.remove(&digest(state.as_bytes())).ok_or(NotSignedIn::NotBegun)?;
            let over = begun.at_us.saturating_add(micros(limits::SIGN_IN_TIME)) <= now_us;
            if over || begun.browser != digest(browser.as_bytes()) {
                return Err(NotSignedIn::NotBegun);
            }
            begun
        };
        let provider = self.provider(now_us).await.map_err(NotSignedIn::Provider)?;
        let token = self.exchange(&provider, code, &begun.verifier).await.map_err(NotSignedIn::Provider)?;
        let holder = self.told(&provider, &token, &begun.nonce, now_us).await?;
        let browser = random();
        let mut all = self.signed_in.lock().unwrap_or_else(PoisonError::into_inner);
        all.retain(|_, person| person.is_in(now_us));
        if all.len() >= limits::PEOPLE {
            let quiet = all.iter().min_by_key(|(_, person)| person.seen_us).map(|(key, _)| key.clone());
            quiet.and_then(|key| all.remove(&key));
        }
        let person = Person { holder, since_us: now_us, seen_us: now_us };
        all.insert(digest(browser.as_bytes()), person);
        Ok(SignedIn { browser, to: begun.to })
    }

    /// Who is signed in with a browser that keeps this.
    pub(super) fn holder(&self, browser: &str, now_us: i64) -> Option<Holder> {
        let mut all = self.signed_in.lock().unwrap_or_else(PoisonError::into_inner);
        let person = all.get_mut(&digest(browser.as_bytes())).filter(|person| person.is_in(now_us))?;
        person.seen_us = now_us;
        Some(person.holder.clone())
    }

    /// Signs out.
    pub(super) fn end(&self, browser: &str) {
        let mut all = self.signed_in.lock().unwrap_or_else(PoisonError::into_inner);
        all.remove(&digest(browser.as_bytes()));
    }

    async fn provider(&self, now_us: i64) -> anyhow::Result<Provider> {
        let mut held = self.provider.lock().await;
        if let Some((asked_us, provider)) = &*held
            && now_us < asked_us.saturating_add(micros(limits::KEYS_KEPT_MOST))
        {
            return Ok(provider.clone());
        }
        let http = self.http.as_ref().context("there is no client to ask with")?;
        let address = format!("{}/.well-known/openid-configuration", self.how.issuer.trim_end_matches('/'));
        let response = http.get(address).header("accept", "application/json").send().await?;
        ensure!(response.status().as_u16() == 200, "its configuration: {}", response.status());
        let found: Discovered = serde_json::from_slice(&fetch::body(response).await?)?;
        ensure!(found.issuer == self.how.issuer, "its configuration names another issuer");
        let all = [&found.authorization_endpoint, &found.token_endpoint, &found.jwks_uri];
        ensure!(all.into_iter().all(|at| fetch::may_be_fetched(at)), "an address of it is not https");
        let keys = std::sync::Arc::new(Fetched::at(&found.jwks_uri, Some(http.clone())));
        let provider = Provider { sign_in: found.authorization_endpoint, token: found.token_endpoint, keys };
        Ok(held.insert((now_us, provider)).1.clone())
    }

    async fn exchange(&self, provider: &Provider, code: &str, verifier: &str) -> anyhow::Result<String> {
        let http = self.http.as_ref().context("there is no client to ask with")?;
        let mut form = vec![
            ("grant_type", "authorization_code"),
            ("code", code),
            ("redirect_uri", self.how.back.as_str()),
            ("code_verifier", verifier),
        ];
        let mut asked = http.post(&provider.token).header("accept", "application/json");
        match &self.how.secret {
            // RFC 6749, 2.3.1: both are written as in a form first
            Some(Secret(secret)) => {
                let written =
                    |text: &str| url::form_urlencoded::byte_serialize(text.as_bytes()).collect::<String>();
                asked = asked.basic_auth(written(&self.how.client), Some(written(secret)));
            }
            None => form.push(("client_id", self.how.client.as_str())),
        }
        let form: String = url::form_urlencoded::Serializer::new(String::new()).extend_pairs(form).finish();
        let asked = asked.header("content-type", "application/x-www-form-urlencoded").body(form);
        let response = asked.send().await?;
        ensure!(response.status().as_u16() == 200, "the code was not taken: {}", response.status());
        let tokens: Tokens = serde_json::from_slice(&fetch::body(response).await?)?;
        Ok(tokens.id_token)
    }

    /// Whom an ID token is about (OpenID Connect Core 1.0, 3.1.3.7).
    async fn told(
        &self,
        provider: &Provider,
        token: &str,
        nonce: &str,
        now_us: i64,
    ) -> Result<Holder, NotSignedIn> {
        let signed = Signed::read(token, None)?;
        if !self.how.algorithms.contains(&signed.algorithm()) || !signed.is_of(&["JWT"]) {
            return Err(Wrong::Algorithm.into());
        }
        let kid = signed.key_id().ok_or(Wrong::NoKey)?;
        let keys = provider.keys.keys(kid, now_us).await;
        let all = signed.payload()?;
        let claims = signed.checked(&keys)?;
        if claims.iss.as_ref() != Some(&self.how.issuer) {
            return Err(Wrong::Names.into());
        }
        let several = matches!(&claims.aud, Some(Audience::Many(many)) if many.len() > 1);
        let given_to = claims.azp.as_ref();
        let other = given_to.is_some_and(|azp| *azp != self.how.client) || (several && given_to.is_none());
        if !claims.is_for(&self.how.client) || other {
            return Err(Wrong::Audience.into());
        }
        claims.check_times(now_us, limits::ID_TOKEN_S)?;
        if all.get("nonce").and_then(|said| said.as_str()) != Some(nonce) {
            return Err(Wrong::Used.into());
        }
        let subject = claims.sub.filter(|sub| !sub.is_empty() && sub.len() <= limits::NAME_BYTES);
        let subject = subject.ok_or(Wrong::Names)?;
        let has = |role: &str| match all.get(&self.how.claim) {
            Some(serde_json::Value::String(one)) => one.split_whitespace().any(|said| said == role),
            Some(serde_json::Value::Array(many)) => many.iter().any(|said| said.as_str() == Some(role)),
            _ => false,
        };
        let of_roles: Vec<String> = (self.how.roles.iter())
            .filter(|(role, _)| has(role))
            .map(|(_, scopes)| scopes.to_string())
            .collect();
        let scopes = Scopes::understood(&of_roles.join(" "));
        if scopes.is_empty() {
            return Err(NotSignedIn::NoRole);
        }
        Ok(Holder { client: subject, issuer: self.how.issuer.clone(), scopes, sources: Vec::new() })
    }
}

impl Person {
    fn is_in(&self, now_us: i64) -> bool {
        let long = self.since_us.saturating_add(micros(limits::SIGNED_IN));
        let quiet = self.seen_us.saturating_add(micros(limits::SIGNED_IN_QUIET));
        now_us < long.min(quiet)
    }
}

fn micros(time: Duration) -> i64 {
    i64::try_from(time.as_micros()).unwrap_or(i64::MAX)
}
