//! The strict reader: what every document passes before anything else looks at it.
//!
//! JSON readers differ on what they let through (a name written twice, a lone surrogate, a million nested arrays),
//! and two readers that differ are a way around a check. So one reader decides, over the bytes, and serde then
//! reads only what it has passed.

mod fault;
mod keys;
mod locate;
mod scan;
pub(crate) mod shape;
mod splice;
mod strings;

pub use scan::{MAX_DEPTH, MAX_NUMBER, MAX_STRING, Member, Scan, scan};
pub use splice::{with_id_and_meta, with_member};

pub(crate) use locate::located;
pub(crate) use scan::top_level;
