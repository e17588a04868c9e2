//! A folder into which others put files.

use std::io::Write as _;
use std::path::Path;

use terce::Running;
use terce::care::time::Instant;
use terce::clock::Clock;
use terce::config::Config;
use terce::store::{LetterQuery, Store};

use super::{NOON_US, care, ids, memory, noon, polled};

async fn watching(store: Store, folder: &Path, at: Instant) -> Running {
    let text = format!(
        "listen = \"127.0.0.1:0\"\n[[source]]\nname = \"charting\"\nheartbeat_seconds = 60\n[source.folder]\npath = \"{}\"\n\
         every_seconds = 10\ncomplete = true\n",
        folder.display()
    );
    terce::service::serve_on(store, Config::parse(&text).unwrap(), Clock::settable(at)).await.unwrap()
}

fn lines(from: usize, to: usize) -> String {
    (from..to).map(|n| format!("{}\n", care(&format!("c{n:04}"), "x"))).collect()
}

async fn look(service: &Running) {
    let before = service.feeds.polls().borrow().get("charting").cloned().unwrap_or_default();
    let now = service.clock.now();
    service.clock.set(Instant::from_micros(now.micros() + 11_000_000));
    polled(service, |p| p.rounds > before.rounds || p.tries > before.tries).await;
}

#[tokio::test]
async fn files_are_read_once_they_stand_still_whatever_they_are_packed_with() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    std::fs::write(at("a.ndjson"), lines(0, 700)).unwrap();
    let mut packed = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packed.write_all(lines(700, 800).as_bytes()).unwrap();
    std::fs::write(at("b.ndjson.gz"), packed.finish().unwrap()).unwrap();
    std::fs::write(at("c.ndjson.zst"), zstd::encode_all(lines(800, 900).as_bytes(), 1).unwrap()).unwrap();
    std::fs::write(at("d.txt"), "nothing of ours").unwrap();
    let service = watching(memory().await, folder.path(), noon()).await;
    polled(&service, |p| p.rounds == 1).await;
    assert_eq!(ids(&service, "Procedure").await, [""; 0], "nothing is read at the first look");
    std::fs::write(at("a.ndjson"), lines(0, 710)).unwrap();
    look(&service).await;
    assert_eq!(service.store.count("Procedure").await.unwrap(), 200, "what still grows is not read");
    look(&service).await;
    assert_eq!(service.store.count("Procedure").await.unwrap(), 900);
    let left: Vec<_> = std::fs::read_dir(folder.path()).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(left.len(), 2, "what was read is put aside: {left:?}");
    assert_eq!(std::fs::read_dir(at("done")).unwrap().count(), 3);
    look(&service).await;
    let told = service.store.sources().await.unwrap()[0].last_us;
    assert_eq!(told, service.clock.now().micros(), "an empty folder means that all was told");
}

#[tokio::test]
async fn bad_lines_are_dead_letters_and_the_rest_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let mut bad = care("bad", "x");
    bad["status"] = "asleep".into();
    let text = format!("{}{bad}\nno json\n\n[1]\n{}", lines(0, 3), lines(3, 5));
    std::fs::write(folder.path().join("a.ndjson"), text).unwrap();
    let service = watching(memory().await, folder.path(), noon()).await;
    polled(&service, |p| p.rounds == 1).await;
    look(&service).await;
    assert_eq!(service.store.count("Procedure").await.unwrap(), 5);
    let letters = service
        .store
        .letters(LetterQuery { limit: 9, bodies: true, ..LetterQuery::default() })
        .await
        .unwrap();
    let names: Vec<&str> = letters.iter().map(|letter| letter.why.split(':').next().unwrap()).collect();
    assert_eq!(letters.len(), 3, "{names:?}");
    assert!(letters.iter().any(|letter| letter.why == "it is no JSON"));
}

#[tokio::test]
async fn a_file_that_was_read_in_part_is_read_on_and_what_comes_twice_has_no_effect() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a.ndjson");
    std::fs::write(&file, lines(0, 1_200)).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("terce.db");
    let open = async || Store::open_sqlite(Some(&path)).await.unwrap();
    let store = open().await;
    // a former process had taken in 500 lines and stored that
    let marks = vec![("folder.charting".into(), "a.ndjson\t500".to_owned())];
    store.commit(terce::store::Batch { now_us: NOON_US, marks, ..Default::default() }).await.unwrap();
    let service = watching(store, folder.path(), noon()).await;
    polled(&service, |p| p.rounds == 1).await;
    look(&service).await;
    assert_eq!(service.store.count("Procedure").await.unwrap(), 700);
    std::fs::write(&file, lines(0, 1_200)).unwrap();
    look(&service).await;
    look(&service).await;
    assert_eq!(service.store.count("Procedure").await.unwrap(), 1_200);
    assert_eq!(service.store.document("Procedure", "c0900").await.unwrap().unwrap().version, 1);
}
