//! What must hold between elements that are each well formed.

use fhir_models::*;

fn wrong<T: Resource>(text: &str) -> Vec<(IssueKind, String)> {
    let resource: T = parse(text.as_bytes()).unwrap_or_else(|e| panic!("{e}"));
    validate(&resource, text.as_bytes()).into_iter().map(|e| (e.kind, e.path)).collect()
}

fn procedure(members: &str) -> Vec<(IssueKind, String)> {
    let subject =
        if members.contains("\"subject\"") { "" } else { r#","subject":{"reference":"Patient/1"}"# };
    wrong::<Procedure>(&format!(r#"{{"resourceType":"Procedure","status":"completed"{subject}{members}}}"#))
}

#[test]
fn a_period_that_ends_before_it_starts_is_refused() {
    let period = |start: &str, end: &str| {
        procedure(&format!(r#","performedPeriod":{{"start":"{start}","end":"{end}"}}"#))
    };
    let invariant = vec![(IssueKind::Invariant, "Procedure.performedPeriod".to_owned())];
    assert_eq!(period("2026-01-02T10:00:00Z", "2026-01-02T09:59:59.999Z"), invariant);
    assert_eq!(period("2026-01-02T10:00:00+01:00", "2026-01-02T08:00:00Z"), invariant);
    assert_eq!(period("2026-02", "2026-01"), invariant);
    assert_eq!(period("2026-01-02T10:00:00+01:00", "2026-01-02T09:30:00Z"), []);
    assert_eq!(period("2026-01-02", "2026-01-02"), []);
    assert_eq!(period("2026-01-02", "2026"), []);
}

#[test]
fn a_reference_to_another_type_than_r4_allows_breaks_a_rule() {
    let broken = |path: &str| vec![(IssueKind::BusinessRule, path.to_owned())];
    assert_eq!(procedure(r#","subject":{"reference":"Device/1"}"#), broken("Procedure.subject"));
    assert_eq!(procedure(r#","subject":{"reference":"Group/1"}"#), []);
    assert_eq!(procedure(r#","encounter":{"reference":"Patient/1"}"#), broken("Procedure.encounter"));
    assert_eq!(
        procedure(
            r#","performer":[{"actor":{"reference":"Practitioner/1"}},{"actor":{"reference":"Location/1"}}]"#
        ),
        broken("Procedure.performer[1].actor")
    );
    assert_eq!(
        procedure(r#","usedReference":[{"reference":"Device/1"},{"reference":"Patient/1"}]"#),
        broken("Procedure.usedReference[1]")
    );
    for elsewhere in ["http://ehr/Device/1", "urn:uuid:1", "#p1"] {
        assert_eq!(procedure(&format!(r#","subject":{{"reference":"{elsewhere}"}}"#)), [], "{elsewhere}");
    }
}

#[test]
fn what_is_contained_is_referred_to_by_an_id_of_its_own_and_contains_nothing() {
    let contained = |resources: &str, reference: &str| {
        procedure(&format!(r#","contained":[{resources}],"recorder":{{"reference":"{reference}"}}"#))
    };
    let invariant = |index: usize| (IssueKind::Invariant, format!("Procedure.contained[{index}]"));
    let one = r##"{"resourceType":"Practitioner","id":"a"}"##;
    assert_eq!(contained(one, "#a"), []);
    assert_eq!(contained(one, "#b"), [invariant(0)]);
    assert_eq!(contained(&format!("{one},{one}"), "#a"), [invariant(1)]);
    assert_eq!(contained(r#"{"resourceType":"Practitioner"}"#, "#a"), [invariant(0)]);
    let nested =
        r#"{"resourceType":"Practitioner","id":"a","contained":[{"resourceType":"Patient","id":"b"}]}"#;
    assert_eq!(contained(nested, "#a"), [invariant(0)]);
    let upwards = r##"{"resourceType":"Provenance","id":"a","target":[{"reference":"#"}]}"##;
    assert_eq!(contained(upwards, "Practitioner/1"), []);
}

macro_rules! sound {
    ($faults:ident: $($name:ident)+) => {
        $(for (name, bytes) in crate::outside::examples(stringify!($name)) {
            let Ok(resource) = parse::<$name>(&bytes) else { continue };
            $faults.extend(validate(&resource, &bytes).into_iter().map(|e| format!("{name}: {e}")));
        })+
    };
}

#[test]
fn published_examples_break_no_rule_but_two_known_ones() {
    let mut faults = Vec::new();
    sound!(faults: AuditEvent CapabilityStatement ConceptMap Condition DetectedIssue Device DeviceUseStatement Encounter Group
        List Location Measure MeasureReport MedicationAdministration Observation Patient PlanDefinition Procedure Subscription Task);
    // Two examples refer to types that their own definitions do not allow
    let published = ["DeviceUseStatement-example.json", "Observation-clinical-gender.json"];
    faults.retain(|fault: &String| !published.iter().any(|name| fault.starts_with(name)));
    assert!(faults.is_empty(), "{}", faults.join("\n"));
}
