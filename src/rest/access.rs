//! Who asks, and what they may do. Every request and every entry of a Bundle is looked at here before anything is done
//! for it; what reads or writes other types beside (searches into them, operations) asks again for those.

use std::net::{IpAddr, Ipv4Addr};

use axum::http::Method;
use axum::http::header::AUTHORIZATION;
use axum::http::request::Parts;

use super::ask::{Ask, parameters};
use super::edge::Edge;
use super::refused::{Refused, Unknown};
use super::types::{self, Kind};
use crate::access::registry::Registry;
use crate::access::{Denied, Door, Holder, KEPT_BY_BROWSER, Known, Peer, Rights, Wrong, kept};

/// Who asks.
#[derive(Clone, Debug)]
pub(super) enum Who {
    /// Whoever can reach a service that is open: everything.
    Anybody,
    /// The holder of a token.
    Holder(Holder),
}

/// Finds out who asks.
///
/// # Errors
/// `Unknown`, `TokenMisplaced`, or those of the store.
pub(super) async fn who(edge: &Edge, parts: &Parts) -> Result<Who, Refused> {
    // what this service asks of itself is told apart where it is open, too
    if let Some(Known(holder)) = parts.extensions.get::<Known>() {
        return Ok(Who::Holder(holder.clone()));
    }
    let Some(door) = &edge.rest.door else { return Ok(Who::Anybody) };
    if let Some(holder) = looks(door, parts, edge.rest.clock.now().micros()) {
        return Ok(Who::Holder(holder));
    }
    let token = bearer(parts)?;
    match door.holder(token, &peer(parts), edge.rest.clock.now().micros()).await {
        Ok(holder) => Ok(Who::Holder(holder)),
        Err(Denied::Store(error)) => Err(error.into()),
        Err(denied) => {
            tracing::warn!(why = %denied, "a token was not taken");
            let over = denied == Denied::Wrong(Wrong::Over);
            Err(Refused::Unknown(if over { Unknown::Expired } else { Unknown::Invalid }))
        }
    }
}

/// Who follows a link from a page: somebody who is signed in, who may look here and nothing else.
fn looks(door: &Door, parts: &Parts, now_us: i64) -> Option<Holder> {
    let looks = matches!(parts.method, Method::GET | Method::HEAD);
    if !looks || parts.headers.contains_key(AUTHORIZATION) {
        return None;
    }
    door.signed_in(kept(&parts.headers, KEPT_BY_BROWSER)?, now_us)
}

/// The token of a request.
pub(super) fn bearer(parts: &Parts) -> Result<&str, Refused> {
    let query = parts.uri.query().unwrap_or_default();
    if parameters(query).unwrap_or_default().iter().any(|(name, _)| name == "access_token") {
        return Err(Refused::TokenMisplaced);
    }
    let mut sent = parts.headers.get_all(AUTHORIZATION).iter();
    match (sent.next(), sent.next()) {
        (None, _) => Err(Refused::Unknown(Unknown::NoToken)),
        (Some(_), Some(_)) => Err(Refused::TokenMisplaced),
        (Some(value), None) => {
            let (scheme, token) = value.to_str().unwrap_or_default().split_once(' ').unwrap_or_default();
            let known = scheme.eq_ignore_ascii_case("bearer") && !token.is_empty();
            if known { Ok(token) } else { Err(Refused::Unknown(Unknown::Invalid)) }
        }
    }
}

/// The other end of the connection that a request came by.
pub(super) fn peer(parts: &Parts) -> Peer {
    // a request that came by no connection (a test's) is as one from this machine without a certificate
    let nobody = || Peer { address: IpAddr::V4(Ipv4Addr::LOCALHOST), certificate: None, secure: false };
    parts.extensions.get::<Peer>().cloned().unwrap_or_else(nobody)
}

