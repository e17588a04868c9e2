//! The way to a token, and every way around it that is closed.

use reqwest::Method;
use serde_json::{Value, json};

use super::super::procedure;
use super::jose::{Key, b64, set};
use super::{Guarded, Said, but};

const CLIENTS: &str = r#"
[[client]]
id = "feed"
jwks = "feed.json"
scopes = "system/Procedure.cruds system/Encounter.rs"
sources = ["charting"]

[[client]]
id = "other"
jwks = "other.json"
scopes = "system/*.rs"
"#;

struct Keyring {
    rsa: Key,
    p384: Key,
    p256: Key,
    others: Key,
}

fn keyring() -> Keyring {
    Keyring { rsa: Key::rsa("r1"), p384: Key::p384("e1"), p256: Key::p256("e2"), others: Key::p384("e1") }
}

async fn guarded(keys: &Keyring) -> Guarded {
    let feeds = set(&[keys.rsa.jwk(), keys.p384.jwk(), keys.p256.jwk()]);
    let files = [("feed.json", feeds), ("other.json", set(&[keys.others.jwk()]))];
    Guarded::new(CLIENTS, &files).await
}

#[tokio::test]
async fn a_registered_client_gets_a_token_with_either_key_and_uses_it() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    for key in [&keys.rsa, &keys.p384] {
        let assertion = key.token(json!({}), &guarded.claims("feed"));
        let said = guarded.ask_token(&assertion, "system/Procedure.cr system/Patient.rs").await;
        assert_eq!(said.status, 200, "{}", said.body);
        assert_eq!(said.body["token_type"], "bearer");
        assert_eq!(said.body["expires_in"], 300);
        assert_eq!(said.body["scope"], "system/Procedure.cr");
        assert_eq!(said.headers["cache-control"], "no-store");
        let token = said.token();
        let made = guarded.with(&token, Method::POST, "/fhir/Procedure", Some(&procedure())).await;
        assert_eq!(made.status, 201);
        let id = made.body["id"].as_str().unwrap();
        assert_eq!(guarded.get(&token, &format!("/fhir/Procedure/{id}")).await.status, 200);
        assert_eq!(guarded.get(&token, "/fhir/Procedure").await.verdict(), (403, "forbidden"));
        assert_eq!(guarded.get(&token, "/fhir/Patient/p1").await.verdict(), (403, "forbidden"));
    }
}

#[tokio::test]
async fn who_asked_for_a_token_is_recorded_whether_it_got_one_or_not() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    let assertion = keys.rsa.token(json!({}), &guarded.claims("feed"));
    assert_eq!(guarded.ask_token(&assertion, "system/Procedure.cr").await.status, 200);
    // once more, under another key, for what is not registered, and by nobody
    assert_eq!(guarded.ask_token(&assertion, "system/Procedure.cr").await.status, 401);
    let foreign = keys.others.token(json!({}), &guarded.claims("feed"));
    assert_eq!(guarded.ask_token(&foreign, "system/Procedure.cr").await.status, 401);
    let assertion = keys.rsa.token(json!({}), &guarded.claims("feed"));
    assert_eq!(guarded.ask_token(&assertion, "system/Patient.rs").await.status, 400);
    assert_eq!(guarded.ask_token("no.assertion.atall", "system/Patient.rs").await.status, 401);
    let rows = guarded.service.store.audits_after(i64::MIN, 100).await.unwrap();
    let told: Vec<String> = rows
        .iter()
        .map(|found| {
            assert!(!String::from_utf8_lossy(&found.row.body).contains(&assertion));
            let row = found.row.audit().unwrap();
            format!("{} {} {} {} {}", row.deed, row.status, row.by, row.who, row.from)
        })
        .collect();
    assert_eq!(
        told,
        [
            "login 200 client feed 127.0.0.1",
            "login 401 unknown feed 127.0.0.1",
            "login 401 unknown feed 127.0.0.1",
            "login 400 unknown feed 127.0.0.1",
            "login 401 unknown  127.0.0.1",
        ]
    );
}

/// An assertion, made at the moment it is sent.
type Made<'a> = Box<dyn Fn() -> String + 'a>;

