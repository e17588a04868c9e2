//! What another map would make of the ward, told before it is written.

use serde_json::{Value, json};

use super::ward::{ACTIVITY, Ward};

fn map(element: Value) -> Value {
    json!({ "resourceType": "ConceptMap", "id": "local", "status": "active",
        "group": [{ "source": "urn:local", "target": ACTIVITY, "element": element }] })
}

async fn tried(ward: &Ward, path: &str, map: &Value) -> Vec<Value> {
    let (status, answer) = ward.send("POST", path, map).await;
    assert_eq!(status, 200, "{answer}");
    let typed: fhir_models::Parameters = fhir_models::parse(answer.to_string().as_bytes()).unwrap();
    assert_eq!(fhir_models::validate(&typed, answer.to_string().as_bytes()), []);
    answer["parameter"].as_array().unwrap().clone()
}

fn names(parameters: &[Value]) -> Vec<&str> {
    parameters.iter().map(|p| p["name"].as_str().unwrap()).collect()
}

#[tokio::test]
async fn what_a_map_would_change_is_told_and_comes_to_be_when_it_is_written() {
    let ward = Ward::with_patient().await;
    ward.admit_another(1).await;
    ward.until("03:00").await;
    let mut swab = ward.procedure("c", "", "completed", "01:50");
    swab["code"] = json!({ "coding": [{ "system": "urn:local", "code": "SWAB" }] });
    ward.put(swab).await;
    ward.until("03:01").await;
    assert!(ward.task().await.is_some(), "nobody knows what a swab is");
    let map = map(
        json!([{ "code": "SWAB", "target": [{ "code": "oral-cleansing", "equivalence": "equivalent" }] }]),
    );
    let told = tried(&ward, "ConceptMap/$try", &map).await;
    assert_eq!(names(&told), ["result", "code", "stay", "staysLookedAt", "more"]);
    assert_eq!(told[0]["valueBoolean"], true);
    assert_eq!(
        told[1]["part"],
        json!([
            { "name": "code", "valueCoding": { "system": "urn:local", "code": "SWAB" } },
            { "name": "after", "valueCoding": { "system": ACTIVITY, "code": "oral-cleansing" } },
        ])
    );
    assert_eq!(told[2]["part"][0]["valueReference"]["reference"], "Encounter/e", "and not the other");
    let side = |n: usize| told[2]["part"][n]["part"].clone();
    let number = |side: &Value, name: &str| {
        side.as_array().unwrap().iter().find(|p| p["name"] == name).unwrap()["valueUnsignedInt"].clone()
    };
    assert!(
        side(1).to_string().contains("\"clean\"") && !side(2).to_string().contains("\"clean\""),
        "{told:?}"
    );
    assert_eq!((number(&side(1), "met"), number(&side(2), "met")), (0.into(), 1.into()));
    assert_eq!(told[3]["valueUnsignedInt"], 2);
    assert!(ward.all("ConceptMap").await.iter().all(|map| map["id"] != "local"), "nothing was written");
    assert!(ward.task().await.is_some());
    // written, it comes to that; tried again, it changes nothing; with another in its place the swab means nothing again
    ward.put(map.clone()).await;
    ward.until("03:02").await;
    assert!(!ward.task().await.is_some_and(|task| task.to_string().contains("clean the mouth")));
    assert_eq!(names(&tried(&ward, "ConceptMap/$try", &map).await), ["result", "staysLookedAt", "more"]);
    let other = json!({ "resourceType": "ConceptMap", "status": "active" });
    let told = tried(&ward, "ConceptMap/local/$try", &other).await;
    assert_eq!(names(&told), ["result", "code", "stay", "staysLookedAt", "more"]);
}
