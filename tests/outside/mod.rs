//! What others made: stays of an independent generator and HL7's own examples go in, and what comes out is judged by
//! validators that are not ours. Clients that are not ours do what they do elsewhere, and a fuzzer reads the description of
//! the interface. Pages are looked at in a browser. And what others run us on: Spark. `tests/setup` fetches all of it.

mod clients;
mod definitions;
mod engine;
mod examples;
mod feeds;
mod foreign;
mod openapi;
mod pages;
mod populations;
mod spark;
mod statistics;
mod stays;
mod token;
mod validators;

use std::path::PathBuf;

/// The folder that `tests/setup` fills.
#[expect(clippy::disallowed_methods, reason = "a test run says where its outside data is")]
fn root() -> PathBuf {
    let default = || PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/target/outside"));
    std::env::var_os("TERCE_OUTSIDE").map_or_else(default, PathBuf::from)
}

/// One of the folders in it.
fn folder(name: &str) -> PathBuf {
    let folder = root().join(name);
    assert!(folder.is_dir(), "{} is not there: run tests/setup", folder.display());
    folder
}
