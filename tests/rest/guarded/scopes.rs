//! What a token is good for: its type and rights, and nothing that a search could lead to.

use reqwest::Method;
use serde_json::json;

use super::Guarded;
use super::jose::{Key, set};

const CLIENT: &str = r#"
[[client]]
id = "feed"
jwks = "feed.json"
scopes = "system/Procedure.cruds system/Encounter.rs"
"#;

#[tokio::test]
async fn a_scope_is_good_for_its_type_and_rights_and_no_search_leads_elsewhere() {
    let key = Key::p384("e1");
    let guarded = Guarded::new(CLIENT, &[("feed.json", set(&[key.jwk()]))]).await;
    let care = json!({"resourceType": "Procedure", "id": "x", "status": "completed", "subject": {"reference": "Patient/p"}});
    for (scope, method, path, body, status) in [
        ("system/Procedure.rs", Method::GET, "/fhir/Procedure", None, 200),
        ("system/Procedure.rs", Method::PUT, "/fhir/Procedure/x", Some(&care), 403),
        ("system/Procedure.rs", Method::GET, "/fhir/Patient/p", None, 403),
        ("system/Procedure.rs", Method::GET, "/fhir/Procedure?patient.identifier=a", None, 403),
        ("system/Procedure.rs", Method::GET, "/fhir/Procedure?encounter.status=planned", None, 403),
        ("system/Procedure.rs", Method::GET, "/fhir/Procedure?_include=Procedure:encounter", None, 403),
        ("system/Encounter.rs", Method::GET, "/fhir/Encounter?_has:Procedure:encounter:status=x", None, 403),
        ("system/Encounter.rs", Method::GET, "/fhir/Encounter?_revinclude=Procedure:encounter", None, 403),
        (
            "system/Procedure.rs system/Encounter.rs",
            Method::GET,
            "/fhir/Procedure?encounter.status=planned",
            None,
            200,
        ),
    ] {
        let token = guarded.token(&key, "feed", scope).await;
        let said = guarded.with(&token, method, path, body).await;
        let code = if status == 403 { "forbidden" } else { "" };
        assert_eq!(said.verdict().0, status, "{scope}: {path}: {}", said.body);
        assert_eq!(said.body["issue"][0]["code"].as_str().unwrap_or_default(), code, "{scope}: {path}");
    }
}