/// The address that a request comes from, as far as it is known.
pub(super) fn origin(edge: &Edge, parts: &Parts) -> IpAddr {
    let peer = peer(parts);
    let Some(door) = &edge.rest.door else { return peer.address };
    // a gateway may add a line of its own to those that the client has sent
    let forwarded = parts.headers.get_all("x-forwarded-for").iter().filter_map(|v| v.to_str().ok());
    door.origin(&peer, &forwarded.collect::<Vec<_>>().join(","))
}

/// Types that a registry names and that are not kept here, each with where.
pub fn unknown_types(registry: &Registry) -> Vec<String> {
    let clients = registry.clients.iter().enumerate().map(|(i, c)| (format!("client[{i}]"), &c.scopes));
    let issuers = registry.issuers.iter().enumerate().map(|(i, c)| (format!("issuer[{i}]"), &c.scopes));
    let mut unknown = Vec::new();
    for (at, scopes) in clients.chain(issuers) {
        for name in scopes.named().filter(|name| types::kind(name).is_none()) {
            unknown.push(format!("{at}.scopes: {name} is not a type that is kept here"));
        }
    }
    unknown
}

impl Who {
    /// Refuses what may not be done with a type.
    ///
    /// # Errors
    /// `Forbidden`, with the scope that is missing.
    pub(super) fn may(&self, kind: &str, wanted: Rights) -> Result<(), Refused> {
        match self {
            Who::Anybody => Ok(()),
            Who::Holder(holder) if holder.scopes.of(kind).hold(wanted) => Ok(()),
            Who::Holder(_) => Err(Refused::Forbidden { kind: kind.to_owned(), wanted }),
        }
    }

    /// Refuses a heartbeat of a source that is not the client's to speak for.
    ///
    /// # Errors
    /// `OtherSource`.
    pub(super) fn may_speak_for(&self, source: &str) -> Result<(), Refused> {
        match self {
            Who::Anybody => Ok(()),
            Who::Holder(holder) if holder.sources.iter().any(|s| s == source) => Ok(()),
            Who::Holder(_) => Err(Refused::OtherSource),
        }
    }
}

/// What a method asks of `Type/id` (`one`) or of `Type`; `conditional`: it looks first for what is there.
///
/// Guarantees: what is not known here asks for everything.
pub(super) fn wanted(method: &str, one: bool, conditional: bool) -> Rights {
    let looked_for = if conditional { Rights::SEARCH } else { Rights::NONE };
    match (method, one) {
        ("GET" | "HEAD", true) => Rights::READ,
        ("GET" | "HEAD", false) => Rights::SEARCH,
        ("POST", false) => Rights::CREATE.and(looked_for),
        ("PUT" | "PATCH", true) => Rights::UPDATE,
        ("PUT" | "PATCH", false) => Rights::UPDATE.and(Rights::SEARCH),
        ("DELETE", true) => Rights::DELETE,
        ("DELETE", false) => Rights::DELETE.and(Rights::SEARCH),
        _ => Rights::ALL,
    }
}

/// Refuses what is asked below `Type` (`path`) if it may not be done.
///
/// # Errors
/// `Forbidden`.
pub(super) fn check(ask: &Ask<'_>, kind: &'static Kind, path: &[&str]) -> Result<(), Refused> {
    if let Some(name) = path.last().and_then(|last| last.strip_prefix('$')) {
        return match kind.operations.iter().find(|o| o.name() == name) {
            Some(known) => {
                let mut told = std::iter::once(&kind.name).chain(known.tells_of());
                told.try_for_each(|kind| ask.who.may(kind, Rights::READ))
            }
            None => ask.who.may(kind.name, Rights::ALL),
        };
    }
    let conditional = ask.headers.contains_key("if-none-exist");
    let wanted = match path {
        ["_search"] | ["_history"] => Rights::SEARCH,
        [_, "_history", ..] => Rights::READ,
        _ => wanted(ask.method.as_str(), !path.is_empty(), conditional),
    };
    ask.who.may(kind.name, wanted)
}
