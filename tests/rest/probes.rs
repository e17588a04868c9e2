//! What machines ask.

use super::{Service, procedure, verdict};

#[tokio::test]
async fn the_service_is_alive_and_ready() {
    let service = Service::new().await;
    assert_eq!(service.get("/healthz").await.status, 200);
    assert_eq!(service.get("/readyz").await.status, 200);
    assert_eq!(service.get("/nothing").await.verdict(), verdict(404, "not-found"));
    assert_eq!(service.get("/fhirx").await.verdict(), verdict(404, "not-found"));
}

#[tokio::test]
async fn a_store_without_room_refuses_writes_is_not_ready_and_goes_on_reading() {
    let service = Service::new().await;
    let id = service.post("/fhir/Procedure", &procedure()).await.id();
    service.store.limit_size(1).await.unwrap();
    let mut refused = None;
    for _ in 0..2_000 {
        let reply = service.post("/fhir/Procedure", &procedure()).await;
        if reply.status != 201 {
            refused = Some(reply);
            break;
        }
    }
    let refused = refused.expect("the store fills up");
    assert_eq!(refused.verdict(), verdict(503, "no-store"));
    assert_ne!(refused.header("retry-after"), "");
    assert_eq!(service.get("/readyz").await.verdict(), verdict(503, "no-store"));
    assert_eq!(service.get(&format!("/fhir/Procedure/{id}")).await.status, 200);
    service.store.limit_size(1 << 30).await.unwrap();
    assert_eq!(service.post("/fhir/Procedure", &procedure()).await.status, 201);
    assert_eq!(service.get("/readyz").await.status, 200);
}

#[tokio::test]
async fn a_closed_store_is_unavailable() {
    let service = Service::new().await;
    service.store.close().await.unwrap();
    assert_eq!(service.post("/fhir/Procedure", &procedure()).await.verdict(), verdict(503, "transient"));
    assert_eq!(service.get("/fhir/Procedure/a").await.verdict(), verdict(503, "transient"));
    assert_eq!(service.get("/readyz").await.status, 503);
    assert_eq!(service.get("/healthz").await.status, 200);
}

#[tokio::test]
async fn a_watched_source_says_that_it_has_told_everything() {
    let service = Service::new().await;
    assert_eq!(service.ask("POST", "/feed/charting/heartbeat", &[], "").await.status, 204);
    let sources = service.store.sources().await.unwrap();
    assert_eq!((sources[0].name.as_str(), sources[0].last_us), ("charting", super::NOON_US));
    for unknown in
        ["/feed/chartign/heartbeat", "/feed/%2e%2e/heartbeat", "/feed/charting", "/feed/charting/x"]
    {
        assert_eq!(service.ask("POST", unknown, &[], "").await.status, 404, "{unknown}");
    }
    assert_eq!(service.get("/feed/charting/heartbeat").await.status, 405);
}

#[tokio::test]
async fn numbers_are_counted_by_type_and_status() {
    let service = Service::new().await;
    service.post("/fhir/Procedure", &procedure()).await;
    service.get("/fhir/Procedure/none").await;
    service.get("/fhir/Nothing/none").await;
    let reply = service.admin().get("/metrics").await;
    assert_eq!(reply.header("content-type"), "text/plain; version=0.0.4; charset=utf-8");
    let text = reply.text();
    for line in [
        "terce_http_requests_total{type=\"Procedure\",status=\"201\"} 1",
        "terce_http_requests_total{type=\"Procedure\",status=\"404\"} 1",
        "terce_http_requests_total{type=\"other\",status=\"404\"} 1",
        "terce_resources_ingested_total{type=\"Procedure\"} 1",
        "terce_commits_total 1",
        "terce_panics_total 0",
        "terce_subjects_dirty 1",
    ] {
        assert!(text.lines().any(|l| l == line), "{line} is not in\n{text}");
    }
}

#[tokio::test]
async fn those_who_watch_over_the_service_are_answered_about_it_and_nothing_else() {
    let service = Service::new().await;
    service.post("/fhir/Procedure", &procedure()).await;
    assert_eq!(service.get("/metrics").await.verdict(), verdict(404, "not-found"));
    let admin = service.admin();
    for path in ["/healthz", "/readyz", "/metrics"] {
        assert_eq!(admin.get(path).await.status, 200, "{path}");
        assert_eq!(admin.ask("POST", path, &[], "").await.verdict(), verdict(405, "not-supported"), "{path}");
    }
    for path in ["/fhir/Procedure", "/fhir/metadata", "/feed/charting/heartbeat", "/auth/token", "/"] {
        assert_eq!(admin.get(path).await.verdict(), verdict(404, "not-found"), "{path}");
    }
}
