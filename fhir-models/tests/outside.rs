//! What `tests/setup` has fetched: HL7's definitions and examples of R4.

use std::path::PathBuf;

/// A folder that `tests/setup` makes.
#[expect(clippy::disallowed_methods, reason = "a test run says where its outside data is")]
pub(crate) fn folder(name: &str) -> PathBuf {
    let root = std::env::var_os("TERCE_OUTSIDE").map_or_else(
        || PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../target/outside")),
        PathBuf::from,
    );
    let folder = root.join(name);
    assert!(folder.is_dir(), "{} is not there: run tests/setup", folder.display());
    folder
}

/// Name and bytes of HL7's published examples of a type, in the order of their names.
pub(crate) fn examples(resource_type: &str) -> Vec<(String, Vec<u8>)> {
    let prefix = format!("{resource_type}-");
    let mut names: Vec<String> = std::fs::read_dir(folder("r4-examples"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with(&prefix) && name.ends_with(".json"))
        .collect();
    names.sort();
    assert!(!names.is_empty(), "no example of {resource_type}");
    let folder = folder("r4-examples");
    names.into_iter().map(|name| (name.clone(), std::fs::read(folder.join(&name)).unwrap())).collect()
}

/// A definition of R4, such as `StructureDefinition-Procedure`.
pub(crate) fn definition(name: &str) -> Option<serde_json::Value> {
    let bytes = std::fs::read(folder("r4-definitions").join(format!("{name}.json"))).ok()?;
    Some(serde_json::from_slice(&bytes).unwrap())
}
