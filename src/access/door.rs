//! Who is let in: assertions are turned into tokens, and tokens into what their holder may do.
//!
//! Tokens that are given out here are random texts; the database keeps their digests, so that another process, or
//! this one after a restart, knows them, and a copy of the database opens nothing. Who is registered is looked up at
//! each use: a client that was struck from the configuration is out.

use std::collections::BTreeMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

use jsonwebtoken::Algorithm;
use lru::LruCache;

use super::attempts::Attempts;
use super::fetch::{self, Fetched};
use super::keys::Keys;
use super::limits;
use super::registry::{Client, Issuer, KeysFrom, Peer, Registry};
use super::scopes::Scopes;
use super::sign_in::{Beginning, NotSignedIn, People, SignedIn};
use super::signed::{Claims, Signed, Words, Wrong};
use super::{digest, random};
use crate::store::{Audit, Batch, Grant, Store, StoreError};

/// Lets in who is registered. Cloning gives another handle on the same.
#[derive(Clone, Debug)]
pub struct Door(Arc<Inside>);

#[derive(Debug)]
struct Inside {
    registry: Registry,
    fetched: BTreeMap<String, Fetched>,
    attempts: Attempts,
    people: Option<People>,
    /// Names of tokens of callers that were used, by issuer, with when they are over.
    used: Mutex<LruCache<(String, String), i64>>,
    store: Store,
}

/// What a token says of its holder.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Holder {
    /// The client's id.
    pub client: String,
    /// The server that gave out the token; empty: this one.
    pub issuer: String,
    /// What it may do.
    pub scopes: Scopes,
    /// Watched sources whose heartbeat it may send.
    pub sources: Vec<String>,
}

/// What the id of a client begins with that is a source which this service reads by itself.
const SOURCE: &str = "source:";

impl Holder {
    /// Whoever hands over what is read from a source.
    pub fn of_source(source: &str, scopes: Scopes) -> Holder {
        Holder { client: format!("{SOURCE}{source}"), issuer: String::new(), scopes, sources: Vec::new() }
    }
}

/// The source that a client of that id hands over.
pub fn source_of(client: &str) -> Option<&str> {
    client.strip_prefix(SOURCE)
}

/// A token that was given out.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Granted {
    /// The token itself: a secret.
    pub token: String,
    /// What it allows.
    pub scopes: Scopes,
}

/// Why somebody is not let in.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum Denied {
    /// Too many failures from this address.
    #[error("too many failures from this address")]
    TooMany,
    /// The assertion or the token.
    #[error("{0}")]
    Wrong(#[from] Wrong),
    /// No such client or issuer, or no such token.
    #[error("it is of nobody who is registered")]
    Unknown,
    /// The connection does not show the certificate that is registered.
    #[error("the connection does not show the certificate that is registered")]
    Certificate,
    /// A scope that is not understood.
    #[error("a scope is not understood")]
    NotUnderstood,
    /// None of the scopes is registered for the client.
    #[error("none of the scopes is registered for the client")]
    NoScope,
    /// The store.
    #[error("{0}")]
    Store(StoreError),
}

/// The algorithms of assertions (SMART App Launch 2.2, "Client Authentication: Asymmetric").
const ASSERTIONS: [Algorithm; 2] = [Algorithm::RS384, Algorithm::ES384];
/// The kinds that an access token may say it is (RFC 9068, 2.1; most servers say JWT).
const ACCESS_TOKENS: [&str; 3] = ["JWT", "at+jwt", "application/at+jwt"];

impl Door {
    /// For those who are registered; tokens are kept in `store`.
    pub fn new(registry: Registry, store: Store) -> Self {
        let of_clients = registry.clients.iter().map(|c| &c.keys);
        let of_callers = registry.callers.iter().map(|c| &c.keys);
        let all = of_clients.chain(registry.issuers.iter().map(|i| &i.keys)).chain(of_callers);
        let mut addresses = all.filter_map(KeysFrom::address).peekable();
        let http = addresses.peek().and_then(|_| fetch::http());
        let fetched = addresses.map(|at| (at.to_owned(), Fetched::at(at, http.clone()))).collect();
        let people = registry.sign_in.clone().map(People::new);
        let used = Mutex::new(LruCache::new(limits::CALLS));
        Door(Arc::new(Inside { registry, fetched, attempts: Attempts::default(), people, used, store }))
    }

    /// Whether tokens are given out here at all.
    pub fn gives(&self) -> bool {
        !self.0.registry.clients.is_empty()
    }

    /// Whether people sign in here.
    pub fn signs_in(&self) -> bool {
        self.0.people.is_some()
    }

    /// Begins to sign somebody in who wants to see the page `to`.
    ///
    /// # Errors
    /// Why not; `NotBegun` where nobody signs in.
    pub async fn begin(&self, to: &str, now_us: i64) -> Result<Beginning, NotSignedIn> {
        self.0.people.as_ref().ok_or(NotSignedIn::NotBegun)?.begin(to, now_us).await
    }

