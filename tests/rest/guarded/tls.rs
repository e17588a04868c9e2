//! TLS, and certificates of clients, all made here.

use std::net::SocketAddr;
use std::time::Duration;

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, ExtendedKeyUsagePurpose, IsCa, KeyPair};
use reqwest::{Certificate, Client, Identity, tls};
use serde_json::json;
use tempfile::TempDir;
use terce::config::Config;
use terce::rest::{Listening, Times, serve_within};
use terce::store::Store;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

use super::super::Service;
use super::jose::{Key, set};

/// An authority and what it has signed.
struct Authority {
    issuer: CertifiedIssuer<'static, KeyPair>,
}

/// A certificate and its key, in PEM.
struct Signed {
    certificate: String,
    key: String,
}

impl Authority {
    fn new() -> Authority {
        let mut params = CertificateParams::new(Vec::new()).unwrap();
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        Authority { issuer: CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap() }
    }

    fn pem(&self) -> String {
        self.issuer.pem()
    }

    fn signs(&self, name: &str, purpose: ExtendedKeyUsagePurpose) -> Signed {
        let mut params = CertificateParams::new(vec![name.to_owned()]).unwrap();
        params.extended_key_usages = vec![purpose];
        let key = KeyPair::generate().unwrap();
        let certificate = params.signed_by(&key, &self.issuer).unwrap();
        Signed { certificate: certificate.pem(), key: key.serialize_pem() }
    }
}

struct Secured {
    address: SocketAddr,
    authority: Authority,
    folder: TempDir,
    _service: Service,
    _stop: watch::Sender<bool>,
}

impl Secured {
    /// With TLS, these lines of configuration, and files beside it.
    async fn new(lines: &str, files: &[(&str, String)]) -> Secured {
        let authority = Authority::new();
        let shown = authority.signs("127.0.0.1", ExtendedKeyUsagePurpose::ServerAuth);
        let folder = tempfile::tempdir().unwrap();
        let own = [("cert.pem", shown.certificate), ("key.pem", shown.key), ("ca.pem", authority.pem())];
        for (name, text) in own.iter().chain(files) {
            std::fs::write(folder.path().join(name), text).unwrap();
        }
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let text = format!("public_base = \"https://{address}/fhir\"\n{lines}");
        let path = folder.path().join("terce.toml");
        std::fs::write(&path, text).unwrap();
        let config = Config::load(Some(&path)).unwrap();
        let listening = Listening { listener, tls: config.tls.as_ref().map(|t| t.server.clone()) };
        let service = Service::on(Store::open_sqlite(None).await.unwrap(), config).await;
        let (stop, stopped) = watch::channel(false);
        let times = Times { head: Duration::from_millis(500), ..Times::default() };
        tokio::spawn(serve_within(times, listening, service.router.clone(), stopped));
        Secured { address, authority, folder, _service: service, _stop: stop }
    }

    fn client(&self, identity: Option<&Signed>) -> reqwest::ClientBuilder {
        let root = Certificate::from_pem(self.authority.pem().as_bytes()).unwrap();
        let builder = Client::builder().tls_certs_only([root]);
        match identity {
            None => builder,
            Some(own) => builder
                .identity(Identity::from_pem(format!("{}{}", own.certificate, own.key).as_bytes()).unwrap()),
        }
    }

    fn url(&self, path: &str) -> String {
        format!("https://{}{path}", self.address)
    }
}

const TLS: &str = "[tls]\ncertificate = \"cert.pem\"\nkey = \"key.pem\"\n";

#[tokio::test]
async fn tls_of_1_2_and_1_3_is_spoken_and_nothing_else() {
    let secured = Secured::new(TLS, &[]).await;
    for version in [tls::Version::TLS_1_2, tls::Version::TLS_1_3] {
        let client = secured.client(None).tls_version_min(version).tls_version_max(version).build().unwrap();
        let response = client.get(secured.url("/fhir/Procedure")).send().await.unwrap();
        assert_eq!(response.status(), 200, "{version:?}");
        assert_eq!(response.headers()["strict-transport-security"], "max-age=31536000");
        assert!(response.text().await.unwrap().contains("\"https://127.0.0.1:"));
    }
    // a ClientHello of TLS 1.1 with one cipher (RFC 4346, 7.4.1.2)
    let mut hello = vec![0x03, 0x02];
    hello.extend([7; 32]);
    hello.extend([0, 0, 2, 0x00, 0x2f, 1, 0]);
    let length = u8::try_from(hello.len()).unwrap();
    let mut record = vec![0x16, 0x03, 0x01, 0, length + 4, 0x01, 0, 0, length];
    record.extend(hello);
    for (what, bytes) in [("TLS 1.1", record), ("HTTP", b"GET /healthz HTTP/1.1\r\nHost: x\r\n\r\n".to_vec())]
    {
        let mut stream = TcpStream::connect(secured.address).await.unwrap();
        stream.write_all(&bytes).await.unwrap();
        let mut all = Vec::new();
        let _ = stream.read_to_end(&mut all).await;
        // an alert (RFC 8446, 6), or nothing
        assert!(all.is_empty() || all[0] == 0x15, "{what}: {all:?}");
    }
    let stranger = Client::builder().build().unwrap();
    assert!(stranger.get(secured.url("/healthz")).send().await.is_err(), "an authority that is not known");
}

