//! What is recorded where there is too much of it, or no room.

use serde_json::json;
use terce::config::Config;
use terce::rest::limits;
use terce::store::{Audit, Batch, Store};
use terce::translate::audit::deed;

use super::super::access::guarded;
use super::super::{NOON_US, Service, procedure, verdict, without};

#[tokio::test]
async fn a_flood_of_refusals_is_counted_and_not_listed_one_by_one() {
    let service = guarded().await;
    let many = usize::try_from(limits::AUDIT_REFUSED).unwrap();
    let long = format!("/fhir/Task?x={}", "y".repeat(4_000));
    for _ in 0..many + 40 {
        assert_eq!(service.get(&long).await.status, 401);
    }
    let rows = service.store.audits_after(i64::MIN, 1_000).await.unwrap();
    assert_eq!(rows.len(), many);
    assert!(rows.iter().all(|found| found.row.body.len() < 600), "{}", rows[0].row.body.len());
    service.clock.set(terce::care::time::Instant::from_micros(NOON_US + 60_000_000));
    service.get("/fhir/Task").await;
    let rows = service.recorded().await;
    assert_eq!(rows.len(), many + 2);
    assert_eq!((&*rows[many].deed, rows[many].more), (deed::UNLISTED, 40));
    service.is_whole().await;
}

#[tokio::test]
async fn of_a_bundle_whose_entries_are_refused_some_are_listed_and_all_are_counted() {
    let service = Service::new().await;
    let entry = json!({ "request": { "method": "GET", "url": "Nothing/at-all" } });
    let many = limits::AUDIT_REFUSED_ENTRIES + 15;
    let sent = json!({ "resourceType": "Bundle", "type": "batch", "entry": vec![entry; many] });
    service.post("/fhir", &sent).await;
    let rows = service.recorded().await;
    let counted: u64 = rows.iter().map(|r| r.more).sum();
    assert_eq!((rows.last().unwrap().things.len(), counted), (limits::AUDIT_REFUSED_ENTRIES, 15));
}

/// Fills the disk, so to speak.
async fn full(service: &Service) {
    service.store.limit_size(1).await.unwrap();
    for _ in 0..5_000 {
        if service.post("/fhir/Procedure", &procedure()).await.status == 503 {
            // the rest of the page that is there
            let row = Audit { asked: "x".repeat(200), ..Audit::default() };
            let batch = || Batch { now_us: NOON_US, audits: vec![row.clone()], ..Batch::default() };
            while service.store.commit(batch()).await.is_ok() {}
            return;
        }
    }
    panic!("the store never fills up");
}

#[tokio::test]
async fn on_a_full_disk_the_worklist_is_read_on_and_how_often_is_recorded_afterwards() {
    let service = Service::new().await;
    full(&service).await;
    let lost = (service.get("/fhir/Task").await.status, service.get("/fhir/Procedure/a").await.status);
    assert_eq!(lost, (200, 404));
    service.store.limit_size(1 << 30).await.unwrap();
    service.clock.set(terce::care::time::Instant::from_micros(NOON_US + 60_000_000));
    assert_eq!(service.get("/fhir/Task").await.status, 200);
    let rows = service.recorded().await;
    let told = rows.iter().rev().find(|r| r.deed == deed::UNLISTED).unwrap();
    assert!(told.more >= 2, "{told:?}");
    service.is_whole().await;
}

#[tokio::test]
async fn where_the_configuration_is_strict_nothing_is_read_that_is_not_recorded() {
    let mut config = Config::standard();
    config.audit.strict = true;
    let service = Service::on(Store::open_sqlite(None).await.unwrap(), config).await;
    full(&service).await;
    assert_eq!(service.get("/fhir/Task").await.verdict(), verdict(503, "no-store"));
    service.store.limit_size(1 << 30).await.unwrap();
    assert_eq!(service.get("/fhir/Task").await.status, 200);
}

#[tokio::test]
async fn an_open_service_may_leave_out_what_is_read() {
    let mut config = Config::standard();
    config.audit.reads = false;
    let service = Service::on(Store::open_sqlite(None).await.unwrap(), config).await;
    service.get("/fhir/Task").await;
    service.get("/fhir/Procedure/a").await;
    service.post("/fhir/Procedure", &procedure()).await;
    service.post("/fhir/Procedure", &without(procedure(), "status")).await;
    let rows = service.recorded().await;
    let told: Vec<_> = rows.iter().map(|r| (&*r.deed, r.status)).collect();
    assert_eq!(told, [("create", 200), ("create", 400)]);
}

#[test]
fn what_is_recorded_is_configured_and_what_makes_no_sense_is_refused() {
    let read = |text: &str| Config::parse(text).map(|c| (c.audit.reads, c.audit.strict, c.audit.keep_days));
    assert_eq!(read(""), Ok((true, false, None)));
    assert_eq!(
        read("[audit]\nreads = false\nstrict = true\nkeep_days = 2190"),
        Ok((false, true, Some(2_190)))
    );
    assert!(read("[audit]\nkeep_days = 0").unwrap_err()[0].contains("audit.keep_days: "));
    assert!(read("[audit]\nwrites = false").is_err());
}

#[tokio::test]
async fn what_was_only_counted_is_recorded_at_the_end() {
    let service = guarded().await;
    let (stop, stopped) = tokio::sync::watch::channel(false);
    let recorder = tokio::spawn(service.rest.auditor().run(service.clock.clone(), stopped));
    for _ in 0..limits::AUDIT_REFUSED + 7 {
        service.get("/fhir/Task").await;
    }
    stop.send(true).unwrap();
    recorder.await.unwrap();
    let last = service.recorded().await.pop().unwrap();
    assert_eq!((&*last.deed, last.more), (deed::UNLISTED, 7));
}

#[tokio::test]
async fn a_running_service_removes_what_is_older_than_is_kept() {
    let store = Store::open_sqlite(None).await.unwrap();
    let day_us = 86_400_000_000;
    for days in [40, 31, 29] {
        let audits = vec![Audit { deed: "read".into(), ..Audit::default() }];
        store.commit(Batch { now_us: NOON_US - days * day_us, audits, ..Batch::default() }).await.unwrap();
    }
    let config = Config::parse("listen = \"127.0.0.1:0\"\n[audit]\nkeep_days = 30").unwrap();
    let clock = terce::clock::Clock::settable(terce::care::time::Instant::from_micros(NOON_US));
    let running = terce::service::serve_on(store.clone(), config, clock).await.unwrap();
    let kept = async {
        loop {
            let rows = store.audits_after(i64::MIN, 10).await.unwrap();
            if rows.len() != 3 {
                return rows.into_iter().map(|f| (f.row.number, f.row.audit().unwrap())).collect::<Vec<_>>();
            }
            tokio::task::yield_now().await;
        }
    };
    let kept = tokio::time::timeout(std::time::Duration::from_secs(60), kept).await.unwrap();
    assert_eq!(kept.iter().map(|(number, _)| *number).collect::<Vec<_>>(), [3, 4]);
    assert_eq!((&*kept[1].1.deed, kept[1].1.more), (deed::RETIRE, 2));
    assert_eq!(store.walk_audits(Vec::new(), 10).await.unwrap().1, []);
    running.shutdown().await.unwrap();
}
