//! Who may do what, apart from how it is asked: knows no resource types, and of HTTP only what a browser keeps.
//!
//! * [`scopes`]: what a token allows;
//! * [`registry`]: who is registered;
//! * [`keys`], [`signed`]: public keys, and tokens that are signed with their private ones;
//! * [`sign_in`]: people who look at pages, signed in by the hospital's own provider;
//! * [`Door`]: assertions are turned into tokens, and tokens into what their holder may do.

mod attempts;
mod door;
mod fetch;
pub mod keys;
pub mod limits;
pub mod registry;
pub mod scopes;
pub mod sign_in;
mod signed;

pub use door::{Denied, Door, Granted, Holder, source_of};
pub(crate) use fetch::may_be_fetched;
pub use registry::Peer;
pub use scopes::{Rights, Scopes};
pub use signed::Wrong;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

/// SHA-256 of something, in base64url.
pub fn digest(of: &[u8]) -> String {
    URL_SAFE_NO_PAD.encode(aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, of))
}

/// A text that nobody guesses: 244 bits from the system's source of randomness.
fn random() -> String {
    let (one, two) = (uuid::Uuid::new_v4(), uuid::Uuid::new_v4());
    URL_SAFE_NO_PAD.encode([*one.as_bytes(), *two.as_bytes()].concat())
}

/// Somebody who is known already, as an extension of a request that the service makes of itself.
#[derive(Clone, Debug)]
pub struct Known(pub Holder);

/// What a page shows and to whom, as an extension of its answer: it is recorded before it is sent.
#[derive(Clone, Debug, Default)]
pub struct Shown {
    /// Who is signed in; none: the service is open, or nobody is.
    pub holder: Option<Holder>,
    /// Whether somebody was to be signed in by it.
    pub signs_in: bool,
    /// Logical ids of the patients whose care is on the page.
    pub patients: Vec<String>,
}

/// What the browser of somebody who is signed in keeps.
pub const KEPT_BY_BROWSER: &str = "terce-signed-in";

/// What a browser keeps under `name`; none if it says two things.
pub fn kept<'a>(headers: &'a axum::http::HeaderMap, name: &str) -> Option<&'a str> {
    let all = headers.get_all(axum::http::header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let pairs = all.flat_map(|text| text.split(';')).filter_map(|pair| pair.trim().split_once('='));
    let mut found = pairs.filter(|(known, _)| *known == name).map(|(_, value)| value);
    match (found.next(), found.next()) {
        (Some(value), None) if !value.is_empty() => Some(value),
        _ => None,
    }
}
