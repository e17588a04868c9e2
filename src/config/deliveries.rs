//! `[[deliver]]`: servers that are given what this service says.

use serde::Deserialize;

use crate::outward::Server;

/// The types that this service writes by itself.
const TYPES: [&str; 3] = ["DetectedIssue", "MeasureReport", "Task"];

/// What one server is given.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Delivery {
    /// The name of the `[[server]]`.
    pub server: String,
    /// Resource types.
    #[serde(default = "types")]
    pub types: Vec<String>,
    /// Whether the server gives ids of its own: documents are then found by their identifiers. Where this is not set it
    /// turns out with the first document that the server does not take under our id.
    #[serde(default)]
    pub gives_ids: bool,
    /// Seconds between two looks for what people made of Tasks there; 0: they are told to us in another way.
    #[serde(default = "changes")]
    pub changes_seconds: u32,
}

fn types() -> Vec<String> {
    vec!["DetectedIssue".to_owned(), "Task".to_owned()]
}

fn changes() -> u32 {
    30
}

impl Delivery {
    /// What is wrong with it.
    pub(super) fn wrong(&self, servers: &[Server], before: &[Delivery]) -> Vec<String> {
        let mut wrong = Vec::new();
        if !servers.iter().any(|server| server.name() == self.server) {
            wrong.push(format!("server: there is no [[server]] named \"{}\"", self.server));
        }
        if before.iter().any(|other| other.server == self.server) {
            wrong.push(format!("server: \"{}\" is given documents already", self.server));
        }
        if self.types.is_empty() {
            wrong.push("types: name at least one, or leave it out".to_owned());
        }
        let others = self.types.iter().filter(|kind| !TYPES.contains(&kind.as_str()));
        wrong.extend(others.map(|kind| format!("types: \"{kind}\" is none of {}", TYPES.join(", "))));
        wrong
    }
}
