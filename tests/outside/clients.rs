//! FHIR clients that are not ours, on a Terce that runs: each step is checked by the client's own program.

use std::path::Path;
use std::process::Command;

use terce::clock::Clock;
use terce::config::Config;
use terce::service::{self, Running};
use terce::store::Store;

/// A service on a free port, its database in memory.
pub(super) async fn running() -> Running {
    let mut config = Config::standard();
    config.listen = ([127, 0, 0, 1], 0).into();
    let store = Store::open_sqlite(None).await.unwrap();
    service::serve_on(store, config, Clock::machine()).await.unwrap()
}

/// Runs `command` beside the service; it must end with 0.
pub(super) async fn ends_well(mut command: Command) {
    let shown = format!("{command:?}");
    let output = tokio::task::spawn_blocking(move || command.output().unwrap()).await.unwrap();
    let said = String::from_utf8_lossy(&output.stdout) + String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{shown}: {}\n{said}", output.status);
}

async fn finds_what_it_expects(program: &str, script: &str) {
    let clients = super::folder("clients");
    let running = running().await;
    let mut command = Command::new(program);
    command
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/clients").join(script))
        .arg(running.base())
        .env("PYTHONPATH", clients.join("python"))
        .env("TERCE_CLIENTS", &clients);
    ends_well(command).await;
    running.shutdown().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn fhirpy_finds_what_it_expects() {
    finds_what_it_expects("python3", "with_fhirpy.py").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn fhirclient_finds_what_it_expects() {
    finds_what_it_expects("python3", "with_fhirclient.py").await;
}

#[tokio::test(flavor = "multi_thread")]
async fn fhir_kit_client_finds_what_it_expects() {
    finds_what_it_expects("node", "with_fhir_kit_client.mjs").await;
}
