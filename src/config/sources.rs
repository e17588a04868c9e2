//! `[source.poll]`, `[source.bulk]`, `[source.folder]`: sources that this service reads from by itself.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::{SiteUnit, secret};
use crate::access::digest;
use crate::access::sign_in::Secret;
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

/// How a source is exported: Bulk Data.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bulk {
    /// The name of the `[[server]]` that is asked.
    pub server: String,
    /// The id of the `Group` whose patients are exported; none: the whole system.
    pub group: Option<String>,
    /// Resource types.
    #[serde(default = "types")]
    pub types: Vec<String>,
    /// Seconds between the end of an export and the next one, of what has changed since.
    #[serde(default = "day")]
    pub every_seconds: u32,
}

/// A folder into which others put files of NDJSON.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Folder {
    /// Where it is.
    pub path: PathBuf,
    /// Seconds between two looks; a file is read once it has the same length at two of them.
    #[serde(default = "look")]
    pub every_seconds: u32,
    /// Whether whoever writes the files promises that, when none is there, everything has been told.
    #[serde(default)]
    pub complete: bool,
}

/// A part of what a source tells that is never silent for long while care is given.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Expect {
    /// The resource type.
    #[serde(rename = "type")]
    pub kind: String,
    /// The units, each a part by itself; none: all of the site that have a protocol.
    #[serde(default)]
    pub units: Vec<String>,
    /// Nothing received for so long about any of the patients of a unit is a silence.
    pub silent_after_minutes: u32,
}

impl Expect {
    /// Names the units; what is wrong with it.
    pub(super) fn settle(&mut self, units: &[SiteUnit]) -> Vec<String> {
        let mut wrong = Vec::new();
        if self.kind.is_empty() || !self.kind.bytes().all(|b| b.is_ascii_alphabetic()) {
            wrong.push(format!("type: \"{}\" is no type", self.kind));
        }
        if self.silent_after_minutes < LEAST_SILENCE {
            wrong.push(format!("silent_after_minutes: expected {LEAST_SILENCE} at least"));
        }
        let unknown = self.units.iter().filter(|unit| !units.iter().any(|u| u.location == **unit));
        wrong.extend(unknown.map(|unit| format!("units: there is no [[unit]] with the location \"{unit}\"")));
        if self.units.is_empty() {
            let cared = units.iter().filter(|unit| unit.protocol.as_deref() != Some("none"));
            self.units = cared.map(|unit| unit.location.clone()).collect();
        }
        wrong
    }
}

/// Shorter silences are ordinary: charting is done in rounds.
const LEAST_SILENCE: u32 = 15;

/// A durable stream of messages on which a source publishes: NATS JetStream.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stream {
    /// Where its server is: `nats://` on this machine, `tls://` anywhere.
    pub address: String,
    /// Its name there.
    pub stream: String,
    /// The name under which the server remembers what was acknowledged: a durable consumer, made if it is not there.
    #[serde(default = "consumer")]
    pub consumer: String,
    /// Only messages on these subjects; `*` and `>` as usual. None: all of the stream.
    pub subject: Option<String>,
    /// Whether who publishes promises that, when nothing is waiting, everything has been told.
    #[serde(default)]
    pub complete: bool,
    /// A file of credentials (a token and its seed).
    pub credentials: Option<PathBuf>,
    /// A user, with `password_file`.
    pub user: Option<String>,
    /// The file of the password.
    pub password_file: Option<PathBuf>,
    /// What is in it.
    #[serde(skip)]
    pub password: Option<Secret>,
    /// The authorities that its certificate may be of; none: those that this machine trusts.
    pub ca: Option<PathBuf>,
    /// Mutual TLS: the certificate that is shown, with `key`.
    pub certificate: Option<PathBuf>,
    /// Its key.
    pub key: Option<PathBuf>,
}

/// How a source tells by itself that something has changed.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Notify {
    /// The name of the `[[server]]` from which is fetched what is only named.
    pub server: Option<String>,
    /// The file of the secret that notifications bring as `Authorization: Bearer`; none: they bring a token of a client
    /// that may speak for the source.
    pub secret_file: Option<PathBuf>,
    /// A digest of the secret, once the file has been read.
    #[serde(skip)]
    pub secret_digest: Option<String>,
}

/// What documents point at, and where it is fetched from where it is lacking.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct References {
    /// The name of the `[[server]]`.
    pub server: String,
    /// Resource types.
    #[serde(default = "pointed_at")]
    pub types: Vec<String>,
}

fn pointed_at() -> Vec<String> {
    ["Patient", "Encounter", "Device", "Location"].map(str::to_owned).to_vec()
}