/// What is wrong with the text of a token, or with its header.
fn malformed<'a>(keys: &'a Keyring, guarded: &'a Guarded) -> Vec<(&'static str, Made<'a>)> {
    let good = || guarded.claims("feed");
    let right = move || keys.rsa.token(json!({}), &good());
    let message = move || right().rsplit_once('.').unwrap().0.to_owned();
    let header = |header: Value| -> Made<'a> { Box::new(move || keys.rsa.token(header.clone(), &good())) };
    let unsigned = |alg: &'static str| -> Made<'a> {
        Box::new(move || format!("{}.{}.", b64(json!({ "alg": alg }).to_string()), b64(good().to_string())))
    };
    let swapped = move || {
        let (mine, signature) = (message(), right().rsplit_once('.').unwrap().1.to_owned());
        format!("{mine}.{signature}")
    };
    let zero = move || {
        let fresh = keys.p384.token(json!({}), &good());
        format!("{}.{}", fresh.rsplit_once('.').unwrap().0, b64([0; 96]))
    };
    let secret = move || {
        let key = keys.rsa.jwk().to_string();
        let key = aws_lc_rs::hmac::Key::new(aws_lc_rs::hmac::HMAC_SHA384, key.as_bytes());
        let head = b64(json!({ "alg": "HS384", "kid": "r1", "typ": "JWT" }).to_string());
        let message = format!("{head}.{}", b64(good().to_string()));
        format!("{message}.{}", b64(aws_lc_rs::hmac::sign(&key, message.as_bytes())))
    };
    let head = || json!({ "alg": "RS384", "kid": "r1" }).to_string();
    let list = move || {
        let claims = json!(["feed", "feed", guarded.url("/auth/token"), guarded.now() + 60]);
        keys.rsa.token_of(&head(), &claims.to_string())
    };
    let twice = move || {
        let text = good().to_string().replacen('{', &format!("{{\"exp\":{},", guarded.now() + 60), 1);
        keys.rsa.token_of(&head(), &text)
    };
    vec![
        ("no token", Box::new(|| "a.b.c".to_owned())),
        ("two parts", Box::new(message)),
        ("four parts", Box::new(move || format!("{}.x", right()))),
        ("no algorithm", unsigned("none")),
        ("no algorithm, spelled otherwise", unsigned("NonE")),
        ("the public key as a secret", Box::new(secret)),
        ("other claims under the signature", Box::new(swapped)),
        ("no signature", Box::new(move || format!("{}.", message()))),
        ("a signature of zeros", Box::new(zero)),
        ("an algorithm that is not taken", header(json!({ "alg": "RS256" }))),
        ("a curve that is not taken", Box::new(move || keys.p256.token(json!({}), &good()))),
        ("the kid of another kind of key", Box::new(move || keys.rsa.token(json!({ "kid": "e1" }), &good()))),
        ("another client's key", Box::new(move || keys.others.token(json!({}), &good()))),
        ("an extension that must be understood", header(json!({ "crit": ["exp"] }))),
        ("an unknown extension that must be understood", header(json!({ "crit": ["urn:x"], "urn:x": 1 }))),
        ("an unknown kid", header(json!({ "kid": "r2" }))),
        ("a kid that is a path", header(json!({ "kid": "../../../etc/passwd" }))),
        ("a kid that is a statement", header(json!({ "kid": "r1' OR '1'='1" }))),
        ("a long kid", header(json!({ "kid": "r".repeat(10_000) }))),
        ("an empty kid", header(json!({ "kid": "" }))),
        ("a kid that is no text", header(json!({ "kid": ["r1"] }))),
        ("another address of keys", header(json!({ "jku": "https://elsewhere.example/jwks" }))),
        ("an address of a certificate", header(json!({ "x5u": "https://elsewhere.example/x" }))),
        ("its own key", Box::new(move || keys.others.token(json!({ "jwk": keys.others.jwk() }), &good()))),
        ("its registered key", header(json!({ "jwk": keys.rsa.jwk() }))),
        ("its own certificate", header(json!({ "x5c": ["MIIB"] }))),
        ("another kind of token", header(json!({ "typ": "at+jwt" }))),
        ("claims in a list", Box::new(list)),
        ("a claim twice", Box::new(twice)),
    ]
}

