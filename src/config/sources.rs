//! `[source.poll]`: a source that this service reads from by itself.

use serde::Deserialize;

use crate::outward::Server;

/// The types that are read where nothing is said: all from which care, ventilation and place are told.
const TYPES: [&str; 8] = [
    "Patient",
    "Location",
    "Encounter",
    "Device",
    "DeviceUseStatement",
    "Condition",
    "Procedure",
    "Observation",
];

/// How a source is polled.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Poll {
    /// The name of the `[[server]]` that is asked.
    pub server: String,
    /// Resource types, in the order in which they are asked for.
    #[serde(default = "types")]
    pub types: Vec<String>,
    /// Seconds between two rounds.
    #[serde(default = "every")]
    pub every_seconds: u32,
    /// Seconds by which each round begins before the last one ended: a server may show later what it stamped earlier.
    #[serde(default = "overlap")]
    pub overlap_seconds: u32,
    /// Resources to a page.
    #[serde(default = "page")]
    pub page: u32,
    /// The first round begins with what was changed then (an instant of FHIR); none: with everything.
    pub since: Option<String>,
    /// Whether histories are asked for what was deleted, which a search does not tell.
    #[serde(default)]
    pub deletions: bool,
}

fn types() -> Vec<String> {
    TYPES.map(str::to_owned).to_vec()
}

fn every() -> u32 {
    30
}

fn overlap() -> u32 {
    120
}

fn page() -> u32 {
    200
}

impl Poll {
    /// What is wrong with it.
    pub(super) fn wrong(&self, servers: &[Server]) -> Vec<String> {
        let mut wrong = Vec::new();
        if !servers.iter().any(|server| server.name() == self.server) {
            wrong.push(format!("server: there is no [[server]] named \"{}\"", self.server));
        }
        if self.every_seconds == 0 {
            wrong.push("every_seconds: must be more than 0".to_owned());
        }
        if !(1..=1_000).contains(&self.page) {
            wrong.push("page: expected 1 to 1000".to_owned());
        }
        if self.types.is_empty() {
            wrong.push("types: name at least one, or leave it out".to_owned());
        }
        let plain = |name: &&String| name.is_empty() || !name.bytes().all(|b| b.is_ascii_alphabetic());
        wrong.extend(self.types.iter().filter(plain).map(|name| format!("types: \"{name}\" is no type")));
        if let Some(since) = &self.since
            && fhir_models::primitive::Point::read(since).and_then(|p| p.instant_us()).is_none()
        {
            wrong.push(format!("since: \"{since}\" is no instant, such as 2026-01-01T00:00:00Z"));
        }
        wrong
    }
}
