//! From documents to facts, codes and protocols.

mod record;

mod codes;
mod documents;
mod extracts;
mod laws;
mod placing;
mod protocols;
mod stays;
mod ventilation;
mod care;
