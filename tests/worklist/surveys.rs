//! Surveillance in the running service: found in an open stay when asked, kept with the tallies of one that is over.

use chrono::NaiveDate;
use serde_json::{Value, json};
use terce::care::surveillance::care_on;
use terce::care::surveillance::denominators::{Watched, denominators};
use terce::care::surveillance::infection::Infection;
use terce::care::tally::Tally;

use super::ward::{Ward, at};

fn day(d: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, d).unwrap()
}

fn row(id: &str, code: &str, when: &str, quantity: Value) -> Value {
    json!({ "resourceType": "Observation", "id": id, "status": "final", "subject": { "reference": "Patient/p" },
            "encounter": { "reference": "Encounter/e" }, "effectiveDateTime": at(when).to_rfc3339(),
            "code": { "coding": [{ "system": "http://loinc.org", "code": code }] }, "valueQuantity": quantity })
}

fn in_ucum(value: f64, code: &str) -> Value {
    json!({ "value": value, "system": "http://unitsofmeasure.org", "code": code })
}

/// PEEP of 5 for two days and of 9 from the third on; hot and treated from then.
async fn worsened() -> Ward {
    let ward = Ward::with_patient().await;
    for (d, peep) in [5.0, 5.0, 9.0, 9.0, 9.0].into_iter().enumerate() {
        ward.until(&format!("{d}:12:00")).await;
        let id = format!("peep{d}");
        ward.put(row(&id, "20077-4", &format!("{d}:11:00"), in_ucum(peep, "cm[H2O]"))).await;
        ward.care(&format!("care{d}"), "oral-cleansing", &format!("{d}:10:00")).await;
    }
    ward.put(row("hot", "8310-5", "2:18:00", in_ucum(101.3, "[degF]"))).await;
    for d in 2..=5 {
        let given = json!({ "resourceType": "MedicationAdministration", "id": format!("drug{d}"), "status": "completed",
            "subject": { "reference": "Patient/p" }, "effectiveDateTime": at(&format!("{d}:20:00")).to_rfc3339(),
            "medicationCodeableConcept": { "coding": [{ "system": "http://www.whocc.no/atc", "code": "J01CR05" }] } });
        ward.put(given).await;
    }
    ward.until("6:12:00").await;
    ward
}

async fn told(ward: &Ward) -> Tally {
    ward.service.stays.tally(day(10), day(20), ward.service.clock.now()).await.unwrap()
}

