//! Search parameters, summaries and mandatory elements, against HL7's definitions of R4 (4.0.1).

use std::collections::BTreeMap;

use serde_json::Value;
use terce::rest::parameters::Param;
use terce::rest::subset::ELEMENTS;
use terce::rest::types::{KINDS, kind};

/// A definition of R4.
fn definition(name: &str) -> Value {
    let file = super::folder("r4-definitions").join(format!("{name}.json"));
    serde_json::from_slice(&std::fs::read(&file).unwrap_or_else(|e| panic!("{}: {e}", file.display())))
        .unwrap()
}

/// The ways of an expression that begin at a type.
fn of_type(expression: &str, kind: &str) -> Vec<String> {
    let ways = expression.split('|').map(|way| way.trim().to_owned());
    let begins = |way: &String| way == kind || way.trim_start_matches('(').starts_with(&format!("{kind}."));
    ways.filter(begins).collect()
}

#[test]
fn search_parameters_are_those_of_r4() {
    let mut compared = 0;
    for kind in KINDS {
        for param in kind.all_parameters().filter(|p| !p.own) {
            let Param { name, sort, expression, definition: id, targets, .. } = *param;
            let said = definition(&format!("SearchParameter-{id}"));
            let at = format!("{} {name}", kind.name);
            let base = if name.starts_with('_') { "Resource" } else { kind.name };
            assert!(said["base"].as_array().unwrap().iter().any(|b| b == base), "{at}");
            assert_eq!(
                (&said["code"], &said["type"]),
                (&Value::from(name), &Value::from(sort.code())),
                "{at}"
            );
            assert_eq!(said["url"], param.canonical(), "{at}");
            let ours: Vec<String> = expression.split(" | ").map(str::to_owned).collect();
            assert_eq!(ours, of_type(said["expression"].as_str().unwrap(), base), "{at}");
            let parts = said["component"].as_array().cloned().unwrap_or_default();
            assert_eq!(parts.len(), param.parts.len(), "{at}");
            for (part, said) in param.parts.iter().zip(&parts) {
                let expression = part.expression.replace(" | .", " | ");
                assert_eq!(said["expression"], expression.trim_start_matches('.'), "{at}");
                assert_eq!(said["definition"], part.canonical(), "{at}");
                let whole = kind.parameter(part.name).unwrap();
                assert_eq!((whole.definition, whole.sort), (part.definition, part.sort), "{at}");
            }
            for target in targets {
                let listed = said["target"].as_array().unwrap().iter().any(|t| t == target);
                assert!(listed && terce::rest::types::kind(target).is_some(), "{at}: {target}");
            }
            compared += 1;
        }
    }
    assert!(compared > 200, "{compared}");
}

/// The element at a path of a resource, or within one of its elements that is of a data type.
fn element(kind: &str, path: &str) -> Value {
    let structure = definition(&format!("StructureDefinition-{kind}"));
    let elements = structure["snapshot"]["element"].as_array().unwrap();
    let found = |path: &str| elements.iter().find(|e| e["path"] == path).cloned();
    found(path).unwrap_or_else(|| {
        let (above, name) = path.rsplit_once('.').unwrap();
        let of = found(above).unwrap()["type"][0]["code"].as_str().unwrap().to_owned();
        element(&of, &format!("{of}.{name}"))
    })
}

#[test]
fn codes_without_a_system_are_of_the_system_that_r4_binds_them_to() {
    for kind in KINDS {
        for param in kind.parameters {
            let Some(system) = param.system else { continue };
            let element = element(kind.name, param.expression);
            let set = element["binding"]["valueSet"].as_str().unwrap().split('|').next().unwrap();
            let set = definition(&format!("ValueSet-{}", set.rsplit('/').next().unwrap()));
            let includes = set["compose"]["include"].as_array().unwrap();
            assert!(includes.iter().any(|i| i["system"] == system), "{} {}", kind.name, param.name);
        }
    }
}

/// Children by path, without what every element has.
fn tree(kind: &str) -> BTreeMap<String, Vec<Value>> {
    let structure = definition(&format!("StructureDefinition-{kind}"));
    let mut out: BTreeMap<String, Vec<Value>> = BTreeMap::new();
    for element in structure["snapshot"]["element"].as_array().unwrap().iter().skip(1) {
        let (above, name) = element["path"].as_str().unwrap().rsplit_once('.').unwrap();
        let of_all: &[&str] = if above == kind {
            &[
                "id",
                "meta",
                "implicitRules",
                "language",
                "text",
                "contained",
                "extension",
                "modifierExtension",
            ]
        } else {
            &["id", "extension", "modifierExtension"]
        };
        if !of_all.contains(&name) {
            out.entry(above.to_owned()).or_default().push(element.clone());
        }
    }
    out
}

/// What of an element is in the summary, below the resource; a group that is wholly in it is named once.
fn summary(tree: &BTreeMap<String, Vec<Value>>, at: &str, root: &str) -> Vec<String> {
    let mut out = Vec::new();
    for element in tree.get(at).into_iter().flatten().filter(|e| e["isSummary"] == true) {
        let path = element["path"].as_str().unwrap();
        if whole(tree, path) {
            out.push(path[root.len() + 1..].replace("[x]", ""));
        } else {
            out.extend(summary(tree, path, root));
        }
    }
    out
}

fn whole(tree: &BTreeMap<String, Vec<Value>>, at: &str) -> bool {
    tree.get(at)
        .into_iter()
        .flatten()
        .all(|e| e["isSummary"] == true && whole(tree, e["path"].as_str().unwrap()))
}

#[test]
fn summaries_and_mandatory_elements_are_those_of_r4() {
    for of in ELEMENTS {
        let tree = tree(of.kind);
        assert_eq!(of.summary, summary(&tree, of.kind, of.kind), "{}", of.kind);
        let mandatory = tree[of.kind].iter().filter(|e| e["min"] != 0);
        let names = mandatory.map(|e| e["path"].as_str().unwrap()[of.kind.len() + 1..].replace("[x]", ""));
        assert_eq!(of.mandatory, names.collect::<Vec<_>>(), "{}", of.kind);
        assert!(kind(of.kind).is_some());
    }
    assert_eq!(ELEMENTS.len(), KINDS.len());
}
