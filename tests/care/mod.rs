//! The counting rules: a slow second reading of them, random stays, and what must hold for every stay.

mod against_oracle;
mod ahead;
pub(crate) mod dice;
mod examples;
mod history;
mod laws;
pub(crate) mod oracle;
mod script;
mod statistics;
mod stays;
mod surveillance;
