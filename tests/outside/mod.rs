//! What others made: stays of an independent generator and HL7's own examples go in, and what comes out is judged by
//! validators that are not ours. And what others run us on: Spark. `tests/setup` fetches all of it.

mod definitions;
mod examples;
mod foreign;
mod spark;
mod stays;
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