/// What is wrong with what a token says.
fn untrue<'a>(keys: &'a Keyring, guarded: &'a Guarded) -> Vec<(&'static str, Made<'a>)> {
    let claims = |name: &'static str, value: Value| -> Made<'a> {
        Box::new(move || keys.rsa.token(json!({}), &but(guarded.claims("feed"), name, value.clone())))
    };
    let at = |name: &'static str, ahead: i64| -> Made<'a> {
        Box::new(move || {
            let at = guarded.now().checked_add_signed(ahead).unwrap();
            keys.rsa.token(json!({}), &but(guarded.claims("feed"), name, json!(at)))
        })
    };
    let text = move || {
        let at = (guarded.now() + 100).to_string();
        keys.rsa.token(json!({}), &but(guarded.claims("feed"), "exp", json!(at)))
    };
    let nobody = move || keys.rsa.token(json!({}), &guarded.claims("nobody"));
    vec![
        ("no exp", claims("exp", Value::Null)),
        ("exp as a text", Box::new(text)),
        ("exp as a list", claims("exp", json!([9e9]))),
        ("exp without end", claims("exp", json!(1e300))),
        ("exp in ten years", at("exp", 315_360_000)),
        ("exp too far off", at("exp", 311)),
        ("exp over", at("exp", -11)),
        ("iat in the future", at("iat", 11)),
        ("nbf in the future", at("nbf", 11)),
        ("no aud", claims("aud", Value::Null)),
        ("another aud", claims("aud", json!("https://elsewhere.example/auth/token"))),
        ("aud of another address", claims("aud", json!(guarded.url("/fhir")))),
        ("sub that is not iss", claims("sub", json!("other"))),
        ("iss that is not sub", claims("iss", json!("other"))),
        ("an unknown client", Box::new(nobody)),
        ("no iss", claims("iss", Value::Null)),
        ("no sub", claims("sub", Value::Null)),
        ("no jti", claims("jti", Value::Null)),
        ("an empty jti", claims("jti", json!(""))),
        ("a long jti", claims("jti", json!("j".repeat(1_000)))),
        ("a jti that is no text", claims("jti", json!(7))),
    ]
}

#[tokio::test]
async fn every_assertion_that_is_not_quite_right_is_refused() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    for (what, made) in malformed(&keys, &guarded).into_iter().chain(untrue(&keys, &guarded)) {
        // so that failures do not add up; what is right is right in between
        guarded.pass(61);
        let right = keys.rsa.token(json!({}), &guarded.claims("feed"));
        assert_eq!(guarded.ask_token(&right, "system/Procedure.r").await.status, 200);
        let said = guarded.ask_token(&made(), "system/Procedure.r").await;
        assert_eq!(said.verdict(), (401, "invalid_client"), "{what}: {}", said.body);
        assert!(!said.body.to_string().contains("feed"), "{what}: {}", said.body);
    }
}

#[tokio::test]
async fn an_assertion_is_good_for_one_token() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    let assertion = keys.p384.token(json!({}), &guarded.claims("feed"));
    assert_eq!(guarded.ask_token(&assertion, "system/Procedure.r").await.status, 200);
    assert_eq!(guarded.ask_token(&assertion, "system/Procedure.r").await.verdict(), (401, "invalid_client"));
    // another text with the same name is the same assertion
    let claims = guarded.claims("feed");
    let (one, two) = (keys.p384.token(json!({}), &claims), keys.rsa.token(json!({}), &claims));
    let (first, second) = tokio::join!(
        guarded.ask_token(&one, "system/Procedure.r"),
        guarded.ask_token(&two, "system/Procedure.r")
    );
    let mut both = [first.status, second.status];
    both.sort_unstable();
    assert_eq!(both, [200, 401]);
}

#[tokio::test]
async fn clocks_may_differ_by_some_seconds() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    for (name, ahead) in [("exp", 309), ("exp", -9), ("iat", 9), ("nbf", 9)] {
        let at = guarded.now().checked_add_signed(ahead).unwrap();
        let assertion = keys.p384.token(json!({}), &but(guarded.claims("feed"), name, json!(at)));
        let said = guarded.ask_token(&assertion, "system/Procedure.r").await;
        assert_eq!(said.status, 200, "{name} {ahead}: {}", said.body);
    }
    let list = json!(["https://elsewhere.example", guarded.url("/auth/token")]);
    let assertion = keys.p384.token(json!({}), &but(guarded.claims("feed"), "aud", list));
    assert_eq!(guarded.ask_token(&assertion, "system/Procedure.r").await.status, 200);
}

