//! What the configuration of access comes to, and what is wrong with it, all at once.

use std::path::Path;
use std::process::Command;

use serde_json::json;
use terce::config::{Access, Config};

use super::jose::{Key, set};

fn parsed(folder: &Path, text: &str) -> Result<Config, Vec<String>> {
    let path = folder.join("terce.toml");
    std::fs::write(&path, text).unwrap();
    Config::load(Some(&path))
}

const CLIENT: &str = "[[client]]\nid = \"feed\"\njwks = \"feed.json\"\nscopes = \"system/Procedure.cu\"\n";

fn folder() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("feed.json"), set(&[Key::p384("k").jwk()])).unwrap();
    folder
}

#[test]
fn a_service_without_registered_clients_is_reached_from_its_own_machine_only() {
    let folder = folder();
    for (listen, access, said) in [
        ("127.0.0.1:8080", "", ""),
        ("[::1]:8080", "", ""),
        ("0.0.0.0:8080", "", "register who may in [[client]] or [[issuer]], or listen on 127.0.0.1"),
        ("10.1.2.3:8080", "", "register who may"),
        ("[::]:8080", "", "register who may"),
        ("127.0.0.1:8080", CLIENT, ""),
        ("0.0.0.0:8080", CLIENT, "set [tls], or access.tls_elsewhere = true"),
        ("0.0.0.0:8080", &format!("{CLIENT}[access]\ntls_elsewhere = true\n"), ""),
        ("0.0.0.0:8080", "[access]\ntls_elsewhere = true\n", "nobody is let in"),
    ] {
        let text = format!("listen = \"{listen}\"\npublic_base = \"https://terce.example/fhir\"\n{access}");
        match parsed(folder.path(), &text) {
            Ok(_) => assert!(said.is_empty(), "{listen} {access}"),
            Err(errors) => {
                assert!(!said.is_empty() && errors.iter().any(|e| e.contains(said)), "{listen}: {errors:?}");
            }
        }
    }
}

#[test]
fn everything_that_is_wrong_is_said_at_once_and_where() {
    let folder = folder();
    std::fs::write(
        folder.path().join("private.json"),
        json!({ "keys": [{ "kty": "EC", "kid": "k", "d": "x" }] }).to_string(),
    )
    .unwrap();
    std::fs::write(folder.path().join("no.pem"), "no").unwrap();
    let text = r#"
        [tls]
        certificate = "no.pem"
        key = "missing.pem"
        [[client]]
        id = "a"
        jwks = "missing.json"
        scopes = "system/Procedure.rs?x=y"
        [[client]]
        id = "a"
        jwks = "private.json"
        scopes = ""
        sources = ["unheard"]
        [[client]]
        id = "b c"
        jwks_url = "http://elsewhere.example/jwks"
        scopes = "system/*.dus"
        [[client]]
        id = "d"
        scopes = "system/*.rs"
        certificate = "no.pem"
        [[issuer]]
        issuer = "https://login.example"
        audience = ""
        jwks = "feed.json"
        jwks_url = "https://login.example/jwks"
        algorithms = ["HS256", "none", "RS256"]
        longest_seconds = 86400
    "#;
    let errors = parsed(folder.path(), text).unwrap_err();
    for said in [
        "tls.key: ",
        "public_base: expected",
        "client[0].jwks: ",
        "client[0].scopes: \"system/Procedure.rs?x=y\"",
        "client[1].id: \"a\" is there already",
        "client[1].jwks: ",
        "client[1].scopes: expected one",
        "client[1].sources: there is no [[source]] named \"unheard\"",
        "client[2].id: ",
        "client[2].jwks_url: ",
        "client[2].scopes: \"system/*.dus\"",
        "client[3]: expected its public keys",
        "client[3].certificate: connections show no certificates",
        "issuer[0].audience: ",
        "issuer[0]: expected its public keys",
        "issuer[0].algorithms: \"HS256\"",
        "issuer[0].algorithms: \"none\"",
        "issuer[0].longest_seconds: ",
    ] {
        assert!(errors.iter().any(|e| e.contains(said)), "{said} is not in {errors:#?}");
    }
    assert!(errors.iter().any(|e| e.contains("a private or secret key")), "{errors:#?}");
}

