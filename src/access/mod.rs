//! Who may do what, apart from how it is asked: knows no HTTP and no resource types.
//!
//! * [`scopes`]: what a token allows.

pub mod scopes;

pub use scopes::{Rights, Scopes};