#[tokio::test]
async fn scopes_are_granted_as_far_as_they_are_registered() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    for (asked, verdict, granted) in [
        ("system/Procedure.rs", (200, ""), "system/Procedure.rs"),
        ("system/Procedure.read system/Procedure.write", (200, ""), "system/Procedure.cruds"),
        ("system/*.cruds", (200, ""), "system/Encounter.rs system/Procedure.cruds"),
        ("system/Patient.rs system/Encounter.cruds", (200, ""), "system/Encounter.rs"),
        ("system/Patient.rs", (400, "invalid_scope"), ""),
        ("", (400, "invalid_scope"), ""),
        ("system/Procedure.rs?patient=1", (400, "invalid_scope"), ""),
        ("system/Procedure.sr", (400, "invalid_scope"), ""),
        ("patient/Procedure.rs", (400, "invalid_scope"), ""),
    ] {
        let assertion = keys.p384.token(json!({}), &guarded.claims("feed"));
        let said = guarded.ask_token(&assertion, asked).await;
        assert_eq!(said.verdict(), verdict, "{asked}");
        assert_eq!(said.body["scope"].as_str().unwrap_or_default(), granted, "{asked}");
    }
}

#[tokio::test]
async fn a_request_for_a_token_says_what_it_is_and_each_thing_once() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    let assertion = || keys.p384.token(json!({}), &guarded.claims("feed"));
    let kind = "client_assertion_type=urn%3Aietf%3Aparams%3Aoauth%3Aclient-assertion-type%3Ajwt-bearer";
    let scope = "scope=system%2FProcedure.r";
    let all = |grant: &str| format!("grant_type={grant}&{kind}&client_assertion={}&{scope}", assertion());
    for (form, verdict) in [
        (all("client_credentials"), (200, "")),
        (all("password"), (400, "unsupported_grant_type")),
        (format!("{}&client_id=feed", all("client_credentials")), (200, "")),
        (format!("{}&client_id=other", all("client_credentials")), (401, "invalid_client")),
        (format!("{}&client_id=feed&client_id=feed", all("client_credentials")), (400, "invalid_request")),
        (format!("{}&scope=x", all("client_credentials")), (400, "invalid_request")),
        (format!("{}&unknown=%zz", all("client_credentials")), (400, "invalid_request")),
        (format!("grant_type=client_credentials&{kind}&{scope}"), (400, "invalid_request")),
        (
            format!("grant_type=client_credentials&client_assertion={}&{scope}", assertion()),
            (400, "invalid_request"),
        ),
        ("grant_type=client_credentials&client_id=feed&client_secret=x".to_owned(), (400, "invalid_request")),
        (String::new(), (400, "unsupported_grant_type")),
        (format!("{}&pad={}", all("client_credentials"), "x".repeat(200_000)), (400, "invalid_request")),
    ] {
        assert_eq!(guarded.form(&form).await.verdict(), verdict, "{}", form.get(..80).unwrap_or(&form));
    }
    assert_eq!(guarded.get("", "/auth/token").await.verdict(), (405, "not-supported"));
    let json =
        guarded.http.post(guarded.url("/auth/token")).header("content-type", "application/json").body("{}");
    assert_eq!(guarded.send(json).await.verdict(), (415, "not-supported"));
}

