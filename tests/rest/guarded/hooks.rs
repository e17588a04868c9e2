//! A record that calls the hook proves who it is, for this address, once.

use reqwest::Method;
use serde_json::{Value, json};

use super::Guarded;
use super::jose::{Key, set};

async fn guarded(key: &Key) -> Guarded {
    let lines = "[[cds]]\nissuer = \"https://record.example\"\njwks = \"record.json\"\n[[client]]\nid = \"feed\"\n\
                 jwks = \"record.json\"\nscopes = \"system/*.cruds\"\n";
    Guarded::new(lines, &[("record.json", set(&[key.jwk()]))]).await
}

fn call() -> Value {
    json!({"hook": "patient-view", "hookInstance": "7a1f6d0c-5d3e-4b0e-9a57-0d3a0b3f0c11", "context": {
        "userId": "Practitioner/n1", "patientId": "p"}})
}

#[tokio::test]
async fn a_caller_is_known_by_its_token_which_is_good_for_this_address_and_once() {
    let key = Key::p384("k");
    let guarded = guarded(&key).await;
    let path = "/cds-services/mouth-care";
    let address = guarded.url(path);
    let right = |jti: &str| {
        json!({"iss": "https://record.example", "aud": address, "exp": guarded.now() + 300, "iat": guarded.now(),
            "jti": jti})
    };
    let changed = |name: &str, value: Value| {
        let mut claims = right(name);
        claims[name] = value;
        key.token(json!({}), &claims)
    };
    assert_eq!(guarded.send(guarded.http.get(guarded.url("/cds-services"))).await.status, 200);
    let nobody = guarded.send(guarded.http.post(&address).json(&call())).await;
    assert_eq!(nobody.status, 401);
    let token = key.token(json!({}), &right("once"));
    let answer = guarded.with(&token, Method::POST, path, Some(&call())).await;
    assert_eq!((answer.status, answer.body), (200, json!({"cards": []})));
    let used = guarded.with(&token, Method::POST, path, Some(&call())).await;
    assert_eq!(used.status, 401, "a token is good for one call");
    let others = Key::p384("k");
    let wrong = [
        others.token(json!({}), &right("other key")),
        changed("aud", json!(guarded.url("/cds-services/another"))),
        changed("aud", Value::Null),
        changed("iss", json!("https://elsewhere.example")),
        changed("exp", json!(guarded.now() + 3_600)),
        changed("exp", json!(guarded.now() - 600)),
        changed("jti", Value::Null),
        "no.token.atall".to_owned(),
    ];
    for token in wrong {
        guarded.pass(61);
        let refused = guarded.with(&token, Method::POST, path, Some(&call())).await;
        assert_eq!(refused.status, 401, "{token}");
    }
    // what lets it call lets it do nothing else
    let token = key.token(json!({}), &right("elsewhere"));
    assert_eq!(guarded.get(&token, "/fhir/Task").await.status, 401);
}
