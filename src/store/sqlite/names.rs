//! Business identifiers: a table to find documents by, and a copy beside each document that tells what to remove from
//! it, so that the table needs no second index.

use rusqlite::Connection;

use super::apply::run;
use crate::store::{Identifier, sql};

/// Replaces the identifiers by which a document is found.
pub(super) fn replace(
    conn: &Connection,
    kind: &str,
    id: &str,
    old: Option<&str>,
    new: &[&Identifier],
) -> rusqlite::Result<()> {
    let old = old.map(decode).unwrap_or_default();
    for name in old.iter().filter(|name| !new.contains(name)) {
        run(conn, sql::REMOVE_IDENTIFIER, [kind, &name.value, &name.system, id])?;
    }
    for name in new.iter().filter(|name| !old.contains(name)) {
        run(conn, sql::ADD_IDENTIFIER, [kind, &name.value, &name.system, id])?;
    }
    Ok(())
}

/// Each identifier once.
pub(super) fn sorted(identifiers: &[Identifier]) -> Vec<&Identifier> {
    let mut sorted: Vec<_> = identifiers.iter().collect();
    sorted.sort();
    sorted.dedup();
    sorted
}

/// Identifiers as one text, each part after its length.
pub(super) fn encode(identifiers: &[&Identifier]) -> Option<String> {
    let parts = identifiers.iter().flat_map(|name| [&name.system, &name.value]);
    let text: String = parts.map(|part| format!("{}:{part}", part.len())).collect();
    (!text.is_empty()).then_some(text)
}

fn decode(mut text: &str) -> Vec<Identifier> {
    let mut part = || {
        let (length, rest) = text.split_once(':')?;
        let (part, rest) = rest.split_at_checked(length.parse().ok()?)?;
        text = rest;
        Some(part.to_owned())
    };
    let mut identifiers = Vec::new();
    while let (Some(system), Some(value)) = (part(), part()) {
        identifiers.push(Identifier { system, value });
    }
    identifiers
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn identifiers_survive_whatever_they_contain() {
        let name = |system: &str, value: &str| Identifier { system: system.into(), value: value.into() };
        let names = [name("", ""), name("urn:oid:1", "1:2:3"), name("http://ö", "é|\n"), name("", "x")];
        let encoded = encode(&names.iter().collect::<Vec<_>>()).unwrap();
        assert_eq!(decode(&encoded), names);
        assert_eq!(encode(&[]), None);
    }
}
