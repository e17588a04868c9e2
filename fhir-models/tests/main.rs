//! The claims of fhir-models, in one binary.

#![expect(
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test that cannot go on has failed; clippy.toml lets only the test functions themselves say so"
)]

mod definitions;
mod hostile;
mod json;
mod outside;
mod primitives;
mod reading;
mod round_trip;
mod rules;
