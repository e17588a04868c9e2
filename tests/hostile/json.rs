//! What is no JSON, or none that FHIR writes.

use super::Answer::{self, Refused, Status};
use super::wire::Request;
use super::{Case, ask, at, ensure, story};
use crate::rest::procedure;

/// A Procedure with the text `members` in it.
pub(super) fn raw(members: &str) -> Vec<u8> {
    format!(r#"{{"resourceType":"Procedure","status":"completed","subject":{{"reference":"Patient/p1"}},{members}}}"#).into_bytes()
}

/// The same with bytes in the middle of a string.
fn in_text(bytes: &[u8]) -> Vec<u8> {
    let mut out = raw("\"x\":\"");
    out.splice(out.len() - 1.., bytes.iter().copied().chain(*b"\"}"));
    out
}

fn sent(name: &str, body: impl Into<Vec<u8>>, answer: Answer) -> Case {
    ask(name, Request::post("Procedure", body), answer)
}

const STRUCTURE: Answer = Refused(400, "structure");
const VALUE: Answer = Refused(400, "value");

pub(super) fn cases() -> Vec<Case> {
    [shapes(), names(), texts(), sizes(), numbers(), syntax(), empty(), everywhere(), kept()]
        .into_iter()
        .flatten()
        .collect()
}

fn shapes() -> Vec<Case> {
    vec![
        sent("nothing", "", STRUCTURE),
        sent("white space", " \r\n\t", STRUCTURE),
        sent("null", "null", STRUCTURE),
        sent("an array", "[]", STRUCTURE),
        sent("a string", "\"x\"", STRUCTURE),
        sent("a number", "1", STRUCTURE),
        sent("an empty object", "{}", STRUCTURE),
        sent("an array for an object", r#"["Procedure","completed"]"#, STRUCTURE),
        sent("an array for an object further in", raw(r#""encounter":["Encounter/e1"]"#), STRUCTURE),
        sent("an array for one element", raw(r#""encounter":[{"reference":"Encounter/e1"}]"#), STRUCTURE),
        sent("one element for an array", raw(r#""note":{"text":"x"}"#), STRUCTURE),
        sent("an object for a text", raw(r#""performedString":{"x":1}"#), STRUCTURE),
        sent(
            "a number for a code",
            r#"{"resourceType":"Procedure","status":5,"subject":{"reference":"Patient/p1"}}"#,
            STRUCTURE,
        ),
        sent("a boolean for a date", raw(r#""performedDateTime":true"#), STRUCTURE),
    ]
}

fn names() -> Vec<Case> {
    vec![
        sent("a name twice", raw(r#""status":"stopped""#), STRUCTURE),
        sent("a name twice, once with an escape", raw(r#""\u0073tatus":"stopped""#), STRUCTURE),
        sent("a name twice further in", raw(r#""code":{"text":"a","text":"b"}"#), STRUCTURE),
        sent(
            "a name twice in an element of an array",
            raw(r#""note":[{"text":"a"},{"text":"a","t\u0065xt":"b"}]"#),
            STRUCTURE,
        ),
        sent("a name twice in what nobody knows", raw(r#""x":{"y":{"z":1,"z":2}}"#), STRUCTURE),
        sent("names that only escapes tell apart", raw(r#""\u0061":1,"a":2"#), STRUCTURE),
        sent("the type twice", r#"{"resourceType":"Procedure","resourceType":"Patient"}"#, STRUCTURE),
        sent("the subject twice", raw(r#""subject":{"reference":"Patient/p2"}"#), STRUCTURE),
        sent(
            "names that mean something to others",
            raw(r#""__proto__":{"x":1},"Status":"stopped","constructor":1"#),
            Status(201),
        ),
        sent("a thousand names", raw(&numbered(1_000)), Status(201)),
        sent("a hundred thousand names", raw(&numbered(100_000)), Status(201)),
    ]
}

fn numbered(many: usize) -> String {
    (0..many).map(|n| format!("\"x{n}\":1")).collect::<Vec<_>>().join(",")
}

fn texts() -> Vec<Case> {
    let wide: Vec<u8> = procedure().to_string().encode_utf16().flat_map(u16::to_le_bytes).collect();
    vec![
        sent("half a surrogate pair", raw(r#""x":"\ud800""#), STRUCTURE),
        sent("half a surrogate pair in a name", raw(r#""\udc00":1"#), STRUCTURE),
        sent("a surrogate pair turned round", raw(r#""x":"\ude00\ud83d""#), STRUCTURE),
        sent("a raw control character", raw("\"x\":\"\u{1}\""), STRUCTURE),
        sent("a raw line feed", raw("\"x\":\"\n\""), STRUCTURE),
        sent("the character zero", raw(r#""x":"\u0000""#), VALUE),
        sent("the character zero in a name", raw(r#""\u0000":1"#), VALUE),
        sent("the byte zero", raw("\"x\":\"\0\""), STRUCTURE),
        sent("another encoding", in_text(b"\xe9"), STRUCTURE),
        sent("overlong UTF-8", in_text(b"\xc0\xaf"), STRUCTURE),
        sent("surrogates in UTF-8", in_text(b"\xed\xa0\xbd\xed\xb8\x80"), STRUCTURE),
        sent("a character beyond Unicode", in_text(b"\xf4\x90\x80\x80"), STRUCTURE),
        sent("a byte order mark", format!("\u{feff}{}", procedure()), STRUCTURE),
        sent("UTF-16", wide, STRUCTURE),
        sent("an escape that is none", raw(r#""x":"\x41""#), STRUCTURE),
    ]
}

fn sizes() -> Vec<Case> {
    let nested =
        |open: &str, close: &str, n: usize| raw(&format!("\"x\":{}1{}", open.repeat(n), close.repeat(n)));
    let costly = Refused(400, "too-costly");
    vec![
        sent("62 objects in one another", nested("{\"x\":", "}", 62), Status(201)),
        sent("70 objects in one another", nested("{\"x\":", "}", 70), costly),
        sent("70 objects and arrays in one another", nested("[{\"x\":", "}]", 35), costly),
        sent(
            "a million objects in one another",
            raw(&format!("\"x\":{}", "{\"x\":".repeat(1_000_000))),
            costly,
        ),
        sent("a million arrays in one another", raw(&format!("\"x\":{}", "[".repeat(1_000_000))), STRUCTURE),
        sent("a million arrays alone", "[".repeat(1_000_000), STRUCTURE),
        sent(
            "a string of more than a mebibyte",
            raw(&format!("\"note\":[{{\"text\":\"{}\"}}]", "x".repeat(1 << 20 | 1))),
            Refused(400, "too-long"),
        ),
        sent(
            "a mebibyte of escapes",
            raw(&format!("\"x\":\"{}\"", "\\u0041".repeat(200_000))),
            Refused(400, "too-long"),
        ),
    ]
}

fn numbers() -> Vec<Case> {
    let mut cases: Vec<Case> = [
        ("not a number", "NaN"),
        ("infinity", "Infinity"),
        ("minus infinity", "-Infinity"),
        ("a leading zero", "012"),
        ("a plus sign", "+1"),
        ("hexadecimal", "0x10"),
        ("a point without digits after it", "1."),
        ("a point without digits before it", ".5"),
        ("an exponent without digits", "1e"),
        ("underscores", "1_000"),
    ]
    .into_iter()
    .map(|(name, number)| sent(name, raw(&format!("\"x\":{number}")), STRUCTURE))
    .collect();
    cases.extend([
        sent("a number that nobody can hold", raw("\"x\":1e400"), VALUE),
        sent("a number of 400 digits", raw(&format!("\"x\":{}", "9".repeat(400))), VALUE),
        sent("a fraction of 400 digits", raw(&format!("\"x\":0.{}", "1".repeat(400))), VALUE),
        sent("a number too small to tell from nothing", raw("\"x\":1e-400"), Status(201)),
    ]);
    cases
}

fn syntax() -> Vec<Case> {
    vec![
        sent("a trailing comma", raw("\"x\":1,"), STRUCTURE),
        sent("a comment", raw("\"x\":1/*y*/"), STRUCTURE),
        sent("single quotes", raw("'x':1"), STRUCTURE),
        sent("a name without quotes", raw("x:1"), STRUCTURE),
        sent("a word that is none", raw("\"x\":True"), STRUCTURE),
        sent("more after the end", format!("{}x", procedure()), STRUCTURE),
        sent("a zero after the end", format!("{}\0", procedure()), STRUCTURE),
        sent("two documents", format!("{0}{0}", procedure()), STRUCTURE),
        sent("a document on each of two lines", format!("{0}\n{0}\n", procedure()), STRUCTURE),
        sent(
            "XML",
            "<Procedure xmlns=\"http://hl7.org/fhir\"><!DOCTYPE x [<!ENTITY y SYSTEM \"file:///etc/passwd\">]></Procedure>",
            STRUCTURE,
        ),
    ]
}

fn empty() -> Vec<Case> {
    vec![
        sent("null for an element", raw("\"note\":null"), STRUCTURE),
        sent("an empty object for an element", raw("\"note\":[{}]"), STRUCTURE),
        sent("an empty array", raw("\"note\":[]"), STRUCTURE),
        sent("an empty text", raw("\"note\":[{\"text\":\"\"}]"), STRUCTURE),
        sent("null in an array without saying why", raw("\"x\":[\"a\",null]"), STRUCTURE),
        sent(
            "null in an array that says why",
            raw("\"x\":[\"a\",null],\"_x\":[null,{\"id\":\"b\"}]"),
            Status(201),
        ),
    ]
}

/// Whatever comes in is read by the one strict reader.
fn everywhere() -> Vec<Case> {
    let twice = r#"{"resourceType":"KIND","status":"active","status":"draft"}"#;
    let mut cases = Vec::new();
    for kind in [
        "Patient",
        "Encounter",
        "Observation",
        "Device",
        "DeviceUseStatement",
        "Location",
        "Condition",
        "MedicationAdministration",
        "PlanDefinition",
        "ConceptMap",
        "ValueSet",
        "CodeSystem",
        "Measure",
    ] {
        let body = twice.replace("KIND", kind);
        cases.push(ask(
            format!("a name twice in a new {kind}"),
            Request::post(kind, body.clone()),
            STRUCTURE,
        ));
        cases.push(ask(
            format!("a name twice in a {kind}"),
            Request::put(&format!("{kind}/a"), body),
            STRUCTURE,
        ));
    }
    let entry = |resource: &str| {
        format!(
            r#"{{"resourceType":"Bundle","type":"transaction","entry":[{{"resource":{resource},"request":{{"method":"POST","url":"Procedure"}}}}]}}"#
        )
    };
    let in_entry = String::from_utf8(raw(r#""status":"stopped""#)).unwrap();
    let parameters = r#"{"resourceType":"Parameters","parameter":[{"name":"periodStart","valueDate":"2026-01-01","valueD\u0061te":"2026-01-02"}]}"#;
    cases.extend([
        ask(
            "a name twice in a Task",
            Request::put(
                "Task/a",
                r#"{"resourceType":"Task","id":"a","status":"ready","status":"completed","intent":"order"}"#,
            ),
            STRUCTURE,
        ),
        ask(
            "a name twice in the parameters of an operation",
            Request::post("Measure/timeliness/$evaluate-measure", parameters),
            STRUCTURE,
        ),
        ask(
            "a name twice in a document that is looked at",
            Request::post(
                "Procedure/$validate",
                r#"{"resourceType":"Parameters","parameter":[{"name":"resource","resource":{"resourceType":"Procedure","status":"completed","st\u0061tus":"draft"}}]}"#,
            ),
            STRUCTURE,
        ),
        ask(
            "a name twice in a code that is translated",
            Request::post(
                "ConceptMap/$translate",
                r#"{"resourceType":"Parameters","parameter":[{"name":"code","valueCode":"a","valueC\u006fde":"b"},{"name":"system","valueUri":"x"}]}"#,
            ),
            STRUCTURE,
        ),
        ask("an array for a document that is looked at", Request::post("Procedure/$validate", "[]"), STRUCTURE),
        ask("a plan of no type that is tried", Request::post("PlanDefinition/$try", r#"{"resourceType":5}"#), STRUCTURE),
        story("a name twice in a plan that is tried is told", |terce| {
            let plan = r#"{"resourceType":"PlanDefinition","status":"active","status":"draft"}"#;
            let told = terce.expect(&Request::post("PlanDefinition/$try", plan), 200)?;
            ensure(told.text().contains("PlanDefinition.status") && told.text().contains("twice"), || told.shown())
        }),
        ask("a name twice in an entry of a transaction", bundle(entry(&in_entry)), STRUCTURE),
        ask(
            "a name twice in a Bundle",
            bundle(r#"{"resourceType":"Bundle","type":"batch","type":"transaction"}"#.to_owned()),
            STRUCTURE,
        ),
        ask(
            "the entries of a Bundle twice",
            bundle(entry("{}").replace("\"entry\":", "\"entry\":[],\"entry\":")),
            STRUCTURE,
        ),
        ask("the resource of an entry twice", bundle(entry("1,\"resource\":2")), STRUCTURE),
        ask(
            "the entries of a Bundle under an escaped name",
            bundle(entry(&procedure().to_string()).replace("\"entry\"", "\"entr\\u0079\"")),
            STRUCTURE,
        ),
        ask(
            "an array for an entry",
            bundle(r#"{"resourceType":"Bundle","type":"batch","entry":[[{}]]}"#.to_owned()),
            STRUCTURE,
        ),
        ask(
            "a conditional update with a name twice",
            Request::put("Procedure?identifier=a|b", in_entry),
            STRUCTURE,
        ),
    ]);
    cases
}

pub(super) fn bundle(body: String) -> Request {
    Request::new("POST", "/fhir").with_body(body)
}

fn kept() -> Vec<Case> {
    vec![
        sent("letters that turn round", raw("\"code\":{\"text\":\"\u{202e}\u{200b}\u{ffff}\"}"), Status(201)),
        story("decimals keep their text", |terce| {
            let body = r#"{"resourceType":"Observation","id":"o","status":"final","code":{"text":"x"},"subject":{"reference":"Patient/p1"},"valueQuantity":{"value":0.10},"component":[{"code":{"text":"y"},"valueQuantity":{"value":12345678901234567890.12345678901234567890}}]}"#;
            terce.expect(&Request::put("Observation/o", body), 201)?;
            let read = terce.expect(&Request::get("/fhir/Observation/o"), 200)?.text();
            let whole = read.contains("\"value\":0.10}")
                && read.contains("12345678901234567890.12345678901234567890");
            ensure(whole, || read)
        }),
        story("an error names the code or date that is wrong, so that the sender can mend it", |terce| {
            for (member, wrong) in [("status", "finished"), ("performedDateTime", "2026-02-30T08:00:00Z")] {
                let body = crate::rest::with(procedure(), serde_json::json!({ member: wrong }));
                let reply = terce.expect(&Request::post("Procedure", body.to_string()), 400)?.json();
                let named = at(&reply, "/issue/0/diagnostics").contains(wrong)
                    && at(&reply, "/issue/0/expression/0") == format!("Procedure.{member}");
                ensure(named, || reply.to_string())?;
            }
            Ok(())
        }),
    ]
}
