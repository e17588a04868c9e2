//! Who is registered, as the configuration says.

use std::net::IpAddr;

use jsonwebtoken::Algorithm;

use super::keys::Keys;
use super::scopes::Scopes;
use super::sign_in::SignIn;

/// Everybody that is let in.
#[derive(Clone, Debug, Default)]
pub struct Registry {
    /// The address at which tokens are given out, as clients call it: the audience of their assertions.
    pub token_address: String,
    /// Systems that get their tokens here.
    pub clients: Vec<Client>,
    /// Servers whose tokens are taken.
    pub issuers: Vec<Issuer>,
    /// Records that may call the hooks.
    pub callers: Vec<Caller>,
    /// Gateways that are believed when they say from which address a request comes.
    pub proxies: Vec<IpAddr>,
    /// How people sign in who look at pages; none: nobody does.
    pub sign_in: Option<SignIn>,
}

/// A system that gets its tokens here (SMART Backend Services).
#[derive(Clone, Debug)]
pub struct Client {
    /// Its id.
    pub id: String,
    /// What its assertions are signed with.
    pub keys: KeysFrom,
    /// What it may ask for at most.
    pub scopes: Scopes,
    /// Watched sources whose heartbeat it may send.
    pub sources: Vec<String>,
    /// The certificate that it must show, as [`digest`](super::digest) of its DER; none: any, or none at all.
    pub certificate: Option<String>,
}

/// A server whose tokens are taken.
#[derive(Clone, Debug)]
pub struct Issuer {
    /// Its `iss`.
    pub issuer: String,
    /// The `aud` of tokens that are for this service.
    pub audience: String,
    /// What its tokens are signed with.
    pub keys: KeysFrom,
    /// The algorithms that it signs with.
    pub algorithms: Vec<Algorithm>,
    /// What its tokens may allow at most.
    pub scopes: Scopes,
    /// For how many seconds from now its tokens may be good.
    pub longest_s: i64,
    /// Watched sources whose heartbeat holders of its tokens may send.
    pub sources: Vec<String>,
}

/// A record that may call the hooks (CDS Hooks 2.0, "Trusting CDS Clients").
#[derive(Clone, Debug)]
pub struct Caller {
    /// The `iss` of its tokens.
    pub issuer: String,
    /// What they are signed with.
    pub keys: KeysFrom,
}

/// Where public keys come from.
#[derive(Clone, Debug)]
pub enum KeysFrom {
    /// They were read from a file.
    Held(Keys),
    /// They are fetched from an address.
    At(String),
}

impl KeysFrom {
    /// The address, if they come from one.
    pub fn address(&self) -> Option<&str> {
        match self {
            KeysFrom::Held(_) => None,
            KeysFrom::At(address) => Some(address),
        }
    }
}

/// The other end of a connection.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Peer {
    /// Its address.
    pub address: IpAddr,
    /// The certificate that it has shown, as [`digest`](super::digest) of its DER.
    pub certificate: Option<String>,
    /// Whether the connection is TLS.
    pub secure: bool,
}