    /// Finishes to sign somebody in: the `state` and `code` of the provider, and what the browser kept meanwhile.
    ///
    /// # Errors
    /// Why not.
    pub async fn finish(
        &self,
        told: (&str, &str),
        browser: &str,
        now_us: i64,
    ) -> Result<SignedIn, NotSignedIn> {
        self.0.people.as_ref().ok_or(NotSignedIn::NotBegun)?.finish(told, browser, now_us).await
    }

    /// Who is signed in with a browser that keeps this; none if nobody is.
    pub fn signed_in(&self, browser: &str, now_us: i64) -> Option<Holder> {
        self.0.people.as_ref()?.holder(browser, now_us)
    }

    /// Signs out whoever is signed in with that browser.
    pub fn sign_out(&self, browser: &str) {
        if let Some(people) = &self.0.people {
            people.end(browser);
        }
    }

    /// Who is registered.
    pub fn registry(&self) -> &Registry {
        &self.0.registry
    }

    /// The address that a request comes from: of the connection, or, if that is a known gateway's, what the gateway
    /// says in `forwarded` (`X-Forwarded-For`).
    pub fn origin(&self, peer: &Peer, forwarded: &str) -> IpAddr {
        let known = |address: &IpAddr| self.0.registry.proxies.contains(&address.to_canonical());
        let said = forwarded.rsplit(',').map_while(|a| a.trim().parse::<IpAddr>().ok());
        let mut from = peer.address;
        // as far back as each hop is told by a gateway that is believed
        for hop in std::iter::once(peer.address).chain(said) {
            from = hop.to_canonical();
            if !known(&hop) {
                break;
            }
        }
        from
    }

    /// Gives out a token with `scope` for a client's assertion. `client` is the id that the request says beside, if it does; `recorded`:
    /// the row that goes with the token, without the client's name.
    ///
    /// # Errors
    /// Why not.
    pub async fn grant(
        &self,
        assertion: &str,
        (client, scope): (Option<&str>, &str),
        (peer, from): (&Peer, IpAddr),
        recorded: Audit,
        now_us: i64,
    ) -> Result<Granted, Denied> {
        if self.0.attempts.too_many(from, now_us) {
            return Err(Denied::TooMany);
        }
        let granted = self.granted(assertion, (client, scope), peer, recorded, now_us).await;
        if let Err(Denied::Wrong(_) | Denied::Unknown | Denied::Certificate) = granted {
            self.0.attempts.failed(from, now_us);
        }
        granted
    }

    async fn granted(
        &self,
        assertion: &str,
        (id, scope): (Option<&str>, &str),
        peer: &Peer,
        recorded: Audit,
        now_us: i64,
    ) -> Result<Granted, Denied> {
        let issuer = Signed::issuer(assertion).ok_or(Wrong::Shape)?;
        let client = self.client(&issuer).ok_or(Denied::Unknown)?;
        let signed = Signed::read(assertion, client.keys.address())?;
        if !ASSERTIONS.contains(&signed.algorithm()) || !signed.is_of(&["JWT"]) {
            return Err(Wrong::Algorithm.into());
        }
        let keys = self.keys(&client.keys, signed.key_id(), now_us).await;
        let claims = signed.checked(&keys)?;
        let is_its = |name: Option<&str>| name == Some(client.id.as_str());
        if !is_its(claims.iss.as_deref())
            || !is_its(claims.sub.as_deref())
            || id.is_some_and(|id| id != client.id)
        {
            return Err(Wrong::Names.into());
        }
        if !claims.is_for(&self.0.registry.token_address) {
            return Err(Wrong::Audience.into());
        }
        let until_us = claims.check_times(now_us, limits::ASSERTION_S)?;
        let named = claims.jti.filter(|jti| !jti.is_empty() && jti.len() <= limits::NAME_BYTES);
        let assertion = named.ok_or(Wrong::Used)?;
        shows(peer, client.certificate.as_ref())?;
        let asked = Scopes::read(scope).map_err(|_| Denied::NotUnderstood)?;
        let scopes = asked.within(&client.scopes);
        if scopes.is_empty() {
            return Err(Denied::NoScope);
        }
        let token = random();
        let grant = Grant {
            client: client.id.clone(),
            assertion,
            assertion_until_us: until_us.saturating_add((limits::LEEWAY_S + 1) * 1_000_000),
            digest: digest(token.as_bytes()),
            scopes: scopes.to_string(),
            until_us: now_us.saturating_add(limits::TOKEN_S * 1_000_000),
            forget_before_us: now_us.saturating_sub(limits::OVER_US),
        };
        let audits = vec![Audit { who: client.id.clone(), ..recorded }];
        let batch = Batch { now_us, grant: Some(Box::new(grant)), audits, ..Batch::default() };
        match self.0.store.commit(batch).await {
            Ok(_) => Ok(Granted { token, scopes }),
            Err(StoreError::Used) => Err(Wrong::Used.into()),
            Err(error) => Err(Denied::Store(error)),
        }
    }

    /// Whose an assertion says it is, without proof.
    pub fn claimed(assertion: &str) -> Option<String> {
        Signed::issuer(assertion)
    }

