//! `[access]`, `[[client]]`, `[[issuer]]`, `[sign_in]`: who is let in.

use std::collections::BTreeSet;
use std::net::IpAddr;
use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::{secret, tls};
use crate::access::keys::{Keys, algorithm};
use crate::access::registry::{Caller, Client, Issuer, KeysFrom, Registry};
use crate::access::sign_in::{Secret, SignIn};
use crate::access::{Scopes, limits, may_be_fetched};

/// Who may do what.
#[derive(Clone, Debug)]
pub enum Access {
    /// Whoever reaches the service may do everything.
    Open,
    /// Those who are registered may do what is registered for them.
    Registered(Box<Registry>),
}

/// What the file says of it.
#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub(super) struct AccessFile {
    token_address: Option<String>,
    proxies: Vec<IpAddr>,
    pub(super) tls_elsewhere: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ClientFile {
    id: String,
    jwks: Option<PathBuf>,
    jwks_url: Option<String>,
    scopes: String,
    #[serde(default)]
    sources: Vec<String>,
    certificate: Option<PathBuf>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct IssuerFile {
    issuer: String,
    audience: String,
    jwks: Option<PathBuf>,
    jwks_url: Option<String>,
    algorithms: Option<Vec<String>>,
    scopes: Option<String>,
    longest_seconds: Option<u32>,
    #[serde(default)]
    sources: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CallerFile {
    issuer: String,
    jwks: Option<PathBuf>,
    jwks_url: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct SignInFile {
    issuer: String,
    client_id: String,
    client_secret_file: Option<PathBuf>,
    algorithms: Option<Vec<String>>,
    claim: String,
    #[serde(default)]
    role: Vec<RoleFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RoleFile {
    name: String,
    scopes: String,
}

/// The parts of the file that say who is let in.
pub(super) struct Parts {
    pub(super) access: Option<AccessFile>,
    pub(super) clients: Vec<ClientFile>,
    pub(super) issuers: Vec<IssuerFile>,
    pub(super) callers: Vec<CallerFile>,
    pub(super) sign_in: Option<SignInFile>,
}

/// What there is to read `[access]` with.
pub(super) struct Reading<'a> {
    /// Folder that paths start from.
    pub(super) folder: &'a Path,
    /// The address of `/fhir`.
    pub(super) public_base: Option<&'a str>,
    /// Names of watched sources.
    pub(super) sources: &'a [super::Source],
    /// Whether connections show certificates.
    pub(super) certificates: bool,
    /// Everything that is wrong.
    pub(super) errors: &'a mut Vec<String>,
}

impl Reading<'_> {
    /// What the parts of the file come to.
    pub(super) fn access(&mut self, parts: Parts) -> Access {
        let Parts { access, clients, issuers, callers, sign_in } = parts;
        if access.is_none() && clients.is_empty() && issuers.is_empty() && sign_in.is_none() {
            return Access::Open;
        }
        if clients.is_empty() && issuers.is_empty() && sign_in.is_none() {
            self.errors.push("access: nobody is let in; register a [[client]] or an [[issuer]]".to_owned());
        }
        let AccessFile { token_address, proxies, .. } = access.unwrap_or_default();
        let token_address = token_address.or_else(|| {
            let base = self.public_base?.strip_suffix("/fhir")?;
            Some(format!("{base}/auth/token"))
        });
        if token_address.is_none() && !clients.is_empty() {
            let why = "public_base: expected the address of /fhir as clients call it, such as \
                       \"https://terce.hospital.example/fhir\": assertions are made out to /auth/token beside it";
            self.errors.push(why.to_owned());
        }
        let mut registry = Registry {
            token_address: token_address.unwrap_or_default(),
            proxies: proxies.iter().map(IpAddr::to_canonical).collect(),
            ..Registry::default()
        };
        let mut seen = BTreeSet::new();
        for (index, file) in clients.into_iter().enumerate() {
            let at = format!("client[{index}]");
            if !seen.insert(file.id.clone()) {
                self.errors.push(format!("{at}.id: \"{}\" is there already", file.id));
            }
            registry.clients.extend(self.client(&at, file));
        }
        let mut seen = BTreeSet::new();
        for (index, file) in issuers.into_iter().enumerate() {
            let at = format!("issuer[{index}]");
            if !seen.insert(file.issuer.clone()) {
                self.errors.push(format!("{at}.issuer: \"{}\" is there already", file.issuer));
            }
            registry.issuers.extend(self.issuer(&at, file));
        }
        for (index, file) in callers.into_iter().enumerate() {
            let keys = self.keys(&format!("cds[{index}]"), file.jwks.as_deref(), file.jwks_url);
            registry.callers.extend(keys.map(|keys| Caller { issuer: file.issuer, keys }));
        }
        registry.sign_in = sign_in.and_then(|file| self.sign_in(file));
        Access::Registered(Box::new(registry))
    }

    fn sign_in(&mut self, file: SignInFile) -> Option<SignIn> {
        let SignInFile { issuer, client_id, client_secret_file, algorithms, claim, role } = file;
        let secret = client_secret_file.and_then(|path| self.secret(&path));
        let back = self.public_base.and_then(|base| base.strip_suffix("/fhir"));
        if back.is_none() {
            let why = "public_base: expected the address of /fhir as browsers reach it: people come back from signing in to \
                       /sign-in/back beside it";
            self.errors.push(why.to_owned());
        }
        if !may_be_fetched(&issuer) {
            let why = "expected an https address (http only on this machine)";
            self.errors.push(format!("sign_in.issuer: \"{issuer}\": {why}"));
        }
        for (name, value) in [("client_id", &client_id), ("claim", &claim)] {
            if value.is_empty() {
                self.errors.push(format!("sign_in.{name}: expected a text"));
            }
        }
        if role.is_empty() {
            self.errors.push(
                "sign_in.role: expected one at least: a name that the claim tells, and its scopes".to_owned(),
            );
        }
        let algorithms = algorithms.unwrap_or_else(|| vec!["RS256".to_owned(), "ES256".to_owned()]);
        let algorithms = self.algorithms("sign_in", &algorithms);
        let mut roles = Vec::new();
        for (index, RoleFile { name, scopes }) in role.into_iter().enumerate() {
            let at = format!("sign_in.role[{index}]");
            roles.extend(self.scopes(&at, &scopes).map(|scopes| (name, scopes)));
        }
        Some(SignIn {
            issuer,
            client: client_id,
            secret,
            algorithms,
            claim,
            roles,
            back: format!("{}/sign-in/back", back?),
        })
    }

    fn secret(&mut self, place: &Path) -> Option<Secret> {
        let told = |why| self.errors.push(format!("sign_in.client_secret_file: {why}"));
        secret::text(self.folder, place, 1).map(Secret).map_err(told).ok()
    }

    fn algorithms(&mut self, at: &str, names: &[String]) -> Vec<jsonwebtoken::Algorithm> {
        let mut algorithms = Vec::new();
        for name in names {
            match algorithm(name) {
                Some(known) => algorithms.push(known),
                None => self.errors.push(format!(
                    "{at}.algorithms: \"{name}\" is not taken; expected RS, PS or ES with 256 or 384, or RS512 or PS512"
                )),
            }
        }
        algorithms
    }

    fn client(&mut self, at: &str, file: ClientFile) -> Option<Client> {
        let plain = |c: char| c.is_ascii_graphic() && !matches!(c, '"' | '\\');
        if file.id.is_empty() || file.id.len() > limits::NAME_BYTES || !file.id.chars().all(plain) {
            self.errors.push(format!("{at}.id: expected up to {} visible characters", limits::NAME_BYTES));
        }
        let keys = self.keys(at, file.jwks.as_deref(), file.jwks_url);
        let scopes = self.scopes(at, &file.scopes);
        self.check_sources(at, &file.sources);
        let certificate = file.certificate.and_then(|path| self.certificate(at, &path));
        Some(Client { id: file.id, keys: keys?, scopes: scopes?, sources: file.sources, certificate })
    }

    fn issuer(&mut self, at: &str, file: IssuerFile) -> Option<Issuer> {
        if file.audience.is_empty() {
            self.errors.push(format!("{at}.audience: expected what its tokens for this service say as aud"));
        }
        let keys = self.keys(at, file.jwks.as_deref(), file.jwks_url);
        let algorithms = file.algorithms.unwrap_or_else(|| vec!["RS384".to_owned(), "ES384".to_owned()]);
        let algorithms = self.algorithms(at, &algorithms);
        let scopes = self.scopes(at, file.scopes.as_deref().unwrap_or("system/*.cruds"));
        let longest_s = i64::from(file.longest_seconds.unwrap_or(300));
        if !(1..=limits::FOREIGN_TOKEN_S).contains(&longest_s) {
            self.errors.push(format!("{at}.longest_seconds: expected 1 to {}", limits::FOREIGN_TOKEN_S));
        }
        self.check_sources(at, &file.sources);
        let IssuerFile { issuer, audience, sources, .. } = file;
        Some(Issuer { issuer, audience, keys: keys?, algorithms, scopes: scopes?, longest_s, sources })
    }

    fn keys(&mut self, at: &str, file: Option<&Path>, address: Option<String>) -> Option<KeysFrom> {
        match (file, address) {
            (Some(path), None) => {
                let path = self.folder.join(path);
                let read = std::fs::read(&path).map_err(|e| e.to_string());
                let keys = read.and_then(|text| Keys::read(&text).map_err(|e| e.to_string()));
                keys.map_err(|why| self.errors.push(format!("{at}.jwks: {}: {why}", path.display())))
                    .ok()
                    .map(KeysFrom::Held)
            }
            (None, Some(address)) if may_be_fetched(&address) => Some(KeysFrom::At(address)),
            (None, Some(address)) => {
                let why = "expected an https address (http only on this machine)";
                self.errors.push(format!("{at}.jwks_url: \"{address}\": {why}"));
                None
            }
            (None, None) | (Some(_), Some(_)) => {
                self.errors.push(format!("{at}: expected its public keys: either jwks, a file, or jwks_url"));
                None
            }
        }
    }

    fn scopes(&mut self, at: &str, text: &str) -> Option<Scopes> {
        match Scopes::read(text) {
            Ok(scopes) if !scopes.is_empty() => return Some(scopes),
            Ok(_) => {
                self.errors.push(format!("{at}.scopes: expected one at least, such as system/Procedure.cu"))
            }
            Err(error) => self.errors.push(format!("{at}.scopes: {error}")),
        }
        None
    }

    fn check_sources(&mut self, at: &str, sources: &[String]) {
        for name in sources.iter().filter(|name| !self.sources.iter().any(|s| s.name == **name)) {
            self.errors.push(format!("{at}.sources: there is no [[source]] named \"{name}\""));
        }
    }

    fn certificate(&mut self, at: &str, path: &Path) -> Option<String> {
        if !self.certificates {
            let why = "connections show no certificates; set tls.client_ca";
            self.errors.push(format!("{at}.certificate: {why}"));
        }
        let path = self.folder.join(path);
        let read = std::fs::read(&path).map_err(|e| e.to_string());
        let print = read.and_then(|pem| tls::fingerprint(&pem));
        print.map_err(|why| self.errors.push(format!("{at}.certificate: {}: {why}", path.display()))).ok()
    }
}
