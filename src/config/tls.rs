//! `[tls]`: the certificate that is shown, and whose certificates must be shown.

use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::{RootCertStore, ServerConfig};
use serde::Deserialize;

use super::secret;
use crate::access::digest;

/// TLS of the listener, from 1.2 on.
#[derive(Clone)]
pub struct Tls {
    /// What connections are accepted with.
    pub server: Arc<ServerConfig>,
    /// Whether clients must show a certificate.
    pub mutual: bool,
}

// the configuration is shown in logs; the key is not
impl fmt::Debug for Tls {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tls").field("mutual", &self.mutual).finish_non_exhaustive()
    }
}

/// What the file says of it.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TlsFile {
    certificate: PathBuf,
    key: PathBuf,
    client_ca: Option<PathBuf>,
}

/// What it comes to; none if something is wrong, which is in `errors` then.
pub(super) fn read(file: TlsFile, folder: &Path, errors: &mut Vec<String>) -> Option<Tls> {
    let mut pem = |name: &str, path: &Path| {
        secret::bytes(folder, path).map_err(|why| errors.push(format!("tls.{name}: {why}"))).ok()
    };
    let chain = pem("certificate", &file.certificate);
    let key = pem("key", &file.key);
    let authorities = file.client_ca.as_deref().map(|path| pem("client_ca", path));
    let mutual = authorities.is_some();
    let authorities = match authorities {
        None => None,
        Some(read) => Some(read?),
    };
    match server(&chain?, &key?, authorities.as_deref()) {
        Ok(server) => Some(Tls { server: Arc::new(server), mutual }),
        Err(why) => {
            errors.push(format!("tls.{why}"));
            None
        }
    }
}

fn server(chain: &[u8], key: &[u8], authorities: Option<&[u8]>) -> Result<ServerConfig, String> {
    let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
    let chain = certificates(chain).map_err(|why| format!("certificate: {why}"))?;
    let key =
        PrivateKeyDer::from_pem_slice(key).map_err(|_| "key: expected a private key in PEM".to_owned())?;
    let builder = ServerConfig::builder_with_provider(provider.clone())
        .with_safe_default_protocol_versions()
        .map_err(|e| e.to_string())?;
    let builder = match authorities {
        None => builder.with_no_client_auth(),
        Some(pem) => {
            let mut roots = RootCertStore::empty();
            for certificate in certificates(pem).map_err(|why| format!("client_ca: {why}"))? {
                roots.add(certificate).map_err(|e| format!("client_ca: {e}"))?;
            }
            let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider).build();
            builder.with_client_cert_verifier(verifier.map_err(|e| format!("client_ca: {e}"))?)
        }
    };
    let mut server = builder
        .with_single_cert(chain, key)
        .map_err(|e| format!("certificate: it does not go with the key, or cannot be used: {e}"))?;
    server.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(server)
}

fn certificates(pem: &[u8]) -> Result<Vec<CertificateDer<'static>>, String> {
    let all: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(pem).collect();
    match all {
        Ok(all) if !all.is_empty() => Ok(all),
        Ok(_) | Err(_) => Err("expected certificates in PEM".to_owned()),
    }
}

/// The fingerprint of the first certificate in a PEM file.
pub(super) fn fingerprint(pem: &[u8]) -> Result<String, String> {
    let first = certificates(pem)?.into_iter().next().ok_or("expected a certificate in PEM")?;
    Ok(digest(&first))
}
