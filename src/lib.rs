//! Terce reconciles what a hospital charts about the mouth care of ventilated patients with the care that each of them
//! should get, and says the difference: Tasks, DetectedIssues and MeasureReports, all in HL7 FHIR R4.
//!
//! The modules in reading order:
//!
//! * [`care`]: the rules, pure: facts and a protocol in, ledger and plan out;
//! * [`translate`]: between FHIR and care, pure;
//! * [`store`]: documents as they came, and what was made of them;
//! * [`site`]: codes, protocols and settings in force;
//! * [`stays`]: the ledgers of a patient, read from the store;
//! * [`reconcile`]: everything that is due now, then sleep;
//! * [`reports`]: reports that are made by themselves when a period is over;
//! * [`access`]: who may do what;
//! * [`feed`]: what comes in by itself, and how far each source has told everything;
//! * [`rest`]: FHIR REST;
//! * [`deliver`]: subscribers are told; [`outward`]: where the service may connect to;
//! * [`console`]: the pages that people look at;
//! * [`replay`]: years of charting from files through the same rules;
//! * [`service`]: all of it started and stopped;
//! * [`command`]: what `terce` does on the command line;
//! * [`config`], [`clock`], [`telemetry`].

pub mod access;
pub mod care;
pub mod clock;
pub mod command;
pub mod config;
pub mod console;
pub mod deliver;
pub mod feed;
pub mod outward;
pub mod reconcile;
pub mod replay;
pub mod reports;
pub mod rest;
pub mod service;
pub mod site;
pub mod stays;
pub mod store;
pub mod telemetry;
pub mod translate;

pub use service::{Running, serve};
