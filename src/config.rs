//! The configuration: a TOML file as written, and what it comes to. Nothing else reads configuration or the environment.

mod access;
mod checks;
mod deliveries;
mod lines;
mod reports;
mod secret;
mod servers;
mod site;
mod sources;
mod tls;

pub use access::Access;
pub use deliveries::Delivery;
pub use reports::Reports;
pub use sources::{Bulk, Expect, Folder, Notify, Poll, References, Stream};
pub use tls::Tls;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Deserialize;

use self::lines::Wrong;
use crate::care::protocol::{Protocol, Rules, Unit, UnitProtocol};
use crate::outward::{Outward, Server};
use crate::translate::Settings;
use crate::translate::document::Bases;

/// The configuration of a running service.
#[derive(Clone, Debug)]
pub struct Config {
    /// Where to listen.
    pub listen: SocketAddr,
    /// Where those who watch over the service are answered; none: on loopback, one port above `listen`.
    pub admin_listen: Option<SocketAddr>,
    /// Who may do what.
    pub access: Access,
    /// TLS of `listen`; none: it is not spoken there.
    pub tls: Option<Tls>,
    /// Whether something in front of this process ends TLS.
    pub tls_elsewhere: bool,
    /// The address under which clients reach `/fhir`, without a final slash; none: as the client called it.
    pub public_base: Option<String>,
    /// Folder of the database.
    pub data: PathBuf,
    /// Documents that reach us from a server under one of these addresses are this server's own.
    pub own_bases: Vec<String>,
    /// The site.
    pub site: Site,
    /// Sources that are watched: what is not told by them is told as unverified.
    pub sources: Vec<Source>,
    /// FHIR servers that are read from and written to.
    pub servers: Vec<Server>,
    /// Which of them are given what this service says.
    pub deliveries: Vec<Delivery>,
    /// Where what documents point at is fetched from, if it is.
    pub references: Option<References>,
    /// Where subscribers may be called.
    pub subscribers: Outward,
    /// Which reports are made by themselves, and what reports hide.
    pub reports: Reports,
    /// What is recorded of what is done.
    pub audit: Auditing,
    /// Whether pages show the names of patients.
    pub names: bool,
}

/// What is recorded of what is done, beside what always is: writes, refusals, tokens, what subscribers were told.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Auditing {
    /// Whether reads and searches are.
    pub reads: bool,
    /// Whether reads that cannot be recorded for want of room are refused.
    pub strict: bool,
    /// For how many days it is kept; none: for ever.
    pub keep_days: Option<u32>,
}

impl Default for Auditing {
    fn default() -> Self {
        Auditing { reads: true, strict: false, keep_days: None }
    }
}

/// What a site says of itself.
#[derive(Clone, PartialEq, Debug)]
pub struct Site {
    /// Everything of the rules but the protocols.
    pub standard: Rules,
    /// The name of the protocol that holds where a unit names none.
    pub protocol: String,
    /// Units in the order of the file.
    pub units: Vec<SiteUnit>,
    /// `Location` ids that are off the unit.
    pub away: Vec<String>,
    /// Conditions of patients that protocols may ask for: ids of stored `ValueSet`s of the codes that mean them.
    pub conditions: Vec<String>,
}

/// A unit of the site.
#[derive(Clone, PartialEq, Eq, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SiteUnit {
    /// `Location` id.
    pub location: String,
    /// For people.
    pub name: Option<String>,
    /// The protocol that holds there; `none`: no protocol; absent: the site's.
    pub protocol: Option<String>,
    /// Reference of the owner of the Tasks of its patients, such as `CareTeam/north`.
    pub owner: Option<String>,
}

/// A source of charting that is watched.
#[derive(Clone, PartialEq, Eq, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Source {
    /// Its name in `POST /feed/{name}/heartbeat`.
    pub name: String,
    /// It says at least so often, in seconds, that it has told everything; where it is polled, each round says so.
    pub heartbeat_seconds: u32,
    /// Reference of whoever is to see to it when it is silent, such as `Organization/it`: a Task is theirs then.
    #[serde(default)]
    pub owner: Option<String>,
    /// How it is read from, if this service does so by itself.
    #[serde(default)]
    pub poll: Option<Poll>,
    /// How it is exported, if it is.
    #[serde(default)]
    pub bulk: Option<Bulk>,
    /// The folder into which it puts files, if it does.
    #[serde(default)]
    pub folder: Option<Folder>,
    /// How it tells by itself that something has changed, if it does.
    #[serde(default)]
    pub notify: Option<Notify>,
    /// The stream of messages on which it publishes, if it does.
    #[serde(default)]
    pub stream: Option<Stream>,
    /// Parts of it that are never silent for long.
    #[serde(default)]
    pub expect: Vec<Expect>,
}

