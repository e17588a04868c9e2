//! The pages, in a browser: on a day of the demo's ward, and behind a sign-in at a provider that is not ours.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use chrono::TimeDelta;
use demo::feed::Feed;
use demo::house::fixtures;
use demo::service::Service;
use demo::time::{DAY, instant, opening};
use demo::ward::{Ward, outages};
use terce::clock::Clock;
use terce::config::Config;
use terce::service;
use terce::store::{About, Batch, Store, Undelivered, Way};

fn script(name: &str) -> Command {
    let mut command = Command::new("node");
    command
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/pages").join(name))
        .env("TERCE_BROWSER", super::folder("browser"))
        .env("TERCE_SHOTS", shots());
    command
}

/// Where pictures of the pages are kept, to be looked at.
fn shots() -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("screenshots");
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// Two documents that were fetched and refused: one can be handed over again, one cannot.
async fn refused(database: &Path, at: chrono::DateTime<chrono::Utc>) {
    let store = Store::open_sqlite(Some(database)).await.unwrap();
    let sound = r#"{"resourceType":"Patient","id":"letter"}"#;
    let unsound = r#"{"resourceType":"Patient","id":"unsound","gender":"<b>none</b>"}"#;
    let letters = [("Patient/letter", sound), ("Patient/unsound", unsound)].map(|(name, body)| Undelivered {
        about: About { way: Way::In, place: "ward".to_owned(), name: name.to_owned() },
        why: "code-invalid: <script>alert(4)</script>".to_owned(),
        body: Some(body.as_bytes().to_vec()),
    });
    let now_us = at.timestamp_micros();
    store.commit(Batch { now_us, letters: letters.into(), ..Batch::default() }).await.unwrap();
    store.close().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_answers_its_question_to_everyone() {
    let data = tempfile::tempdir().unwrap();
    let service = Service::start(data.path(), 0, instant(opening())).await.unwrap();
    let mut feed = Feed::new(&service.base()).unwrap();
    for body in fixtures() {
        feed.put(&body).await.unwrap();
    }
    let mut ward = Ward::new(1, outages(1));
    let last = opening() + DAY;
    for minute in opening() + 1..=last {
        let charts = ward.tick(minute);
        service.set(instant(minute) - TimeDelta::seconds(30));
        feed.send(&charts).await.unwrap();
        service.set(instant(minute));
        if minute % 10 == 0 || minute == last {
            feed.heartbeat().await.unwrap();
            service.settle().await.unwrap();
        }
    }
    refused(&data.path().join("terce.db"), instant(last)).await;
    let mut command = script("pages.mjs");
    command.arg(service.base()).arg(instant(last).to_rfc3339());
    super::clients::ends_well(command).await;
    service.stop().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn people_sign_in_at_a_provider_and_see_what_their_roles_allow() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("secret"), "s e:c+ret\n").unwrap();
    let free = || std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let (ours, theirs) = (free(), free());
    let base = format!("http://127.0.0.1:{ours}");
    let mut provider = script("provider.mjs");
    provider.arg(theirs.to_string()).arg(format!("{base}/sign-in/back")).stdout(Stdio::piped());
    let mut provider = Provider(provider.spawn().unwrap());
    provider.ready();
    let text = format!(
        r#"
        listen = "127.0.0.1:{ours}"
        public_base = "{base}/fhir"
        [access]
        tls_elsewhere = true
        [[unit]]
        location = "north"
        name = "North"
        [sign_in]
        issuer = "http://127.0.0.1:{theirs}"
        client_id = "pages"
        client_secret_file = "secret"
        claim = "roles"
        [[sign_in.role]]
        name = "quality"
        scopes = "system/*.rs"
        [[sign_in.role]]
        name = "integration"
        scopes = "system/*.rs system/ConceptMap.cu"
        [[sign_in.role]]
        name = "librarian"
        scopes = "system/PlanDefinition.rs"
        "#
    );
    let file = folder.path().join("terce.toml");
    std::fs::write(&file, text).unwrap();
    let config = Config::load(Some(&file)).unwrap();
    let store = Store::open_sqlite(None).await.unwrap();
    let running = service::serve_on(store, config, Clock::machine()).await.unwrap();
    let mut command = script("sign_in.mjs");
    command.arg(&base).arg(format!("http://127.0.0.1:{theirs}"));
    super::clients::ends_well(command).await;
    running.shutdown().await.unwrap();
}

/// A provider that runs; it ends with the test.
struct Provider(std::process::Child);

impl Provider {
    fn ready(&mut self) {
        use std::io::BufRead;
        let out = self.0.stdout.take().unwrap();
        let mut line = String::new();
        std::io::BufReader::new(out).read_line(&mut line).unwrap();
        assert_eq!(line.trim(), "ready");
    }
}

impl Drop for Provider {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