impl Notify {
    /// Reads the secret; what is wrong with it.
    pub(super) fn settle(&mut self, servers: &[Server], folder: &Path) -> Vec<String> {
        let mut wrong = Vec::new();
        if let Some(name) = &self.server
            && !servers.iter().any(|server| server.name() == name)
        {
            wrong.push(format!("server: there is no [[server]] named \"{name}\""));
        }
        if let Some(file) = &self.secret_file {
            match secret::text(folder, file, SECRET) {
                Ok(text) => self.secret_digest = Some(digest(text.as_bytes())),
                Err(why) => wrong.push(format!("secret_file: {why}")),
            }
        }
        wrong
    }
}

/// The least length of a secret: it is in use for months.
const SECRET: usize = 24;

fn day() -> u32 {
    86_400
}

fn look() -> u32 {
    10
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

impl Bulk {
    /// What is wrong with it.
    pub(super) fn wrong(&self, servers: &[Server]) -> Vec<String> {
        let mut wrong = Vec::new();
        if !servers.iter().any(|server| server.name() == self.server) {
            wrong.push(format!("server: there is no [[server]] named \"{}\"", self.server));
        }
        if self.every_seconds == 0 {
            wrong.push("every_seconds: must be more than 0".to_owned());
        }
        if self.group.as_deref().is_some_and(|group| !fhir_models::primitive::is_id(group)) {
            wrong.push("group: expected the id of a Group".to_owned());
        }
        if self.types.is_empty() {
            wrong.push("types: name at least one, or leave it out".to_owned());
        }
        wrong
    }
}

impl Stream {
    /// Reads the password and takes paths from `folder`; what is wrong with it.
    pub(super) fn settle(&mut self, folder: &Path) -> Vec<String> {
        let mut wrong = Vec::new();
        let files = [
            ("credentials", &mut self.credentials),
            ("ca", &mut self.ca),
            ("certificate", &mut self.certificate),
            ("key", &mut self.key),
        ];
        for (name, path) in files.into_iter().filter_map(|(name, path)| Some((name, path.as_mut()?))) {
            *path = folder.join(&*path);
            if !path.is_file() {
                wrong.push(format!("{name}: there is no file {}", path.display()));
            }
        }
        if let Some(file) = &self.password_file {
            match secret::text(folder, file, 1) {
                Ok(text) => self.password = Some(Secret(text)),
                Err(why) => wrong.push(format!("password_file: {why}")),
            }
        }
        if self.user.is_some() != self.password_file.is_some() {
            wrong.push("user: a user and a password_file are named together, or neither".to_owned());
        }
        if self.certificate.is_some() != self.key.is_some() {
            wrong.push("certificate: a certificate and its key are named together, or neither".to_owned());
        }
        if let Err(why) = reached(&self.address) {
            wrong.push(format!("address: {why}"));
        }
        let plain = |name: &str| {
            !name.is_empty() && name.bytes().all(|b| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'_'))
        };
        for (key, name) in [("stream", &self.stream), ("consumer", &self.consumer)] {
            if !plain(name) {
                wrong.push(format!("{key}: \"{name}\" may hold letters, digits, - and _ only"));
            }
        }
        wrong
    }
}

/// Whether messages may be fetched from an address.
fn reached(address: &str) -> Result<(), &'static str> {
    let read =
        url::Url::parse(address).map_err(|_| "expected an address such as tls://messages.example:4222")?;
    if !read.username().is_empty() || read.password().is_some() {
        return Err("name who asks in user and password_file, or in credentials");
    }
    let here = match read.host_str() {
        None => return Err("expected a host"),
        Some(host) => host == "localhost" || host.parse().is_ok_and(|ip: std::net::IpAddr| ip.is_loopback()),
    };
    match read.scheme() {
        "tls" => Ok(()),
        "nats" if here => Ok(()),
        "nats" => Err("charting would go in the clear; expected tls:// (nats:// only on this machine)"),
        _ => Err("expected tls:// (nats:// only on this machine)"),
    }
}

fn consumer() -> String {
    "terce".to_owned()
}

impl Folder {
    /// What is wrong with it.
    pub(super) fn wrong(&self) -> Vec<String> {
        let mut wrong = Vec::new();
        if self.every_seconds == 0 {
            wrong.push("every_seconds: must be more than 0".to_owned());
        }
        if !self.path.is_dir() {
            wrong.push(format!("path: there is no folder {}", self.path.display()));
        }
        wrong
    }
}

impl Poll {
    /// Of a server, with what holds where nothing is said.
    pub fn of(server: &str) -> Self {
        Poll {
            server: server.to_owned(),
            types: types(),
            every_seconds: every(),
            overlap_seconds: overlap(),
            page: page(),
            since: None,
            deletions: false,
        }
    }

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
