//! Who asks, and what they may do. Every request and every entry of a Bundle is looked at here before anything is done
//! for it; what reads or writes other types beside (searches into them, operations) asks again for those.

use std::sync::Arc;

use super::ask::Ask;
use super::refused::Refused;
use super::types::Kind;
use crate::access::{Rights, Scopes};

/// Who asks.
#[derive(Clone, Debug)]
pub enum Who {
    /// Whoever can reach a service that is open: everything.
    Anybody,
    /// The holder of a token.
    Holder(Arc<Holder>),
}

/// What a token says of its holder.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Holder {
    /// The client's id.
    pub client: String,
    /// What it may do.
    pub scopes: Scopes,
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
            Some(known) => known.needs().iter().try_for_each(|(kind, rights)| ask.who.may(kind, *rights)),
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
