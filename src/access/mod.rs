//! Who may do what, apart from how it is asked: knows no HTTP and no resource types.
//!
//! * [`scopes`]: what a token allows;
//! * [`registry`]: who is registered;
//! * [`keys`], [`signed`]: public keys, and tokens that are signed with their private ones;
//! * [`Door`]: assertions are turned into tokens, and tokens into what their holder may do.

mod attempts;
mod door;
mod fetch;
pub mod keys;
pub mod limits;
pub mod registry;
pub mod scopes;
mod signed;

pub use door::{Denied, Door, Granted, Holder};
pub use registry::Peer;
pub use scopes::{Rights, Scopes};
pub use signed::Wrong;

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

/// SHA-256 of something, in base64url.
pub fn digest(of: &[u8]) -> String {
    URL_SAFE_NO_PAD.encode(aws_lc_rs::digest::digest(&aws_lc_rs::digest::SHA256, of))
}
