//! Reading a type: each value outside it is an error at its own path, and no value is dropped.

use fhir_models::bundle::BundleRef;
use fhir_models::codes::EventStatus;
use fhir_models::datatypes::Value;
use fhir_models::procedure::Performed;
use fhir_models::*;

fn procedure(members: &str) -> Result<Procedure, ParseError> {
    parse(format!(r#"{{"resourceType":"Procedure",{members}}}"#).as_bytes())
}

const SOUND: &str = r#""status":"completed","subject":{"reference":"Patient/1"}"#;

fn refused(members: &str) -> (IssueKind, String) {
    match procedure(members) {
        Err(error) => (error.kind, error.path),
        Ok(_) => panic!("accepted: {members}"),
    }
}

#[test]
fn a_value_of_the_wrong_json_type_is_an_error_at_its_path() {
    let cases = [
        (r#""status":5,"subject":{"reference":"Patient/1"}"#, "Procedure.status"),
        (r#""status":["completed"],"subject":{"reference":"Patient/1"}"#, "Procedure.status"),
        (r#""status":"completed","subject":"Patient/1""#, "Procedure.subject"),
        (r#""status":"completed","subject":["a",[{"url":"u"}],"Patient/1"]"#, "Procedure.subject"),
        (r#""subject":{"reference":"Patient/1"},"status":true"#, "Procedure.status"),
    ];
    for (members, path) in cases {
        // An array within an array is refused by the scan, at the element itself
        let (kind, found) = refused(members);
        assert_eq!(kind, IssueKind::Structure, "{members}");
        assert!(found.starts_with(path), "{found} for {members}");
    }
    let cases = [
        (r#""code":["x"]"#, "Procedure.code"),
        (r#""code":[{"text":"x"}]"#, "Procedure.code"),
        (r#""code":"x""#, "Procedure.code"),
        (r#""code":{"coding":{"code":"x"}}"#, "Procedure.code.coding"),
        (r#""code":{"coding":["x"]}"#, "Procedure.code.coding[0]"),
        (r#""code":{"coding":[{"code":"x"},{"code":7}]}"#, "Procedure.code.coding[1].code"),
        (r#""performedPeriod":["2026"]"#, "Procedure.performedPeriod"),
        (r#""performer":{"actor":{"display":"x"}}"#, "Procedure.performer"),
        (r#""extension":[["u"]]"#, "Procedure.extension[0]"),
        (r#""extension":["u"]"#, "Procedure.extension[0]"),
        (r#""performedAge":{"value":"5"},"z":1"#, "Procedure.performedAge"),
        (r#""text":{"status":"generated","div":["<div/>"]}"#, "Procedure.text.div"),
    ];
    for (members, path) in cases {
        assert_eq!(
            refused(&format!("{SOUND},{members}")),
            (IssueKind::Structure, path.to_owned()),
            "{members}"
        );
    }
}

#[test]
fn a_value_outside_its_type_is_an_error_at_its_path() {
    let cases = [
        (r#""performedDateTime":"2026-02-30""#, IssueKind::Value, "Procedure.performedDateTime"),
        (r#""performedDateTime":"2026-01-02T03:04""#, IssueKind::Value, "Procedure.performedDateTime"),
        (
            r#""performedPeriod":{"start":"2026","end":"x"}"#,
            IssueKind::Value,
            "Procedure.performedPeriod.end",
        ),
        (r#""text":{"status":"x","div":"<div/>"}"#, IssueKind::CodeInvalid, "Procedure.text.status"),
        (r#""note":[{"text":"a"},{"text":"b","time":"y"}]"#, IssueKind::Value, "Procedure.note[1].time"),
        (
            r#""extension":[{"url":"u","valueDate":"2026-02-30"}]"#,
            IssueKind::Value,
            "Procedure.extension[0].valueDate",
        ),
        (
            r#""extension":[{"url":"u","valuePositiveInt":0}]"#,
            IssueKind::Value,
            "Procedure.extension[0].valuePositiveInt",
        ),
        (
            r#""extension":[{"url":"u","valueUnsignedInt":-1}]"#,
            IssueKind::Value,
            "Procedure.extension[0].valueUnsignedInt",
        ),
        (r#""extension":[{"url":"u","valueFoo":1}]"#, IssueKind::Structure, "Procedure.extension[0]"),
        (
            r#""extension":[{"url":"u","valueCode":"a","valueString":"b"}]"#,
            IssueKind::Structure,
            "Procedure.extension[0]",
        ),
    ];
    for (members, kind, path) in cases {
        let (found, at) = refused(&format!("{SOUND},{members}"));
        assert_eq!(found, kind, "{members}");
        assert!(at.starts_with(path), "{at} for {members}");
        // The same wherever the lines break
        let broken = members.replace(':', ":\n ").replace(',', "\r\n,");
        assert!(refused(&format!("{SOUND},\n{broken}\n")).1.starts_with(path), "{members}");
    }
}

#[test]
fn an_absent_required_element_is_named() {
    let cases = [
        (r#""subject":{"reference":"Patient/1"}"#, "Procedure.status"),
        (r#""status":"completed""#, "Procedure.subject"),
        (
            r#""status":"completed","subject":{"display":"x"},"performer":[{"function":{"text":"x"}}]"#,
            "Procedure.performer[0].actor",
        ),
        (
            r#""status":"completed","subject":{"display":"x"},"extension":[{"valueCode":"x"}]"#,
            "Procedure.extension[0].url",
        ),
        (r#""status":"completed","subject":{"display":"x"},"text":{"div":"x"}"#, "Procedure.text.status"),
    ];
    for (members, path) in cases {
        assert_eq!(refused(members), (IssueKind::Required, path.to_owned()), "{members}");
    }
    let given: Result<MedicationAdministration, _> = parse(
        br#"{"resourceType":"MedicationAdministration","status":"completed","subject":{"reference":"Patient/1"}}"#,
    );
    assert_eq!(given.unwrap_err().path, "MedicationAdministration.medication[x]");
}

#[test]
fn a_required_value_may_be_absent_with_a_reason() {
    let reason = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";
    let members = format!(
        r#""_status":{{"extension":[{{"url":"{reason}","valueCode":"unknown"}}]}},"subject":{{"display":"x"}},
           "_performedDateTime":{{"extension":[{{"url":"{reason}","valueCode":"asked-unknown"}}]}}"#
    );
    let procedure = procedure(&members).unwrap();
    assert_eq!(procedure.status, None);
    assert_eq!(procedure.status_element.as_ref().unwrap().data_absent_reason(), Some("unknown"));
    assert_eq!(procedure.performed().unwrap(), None);
    assert_eq!(procedure.performed_date_time_element.unwrap().data_absent_reason(), Some("asked-unknown"));
}

#[test]
fn a_choice_has_one_type() {
    let one = procedure(&format!(r#"{SOUND},"performedDateTime":"2026-01-02""#)).unwrap();
    assert!(matches!(one.performed(), Ok(Some(Performed::DateTime(at))) if at.as_str() == "2026-01-02"));
    let two =
        procedure(&format!(r#"{SOUND},"performedString":"x","performedPeriod":{{"start":"2026"}}"#)).unwrap();
    assert_eq!(two.performed().unwrap_err().kind, IssueKind::Structure);
    let errors = validate(&two, b"{}");
    assert_eq!(errors[0].path, "Procedure.performed[x]");
}

#[test]
fn what_r4_does_not_know_is_ignored() {
    let read = procedure(&format!(r#"{SOUND},"__proto__":{{"x":1}},"Status":"x","occurrenceDateTime":"x""#))
        .unwrap();
    assert_eq!(read.status, Some(EventStatus::Completed));
}

#[test]
fn an_unknown_code_is_refused_and_quoted() {
    let error = procedure(r#""status":"cancelledd","subject":{"display":"x"}"#).unwrap_err();
    assert_eq!((error.kind, error.path.as_str()), (IssueKind::CodeInvalid, "Procedure.status"));
    assert!(
        error.message.starts_with("\"cancelledd\" is not a code of http://hl7.org/fhir/event-status;"),
        "{error}"
    );
}

#[test]
fn no_error_repeats_what_a_patient_is_called() {
    let documents = [
        r#"{"resourceType":"Patient","name":"Canary Nightingale"}"#,
        r#"{"resourceType":"Patient","name":["Canary Nightingale"]}"#,
        r#"{"resourceType":"Patient","name":[{"given":"Canary, expected Nightingale"}]}"#,
        r#"{"resourceType":"Patient","name":[{"family":["Canary"]}]}"#,
        r#"{"resourceType":"Patient","active":"Canary"}"#,
        r#"{"resourceType":"Patient","text":"Canary"}"#,
        r#"{"resourceType":"Patient","contact":[{"name":"Canary"}]}"#,
        r#"{"resourceType":"Patient","multipleBirthInteger":"Canary"}"#,
        r#"{"resourceType":"Patient","name":[{"family":"Canary"}"#,
        r#"{"resourceType":"Patient","name":[{"family":"Canary\u0000"}]}"#,
        r#"{"resourceType":"Patient","name":[{"family":"Canary"}],"name":[{"family":"Canary"}]}"#,
    ];
    for text in documents {
        let error = parse::<Patient>(text.as_bytes()).unwrap_err();
        assert!(
            !error.to_string().contains("Canary") && !error.to_string().contains("Nightingale"),
            "{error}"
        );
    }
}

#[test]
fn the_type_is_read_first_and_must_be_the_one_asked_for() {
    for text in [
        r#"{"resourceType":"Task","id":"x"}"#,
        " {\n \"resourceType\" : \"Task\" }",
        r#"{"id":"x","contained":[{"resourceType":"Patient"}],"resourceType":"Task"}"#,
        r#"{"resource\u0054ype":"Task"}"#,
    ] {
        assert_eq!(resource_type(text.as_bytes()), Ok("Task"), "{text}");
    }
    for text in
        [r#"{"id":"x"}"#, r#"{"resourceType":5}"#, r#"{"resourceType":"T\u0061sk"}"#, "[]", "", "\"Task\""]
    {
        assert!(resource_type(text.as_bytes()).is_err(), "{text}");
    }
    let error = parse::<Task>(br#"{"resourceType":"Procedure"}"#).unwrap_err();
    assert_eq!((error.kind, error.path.as_str()), (IssueKind::Structure, "resourceType"));
}

#[test]
fn entries_of_a_bundle_stay_bytes_until_they_are_read() {
    let sent = br#"{"resourceType":"Bundle","type":"searchset","total":1,"link":[{"relation":"next","url":"u"}],"entry":[
        {"fullUrl":"http://x/\u0050rocedure/1","resource":{"resourceType":"Procedure","z":0.10,"status":"completed","subject":{"display":"x"}},"search":{"mode":"match"}}]}"#;
    json::scan(sent).unwrap();
    let bundle = BundleRef::parse_scanned(sent).unwrap();
    let entry = &bundle.entry[0];
    assert_eq!(entry.full_url.as_deref(), Some("http://x/Procedure/1"));
    let bytes = entry.resource.unwrap().get().as_bytes();
    assert!(bytes.starts_with(br#"{"resourceType":"Procedure","z":0.10"#));
    assert!(parse_scanned::<Procedure>(bytes).is_ok());
    let owned: Bundle = parse(sent).unwrap();
    assert_eq!(owned.entry[0].resource.as_ref().unwrap().resource_type(), Ok("Procedure"));
}

#[test]
fn inputs_and_parameters_have_one_value_of_any_type() {
    let task: Task = parse(
        br#"{"resourceType":"Task","status":"ready","intent":"order","input":[{"type":{"text":"x"},"valueDuration":{"value":4.0,"code":"h"}}]}"#,
    )
    .unwrap();
    let value = task.input[0].value.as_deref();
    assert!(matches!(value, Some(Value::Duration(d)) if d.value.as_ref().unwrap().as_str() == "4.0"));
    let sent =
        br#"{"resourceType":"Parameters","parameter":[{"name":"a","valueInstant":"2026-01-02T03:04:05Z"},
        {"name":"b","part":[{"name":"c","resource":{"resourceType":"Task"}}]}]}"#;
    let parameters: Parameters = parse(sent).unwrap();
    assert_eq!(parameters.parameter[1].part[0].resource.as_ref().unwrap().resource_type(), Ok("Task"));
    assert_eq!(parse::<Parameters>(&parameters.write()).unwrap(), parameters);
}
