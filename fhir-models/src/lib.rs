//! HL7 FHIR R4 (4.0.1) resources as Terce reads and writes them.
//!
//! Reading takes two steps. [`json::scan`] goes over the bytes once and refuses what JSON or FHIR's use of JSON
//! forbids; [`parse`] then reads a resource's own type, with the path of the element in every error. What R4
//! knows and the types here do not is ignored, never refused: the document keeps it.
//!
//! # Guarantees
//! - No input panics, and the work done is linear in its length.
//! - An error names the element and what was expected, and repeats nothing of a patient but codes and dates.
//! - A value that does not parse is an error, never an absent value.
//!
//! # Assumptions
//! - The caller bounds the length of a document; only depth, strings and numbers are bounded here.
//!
//! This crate knows no clock, no care, no HTTP and no store.

#[macro_use]
mod macros;

mod error;
pub mod json;
pub mod primitive;
#[macro_use]
pub mod codes;
mod check;
pub mod datatypes;
pub mod resource;
pub mod resources;

pub use error::{IssueKind, ParseError};
pub use resource::{RawResource, Resource, ResourceType, parse, parse_scanned, resource_type, validate};
pub use resources::*;
