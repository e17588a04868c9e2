//! The site's own map of codes, edited code by code: what people chose on a page becomes a ConceptMap.

use std::collections::BTreeMap;

use serde_json::{Map, Value as Json, json};

use super::BASE;

/// The logical id of the map that is edited.
pub const LOCAL_MAP: &str = "local";

/// A code and what it means.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Mapping {
    /// The system of the code.
    pub system: String,
    /// The code.
    pub code: String,
    /// The own CodeSystem that the meaning is of.
    pub target_system: String,
    /// The meaning.
    pub target: String,
}

/// What the map says, in its order; nothing where `body` is no ConceptMap.
pub fn mappings(body: &[u8]) -> Vec<Mapping> {
    let Ok(map) = serde_json::from_slice::<Json>(body) else { return Vec::new() };
    let text = |of: &Json, member: &str| of.get(member).and_then(Json::as_str).unwrap_or_default().to_owned();
    let mut out = Vec::new();
    for group in list(&map, "group") {
        for element in list(group, "element") {
            for target in list(element, "target") {
                out.push(Mapping {
                    system: text(group, "source"),
                    code: text(element, "code"),
                    target_system: text(group, "target"),
                    target: text(target, "code"),
                });
            }
        }
    }
    out
}

/// The map with one more mapping, in place of what it said of that code. `body` is the map as it stands; none: there is
/// none yet. What else it says stays as it is. None if `body` is no JSON object.
pub fn with(body: Option<&[u8]>, mapping: &Mapping, display: Option<&str>) -> Option<Vec<u8>> {
    let mut map = opened(body)?;
    forget(&mut map, &mapping.system, &mapping.code);
    let mut element =
        json!({ "code": mapping.code, "target": [{ "code": mapping.target, "equivalence": "equivalent" }] });
    if let (Some(display), Some(element)) = (display.filter(|d| !d.is_empty()), element.as_object_mut()) {
        element.insert("display".to_owned(), display.into());
    }
    let groups = map.entry("group").or_insert_with(|| json!([])).as_array_mut()?;
    let same = |group: &&mut Json| {
        let is = |member: &str, text: &str| group.get(member).and_then(Json::as_str) == Some(text);
        is("source", &mapping.system) && is("target", &mapping.target_system)
    };
    match groups.iter_mut().find(same).and_then(|group| group.get_mut("element")?.as_array_mut()) {
        Some(elements) => elements.push(element),
        None => groups
            .push(json!({ "source": mapping.system, "target": mapping.target_system, "element": [element] })),
    }
    serde_json::to_vec(&map).ok()
}

/// The map without what it says of a code. None if `body` is no JSON object.
pub fn without(body: &[u8], system: &str, code: &str) -> Option<Vec<u8>> {
    let mut map = opened(Some(body))?;
    forget(&mut map, system, code);
    serde_json::to_vec(&map).ok()
}

fn opened(body: Option<&[u8]>) -> Option<Map<String, Json>> {
    let Some(body) = body else {
        let new = json!({
            "resourceType": "ConceptMap", "id": LOCAL_MAP, "url": format!("{BASE}/ConceptMap/{LOCAL_MAP}"),
            "name": "LocalCodes", "title": "Codes of this site", "status": "active"
        });
        return new.as_object().cloned();
    };
    serde_json::from_slice(body).ok()
}

/// Takes out a code, and what is empty then: R4 knows no empty lists.
fn forget(map: &mut Map<String, Json>, system: &str, code: &str) {
    let is = |of: &Json, member: &str, text: &str| of.get(member).and_then(Json::as_str) == Some(text);
    if let Some(groups) = map.get_mut("group").and_then(Json::as_array_mut) {
        for group in groups.iter_mut().filter(|group| is(group, "source", system)) {
            if let Some(elements) = group.get_mut("element").and_then(Json::as_array_mut) {
                elements.retain(|element| !is(element, "code", code));
            }
        }
        groups.retain(|group| !list(group, "element").is_empty());
        if groups.is_empty() {
            map.remove("group");
        }
    }
}

fn list<'a>(of: &'a Json, member: &str) -> &'a [Json] {
    of.get(member).and_then(Json::as_array).map_or(&[], Vec::as_slice)
}

/// A map of codes (system, code, display, comment) whose meaning is still to be given: each is said to mean nothing.
pub fn skeleton(rows: impl Iterator<Item = (String, String, Option<String>, String)>) -> Json {
    let mut groups: BTreeMap<String, Vec<Json>> = BTreeMap::new();
    for (system, code, display, comment) in rows {
        let mut element =
            json!({ "code": code, "target": [{ "equivalence": "unmatched", "comment": comment }] });
        if let (Some(display), Some(element)) = (display.filter(|d| !d.is_empty()), element.as_object_mut()) {
            element.insert("display".to_owned(), display.into());
        }
        groups.entry(system).or_default().push(element);
    }
    let group = groups.into_iter().map(|(system, element)| {
        json!({ "source": system, "target": format!("{BASE}/CodeSystem/activity"), "element": element })
    });
    let group: Vec<Json> = group.collect();
    let mut map = opened(None).unwrap_or_default();
    if !group.is_empty() {
        map.insert("group".to_owned(), group.into());
    }
    Json::Object(map)
}

#[cfg(test)]
mod tests {
    use super::{Mapping, mappings, with, without};

    fn mapping(code: &str, target: &str) -> Mapping {
        let text = str::to_owned;
        Mapping {
            system: text("urn:rows"),
            code: text(code),
            target_system: text("urn:activity"),
            target: text(target),
        }
    }

    #[test]
    fn a_code_is_mapped_mapped_anew_and_forgotten_and_the_rest_stays() {
        let one = with(None, &mapping("A", "oral-cleansing"), Some("Swab <b>")).unwrap();
        let two = with(Some(&one), &mapping("B", "tooth-brushing"), None).unwrap();
        let anew = with(Some(&two), &mapping("A", "tooth-brushing"), None).unwrap();
        assert_eq!(mappings(&anew), [mapping("B", "tooth-brushing"), mapping("A", "tooth-brushing")]);
        let less = without(&anew, "urn:rows", "A").unwrap();
        assert_eq!(mappings(&less), [mapping("B", "tooth-brushing")]);
        let none = without(&less, "urn:rows", "B").unwrap();
        let text = String::from_utf8(none).unwrap();
        assert!(!text.contains("group") && text.contains("\"title\":\"Codes of this site\""), "{text}");
        assert_eq!(with(Some(b"[]"), &mapping("A", "x"), None), None);
    }
}
