//! A client of somebody else's making gets a token and uses it.

use std::path::Path;
use std::process::Command;

use serde_json::{Value, json};
use terce::clock::Clock;
use terce::config::Config;
use terce::store::Store;

fn client(arguments: &[&str]) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/token/client.py");
    let mut command = Command::new("python3");
    let output =
        command.arg(script).args(arguments).env("PYTHONPATH", super::folder("tokens")).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// An address that nobody listens on at this moment.
fn free() -> std::net::SocketAddr {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_foreign_client_finds_the_way_to_a_token_and_can_do_what_it_says_and_no_more() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().to_str().unwrap().to_owned();
    client(&["keys", &path]);
    let address = free();
    let config = format!(
        "listen = \"{address}\"\nadmin_listen = \"127.0.0.1:0\"\npublic_base = \"http://{address}/fhir\"\n\
         [[client]]\nid = \"foreign\"\njwks = \"public.jwks.json\"\nscopes = \"system/Procedure.cru\"\n"
    );
    let file = folder.path().join("terce.toml");
    std::fs::write(&file, config).unwrap();
    let store = Store::open_sqlite(None).await.unwrap();
    let config = Config::load(Some(&file)).unwrap();
    let running = terce::service::serve_on(store, config, Clock::machine()).await.unwrap();
    let base = running.base().trim_end_matches("/fhir").to_owned();
    let said = tokio::task::spawn_blocking(move || client(&["use", &path, &base])).await.unwrap();
    running.shutdown().await.unwrap();
    let said: Value = serde_json::from_str(&said).unwrap();
    assert_eq!(said["told"]["grant_types_supported"], json!(["client_credentials"]));
    for algorithm in ["RS384", "ES384"] {
        let used = &said["used"][algorithm];
        assert_eq!(used["scope"], "system/Procedure.cr", "{algorithm}");
        assert_eq!(used["expires_in"], 300);
        assert_eq!(used["statuses"], json!([201, 200, 403]), "created, read, and may not search");
    }
    assert_eq!(said["an hour"], "invalid_client", "an assertion that is good for an hour");
}
