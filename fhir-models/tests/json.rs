//! The strict reader refuses what JSON or FHIR's use of it forbids, and says where.

use fhir_models::json::{scan, with_id_and_meta};
use fhir_models::{IssueKind, Procedure, Resource, parse};

fn refusal(text: &str) -> (IssueKind, String) {
    refusal_of(text.as_bytes())
}

fn refusal_of(bytes: &[u8]) -> (IssueKind, String) {
    match scan(bytes) {
        Err(error) => (error.kind, error.path),
        Ok(_) => panic!("accepted: {}", String::from_utf8_lossy(bytes)),
    }
}

fn refused_as_structure(texts: &[&str]) {
    for text in texts {
        assert_eq!(refusal(text).0, IssueKind::Structure, "{text}");
    }
}

#[test]
fn anything_but_one_object_is_refused() {
    refused_as_structure(&[
        "",
        " ",
        "null",
        "[]",
        "[{\"a\":1}]",
        "\"x\"",
        "1",
        "true",
        "{}",
        "{",
        "}",
        "{\"a\":1",
    ]);
}

#[test]
fn a_name_written_twice_is_refused_however_it_is_written() {
    let cases = [
        (r#"{"status":"completed","status":"entered-in-error"}"#, "status"),
        (r#"{"status":"completed","\u0073tatus":"entered-in-error"}"#, "status"),
        (r#"{"\u0073tatus":1,"st\u0061tus":2}"#, "status"),
        (r#"{"resourceType":"Procedure","code":{"text":"a","text":"b"}}"#, "Procedure.code.text"),
        (r#"{"note":[{"text":"a"},{"text":"a","text":"b"}]}"#, "note[1].text"),
    ];
    for (text, path) in cases {
        assert_eq!(refusal(text), (IssueKind::Structure, path.to_owned()), "{text}");
    }
    assert!(scan(br#"{"a":{"x":1},"b":{"x":1},"x":[{"x":1},{"x":1}]}"#).is_ok());
}

#[test]
fn a_name_among_thousands_is_found_twice_in_little_time() {
    let mut text = String::from("{");
    for n in 0..200_000 {
        text.push_str(&format!("\"k{n}\":1,"));
    }
    assert!(scan(format!("{text}\"end\":1}}").as_bytes()).is_ok());
    assert_eq!(refusal(&format!("{text}\"k77\":1}}")), (IssueKind::Structure, "k77".to_owned()));
}

#[test]
fn half_a_surrogate_pair_is_refused() {
    refused_as_structure(&[
        r#"{"a":"\ud800"}"#,
        r#"{"a":"\udc00"}"#,
        r#"{"a":"\ud800x"}"#,
        r#"{"a":"\ud800\n"}"#,
        r#"{"a":"\ud800\ud800"}"#,
        r#"{"a":"\udc00\ud800"}"#,
        r#"{"a":"\u12"}"#,
        r#"{"a":"\u12g4"}"#,
        r#"{"a":"\x"}"#,
        r#"{"\ud800":1}"#,
    ]);
    assert!(scan(r#"{"a":"\ud83d\ude00","b":"\u00e9"}"#.as_bytes()).is_ok());
}

#[test]
fn control_characters_are_refused_raw_and_zero_is_refused_escaped() {
    for control in 0..0x20_u8 {
        let text = format!("{{\"a\":\"x{}y\"}}", char::from(control));
        assert_eq!(refusal(&text), (IssueKind::Structure, "a".to_owned()), "{control}");
    }
    assert_eq!(refusal(r#"{"a":"x\u0000"}"#), (IssueKind::Value, "a".to_owned()));
    assert_eq!(refusal("{\"a\":1}\0").0, IssueKind::Structure);
}

#[test]
fn what_is_not_plain_utf8_is_refused() {
    let utf16: Vec<u8> = "{\"a\":1}".encode_utf16().flat_map(u16::to_le_bytes).collect();
    let cases: [&[u8]; 7] = [
        b"{\"a\":\"\xff\"}",
        b"{\"a\":\"\xc0\xaf\"}",
        b"{\"a\":\"\xed\xa0\x80\"}",
        b"{\"a\":\"\xed\xa0\xbd\xed\xb8\x80\"}",
        b"\xef\xbb\xbf{\"a\":1}",
        b"\xff\xfe{\0}\0",
        &utf16,
    ];
    for bytes in cases {
        assert_eq!(refusal_of(bytes).0, IssueKind::Structure, "{bytes:x?}");
    }
}

#[test]
fn depth_has_a_limit_in_elements_nobody_knows_too() {
    let nested =
        |open: &str, close: &str, n: usize| format!("{{\"z\":{}1{}}}", open.repeat(n), close.repeat(n));
    assert!(scan(nested("{\"a\":", "}", 63).as_bytes()).is_ok());
    assert_eq!(refusal(&nested("{\"a\":", "}", 64)).0, IssueKind::TooCostly);
    assert_eq!(refusal(&nested("[{\"a\":", "}]", 32)).0, IssueKind::TooCostly);
    assert_eq!(refusal(&format!("{{\"z\":{}", "{\"a\":".repeat(1_000_000))).0, IssueKind::TooCostly);
}

#[test]
fn numbers_are_jsons_and_of_bounded_length() {
    for number in ["0", "-0", "0.10", "1.2E+2", "12345678901234567890", "1e-400", "-1.5e10"] {
        assert!(scan(format!("{{\"a\":{number}}}").as_bytes()).is_ok(), "{number}");
    }
    for number in
        ["NaN", "Infinity", "-Infinity", "012", "+1", "0x10", "1.", ".5", "1e", "1e+", "-", "--1", "1_0"]
    {
        assert_eq!(refusal(&format!("{{\"a\":{number}}}")).0, IssueKind::Structure, "{number}");
    }
    for number in ["1e400", "-1E999", &"9".repeat(65), &format!("0.{}", "1".repeat(400))] {
        assert_eq!(refusal(&format!("{{\"a\":{number}}}")), (IssueKind::Value, "a".to_owned()), "{number}");
    }
}

#[test]
fn commas_comments_quotes_and_leftovers_are_jsons() {
    refused_as_structure(&[
        r#"{"a":1,}"#,
        r#"{"a":[1,]}"#,
        r#"{,"a":1}"#,
        r#"{"a":[,1]}"#,
        r#"{"a":1}}"#,
        r#"{"a":1}{"a":1}"#,
        r#"{"a":1} x"#,
        r#"{"a":1} // x"#,
        r#"{/* x */"a":1}"#,
        r#"{'a':1}"#,
        r#"{a:1}"#,
        r#"{"a":'x'}"#,
        r#"{"a" 1}"#,
        r#"{"a":1 "b":2}"#,
        r#"{"a":tru}"#,
        r#"{"a":True}"#,
        r#"{"a":"x}"#,
    ]);
    assert!(scan(b" \t\r\n{ \"a\" : [ 1 , true , \"x\" ] } \n").is_ok());
}

#[test]
fn nothing_is_written_as_nothing() {
    refused_as_structure(&[
        r#"{"a":null}"#,
        r#"{"a":{}}"#,
        r#"{"a":[]}"#,
        r#"{"a":""}"#,
        r#"{"a":[""]}"#,
        r#"{"a":[{}]}"#,
        r#"{"a":[null]}"#,
        r#"{"a":["x",null]}"#,
        r#"{"_a":null}"#,
        r#"{"a":[["x"]]}"#,
        r#"{"b":{"a":["x",null]},"_a":[null,{"id":"1"}]}"#,
    ]);
    assert_eq!(refusal(r#"{"name":[{"given":["x",null]}]}"#).1, "name[0].given");
    assert!(scan(br#"{"given":["x",null],"_given":[null,{"id":"1"}]}"#).is_ok());
    assert!(scan(br#"{"_given":[null,{"id":"1"}],"given":["x",null]}"#).is_ok());
}

#[test]
fn a_string_of_more_than_a_mebibyte_is_too_long() {
    let string = |n: usize| format!("{{\"a\":\"{}\"}}", "x".repeat(n));
    assert!(scan(string(1 << 20).as_bytes()).is_ok());
    assert_eq!(refusal(&string((1 << 20) + 1)), (IssueKind::TooLong, "a".to_owned()));
}

#[test]
fn modifiers_are_seen_anywhere_and_however_they_are_written() {
    let found = |text: &str| {
        let scan = scan(text.as_bytes()).unwrap();
        (scan.has_modifier_extension, scan.has_implicit_rules)
    };
    assert_eq!(found(r#"{"resourceType":"Procedure"}"#), (false, false));
    assert_eq!(found(r#"{"text":{"div":"modifierExtension implicitRules"}}"#), (false, false));
    assert_eq!(found(r#"{"modifierExtension":[{"url":"u"}]}"#), (true, false));
    assert_eq!(found(r#"{"performer":[{"modifier\u0045xtension":[{"url":"u"}]}]}"#), (true, false));
    assert_eq!(found(r#"{"contained":[{"implicitRules":"u"}]}"#), (false, true));
}

#[test]
fn members_are_where_the_scan_says() {
    let text = r#" { "meta" : {"tag":[{"code":"x"}]} , "id":"1", "resourceType" : "Procedure" }"#;
    let scan = scan(text.as_bytes()).unwrap();
    assert_eq!(&text[scan.resource_type.unwrap().value], "\"Procedure\"");
    assert_eq!(&text[scan.id.clone().unwrap().value], "\"1\"");
    assert_eq!(&text[scan.id.unwrap().whole], "\"id\":\"1\"");
    assert_eq!(&text[scan.meta.unwrap().value], r#"{"tag":[{"code":"x"}]}"#);
}

fn spliced(text: &str) -> String {
    let bytes = with_id_and_meta(text.as_bytes(), "p1", "7", "2026-01-02T03:04:05Z").unwrap();
    scan(&bytes).unwrap();
    String::from_utf8(bytes).unwrap()
}

#[test]
fn the_servers_id_and_meta_replace_the_clients_and_nothing_else() {
    const META: &str = r#""meta":{"versionId":"7","lastUpdated":"2026-01-02T03:04:05Z"}"#;
    let head = format!(r#"{{"resourceType":"Procedure","id":"p1",{META}"#);
    let cases = [
        (r#"{"resourceType":"Procedure"}"#, ""),
        (r#"{"resourceType":"Procedure","status":"completed"}"#, r#","status":"completed""#),
        (r#"{"status":"completed","resourceType":"Procedure"}"#, r#","status":"completed""#),
        (
            r#"{ "id" : "x" , "a" : 1.0 , "resourceType" : "Procedure" , "b" : "\u0041" }"#,
            r#","a" : 1.0,"b" : "\u0041""#,
        ),
        (
            r#"{"a":1,"meta":{"versionId":"9"},"resourceType":"Procedure","b":2,"id":"x","c":3}"#,
            r#","a":1,"b":2,"c":3"#,
        ),
        (r#"{"resourceType":"Procedure","\u0069d":"x","a":1}"#, r#","a":1"#),
    ];
    for (sent, rest) in cases {
        assert_eq!(spliced(sent), format!("{head}{rest}}}"), "{sent}");
    }
}

#[test]
fn what_else_meta_says_is_kept() {
    let sent = r#"{"resourceType":"Procedure","meta":{"lastUpd\u0061ted":"2000-01-01T00:00:00Z","profile":["p"],
        "_versionId":{"id":"v"},"tag":[{"code":"t"}],"source":"s"},"status":"completed"}"#;
    let kept =
        r#""lastUpdated":"2026-01-02T03:04:05Z","profile":["p"],"tag":[{"code":"t"}],"source":"s"},"status""#;
    assert!(spliced(sent).contains(kept), "{}", spliced(sent));
}

#[test]
fn a_splice_changes_nothing_that_the_type_reads() {
    for (name, bytes) in crate::outside::examples("Procedure") {
        let mut sent: Procedure = parse(&bytes).unwrap();
        let stored = with_id_and_meta(&bytes, "p1", "7", "2026-01-02T03:04:05Z").unwrap();
        let mut kept: Procedure = parse(&stored).unwrap();
        assert_eq!(kept.id(), Some("p1"), "{name}");
        (sent.id, sent.meta, kept.id, kept.meta) = (None, None, None, None);
        assert_eq!(sent, kept, "{name}");
    }
}

#[test]
fn a_document_without_a_type_cannot_be_spliced() {
    let error = with_id_and_meta(br#"{"id":"x"}"#, "p1", "7", "2026-01-02T03:04:05Z").unwrap_err();
    assert_eq!((error.kind, error.path.as_str()), (IssueKind::Required, "resourceType"));
    let error = with_id_and_meta(br#"{"resourceType":"Task","meta":"x"}"#, "p1", "7", "t").unwrap_err();
    assert_eq!((error.kind, error.path.as_str()), (IssueKind::Structure, "meta"));
}

#[test]
fn a_member_is_replaced_added_or_taken_out_and_all_else_keeps_its_bytes() {
    let with = |body: &str, value: Option<&str>| {
        String::from_utf8(fhir_models::json::with_member(body.as_bytes(), "status", value).unwrap()).unwrap()
    };
    let body = r#"{ "resourceType":"Task", "status" : "a", "x":{"status":"inner"}, "n":1.50 }"#;
    assert_eq!(
        with(body, Some("\"b\"")),
        r#"{ "resourceType":"Task", "status" : "b", "x":{"status":"inner"}, "n":1.50 }"#
    );
    assert_eq!(with(body, None), r#"{"resourceType":"Task","x":{"status":"inner"}, "n":1.50}"#);
    assert_eq!(with(r#"{"status":"a","x":1}"#, None), r#"{"x":1}"#);
    let without = r#"{ "resourceType":"Task" }"#;
    assert_eq!(with(without, Some("\"b\"")), r#"{"resourceType":"Task","status":"b"}"#);
    assert_eq!(with(without, None), without);
    assert!(fhir_models::json::with_member(b"[]", "status", None).is_err());
    assert!(fhir_models::json::with_member(without.as_bytes(), "status", Some("{")).is_err());
}
