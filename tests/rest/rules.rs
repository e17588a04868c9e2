//! Definitions that change how everybody is counted.

use serde_json::{Value, json};
use terce::store::{Batch, Reconciled};

use super::{NOON_US, Service, procedure, with};

/// A service with one patient who has been looked at.
async fn service() -> Service {
    let service = Service::new().await;
    service.post("/fhir/Procedure", &procedure()).await;
    look(&service).await;
    service
}

async fn look(service: &Service) {
    let generation = service.store.documents_of("p1", 0).await.unwrap().generation;
    let reconciled = vec![Reconciled { patient: "p1".to_owned(), generation, ..Reconciled::default() }];
    service.store.commit(Batch { now_us: NOON_US, reconciled, ..Batch::default() }).await.unwrap();
    assert_eq!(dirty(service).await, 0);
}

async fn dirty(service: &Service) -> u64 {
    service.store.counts().await.unwrap().dirty
}

fn adult() -> Value {
    let adult = terce::translate::shipped::ALL.iter().find(|s| s.kind == "PlanDefinition" && s.id == "adult");
    serde_json::from_slice(adult.unwrap().body).unwrap()
}

#[tokio::test]
async fn a_plan_with_another_meaning_has_everybody_looked_at_again() {
    let service = service().await;
    let changed = with(adult(), json!({ "title": "Ours" }));
    assert_eq!(service.put("/fhir/PlanDefinition/adult", &changed).await.status, 201);
    assert_eq!(dirty(&service).await, 1);
}

#[tokio::test]
async fn a_plan_with_the_same_meaning_troubles_nobody() {
    let service = service().await;
    assert_eq!(service.put("/fhir/PlanDefinition/adult", &adult()).await.status, 201);
    look(&service).await;
    let told_otherwise = with(adult(), json!({ "copyright": "nobody's" }));
    assert_eq!(service.put("/fhir/PlanDefinition/adult", &told_otherwise).await.status, 200);
    assert_eq!(dirty(&service).await, 0);
}

#[tokio::test]
async fn rules_that_were_written_before_a_crash_are_taken_up_at_the_next_start() {
    let service = service().await;
    let marks = vec![("rules-written".into(), "then".to_owned())];
    service.store.commit(Batch { now_us: NOON_US, marks, ..Batch::default() }).await.unwrap();
    service.rest.settle_rules().await.unwrap();
    assert_eq!(dirty(&service).await, 1);
    let settled = service.store.mark("rules-settled").await.unwrap();
    assert_eq!(settled.as_deref(), Some("then"));
}
