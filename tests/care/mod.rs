//! The counting rules: a slow second reading of them, random stays, and what must hold for every stay.

mod script;
mod examples;
mod against_oracle;
mod laws;
mod oracle;
mod stays;