/// The file as written.
#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct File {
    listen: Option<SocketAddr>,
    admin_listen: Option<SocketAddr>,
    access: Option<access::AccessFile>,
    client: Vec<access::ClientFile>,
    issuer: Vec<access::IssuerFile>,
    cds: Vec<access::CallerFile>,
    sign_in: Option<access::SignInFile>,
    tls: Option<tls::TlsFile>,
    public_base: Option<String>,
    data: Option<PathBuf>,
    own_bases: Vec<String>,
    site: site::SiteFile,
    unit: Vec<SiteUnit>,
    source: Vec<Source>,
    server: Vec<servers::ServerFile>,
    deliver: Vec<Delivery>,
    references: Option<References>,
    subscriptions: SubscriptionsFile,
    reports: reports::ReportsFile,
    audit: AuditFile,
    pages: PagesFile,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct PagesFile {
    patient_names: bool,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct AuditFile {
    reads: Option<bool>,
    strict: bool,
    keep_days: Option<u32>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
struct SubscriptionsFile {
    allow: Vec<String>,
    inner: Vec<String>,
}

/// What is wrong with a text that has no name.
fn in_text(wrong: Vec<Wrong>) -> Vec<String> {
    let told = |wrong: Wrong| match wrong.line {
        Some(line) => format!("line {line}: {}", wrong.why),
        None => wrong.why,
    };
    wrong.into_iter().map(told).collect()
}

impl Config {
    /// Without a file: loopback, port 8080, UTC, the adult protocol everywhere, no watched source.
    pub fn standard() -> Self {
        Config {
            listen: SocketAddr::from(([127, 0, 0, 1], 8080)),
            admin_listen: None,
            access: Access::Open,
            tls: None,
            tls_elsewhere: false,
            public_base: None,
            data: PathBuf::from("terce-data"),
            own_bases: Vec::new(),
            site: Site::standard(),
            sources: Vec::new(),
            servers: Vec::new(),
            deliveries: Vec::new(),
            references: None,
            subscribers: Outward::default(),
            reports: Reports::default(),
            audit: Auditing::default(),
            names: false,
        }
    }

    /// Reads `path`, or the standard configuration if there is none.
    ///
    /// # Errors
    /// Everything that is wrong with the file, with its line where it has one.
    pub fn load(path: Option<&Path>) -> Result<Self, Vec<String>> {
        let Some(path) = path else { return Ok(Config::standard()) };
        let text = std::fs::read_to_string(path).map_err(|e| vec![format!("{}: {e}", path.display())])?;
        let folder = path.parent().unwrap_or(Path::new(""));
        Config::parse_in(folder, &text).map_err(|wrong| {
            let told = |wrong: &Wrong| match wrong.line {
                Some(line) => format!("{}:{line}: {}", path.display(), wrong.why),
                None => format!("{}: {}", path.display(), wrong.why),
            };
            wrong.iter().map(told).collect()
        })
    }

    /// Reads the text of a file; the paths in it start from where this process was started.
    ///
    /// # Errors
    /// As [`Config::load`].
    pub fn parse(text: &str) -> Result<Self, Vec<String>> {
        Config::parse_in(Path::new(""), text).map_err(in_text)
    }

    /// Reads what the text of a file says of the site, for counting elsewhere: who may do what on the service is passed
    /// over, and so are the files that it takes.
    ///
    /// # Errors
    /// As [`Config::load`].
    pub fn of_site(text: &str) -> Result<Self, Vec<String>> {
        let file: File = lines::read(text).map_err(in_text)?;
        let file = File {
            listen: None,
            access: None,
            client: Vec::new(),
            issuer: Vec::new(),
            cds: Vec::new(),
            sign_in: None,
            tls: None,
            server: Vec::new(),
            source: Vec::new(),
            deliver: Vec::new(),
            references: None,
            ..file
        };
        Config::of(file, Path::new("")).map_err(|errors| in_text(lines::placed(text, errors)))
    }

    /// Two stages: everything that is wrong with how it is written, or else everything that is wrong with what it says.
    fn parse_in(folder: &Path, text: &str) -> Result<Self, Vec<Wrong>> {
        Config::of(lines::read(text)?, folder).map_err(|errors| lines::placed(text, errors))
    }

    fn of(file: File, folder: &Path) -> Result<Self, Vec<String>> {
        let mut errors = Vec::new();
        let mut config = Config::standard();
        config.tls = file.tls.and_then(|tls| tls::read(tls, folder, &mut errors));
        config.tls_elsewhere = file.access.as_ref().is_some_and(|a| a.tls_elsewhere);
        let mut reading = access::Reading {
            folder,
            public_base: file.public_base.as_deref().map(|b| b.trim_end_matches('/')),
            sources: &file.source,
            certificates: config.tls.as_ref().is_some_and(|tls| tls.mutual),
            errors: &mut errors,
        };
        config.access = reading.access(access::Parts {
            access: file.access,
            clients: file.client,
            issuers: file.issuer,
            callers: file.cds,
            sign_in: file.sign_in,
        });
        config.admin_listen = file.admin_listen;
        config.listen = file.listen.unwrap_or(config.listen);
        config.public_base = file.public_base.map(|b| b.trim_end_matches('/').to_owned());
        config.data = file.data.unwrap_or(config.data);
        config.own_bases = file.own_bases;
        config.sources = file.source;
        config.servers = servers::read(file.server, folder, &mut errors);
        config.deliveries = file.deliver;
        config.names = file.pages.patient_names;
        config.audit = audit(file.audit, matches!(config.access, Access::Registered(_)), &mut errors);
        match Outward::new(&file.subscriptions.allow, &file.subscriptions.inner) {
            Ok(subscribers) => config.subscribers = subscribers,
            Err(wrong) => errors.extend(wrong.iter().map(|w| format!("subscriptions: {w}"))),
        }
        config.reports = reports::read(file.reports, &mut errors);
        config.site = site::read(file.site, file.unit, &mut errors);
        config.settle_sources(file.references, folder, &mut errors);
        config.check_names(&mut errors);
        errors.extend(config.exposed().err());
        if errors.is_empty() { Ok(config) } else { Err(errors) }
    }

    /// Refuses to be reached by everybody on the network when nobody is asked who they are, or where what proves it
    /// could be overheard.
    ///
    /// # Errors
    /// What to configure.
    pub fn exposed(&self) -> Result<(), String> {
        let listen = self.listen;
        let secure = self.tls.is_some() || self.tls_elsewhere || listen.ip().is_loopback();
        match &self.access {
            Access::Open if !listen.ip().is_loopback() => Err(format!(
                "listen: whoever reaches {listen} could read and write everything; register who may in [[client]] or \
                 [[issuer]], or listen on 127.0.0.1"
            )),
            Access::Registered(_) if !secure => Err(format!(
                "listen: tokens would go in the clear to {listen}; set [tls], or access.tls_elsewhere = true if a \
                 gateway in front of it ends TLS"
            )),
            Access::Open | Access::Registered(_) => Ok(()),
        }
    }

    /// Where those who watch over the service are answered.
    pub fn admin(&self) -> SocketAddr {
        // 0 stays 0: any port that is free
        let port = if self.listen.port() == 0 { 0 } else { self.listen.port().wrapping_add(1) };
        self.admin_listen.unwrap_or(SocketAddr::from(([127, 0, 0, 1], port)))
    }

    /// The server that the configuration calls `name`.
    pub fn server(&self, name: &str) -> Option<&Server> {
        self.servers.iter().find(|server| server.name() == name)
    }

    /// The file of the database.
    pub fn database(&self) -> PathBuf {
        self.data.join("terce.db")
    }

    /// What the reading of documents needs to know of the site.
    pub fn settings(&self) -> Settings {
        let mut settings = Settings::new(self.site.standard.zone);
        settings.away = self.site.away.iter().map(|a| a.as_str().into()).collect();
        settings.units = self.site.units.iter().map(|u| u.location.as_str().into()).collect();
        settings.own_bases = self.bases();
        settings
    }

    /// Addresses under which references mean this server's documents.
    pub fn bases(&self) -> Bases {
        Bases::new(self.own_bases.iter().chain(&self.public_base))
    }

    /// Owners of Tasks by unit.
    pub fn owners(&self) -> BTreeMap<Arc<str>, String> {
        let owner = |u: &SiteUnit| Some((u.location.as_str().into(), u.owner.clone()?));
        self.site.units.iter().filter_map(owner).collect()
    }

    /// The rules with `protocols` in force.
    ///
    /// # Errors
    /// The names of protocols that the configuration asks for and that are not among them.
    pub fn rules(&self, protocols: Vec<Protocol>) -> Result<Rules, Vec<String>> {
        let mut unknown = Vec::new();
        let mut index = |name: &str| {
            let found = protocols.iter().position(|p| *p.name == *name);
            if found.is_none() {
                unknown.push(format!("there is no protocol named \"{name}\""));
            }
            found
        };
        let default_protocol = if self.site.protocol == "none" { None } else { index(&self.site.protocol) };
        let mut unit = |u: &SiteUnit| {
            let protocol = match u.protocol.as_deref() {
                None => UnitProtocol::Default,
                Some("none") => UnitProtocol::Nowhere,
                Some(name) => index(name).map_or(UnitProtocol::Default, UnitProtocol::Named),
            };
            (u.location.as_str().into(), Unit { name: u.name.as_deref().map(Into::into), protocol })
        };
        let units = self.site.units.iter().map(&mut unit).collect();
        let rules = Rules { default_protocol, units, protocols, ..self.site.standard.clone() };
        if unknown.is_empty() { Ok(rules) } else { Err(unknown) }
    }
}

fn audit(file: AuditFile, guarded: bool, errors: &mut Vec<String>) -> Auditing {
    let reads = file.reads.unwrap_or(true);
    if guarded && !reads {
        let why =
            "who is registered is accountable for what it reads; only an open service may leave reads out";
        errors.push(format!("audit.reads: {why}"));
    }
    if file.keep_days == Some(0) {
        errors.push("audit.keep_days: expected a number of days, or nothing to keep it for ever".to_owned());
    }
    Auditing { reads, strict: file.strict, keep_days: file.keep_days }
}
