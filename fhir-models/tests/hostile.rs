//! Whatever the bytes are, nothing panics, and the reader agrees with serde_json where their rules are one.

use std::sync::LazyLock;

use fhir_models::json::scan;
use fhir_models::*;
use proptest::prelude::*;

/// Small examples of several types: what an attacker starts from.
static EXAMPLES: LazyLock<Vec<Vec<u8>>> = LazyLock::new(|| {
    ["Procedure", "Encounter", "Observation", "Task", "Patient", "MeasureReport"]
        .into_iter()
        .flat_map(crate::outside::examples)
        .map(|(_, bytes)| bytes)
        .filter(|bytes| bytes.len() < 6000)
        .collect()
});

fn read_as_everything(bytes: &[u8]) {
    let _ = scan(bytes);
    let _ = resource_type(bytes);
    let _ = json::with_id_and_meta(bytes, "x", "1", "2026-01-02T03:04:05Z");
    // Bytes that were never scanned must not panic either
    if let Ok(procedure) = parse_scanned::<Procedure>(bytes) {
        let _ = validate(&procedure, bytes);
    }
    let _ = parse_scanned::<Encounter>(bytes);
    let _ = parse_scanned::<Observation>(bytes);
    let _ = parse_scanned::<Task>(bytes);
    let _ = parse_scanned::<Patient>(bytes);
    let _ = parse_scanned::<MeasureReport>(bytes);
    let _ = bundle::BundleRef::parse_scanned(bytes);
}

/// What the scan refuses and serde_json does not, where no name begins with `_`.
fn holds_what_only_fhir_forbids(value: &serde_json::Value) -> bool {
    use serde_json::Value::{Array, Bool, Null, Number, Object, String};
    match value {
        Null => true,
        String(text) => text.is_empty() || text.contains('\0'),
        Array(elements) => {
            elements.is_empty() || elements.iter().any(|e| e.is_array() || holds_what_only_fhir_forbids(e))
        }
        Object(members) => {
            members.is_empty()
                || members.iter().any(|(name, v)| name.contains('\0') || holds_what_only_fhir_forbids(v))
        }
        Bool(_) | Number(_) => false,
    }
}

fn json_value() -> impl Strategy<Value = serde_json::Value> {
    let leaf = prop_oneof![
        Just(serde_json::Value::Null),
        any::<bool>().prop_map(Into::into),
        any::<i64>().prop_map(Into::into),
        any::<f64>().prop_map(Into::into),
        any::<String>().prop_map(Into::into),
    ];
    leaf.prop_recursive(6, 64, 6, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..5).prop_map(serde_json::Value::from),
            prop::collection::btree_map("[a-z]{1,9}|[^_]{0,3}", inner, 0..30)
                .prop_map(|members| members.into_iter().collect()),
        ]
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn arbitrary_bytes_panic_nothing(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        read_as_everything(&bytes);
    }

    #[test]
    fn arbitrary_text_of_json_characters_is_judged_as_serde_json_judges_it(text in r#"\{("a"|[\[\]{}:,"0-9.eE+\-tfn \\u]|true|null|"b":1){0,20}\}"#) {
        let ours = scan(text.as_bytes());
        let theirs = serde_json::from_str::<serde_json::Value>(&text);
        // Whatever we accept is JSON; what we refuse besides is FHIR's own rule
        if ours.is_ok() {
            prop_assert!(theirs.is_ok(), "{text}");
        }
        read_as_everything(text.as_bytes());
    }

    #[test]
    fn json_is_accepted_unless_fhir_forbids_it(value in json_value()) {
        let text = serde_json::to_string(&value).unwrap();
        let forbidden = !value.is_object() || holds_what_only_fhir_forbids(&value);
        prop_assert_eq!(scan(text.as_bytes()).is_err(), forbidden, "{}", text);
        let spaced = serde_json::to_string_pretty(&value).unwrap();
        prop_assert_eq!(scan(spaced.as_bytes()).is_err(), forbidden, "{}", spaced);
    }

    #[test]
    fn mutated_examples_panic_nothing(
        which in any::<prop::sample::Index>(),
        edits in prop::collection::vec((any::<prop::sample::Index>(), prop_oneof![
            any::<u8>(), Just(b'"'), Just(b'{'), Just(b'['), Just(b']'), Just(b'}'), Just(b','), Just(b'\\'), Just(b'0'),
        ], 0..3_u8), 1..6),
    ) {
        let mut bytes = EXAMPLES[which.index(EXAMPLES.len())].clone();
        for (place, byte, edit) in edits {
            let at = place.index(bytes.len());
            match edit {
                0 => bytes[at] = byte,
                1 => bytes.insert(at, byte),
                _ => { bytes.remove(at); }
            }
        }
        if scan(&bytes).is_ok() {
            prop_assert!(serde_json::from_slice::<serde_json::Value>(&bytes).is_ok());
        }
        read_as_everything(&bytes);
    }

    #[test]
    fn truncated_examples_are_refused(which in any::<prop::sample::Index>(), cut in any::<prop::sample::Index>()) {
        let whole = &EXAMPLES[which.index(EXAMPLES.len())];
        let end = whole.iter().rposition(|b| *b == b'}').unwrap();
        prop_assert!(scan(&whole[..cut.index(end)]).is_err());
    }
}
