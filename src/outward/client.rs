//! The client that calls: only what passed the check, without proxies and without going where an answer points.

use std::net::SocketAddr;
use std::sync::Arc;

use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use reqwest::redirect::Policy;

use super::{NotAllowed, Outward, limits};

/// Idle connections that are kept to each host: one is in use at a time.
const IDLE: usize = 1;

/// Resolves names as the system does, and hands on the addresses that may be connected to.
#[derive(Clone, Debug)]
pub struct Guarded(pub Arc<Outward>);

impl Resolve for Guarded {
    fn resolve(&self, name: Name) -> Resolving {
        let outward = self.0.clone();
        Box::pin(async move {
            let found = tokio::net::lookup_host((name.as_str(), 0)).await?;
            let allowed: Vec<SocketAddr> = found.filter(|a| outward.reaches(a.ip())).collect();
            if allowed.is_empty() {
                let why = NotAllowed("the name leads to an inner network that is not configured");
                return Err(why.into());
            }
            Ok(Box::new(allowed.into_iter()) as Addrs)
        })
    }
}

/// A client that calls nothing but what `outward` allows; each request sets its own time.
///
/// # Errors
/// TLS cannot be set up on this machine.
pub fn client(outward: Arc<Outward>) -> Result<reqwest::Client, reqwest::Error> {
    reqwest::Client::builder()
        .user_agent(concat!("terce/", env!("CARGO_PKG_VERSION")))
        .dns_resolver(Arc::new(Guarded(outward)))
        // a proxy would resolve and connect in our place, and an answer could send us elsewhere
        .no_proxy()
        .redirect(Policy::none())
        .connect_timeout(limits::CONNECT_TIME)
        .pool_max_idle_per_host(IDLE)
        .build()
}
