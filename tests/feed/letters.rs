//! Dead letters, asked for over HTTP.

use reqwest::Method;
use serde_json::{Value, json};
use terce::Running;
use terce::store::{About, Batch, Undelivered, Way};

use super::{NOON_US, care, ids, memory, noon, put, record, send};

async fn get(from: &Running, path: &str) -> (u16, Value) {
    let base = from.base();
    let response = reqwest::get(format!("{}/{path}", base.strip_suffix("/fhir").unwrap())).await.unwrap();
    let status = response.status().as_u16();
    (status, serde_json::from_slice(&response.bytes().await.unwrap()).unwrap())
}

async fn ask(of: &Running, method: Method, path: &str) -> (u16, Value) {
    let base = of.base();
    let address = format!("{}/{path}", base.strip_suffix("/fhir").unwrap());
    let response = reqwest::Client::new().request(method, address).send().await.unwrap();
    let status = response.status().as_u16();
    (status, serde_json::from_slice(&response.bytes().await.unwrap()).unwrap_or_default())
}

async fn with_letters(bodies: &[(&str, Value)]) -> Running {
    let service = record(memory().await, noon()).await;
    let letters = bodies.iter().map(|(name, body)| Undelivered {
        about: About { way: Way::In, place: "charting".into(), name: (*name).into() },
        why: "code-invalid: a reason".into(),
        body: Some(body.to_string().into_bytes()),
    });
    let letters = letters.collect();
    service.store.commit(Batch { now_us: NOON_US, letters, ..Batch::default() }).await.unwrap();
    service
}

#[tokio::test]
async fn letters_are_listed_shown_handed_over_again_and_dropped() {
    let mut bad = care("b", "x");
    bad["status"] = json!("asleep");
    let service = with_letters(&[("Procedure/a", care("a", "x")), ("Procedure/b", bad)]).await;
    let (status, all) = get(&service, "feed/letters").await;
    assert_eq!((status, all["letters"].as_array().unwrap().len(), &all["after"]), (200, 2, &Value::Null));
    let first = &all["letters"][0];
    assert_eq!(first["name"], "Procedure/a");
    assert_eq!(first["first"], "2026-03-01T12:00:00Z");
    assert!(first.get("body").is_none(), "a list shows nothing of patients");
    let number = first["number"].as_i64().unwrap();
    let (status, one) = get(&service, &format!("feed/letters/{number}")).await;
    assert_eq!(status, 200);
    assert!(one["body"].as_str().unwrap().contains("performedDateTime"));

    let (status, _) = ask(&service, Method::POST, &format!("feed/letters/{number}/replay")).await;
    assert_eq!((status, ids(&service, "Procedure").await), (204, vec!["a".to_owned()]));
    let (status, refused) = ask(&service, Method::POST, &format!("feed/letters/{}/replay", number + 1)).await;
    assert_eq!((status, &refused["issue"][0]["code"]), (400, &json!("code-invalid")));
    let (_, left) = get(&service, "feed/letters?way=in&place=charting").await;
    assert_eq!(left["letters"].as_array().unwrap().len(), 1, "what is refused again stays");
    assert_eq!(ask(&service, Method::DELETE, &format!("feed/letters/{}", number + 1)).await.0, 204);
    assert_eq!(get(&service, "feed/letters").await.1["letters"], json!([]));
    assert_eq!(ask(&service, Method::DELETE, &format!("feed/letters/{}", number + 1)).await.0, 404);
    let rows = service.store.audits_after(i64::MIN, 100).await.unwrap();
    let rows: Vec<_> = rows.into_iter().map(|found| found.row.audit().unwrap()).collect();
    let deeds = rows.iter().filter(|row| row.asked.contains("/feed/letters")).map(|row| row.deed.as_ref());
    assert_eq!(deeds.filter(|deed| *deed == "delete").count(), 2, "what was done with letters is recorded");
}

#[tokio::test]
async fn a_letter_does_not_replace_what_has_come_since() {
    let service = with_letters(&[("Procedure/a", care("a", "old"))]).await;
    service.clock.set(terce::care::time::Instant::from_micros(NOON_US + 1));
    put(&service, &care("a", "new")).await;
    let (status, refused) = ask(&service, Method::POST, "feed/letters/1/replay").await;
    assert!((400..500).contains(&status), "{refused}");
    let document = service.store.document("Procedure", "a").await.unwrap().unwrap();
    assert!(String::from_utf8(document.body.unwrap()).unwrap().contains("new"));
}

#[tokio::test]
async fn what_makes_no_sense_of_letters_is_refused() {
    let service = with_letters(&[("digest/0123", json!({"resourceType": "Procedure"}))]).await;
    for (method, path, wanted) in [
        (Method::GET, "feed/letters/x", 404),
        (Method::GET, "feed/letters/99", 404),
        (Method::GET, "feed/letters?way=up", 400),
        (Method::GET, "feed/letters?after=x", 400),
        (Method::POST, "feed/letters", 405),
        (Method::PUT, "feed/letters/1", 405),
        (Method::GET, "feed/letters/1/replay", 405),
        (Method::GET, "feed/letters/1/x", 404),
        (Method::POST, "feed/letters/1/replay", 400),
    ] {
        let (status, body) = ask(&service, method.clone(), path).await;
        assert_eq!((status, &body["resourceType"]), (wanted, &json!("OperationOutcome")), "{method} {path}");
    }
    assert_eq!(send(&service, Method::GET, "metadata", &json!({})).await, 200);
}

#[tokio::test]
async fn letters_are_seen_to_on_the_command_line_too() {
    let dir = tempfile::tempdir().unwrap();
    let store = terce::store::Store::open_sqlite(Some(&dir.path().join("terce.db"))).await.unwrap();
    let mut bad = care("b", "x");
    bad["status"] = json!("asleep");
    let bodies = [("Procedure/a", care("a", "x")), ("Procedure/b", bad)];
    let letters = bodies.map(|(name, body)| Undelivered {
        about: About { way: Way::In, place: "charting".into(), name: name.into() },
        why: "code-invalid: a reason".into(),
        body: Some(body.to_string().into_bytes()),
    });
    store.commit(Batch { now_us: NOON_US, letters: letters.into(), ..Batch::default() }).await.unwrap();
    let terce = async |arguments: &[&str]| {
        let mut command = tokio::process::Command::new(env!("CARGO_BIN_EXE_terce"));
        command.args(["letters", "--log", "error", "--data"]).arg(dir.path()).args(arguments);
        let output = command.output().await.unwrap();
        let said =
            String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
        (output.status.success(), said)
    };
    let (_, listed) = terce(&["list"]).await;
    assert!(listed.contains("1 in charting Procedure/a: 1 x") && listed.lines().count() == 2, "{listed}");
    let (done, said) = terce(&["replay", "1", "2", "7"]).await;
    assert!(!done && said.contains("Letter 1 was handed over again."), "{said}");
    assert!(said.contains("Letter 2: \"asleep\"") && said.contains("Letter 7"), "{said}");
    assert!(store.document("Procedure", "a").await.unwrap().is_some());
    let (done, said) = terce(&["drop", "2"]).await;
    assert!(done, "{said}");
    assert_eq!(terce(&["list"]).await.1, "There are no dead letters.\n");
}
