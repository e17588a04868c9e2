//! From documents to facts, codes and protocols.

mod record;

mod care;
mod codes;
mod conditions;
mod documents;
mod extracts;
mod laws;
mod lookup;
mod placing;
mod protocols;
mod stays;
pub(crate) mod tasks;
mod ventilation;
mod watched;
