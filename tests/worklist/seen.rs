//! What the pages call a stay.

use serde_json::json;

use super::ward::Ward;

const SITE: &str = "[site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\n";

/// The pages of the unit and of the stay, where the patient is in a bed of it and has a name.
async fn pages(config: &str) -> [String; 2] {
    let ward = Ward::open(&format!("{SITE}{config}")).await;
    ward.admit().await;
    let bed = json!({"coding": [{"system": "http://terminology.hl7.org/CodeSystem/location-physical-type", "code": "bd"}]});
    ward.put(json!({"resourceType": "Location", "id": "room", "name": "Room <2>"})).await;
    for (id, name) in [("b7", "Bed 7"), ("b8", "Bed 8")] {
        ward.put(json!({"resourceType": "Location", "id": id, "name": name, "physicalType": bed, "partOf": {"reference": "Location/north"}}))
            .await;
    }
    ward.put(json!({"resourceType": "Patient", "id": "p", "name": [
        {"use": "maiden", "family": "Alder"}, {"family": "Birch", "given": ["Cy", "<b>"]}]}))
        .await;
    let places = [
        ("b8", "00:00", Some("01:00")),
        ("north", "00:00", None),
        ("b7", "01:00", None),
        ("room", "00:00", None),
    ];
    ward.encounter(json!({"status": "in-progress"}), &places).await;
    ward.until("01:30").await;
    let page = async |path: &str| {
        let answer = reqwest::get(format!("http://{}{path}", ward.service.address)).await.unwrap();
        assert_eq!(answer.status(), 200);
        answer.text().await.unwrap()
    };
    [page("/ward/north").await, page("/stay/e").await]
}

#[tokio::test]
async fn a_stay_is_called_by_the_bed_that_it_is_in_now() {
    for page in pages("").await {
        assert!(page.contains("Bed 7"), "{page}");
        assert!(!page.contains("Bed 8") && !page.contains("Room"), "a bed is more exact than a room: {page}");
        assert!(!page.contains("Birch"), "names are shown only where the site says so: {page}");
    }
}

#[tokio::test]
async fn a_patient_is_named_where_the_site_says_so() {
    for page in pages("[pages]\npatient_names = true\n").await {
        assert!(page.contains("Birch, Cy &lt;b&gt;") && !page.contains("Alder"), "{page}");
    }
}

#[tokio::test]
async fn a_page_and_the_record_of_who_saw_it_bear_the_id_of_the_request() {
    let ward = Ward::open(SITE).await;
    ward.admit().await;
    ward.until("00:30").await;
    let asked = |id: &str| {
        let request = reqwest::Client::new().get(format!("http://{}/ward/north", ward.service.address));
        request.header("x-request-id", id).send()
    };
    let (answer, other) = (asked("wall-7").await.unwrap(), asked("<wall>").await.unwrap());
    assert_eq!(answer.headers()["x-request-id"], "wall-7");
    let given = other.headers()["x-request-id"].to_str().unwrap().to_owned();
    assert!(!given.contains('<') && given.len() > 20, "one that is no plain text is replaced: {given}");
    let rows = ward.service.store.audits_after(i64::MIN, 10_000).await.unwrap();
    let seen =
        rows.into_iter().map(|found| found.row.audit().unwrap()).filter(|row| row.asked == "GET /ward/north");
    assert_eq!(seen.map(|row| row.request).collect::<Vec<_>>(), ["wall-7".to_owned(), given]);
}

#[tokio::test]
async fn a_lapse_that_began_the_day_before_says_on_which() {
    let ward = Ward::open(SITE).await;
    ward.admit().await;
    ward.until("1:08:00").await;
    let page = async |day: &str| {
        let address = format!("http://{}/stay/e?day=2026-03-{day}", ward.service.address);
        reqwest::get(address).await.unwrap().text().await.unwrap()
    };
    let begins = |at: &str| format!("<span class=\"at\">{at}</span> <span class=\"word lapse\">");
    assert!(page("10").await.contains(&begins("04:00")), "{}", page("10").await);
    assert!(page("11").await.contains(&begins("10 Mar 04:00")), "{}", page("11").await);
}