#[test]
fn where_metrics_are_and_who_is_let_in_follows_from_the_file() {
    let folder = folder();
    let text =
        format!("listen = \"127.0.0.1:9000\"\npublic_base = \"https://terce.example/fhir/\"\n{CLIENT}");
    let config = parsed(folder.path(), &text).unwrap();
    assert_eq!(config.admin().to_string(), "127.0.0.1:9001");
    let Access::Registered(registry) = &config.access else { panic!("open") };
    assert_eq!(registry.token_address, "https://terce.example/auth/token");
    let elsewhere = format!(
        "admin_listen = \"10.0.0.1:9100\"\n{text}[access]\ntoken_address = \"https://x.example/t\"\n"
    );
    let config = parsed(folder.path(), &elsewhere).unwrap();
    assert_eq!(config.admin().to_string(), "10.0.0.1:9100");
    let Access::Registered(registry) = &config.access else { panic!("open") };
    assert_eq!(registry.token_address, "https://x.example/t");
    // what is counted elsewhere takes none of the keys
    let site =
        Config::of_site("listen = \"0.0.0.0:80\"\n[[client]]\nid = \"x\"\njwks = \"gone\"\nscopes = \"s\"\n")
            .unwrap();
    assert!(matches!(site.access, Access::Open));
}

#[test]
fn check_prints_who_may_do_what_and_what_cannot_be() {
    let folder = folder();
    let data = folder.path().join("data");
    let check = |text: &str, more: &[&str]| {
        let path = folder.path().join("terce.toml");
        std::fs::write(&path, text).unwrap();
        let mut command = Command::new(env!("CARGO_BIN_EXE_terce"));
        command.arg("check").arg("--config").arg(&path).arg("--data").arg(&data).args(more);
        let output = command.output().unwrap();
        let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
        (output.status.code(), text(output.stdout), text(output.stderr))
    };
    let head = "public_base = \"https://terce.example/fhir\"\n";
    let (code, said, _) = check(&format!("{head}{CLIENT}"), &[]);
    assert_eq!(code, Some(0));
    assert!(said.contains("tokens from https://terce.example/auth/token"), "{said}");
    assert!(said.contains("client      feed: system/Procedure.cu; keys of a file (1)"), "{said}");
    let (code, _, wrong) = check(&format!("{head}{CLIENT}").replace("Procedure", "Procedures"), &[]);
    assert_eq!(code, Some(2));
    assert!(wrong.contains("client[0].scopes: Procedures is not a type that is kept here"), "{wrong}");
    let (code, said, _) = check("", &[]);
    assert_eq!(code, Some(0));
    assert!(said.contains("open: whoever reaches it may do everything"), "{said}");
    let (code, _, wrong) = check("", &["--listen", "0.0.0.0:0"]);
    assert_eq!(code, Some(2));
    assert!(wrong.contains("register who may in [[client]] or [[issuer]]"), "{wrong}");
}

#[test]
fn who_is_registered_is_accountable_for_what_it_reads() {
    let folder = folder();
    let text = format!("public_base = \"https://terce.example/fhir\"\n{CLIENT}[audit]\nreads = false\n");
    let errors = parsed(folder.path(), &text).unwrap_err();
    assert!(errors.iter().any(|e| e.contains("audit.reads: ")), "{errors:?}");
}

#[test]
fn a_secret_of_the_environment_is_taken_and_never_shown() {
    let folder = folder();
    let path = folder.path().join("terce.toml");
    let source = "[[source]]\nname = \"record\"\nheartbeat_seconds = 60\n[source.notify]\nsecret_file = \"env:TERCE_TOLD_BY\"\n";
    std::fs::write(&path, source).unwrap();
    let check = |secret: Option<&str>| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_terce"));
        command.arg("check").arg("--config").arg(&path).arg("--data").arg(folder.path().join("data"));
        let output =
            command.env_remove("TERCE_TOLD_BY").envs(secret.map(|s| ("TERCE_TOLD_BY", s))).output().unwrap();
        (output.status.code(), String::from_utf8([output.stdout, output.stderr].concat()).unwrap())
    };
    let (code, said) = check(Some("a secret of enough characters"));
    assert!(code == Some(0) && !said.contains("of enough"), "{said}");
    let (code, said) = check(Some("short"));
    assert_eq!(code, Some(2));
    assert!(said.contains("characters at least") && !said.contains("short"), "{said}");
    let (code, said) = check(None);
    assert_eq!(code, Some(2));
    assert!(said.contains("the variable TERCE_TOLD_BY is not set"), "{said}");
}