#[tokio::test]
async fn an_open_stay_is_surveyed_when_asked() {
    let ward = worsened().await;
    let now = ward.service.clock.now();
    let surveys = ward.service.stays.surveys("p", now).await.unwrap();
    let [survey] = &surveys[..] else { panic!("{surveys:?}") };
    let [event] = &survey.survey.events[..] else { panic!("{survey:?}") };
    assert_eq!((event.date, event.number, &*event.unit), (day(12), 3, "north"));
    assert_eq!(event.infection, Infection::Found);
    assert_eq!(survey.doubts, []);
    // the care of the days before, by the ledger of the same stay
    let before = care_on(&survey.stay.ledger, day(10), day(11));
    let met: u32 = before.values().map(|cell| cell.met).sum();
    assert!(met > 0 && before.values().any(|cell| cell.missed > 0), "{before:?}");

    let answer = ward.get("Encounter/e/$ventilator-events").await;
    let parameters = answer["parameter"].as_array().unwrap();
    let named = |of: &[Value], name: &str| -> Vec<Value> {
        of.iter().filter(|p| p["name"] == name).cloned().collect()
    };
    assert!(named(parameters, "caution")[0]["valueString"].as_str().unwrap().contains("not a diagnosis"));
    let event = named(parameters, "event")[0]["part"].as_array().unwrap().clone();
    assert_eq!(named(&event, "date")[0]["valueDate"], "2026-03-12");
    assert_eq!(named(&event, "unit")[0]["valueReference"]["reference"], "Location/north");
    assert_eq!(named(&event, "infection")[0]["valueCode"], "found");
    let days = named(&event, "day");
    let first = days[0]["part"].as_array().unwrap();
    assert_eq!(named(first, "peep")[0]["valueQuantity"]["value"], json!(5));
    assert_eq!(named(first, "source")[0]["valueReference"]["reference"], "Observation/peep0/_history/1");
    let hot = days[2]["part"].as_array().unwrap();
    assert_eq!(named(hot, "highest-temperature")[0]["valueQuantity"]["value"], json!(38.5));
    assert!(!named(&event, "care-before").is_empty());
    let text = ward.text("Encounter/e/$ventilator-events").await;
    let line = "2026-03-12, day 3 of ventilation, unit north: worse by peep; signs of infection: found";
    assert!(text.contains(line), "{text}");

    // the rate counts the event of a stay that goes on, whoever asks how
    for (query, event) in [("", 1), ("&subject=Patient/p", 1), ("&unit=north", 1), ("&unit=south", 0)] {
        let path = format!(
            "Measure/infection-related-conditions/$evaluate-measure?periodStart=2026-03-10&periodEnd=2026-03-15{query}"
        );
        let report = ward.get(&path).await;
        let populations = report["group"][0]["population"].as_array().unwrap();
        let count = |id: &str| populations.iter().find(|p| p["id"] == id).unwrap()["count"].clone();
        assert_eq!(count("numerator"), event, "{query}: {report}");
        if event == 1 {
            assert_eq!(count("denominator"), 6, "{query}");
            assert_eq!(report["group"][0]["measureScore"]["value"], 166.6667);
        }
        if query.contains("Patient") {
            let rests: Vec<&str> = (report["evaluatedResource"].as_array().unwrap().iter())
                .map(|r| r["reference"].as_str().unwrap())
                .collect();
            assert!(rests.contains(&"Observation/peep0/_history/1"), "{rests:?}");
        }
    }
    let now_text = now.to_string();
    let path = "Measure/ventilator-associated-conditions/$evaluate-measure?periodStart=2026-03-10&periodEnd=2026-03-15";
    let then = ward.get(&format!("{path}&asOf=2026-03-13T10:00:00Z")).await;
    assert_eq!(then["group"][0]["population"][2]["count"], 0, "not seen yet: {then}");
    let since = ward.get(&format!("{path}&asOf={now_text}&comparedWith=2026-03-13T10:00:00Z")).await;
    let differences: Vec<&Value> =
        since["parameter"].as_array().unwrap().iter().filter(|p| p["name"] == "difference").collect();
    let event = differences.iter().find(|d| d.to_string().contains("event-with-signs-of-infection")).unwrap();
    assert!(event.to_string().contains("happened-since"), "{event}");

    let mut tally = told(&ward).await;
    assert!(tally.watched.is_empty(), "not unless asked for");
    let period = (day(10), day(20));
    assert_eq!(ward.service.stays.watch_open(&mut tally, period, now, 0).await.unwrap(), 1);
    assert!(tally.watched.is_empty(), "too many to be read");
    assert_eq!(ward.service.stays.watch_open(&mut tally, period, now, 1).await.unwrap(), 0);
    let found = denominators(&tally, day(10), day(20), Some("north"));
    assert_eq!((found.events, found.infected, found.episodes), (1, 1, 1));
    assert!(found.ventilator_days >= 6);
    ward.service.shutdown().await.unwrap();
}

#[tokio::test]
async fn what_was_found_stays_in_the_sums_of_a_stay_that_is_over() {
    let ward = worsened().await;
    let discharged = json!({ "status": "finished", "period": { "start": at("00:00").to_rfc3339(), "end": at("6:12:00").to_rfc3339() } });
    ward.encounter(discharged, &[("north", "00:00", Some("6:12:00"))]).await;
    ward.until("7:12:00").await;
    let tally = told(&ward).await;
    let event = Watched { events: 1, infected: 1, ..Watched::default() };
    assert_eq!(tally.watched.get(&("north".into(), day(12))), Some(&event));
    // a setting that is corrected afterwards takes the event away
    ward.put(row("peep3", "20077-4", "3:11:00", in_ucum(6.0, "cm[H2O]"))).await;
    ward.until("7:13:00").await;
    let tally = told(&ward).await;
    assert_eq!(denominators(&tally, day(10), day(20), None).events, 0);
    ward.service.shutdown().await.unwrap();
}