#[tokio::test]
async fn a_token_is_good_for_five_minutes_and_nothing_else_is_a_token() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    let token = guarded.token(&keys.p384, "feed", "system/Procedure.s").await;
    guarded.pass(299);
    assert_eq!(guarded.get(&token, "/fhir/Procedure").await.status, 200);
    guarded.pass(2);
    let over = guarded.get(&token, "/fhir/Procedure").await;
    assert_eq!(over.verdict(), (401, "expired"));
    assert_eq!(over.headers["www-authenticate"], "Bearer realm=\"terce\", error=\"invalid_token\"");
    let fresh = guarded.token(&keys.p384, "feed", "system/Procedure.s").await;
    let unused = keys.p384.token(json!({}), &guarded.claims("feed"));
    let other = but(guarded.claims("feed"), "aud", json!(guarded.url("/fhir")));
    for (what, header) in [
        ("nothing", String::new()),
        (
            "a token of somebody else's making",
            "Bearer abcdefghijklmnopqrstuvwxyz0123456789ABCDEFG".to_owned(),
        ),
        ("a token that was cut", format!("Bearer {}", &fresh[..20])),
        ("a token and more", format!("Bearer {fresh}x")),
        ("two tokens", format!("Bearer {fresh} {fresh}")),
        ("an assertion", format!("Bearer {unused}")),
        ("a token that the client made", format!("Bearer {}", keys.p384.token(json!({}), &other))),
        ("no algorithm", format!("Bearer {}.{}.", b64("{\"alg\":\"none\"}"), b64(other.to_string()))),
        ("another scheme", "Basic ZmVlZDpmZWVk".to_owned()),
        ("no scheme", fresh.clone()),
        ("an empty token", "Bearer ".to_owned()),
    ] {
        let mut request = guarded.http.get(guarded.url("/fhir/Procedure"));
        if !header.is_empty() {
            request = request.header("authorization", header);
        }
        let said: Said = guarded.send(request).await;
        assert_eq!(said.verdict(), (401, "login"), "{what}");
        assert!(
            said.headers["www-authenticate"].to_str().unwrap().starts_with("Bearer realm=\"terce\""),
            "{what}"
        );
    }
    let twice = guarded.http.get(guarded.url("/fhir/Procedure")).bearer_auth(&fresh).bearer_auth(&fresh);
    assert_eq!(guarded.send(twice).await.verdict(), (400, "invalid"));
    let queried = guarded.http.get(guarded.url(&format!("/fhir/Procedure?access_token={fresh}")));
    assert_eq!(guarded.send(queried).await.verdict(), (400, "invalid"));
    assert_eq!(guarded.get(&fresh, "/fhir/Procedure").await.status, 200);
    let lower =
        guarded.http.get(guarded.url("/fhir/Procedure")).header("authorization", format!("bearer {fresh}"));
    assert_eq!(guarded.send(lower).await.status, 200);
}

#[tokio::test]
async fn without_a_token_only_what_says_how_to_get_one_is_shown() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    for (path, status) in [
        ("/fhir/metadata", 200),
        ("/fhir/.well-known/smart-configuration", 200),
        ("/.well-known/smart-configuration", 200),
        ("/healthz", 200),
        ("/readyz", 200),
        ("/fhir/Procedure", 401),
        ("/fhir/Procedure/x/_history", 401),
        ("/fhir/Nothing", 401),
        ("/fhir", 401),
        ("/fhir/metadata/x", 401),
        ("/fhir//metadata", 200),
        ("/metrics", 404),
        ("/nothing", 404),
    ] {
        let said = guarded.send(guarded.http.get(guarded.url(path))).await;
        assert_eq!(said.status, status, "{path}");
    }
    let said = guarded.send(guarded.http.get(guarded.url("/.well-known/smart-configuration"))).await;
    assert_eq!(said.body["token_endpoint"], guarded.url("/auth/token"));
    assert_eq!(said.headers["content-type"], "application/json");
    let statement = guarded.send(guarded.http.get(guarded.url("/fhir/metadata"))).await.body;
    assert_eq!(statement["rest"][0]["security"]["service"][0]["coding"][0]["code"], "SMART-on-FHIR");
    let statement: fhir_models::CapabilityStatement =
        fhir_models::parse(statement.to_string().as_bytes()).unwrap();
    drop(statement);
}

#[tokio::test]
async fn a_heartbeat_is_taken_from_whom_the_source_is_registered_for() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    let feed = guarded.token(&keys.p384, "feed", "system/Procedure.c").await;
    let other = guarded.token(&keys.others, "other", "system/*.rs").await;
    let beat = "/feed/charting/heartbeat";
    assert_eq!(guarded.with(&feed, Method::POST, beat, None).await.status, 204);
    assert_eq!(guarded.with(&other, Method::POST, beat, None).await.verdict(), (403, "forbidden"));
    assert_eq!(guarded.send(guarded.http.post(guarded.url(beat))).await.verdict(), (401, "login"));
}

#[tokio::test]
async fn ten_failures_in_a_minute_are_enough() {
    let keys = keyring();
    let guarded = guarded(&keys).await;
    let good = || keys.p384.token(json!({}), &guarded.claims("feed"));
    for _ in 0..10 {
        let wrong = keys.others.token(json!({}), &guarded.claims("feed"));
        assert_eq!(guarded.ask_token(&wrong, "system/Procedure.r").await.status, 401);
    }
    let said = guarded.ask_token(&good(), "system/Procedure.r").await;
    assert_eq!(said.verdict(), (429, "throttled"));
    assert_eq!(said.headers["retry-after"], "60");
    assert!(said.body["issue"][0]["diagnostics"].as_str().unwrap().contains("too many failures"));
    guarded.pass(61);
    assert_eq!(guarded.ask_token(&good(), "system/Procedure.r").await.status, 200);
}