#[tokio::test]
async fn a_handshake_that_does_not_come_is_not_waited_for() {
    let secured = Secured::new(TLS, &[]).await;
    for begun in [&b""[..], &[0x16, 0x03, 0x01]] {
        let mut stream = TcpStream::connect(secured.address).await.unwrap();
        stream.write_all(begun).await.unwrap();
        let mut all = Vec::new();
        let closed = tokio::time::timeout(Duration::from_secs(20), stream.read_to_end(&mut all)).await;
        assert!(closed.is_ok(), "{begun:?} is still open");
    }
}

#[tokio::test]
async fn where_clients_must_show_a_certificate_nobody_is_heard_without_one() {
    let mutual = format!("{TLS}client_ca = \"ca.pem\"\n");
    let secured = Secured::new(&mutual, &[]).await;
    let ask = async |identity: Option<&Signed>| {
        let client = secured.client(identity).build().unwrap();
        client.get(secured.url("/healthz")).send().await.map(|r| r.status().as_u16()).ok()
    };
    let own = secured.authority.signs("feed.example", ExtendedKeyUsagePurpose::ClientAuth);
    let foreign = Authority::new().signs("feed.example", ExtendedKeyUsagePurpose::ClientAuth);
    let server = secured.authority.signs("feed.example", ExtendedKeyUsagePurpose::ServerAuth);
    assert_eq!(ask(Some(&own)).await, Some(200));
    assert_eq!(ask(None).await, None);
    assert_eq!(ask(Some(&foreign)).await, None, "of another authority");
    assert_eq!(ask(Some(&server)).await, None, "for servers");
}

#[tokio::test]
async fn a_client_that_is_bound_to_a_certificate_gets_and_uses_tokens_with_that_one_only() {
    // the authority is made with the service: what it signs is registered in a second one with the same files
    let first = Secured::new(TLS, &[]).await;
    let bound = first.authority.signs("feed.example", ExtendedKeyUsagePurpose::ClientAuth);
    let other = first.authority.signs("other.example", ExtendedKeyUsagePurpose::ClientAuth);
    let key = Key::p384("e1");
    let lines = format!(
        "{TLS}client_ca = \"clients.pem\"\n[[client]]\nid = \"feed\"\njwks = \"feed.json\"\n\
         scopes = \"system/Procedure.s\"\ncertificate = \"feed.pem\"\n"
    );
    let files = [
        ("clients.pem", first.authority.pem()),
        ("feed.pem", bound.certificate.clone()),
        ("feed.json", set(&[key.jwk()])),
    ];
    let secured = Secured::new(&lines, &files).await;
    let now = super::NOON_US / 1_000_000;
    let token = async |identity: &Signed, jti: &str| {
        let claims = json!({
            "iss": "feed", "sub": "feed", "aud": secured.url("/auth/token"), "exp": now + 60, "jti": jti,
        });
        let form = format!(
            "grant_type=client_credentials&client_assertion_type=urn%3Aietf%3Aparams%3Aoauth%3Aclient-assertion-type%3A\
             jwt-bearer&scope=system%2FProcedure.s&client_assertion={}",
            key.token(json!({}), &claims)
        );
        let client = secured.client(Some(identity)).build().unwrap();
        let request = client.post(secured.url("/auth/token")).body(form);
        let request = request.header("content-type", "application/x-www-form-urlencoded");
        let response = request.send().await.unwrap();
        let body: serde_json::Value = serde_json::from_slice(&response.bytes().await.unwrap()).unwrap();
        body["access_token"].as_str().map(str::to_owned)
    };
    assert_eq!(token(&other, "1").await, None);
    let token = token(&bound, "2").await.expect("a token");
    let search = async |identity: &Signed| {
        let client = secured.client(Some(identity)).build().unwrap();
        let asked = client.get(secured.url("/fhir/Procedure")).bearer_auth(&token);
        asked.send().await.unwrap().status().as_u16()
    };
    assert_eq!(search(&bound).await, 200);
    assert_eq!(search(&other).await, 401, "a token that was taken from its client");
    assert!(secured.folder.path().join("feed.pem").exists());
}
