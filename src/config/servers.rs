//! `[[server]]`: FHIR servers that this service calls.

use std::path::{Path, PathBuf};

use serde::Deserialize;

use super::secret;
use crate::outward::{PrivateKey, Secret, Server, Settings, TokenSettings};

/// What the file says of one.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ServerFile {
    name: String,
    base: String,
    #[serde(default)]
    also: Vec<String>,
    ca: Option<PathBuf>,
    certificate: Option<PathBuf>,
    key: Option<PathBuf>,
    proxy: Option<String>,
    token: Option<TokenFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TokenFile {
    client_id: String,
    address: Option<String>,
    scopes: String,
    #[serde(default)]
    key: Vec<KeyFile>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct KeyFile {
    id: String,
    file: PathBuf,
    algorithm: Option<String>,
}

/// What they come to; all that is wrong is in `errors`.
pub(super) fn read(files: Vec<ServerFile>, folder: &Path, errors: &mut Vec<String>) -> Vec<Server> {
    let mut servers: Vec<Server> = Vec::new();
    for (index, file) in files.into_iter().enumerate() {
        let at = format!("server[{index}]");
        if !fhir_models::primitive::is_id(&file.name) {
            errors.push(format!("{at}.name: \"{}\" may hold letters, digits, - and . only", file.name));
        }
        if servers.iter().any(|s| s.name() == file.name) {
            errors.push(format!("{at}.name: \"{}\" is there already", file.name));
        }
        let before = errors.len();
        let settings = settings(file, &at, folder, errors);
        if errors.len() > before {
            continue;
        }
        match Server::new(&settings) {
            Ok(server) => servers.push(server),
            Err(why) => errors.push(format!("{at}.{why}")),
        }
    }
    servers
}

fn settings(file: ServerFile, at: &str, folder: &Path, errors: &mut Vec<String>) -> Settings {
    let mut bytes = |name: &str, path: &Path| {
        secret::bytes(folder, path)
            .map_err(|why| errors.push(format!("{at}.{name}: {why}")))
            .unwrap_or_default()
    };
    let authorities = file.ca.as_deref().map(|path| bytes("ca", path));
    let mut identity = None;
    let mut wrong = None;
    match (&file.certificate, &file.key) {
        (Some(certificate), Some(key)) => {
            let mut pem = bytes("certificate", certificate);
            pem.push(b'\n');
            pem.extend(bytes("key", key));
            identity = Some(Secret(pem));
        }
        (None, None) => {}
        (Some(_), None) | (None, Some(_)) => {
            wrong = Some("certificate: a certificate and its key are named together, or neither");
        }
    }
    let token = file.token.map(|token| {
        let keys = token.key.into_iter().enumerate().map(|(n, key)| {
            let elliptic = match key.algorithm.as_deref() {
                None | Some("ES384") => true,
                Some("RS384") => false,
                Some(_) => {
                    wrong = Some("token.key.algorithm: expected \"ES384\" or \"RS384\"");
                    true
                }
            };
            let pem = Secret(bytes(&format!("token.key[{n}].file"), &key.file));
            PrivateKey { id: key.id, elliptic, pem }
        });
        let keys = keys.collect();
        TokenSettings { client_id: token.client_id, address: token.address, scopes: token.scopes, keys }
    });
    errors.extend(wrong.map(|why| format!("{at}.{why}")));
    let base = file.base.trim_end_matches('/').to_owned();
    Settings { name: file.name, base, also: file.also, authorities, identity, proxy: file.proxy, token }
}
