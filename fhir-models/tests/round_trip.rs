//! HL7's published examples come back as they went in.

use fhir_models::*;
use serde_json::Value;

use crate::outside::examples;

/// `value` without what the types are known to leave to the document: what stands beside a primitive's value.
///
/// `kept` are the names that are modelled.
fn without_siblings(value: &mut Value, kept: &[&str]) {
    match value {
        Value::Object(members) => {
            members.retain(|name, _| !name.starts_with('_') || kept.contains(&name.as_str()));
            members.values_mut().for_each(|v| without_siblings(v, kept));
        }
        Value::Array(elements) => elements.iter_mut().for_each(|v| without_siblings(v, kept)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

fn names_with_siblings(value: &Value, names: &mut Vec<String>) {
    match value {
        Value::Object(members) => members.iter().for_each(|(name, v)| {
            if name.starts_with('_') {
                names.push(name.clone());
            }
            names_with_siblings(v, names);
        }),
        Value::Array(elements) => elements.iter().for_each(|v| names_with_siblings(v, names)),
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

const TOO_LONG: [&str; 2] = ["CodeSystem-dicom-dcim.json", "ValueSet-c80-doc-typecodes.json"];

fn round_trip<T: Resource>() {
    let mut faults = Vec::new();
    for (name, bytes) in examples(T::TYPE.as_str()) {
        let resource: T = match parse(&bytes) {
            Ok(resource) => resource,
            // Two narratives of terminology are longer than R4 lets a string be
            Err(error) if error.kind == IssueKind::TooLong => {
                assert!(TOO_LONG.contains(&name.as_str()), "{name}: {error}");
                continue;
            }
            Err(error) => {
                faults.push(format!("{name}: {error}"));
                continue;
            }
        };
        let written = resource.write();
        json::scan(&written).unwrap_or_else(|e| panic!("{name} was written so that it cannot be read: {e}"));
        let mut sent: Value = serde_json::from_slice(&bytes).unwrap();
        let mut came: Value = serde_json::from_slice(&written).unwrap();
        // `contained` is kept as bytes, siblings and all; the elements' own siblings only where they are modelled
        let mut modelled = Vec::new();
        names_with_siblings(&came, &mut modelled);
        let modelled: Vec<&str> = modelled.iter().map(String::as_str).collect();
        without_siblings(&mut sent, &modelled);
        without_siblings(&mut came, &modelled);
        if sent != came {
            faults.push(format!("{name}: {}", difference(&sent, &came, "")));
        }
    }
    assert!(faults.is_empty(), "{} of {}:\n{}", faults.len(), T::TYPE, faults.join("\n"));
}

/// Where two values first differ.
fn difference(sent: &Value, came: &Value, path: &str) -> String {
    match (sent, came) {
        (Value::Object(a), Value::Object(b)) => {
            for (name, value) in a {
                let path = format!("{path}.{name}");
                match b.get(name) {
                    None => return format!("{path} is lost"),
                    Some(other) if other != value => return difference(value, other, &path),
                    Some(_) => {}
                }
            }
            format!("{path} has gained a member")
        }
        (Value::Array(a), Value::Array(b)) if a.len() == b.len() => {
            let at = a.iter().zip(b).position(|(a, b)| a != b).unwrap();
            difference(&a[at], &b[at], &format!("{path}[{at}]"))
        }
        _ => format!("{path} differs: {sent} and {came}"),
    }
}

/// Numbers as they are written, which `serde_json::Value` does not keep.
fn numbers(text: &str) -> Vec<String> {
    let mut numbers = Vec::new();
    let mut chars = text.chars().peekable();
    let mut quoted = false;
    while let Some(c) = chars.next() {
        match c {
            '"' => quoted = !quoted,
            '\\' => {
                chars.next();
            }
            '-' | '0'..='9' if !quoted => {
                let mut number = c.to_string();
                while let Some(next) = chars.next_if(|c| c.is_ascii_digit() || "+-.eE".contains(*c)) {
                    number.push(next);
                }
                numbers.push(number);
            }
            _ => {}
        }
    }
    numbers.sort();
    numbers
}

#[test]
fn decimals_of_the_examples_keep_their_digits() {
    for (name, bytes) in examples("Observation") {
        let observation: Observation = parse(&bytes).unwrap();
        let written = String::from_utf8(observation.write()).unwrap();
        let sent = String::from_utf8(bytes).unwrap();
        assert_eq!(numbers(&written), numbers(&sent), "{name}");
    }
}

macro_rules! round_trips {
    ($($claim:ident: $name:ident;)+) => {
        $(#[test]
        fn $claim() {
            round_trip::<$name>();
        })+

        #[test]
        fn every_type_has_a_round_trip() {
            let tried = [$(ResourceType::$name),+];
            let untried: Vec<_> = ResourceType::ALL.iter().filter(|t| !tried.contains(t)).collect();
            // HL7 publishes no Parameters under its own name; those are read from inside other examples
            assert_eq!(untried, [&ResourceType::Parameters]);
        }
    };
}

round_trips! {
    audit_events_come_back: AuditEvent;
    bundles_come_back: Bundle;
    capability_statements_come_back: CapabilityStatement;
    code_systems_come_back: CodeSystem;
    concept_maps_come_back: ConceptMap;
    conditions_come_back: Condition;
    detected_issues_come_back: DetectedIssue;
    devices_come_back: Device;
    device_use_statements_come_back: DeviceUseStatement;
    encounters_come_back: Encounter;
    groups_come_back: Group;
    lists_come_back: List;
    locations_come_back: Location;
    measures_come_back: Measure;
    measure_reports_come_back: MeasureReport;
    medication_administrations_come_back: MedicationAdministration;
    observations_come_back: Observation;
    operation_outcomes_come_back: OperationOutcome;
    patients_come_back: Patient;
    plan_definitions_come_back: PlanDefinition;
    procedures_come_back: Procedure;
    subscriptions_come_back: Subscription;
    tasks_come_back: Task;
    value_sets_come_back: ValueSet;
}