    /// What the holder of a token may do.
    ///
    /// # Errors
    /// Why it is not let in.
    pub async fn holder(&self, token: &str, peer: &Peer, now_us: i64) -> Result<Holder, Denied> {
        if token.contains('.') {
            self.foreign(token, now_us).await
        } else {
            self.own(token, peer, now_us).await
        }
    }

    async fn own(&self, token: &str, peer: &Peer, now_us: i64) -> Result<Holder, Denied> {
        let found = self.0.store.token(&digest(token.as_bytes())).await.map_err(Denied::Store)?;
        let row = found.ok_or(Denied::Unknown)?;
        if row.until_us <= now_us {
            return Err(Wrong::Over.into());
        }
        let client = self.client(&row.client).ok_or(Denied::Unknown)?;
        shows(peer, client.certificate.as_ref())?;
        let scopes = Scopes::understood(&row.scopes).within(&client.scopes);
        Ok(Holder { client: row.client, issuer: String::new(), scopes, sources: client.sources.clone() })
    }

    async fn foreign(&self, token: &str, now_us: i64) -> Result<Holder, Denied> {
        let name = Signed::issuer(token).ok_or(Wrong::Shape)?;
        let issuer = self.0.registry.issuers.iter().find(|i| i.issuer == name).ok_or(Denied::Unknown)?;
        let signed = Signed::read(token, issuer.keys.address())?;
        if !issuer.algorithms.contains(&signed.algorithm()) || !signed.is_of(&ACCESS_TOKENS) {
            return Err(Wrong::Algorithm.into());
        }
        let keys = self.keys(&issuer.keys, signed.key_id(), now_us).await;
        let claims = signed.checked(&keys)?;
        allowed(issuer, claims, now_us)
    }

    /// Which record calls a hook at `address`, by its token. Each token is good for one call of this process.
    ///
    /// # Errors
    /// Why it is not let in.
    pub async fn caller(&self, token: &str, address: &str, now_us: i64) -> Result<String, Denied> {
        let name = Signed::issuer(token).ok_or(Wrong::Shape)?;
        let caller = self.0.registry.callers.iter().find(|c| c.issuer == name).ok_or(Denied::Unknown)?;
        let signed = Signed::read(token, caller.keys.address())?;
        if !ASSERTIONS.contains(&signed.algorithm()) || !signed.is_of(&["JWT"]) {
            return Err(Wrong::Algorithm.into());
        }
        let keys = self.keys(&caller.keys, signed.key_id(), now_us).await;
        let claims = signed.checked(&keys)?;
        if claims.iss.as_ref() != Some(&caller.issuer) {
            return Err(Wrong::Names.into());
        }
        if !claims.is_for(address) {
            return Err(Wrong::Audience.into());
        }
        let until_us = claims.check_times(now_us, limits::ASSERTION_S)?;
        let named = claims.jti.filter(|jti| !jti.is_empty() && jti.len() <= limits::NAME_BYTES);
        let name = (caller.issuer.clone(), named.ok_or(Wrong::Used)?);
        let mut used = self.0.used.lock().unwrap_or_else(PoisonError::into_inner);
        if used.put(name, until_us).is_some() {
            return Err(Wrong::Used.into());
        }
        Ok(caller.issuer.clone())
    }

    fn client(&self, id: &str) -> Option<&Client> {
        self.0.registry.clients.iter().find(|c| c.id == id)
    }

    async fn keys(&self, from: &KeysFrom, kid: Option<&str>, now_us: i64) -> Keys {
        match (from, kid) {
            (KeysFrom::Held(keys), _) => keys.clone(),
            (KeysFrom::At(address), Some(kid)) => match self.0.fetched.get(address) {
                Some(fetched) => fetched.keys(kid, now_us).await,
                None => Keys::default(),
            },
            (KeysFrom::At(_), None) => Keys::default(),
        }
    }
}

/// What a token of another server allows.
fn allowed(issuer: &Issuer, claims: Claims, now_us: i64) -> Result<Holder, Denied> {
    if claims.nonce.is_some() || claims.at_hash.is_some() {
        return Err(Wrong::Shape.into());
    }
    if claims.iss.as_ref() != Some(&issuer.issuer) {
        return Err(Wrong::Names.into());
    }
    if !claims.is_for(&issuer.audience) {
        return Err(Wrong::Audience.into());
    }
    claims.check_times(now_us, issuer.longest_s)?;
    let client = claims.client_id.or(claims.azp).or(claims.sub).ok_or(Wrong::Names)?;
    let said = match claims.scope {
        None => String::new(),
        Some(Words::Text(text)) => text,
        Some(Words::List(list)) => list.join(" "),
    };
    let scopes = Scopes::understood(&said).within(&issuer.scopes);
    Ok(Holder { client, issuer: issuer.issuer.clone(), scopes, sources: issuer.sources.clone() })
}

fn shows(peer: &Peer, wanted: Option<&String>) -> Result<(), Denied> {
    match wanted {
        Some(wanted) if peer.certificate.as_ref() != Some(wanted) => Err(Denied::Certificate),
        Some(_) | None => Ok(()),
    }
}
