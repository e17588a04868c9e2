//! Where the service may connect to: on behalf of a client, and by itself.
//!
//! [`Server`] is a FHIR server that the operator has named: it is read from and written to. What a client names is called only if the configuration allows it: the address lies below one that is configured,
//! it is no address of the inner network unless that is configured too, and what is checked is what is connected to:
//! names are resolved once, by the [`Guarded`] resolver, and only addresses that passed are handed on.

mod client;
pub mod limits;
mod network;
mod page;
mod retry;
mod server;
mod token;

pub use client::{Guarded, client};
pub use network::{Network, is_inner};
pub use page::Page;
pub use retry::{jitter_us, retry_after};
pub use server::{Answer, Failure, PrivateKey, Request, Secret, Server, Settings, TokenSettings};

use std::net::IpAddr;

use url::{Host, Url};

/// Bytes of an address: longer ones are refused by servers and proxies on the way.
pub const ADDRESS_BYTES: usize = 2_048;

/// What may be connected to.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Outward {
    /// Addresses below which everything may be called; none: nothing may.
    allow: Vec<Url>,
    /// Networks that may be connected to though they are inner ones.
    inner: Vec<Network>,
}

/// Why an address is not called: what to do, never the address itself.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[error("{0}")]
pub struct NotAllowed(pub &'static str);

impl Outward {
    /// From addresses and networks as they are configured.
    ///
    /// # Errors
    /// Everything that is wrong with them.
    pub fn new(allow: &[String], inner: &[String]) -> Result<Self, Vec<String>> {
        let mut errors = Vec::new();
        let mut out = Outward::default();
        for text in allow {
            match Url::parse(text).ok().filter(|url| plain(url).is_ok()) {
                Some(url) => out.allow.push(url),
                None => errors.push(format!("\"{text}\" is not an address such as https://host/path/")),
            }
        }
        for text in inner {
            match text.parse() {
                Ok(network) => out.inner.push(network),
                Err(()) => errors.push(format!("\"{text}\" is not a network such as 10.20.0.0/16")),
            }
        }
        if errors.is_empty() { Ok(out) } else { Err(errors) }
    }

    /// The address that `text` means, if it may be called.
    ///
    /// # Errors
    /// It may not: another scheme than http or https, a user or a fragment in it, not below a configured address, or
    /// an address of an inner network that is not configured.
    pub fn check(&self, text: &str) -> Result<Url, NotAllowed> {
        if text.len() > ADDRESS_BYTES {
            return Err(NotAllowed("the address is too long"));
        }
        // the parser drops these without a word; whoever reads the text sees another address
        if text.contains(|c: char| c.is_ascii_control() || c == ' ' || c == '\\') {
            return Err(NotAllowed("the address has characters that no address has"));
        }
        let url =
            Url::parse(text).map_err(|_| NotAllowed("expected an address such as https://host/path"))?;
        plain(&url)?;
        if self.allow.is_empty() {
            return Err(NotAllowed("this service calls nobody: no address is configured that it may call"));
        }
        if !self.allow.iter().any(|allowed| is_below(&url, allowed)) {
            return Err(NotAllowed("the address is not below one that this service is configured to call"));
        }
        let literal = match url.host() {
            Some(Host::Ipv4(address)) => Some(IpAddr::V4(address)),
            Some(Host::Ipv6(address)) => Some(IpAddr::V6(address)),
            Some(Host::Domain(_)) | None => None,
        };
        match literal {
            Some(address) if !self.reaches(address) => {
                Err(NotAllowed("the address is one of an inner network that is not configured"))
            }
            Some(_) | None => Ok(url),
        }
    }

    /// Whether an address of the network may be connected to.
    pub fn reaches(&self, address: IpAddr) -> bool {
        !is_inner(address) || self.inner.iter().any(|network| network.contains(address))
    }
}

/// Refuses what is no plain address of the web.
fn plain(url: &Url) -> Result<(), NotAllowed> {
    if !matches!(url.scheme(), "http" | "https") {
        return Err(NotAllowed("expected an address of http or https"));
    }
    if !url.username().is_empty() || url.password().is_some() || url.fragment().is_some() {
        return Err(NotAllowed("an address with a user, a password or a fragment is not called"));
    }
    if url.host_str().is_none_or(str::is_empty) {
        return Err(NotAllowed("expected an address with a host"));
    }
    Ok(())
}

/// Whether `url` is `above` or below it: same scheme, host and port, and its path as far as that of `above` goes.
fn is_below(url: &Url, above: &Url) -> bool {
    let path = url.path().strip_prefix(above.path().trim_end_matches('/'));
    url.scheme() == above.scheme()
        && url.host() == above.host()
        && url.port_or_known_default() == above.port_or_known_default()
        && path.is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
        // `%2e%2e` and `%2f` mean another path to some servers
        && !url.path().to_ascii_lowercase().contains("%2e")
        && !url.path().to_ascii_lowercase().contains("%2f")
}
