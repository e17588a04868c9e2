//! Every test of the service, in one binary.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::string_slice,
    clippy::wildcard_enum_match_arm,
    clippy::too_many_lines,
    missing_docs,
    unreachable_pub,
    reason = "a test that panics has failed, which is what it is for"
)]

mod care;
mod deliver;
mod feed;
mod hostile;
mod measures;
mod outside;
mod replay;
mod rest;
mod statistics;
mod store;
mod tidy;
mod translate;
mod worklist;