#[tokio::test]
async fn behind_a_known_gateway_failures_are_counted_by_the_address_that_it_saw() {
    let keys = keyring();
    let files = [("feed.json", set(&[keys.p384.jwk()])), ("other.json", set(&[keys.others.jwk()]))];
    for (proxies, others_are_heard) in [("[\"127.0.0.1\"]", 200), ("[\"10.9.9.9\"]", 429)] {
        let guarded = Guarded::new(&format!("{CLIENTS}\n[access]\nproxies = {proxies}\n"), &files).await;
        let from = async |key: &Key, forwarded: &str| {
            let kind = "urn%3Aietf%3Aparams%3Aoauth%3Aclient-assertion-type%3Ajwt-bearer";
            let assertion = key.token(json!({}), &guarded.claims("feed"));
            let form = format!(
                "grant_type=client_credentials&client_assertion_type={kind}&scope=system%2FProcedure.r&\
                 client_assertion={assertion}"
            );
            let request = guarded.http.post(guarded.url("/auth/token")).body(form);
            let request = request.header("content-type", "application/x-www-form-urlencoded");
            guarded.send(request.header("x-forwarded-for", forwarded)).await.status
        };
        for number in 0..10 {
            // what stands before the last address is what the client itself says
            assert_eq!(from(&keys.others, &format!("192.0.2.{number}, 198.51.100.7")).await, 401);
        }
        assert_eq!(from(&keys.p384, "203.0.113.1, 198.51.100.7").await, 429);
        assert_eq!(from(&keys.p384, "198.51.100.8").await, others_are_heard, "{proxies}");
    }
}

#[tokio::test]
async fn after_a_restart_what_was_used_is_used_and_a_token_is_still_good() {
    let keys = keyring();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("terce.db");
    let files =
        [("feed.json", set(&[keys.rsa.jwk(), keys.p384.jwk()])), ("other.json", set(&[keys.others.jwk()]))];
    let store = terce::store::Store::open_sqlite(Some(&path)).await.unwrap();
    let first = Guarded::on(store.clone(), CLIENTS, &files).await;
    let claims = first.claims("feed");
    let assertion = keys.p384.token(json!({}), &claims);
    let token = first.ask_token(&assertion, "system/Procedure.s").await.token();
    store.close().await.unwrap();
    let store = terce::store::Store::open_sqlite(Some(&path)).await.unwrap();
    let second = Guarded::on(store, CLIENTS, &files).await;
    assert_eq!(second.get(&token, "/fhir/Procedure").await.status, 200);
    // the same name, made out to the second address and signed anew
    let again = but(claims, "aud", json!(second.url("/auth/token")));
    let again = keys.p384.token(json!({}), &again);
    assert_eq!(second.ask_token(&again, "system/Procedure.s").await.verdict(), (401, "invalid_client"));
    let otherwise = but(second.claims("feed"), "jti", json!("another"));
    let otherwise = keys.p384.token(json!({}), &otherwise);
    assert_eq!(second.ask_token(&otherwise, "system/Procedure.s").await.status, 200);
}

#[tokio::test]
async fn a_client_that_is_struck_from_the_configuration_is_out_at_once_and_one_with_less_has_less() {
    let keys = keyring();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("terce.db");
    let files =
        [("feed.json", set(&[keys.rsa.jwk(), keys.p384.jwk()])), ("other.json", set(&[keys.others.jwk()]))];
    let store = terce::store::Store::open_sqlite(Some(&path)).await.unwrap();
    let first = Guarded::on(store.clone(), CLIENTS, &files).await;
    let feed = first.token(&keys.p384, "feed", "system/Procedure.rs").await;
    let other = first.token(&keys.others, "other", "system/*.rs").await;
    let less = "[[client]]\nid = \"other\"\njwks = \"other.json\"\nscopes = \"system/Procedure.r\"\n";
    let second = Guarded::on(store, less, &files).await;
    assert_eq!(second.get(&feed, "/fhir/Procedure").await.verdict(), (401, "login"));
    assert_eq!(second.get(&other, "/fhir/Procedure").await.verdict(), (403, "forbidden"));
    assert_eq!(second.get(&other, "/fhir/Procedure/x").await.status, 404);
}
