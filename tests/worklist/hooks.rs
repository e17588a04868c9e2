//! The card that a record shows beside a patient.

use serde_json::{Value, json};

use super::ward::Ward;

async fn cards(ward: &Ward, patient: &str) -> Vec<Value> {
    let call = json!({"hook": "patient-view", "hookInstance": "7a1f6d0c-5d3e-4b0e-9a57-0d3a0b3f0c11", "context": {
        "userId": "Practitioner/n1", "patientId": patient, "encounterId": "e"}});
    let (status, answer) = called(ward, "mouth-care", &call).await;
    assert_eq!(status, 200, "{answer}");
    answer["cards"].as_array().unwrap().clone()
}

async fn called(ward: &Ward, service: &str, call: &Value) -> (u16, Value) {
    let url = format!("http://{}/cds-services/{service}", ward.service.address);
    let answer = reqwest::Client::new().post(url).json(call).send().await.unwrap();
    (answer.status().as_u16(), answer.json().await.unwrap())
}

#[tokio::test]
async fn a_card_says_what_is_due_and_there_is_none_when_nothing_is() {
    let ward = Ward::with_patient().await;
    let url = format!("http://{}/cds-services", ward.service.address);
    let found: Value = reqwest::get(url).await.unwrap().json().await.unwrap();
    assert_eq!(
        (&found["services"][0]["id"], &found["services"][0]["hook"]),
        (&"mouth-care".into(), &"patient-view".into())
    );
    ward.until("01:59").await;
    assert_eq!(cards(&ward, "p").await, [] as [Value; 0], "nothing is due");
    ward.until("02:30").await;
    let due = cards(&ward, "p").await;
    assert_eq!(due.len(), 1);
    let card = &due[0];
    assert_eq!(card["indicator"], "info");
    assert!(card["summary"].as_str().unwrap().starts_with("Mouth care: Clean the mouth: due"), "{card}");
    assert!(card["summary"].as_str().unwrap().chars().count() < 140);
    let detail = card["detail"].as_str().unwrap();
    for said in ["Charting is known up to 2026-03-10T02:30:00Z", "not an alarm", "bite block", "Computed at"]
    {
        assert!(detail.contains(said), "{said}: {detail}");
    }
    let page = card["links"][0]["url"].as_str().unwrap();
    assert_eq!(reqwest::get(page).await.unwrap().status(), 200, "{page}");
    let same = card["links"][1]["url"].as_str().unwrap();
    assert_eq!(reqwest::get(same).await.unwrap().status(), 200, "{same}");
    assert_eq!(cards(&ward, "Patient/p").await, due, "the same card has the same id");
    ward.until("04:31").await;
    assert_eq!(cards(&ward, "p").await[0]["indicator"], "warning");
    assert_eq!(cards(&ward, "unknown").await, [] as [Value; 0]);
    // somebody is about it
    let mut task = ward.task().await.unwrap();
    task["status"] = "in-progress".into();
    ward.put(task).await;
    assert_eq!(cards(&ward, "p").await, [] as [Value; 0]);
    ward.care("c", "oral-cleansing", "04:32").await;
    ward.until("04:33").await;
    assert_eq!(cards(&ward, "p").await, [] as [Value; 0]);
}

#[tokio::test]
async fn what_is_no_call_of_the_hook_is_refused() {
    let ward = Ward::with_patient().await;
    let right = json!({"hook": "patient-view", "hookInstance": "i", "context": {"userId": "Practitioner/n", "patientId": "p"}});
    let changed = |at: &str, value: Value| {
        let mut call = right.clone();
        *call.pointer_mut(at).unwrap() = value;
        call
    };
    for wrong in [
        json!({}),
        json!([]),
        changed("/hook", "order-sign".into()),
        changed("/hookInstance", "".into()),
        changed("/context/patientId", json!(["p"])),
        changed("/context/patientId", "../../p".into()),
    ] {
        let (status, answer) = called(&ward, "mouth-care", &wrong).await;
        assert_eq!((status, &answer["resourceType"]), (400, &"OperationOutcome".into()), "{wrong}: {answer}");
    }
    assert_eq!(called(&ward, "another", &right).await.0, 404);
}
