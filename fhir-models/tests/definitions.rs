//! The types here have the elements, the cardinalities and the codes of HL7's own definitions of R4.
//!
//! The types' source is read as text: a struct's fields are not known at run time, and a document that happens to
//! use every element would prove less.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::Value;

use crate::outside::definition;

/// A field of a struct, as its source says it.
#[derive(Debug)]
struct Field {
    json: String,
    ty: String,
    has_default: bool,
}

type Structs = BTreeMap<String, Vec<Field>>;

fn sources(folder: &str) -> String {
    fn add(folder: &Path, text: &mut String) {
        let mut paths: Vec<_> =
            std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
        paths.sort();
        for path in paths {
            if path.is_dir() {
                add(&path, text);
            } else {
                text.push_str(&std::fs::read_to_string(path).unwrap());
            }
        }
    }
    let mut text = String::new();
    add(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src").join(folder), &mut text);
    text
}

fn camel_case(name: &str) -> String {
    let mut words = name.split('_');
    let first = words.next().unwrap_or_default().to_owned();
    words.fold(first, |done, word| done + &word[..1].to_uppercase() + &word[1..])
}

/// What stands between two marks.
fn between<'a>(text: &'a str, before: &str, after: &str) -> Option<&'a str> {
    let rest = &text[text.find(before)? + before.len()..];
    rest.find(after).map(|end| &rest[..end])
}

fn structs() -> Structs {
    let text = sources("resources") + &sources("datatypes");
    let mut structs = Structs::new();
    let mut name = None;
    let mut attribute = String::new();
    for line in text.lines() {
        let trimmed = line.trim();
        if let Some(started) =
            between(line, "pub struct ", " {").filter(|n| n.chars().all(char::is_alphanumeric))
        {
            name = Some(started.to_owned());
        } else if let Some(started) = line.strip_prefix("    ").and_then(|l| l.strip_suffix(" {"))
            && started.chars().all(char::is_alphanumeric)
        {
            // Inside open_element!
            name = Some(started.to_owned());
        } else if trimmed == "}" {
            name = None;
        } else if trimmed.starts_with("#[") {
            attribute.push_str(trimmed);
        } else if let (Some(name), Some((field, rest))) = (&name, trimmed.split_once(": ")) {
            if trimmed.starts_with("//") {
                continue;
            }
            let field = field.trim_start_matches("pub ").trim_start_matches("r#");
            let open = rest.split_once(" = ");
            let json = match (between(&attribute, "rename = \"", "\""), open) {
                (Some(renamed), _) => renamed.to_owned(),
                (None, Some((_, member))) => member.trim_matches(['"', ',']).to_owned(),
                (None, None) => camel_case(field),
            };
            let ty = open.map_or(rest.trim_end_matches(','), |(ty, _)| ty).to_owned();
            let has_default = attribute.contains("default") || open.is_some();
            structs.entry(name.clone()).or_default().push(Field { json, ty, has_default });
            attribute.clear();
        }
    }
    structs
}

/// The codes of each enum, as its source lists them.
fn enums() -> BTreeMap<String, BTreeSet<String>> {
    let mut enums: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    let mut name = String::new();
    for line in sources("codes").lines() {
        if let Some((started, _)) = line.trim().split_once(" of \"") {
            name = started.to_owned();
        } else if let Some((_, code)) = line.trim().split_once(" = \"") {
            enums.entry(name.clone()).or_default().insert(code.trim_end_matches("\",").to_owned());
        }
    }
    enums
}

/// Every code of a value set, or nothing when R4's package does not list them.
fn expansion(url: &str) -> Option<BTreeSet<String>> {
    let url = url.split('|').next()?;
    let value_set = definition(&format!("ValueSet-{}", url.rsplit('/').next()?))?;
    let mut codes = BTreeSet::new();
    for include in value_set["compose"]["include"].as_array()? {
        for imported in include["valueSet"].as_array().into_iter().flatten() {
            codes.extend(expansion(imported.as_str()?)?);
        }
        if let Some(listed) = include["concept"].as_array() {
            codes.extend(listed.iter().map(|c| c["code"].as_str().unwrap().to_owned()));
        } else if let Some(system) = include["system"].as_str() {
            let system = definition(&format!("CodeSystem-{}", system.rsplit('/').next()?))?;
            add_concepts(&system["concept"], &mut codes)?;
        }
    }
    Some(codes)
}

fn add_concepts(concepts: &Value, codes: &mut BTreeSet<String>) -> Option<()> {
    for concept in concepts.as_array()? {
        let abstract_only = concept["property"]
            .as_array()
            .into_iter()
            .flatten()
            .any(|p| p["code"] == "notSelectable" && p["valueBoolean"] == true);
        if !abstract_only {
            codes.insert(concept["code"].as_str()?.to_owned());
        }
        if concept["concept"].is_array() {
            add_concepts(&concept["concept"], codes)?;
        }
    }
    Some(())
}

fn capitalized(text: &str) -> String {
    text[..1].to_uppercase() + &text[1..]
}

/// The struct of an element that has elements of its own.
fn struct_of(path: &str) -> String {
    match path {
        "Task.input" | "Task.output" => "TaskParameter".to_owned(),
        _ => path.split('.').map(capitalized).collect(),
    }
}

/// The Rust type that a type of R4 has here, codes of required bindings apart.
fn rust_type(code: &str, path: &str) -> String {
    match code {
        "boolean" => "bool".to_owned(),
        "integer" => "i32".to_owned(),
        "unsignedInt" => "u32".to_owned(),
        "positiveInt" => "NonZeroU32".to_owned(),
        "decimal" => "Decimal".to_owned(),
        "date" => "Date".to_owned(),
        "dateTime" => "DateTime".to_owned(),
        "instant" => "InstantTime".to_owned(),
        "time" => "Time".to_owned(),
        "Resource" => "RawResource".to_owned(),
        "BackboneElement" | "Element" => struct_of(path),
        code if code.starts_with(char::is_uppercase) => code.to_owned(),
        _ => "String".to_owned(),
    }
}

/// Value sets that are required and not enums: they are open, or list every type of R4.
const NOT_ENUMS: [&str; 4] = ["all-types", "resource-types", "mimetypes", "currencies"];

struct Comparison {
    structs: Structs,
    enums: BTreeMap<String, BTreeSet<String>>,
    faults: Vec<String>,
    enums_seen: BTreeSet<String>,
}

impl Comparison {
    fn fault(&mut self, path: &str, what: impl std::fmt::Display) {
        self.faults.push(format!("{path}: {what}"));
    }

    fn compare(&mut self, type_name: &str) {
        let definition = definition(&format!("StructureDefinition-{type_name}")).unwrap();
        let elements = definition["snapshot"]["element"].as_array().unwrap();
        let mut members: BTreeMap<&str, Vec<&Value>> = BTreeMap::new();
        for element in elements {
            if let Some((parent, _)) = element["path"].as_str().unwrap().rsplit_once('.') {
                members.entry(parent).or_default().push(element);
            }
        }
        for (parent, elements) in members {
            let Some(fields) = self.structs.remove(&struct_of(parent)) else {
                // Inputs and outputs of a Task share a struct
                if parent != "Task.output" {
                    self.fault(parent, "has no struct");
                }
                continue;
            };
            let top = parent == type_name && definition["kind"] == "resource";
            let mut names: BTreeSet<String> = fields.iter().map(|f| f.json.clone()).collect();
            for element in elements {
                self.compare_element(element, &fields, top, &mut names);
            }
            names.retain(|name| !name.starts_with('_'));
            if parent != "Task.input" || names.remove("value") {
                names.remove("value");
            }
            if !names.is_empty() {
                self.fault(parent, format!("R4 does not have {names:?}"));
            }
        }
    }

    fn compare_element(
        &mut self,
        element: &Value,
        fields: &[Field],
        top: bool,
        names: &mut BTreeSet<String>,
    ) {
        let path = element["path"].as_str().unwrap();
        let name = path.rsplit('.').next().unwrap();
        if let Some(target) = element["contentReference"].as_str() {
            let ty = struct_of(target.trim_start_matches('#'));
            return self.compare_field(element, path, name, &ty, fields, top, names);
        }
        let types = element["type"].as_array().unwrap();
        for ty in types {
            let code = ty["code"].as_str().unwrap();
            let rust = rust_type(code, path);
            match name.strip_suffix("[x]") {
                // Any type at all: one enum, compared in its own claim
                Some(_) if types.len() > 20 => {}
                Some(base) => {
                    let name = format!("{base}{}", capitalized(code));
                    self.compare_field(element, path, &name, &rust, fields, top, names);
                }
                None => self.compare_field(element, path, name, &rust, fields, top, names),
            }
        }
    }

    #[expect(clippy::too_many_arguments, reason = "one element and the two sides it is compared on")]
    fn compare_field(
        &mut self,
        element: &Value,
        path: &str,
        name: &str,
        rust: &str,
        fields: &[Field],
        top: bool,
        names: &mut BTreeSet<String>,
    ) {
        let Some(field) = fields.iter().find(|f| f.json == name) else {
            return self.fault(path, format!("`{name}` is not a field"));
        };
        names.remove(name);
        let (many, least) = (element["max"] != "1", element["min"].as_u64().unwrap());
        let choice = path.ends_with("[x]");
        let inner =
            field.ty.trim_start_matches("Option<").trim_start_matches("Vec<").trim_start_matches("Box<");
        let inner = inner.trim_end_matches('>').to_owned();
        let (is_vec, is_option) = (field.ty.starts_with("Vec<"), field.ty.starts_with("Option<"));
        if many != is_vec {
            self.fault(path, format!("max {} and {}", element["max"], field.ty));
        }
        // A required primitive of a resource may be absent with a reason, and is missed by the resource itself
        let missed = top && fields.iter().any(|f| f.json == format!("_{name}"));
        let demanded = if is_vec { !field.has_default } else { !is_option };
        if (least > 0 && !choice) != demanded && !(least > 0 && (missed || choice)) {
            self.fault(path, format!("min {least} and {}", field.ty));
        }
        if rust == "String" && inner != "String" {
            self.compare_codes(element, path, &inner);
        } else if rust != inner {
            self.fault(path, format!("{rust} and {inner}"));
        } else if rust == "String" && element["binding"]["strength"] == "required" {
            let value_set = element["binding"]["valueSet"].as_str().unwrap();
            if !NOT_ENUMS.iter().any(|n| value_set.contains(n)) {
                self.fault(path, format!("{value_set} is required and not an enum"));
            }
        }
    }

    fn compare_codes(&mut self, element: &Value, path: &str, name: &str) {
        let value_set = element["binding"]["valueSet"].as_str().unwrap_or_default();
        if element["binding"]["strength"] != "required" {
            return self.fault(path, format!("{name} is an enum and the binding is not required"));
        }
        self.enums_seen.insert(name.to_owned());
        let expected = expansion(value_set);
        if self.enums.get(name) != expected.as_ref() {
            self.fault(path, format!("{name} has not the codes of {value_set}"));
        }
    }
}

const DATA_TYPES: [&str; 30] = [
    "Address",
    "Annotation",
    "Attachment",
    "CodeableConcept",
    "Coding",
    "ContactDetail",
    "ContactPoint",
    "Contributor",
    "DataRequirement",
    "Dosage",
    "Element",
    "Expression",
    "Extension",
    "HumanName",
    "Identifier",
    "Meta",
    "Money",
    "Narrative",
    "ParameterDefinition",
    "Period",
    "Quantity",
    "Range",
    "Ratio",
    "Reference",
    "RelatedArtifact",
    "SampledData",
    "Signature",
    "Timing",
    "TriggerDefinition",
    "UsageContext",
];

#[test]
fn elements_cardinalities_and_codes_are_those_of_the_definitions() {
    let mut comparison =
        Comparison { structs: structs(), enums: enums(), faults: Vec::new(), enums_seen: BTreeSet::new() };
    for resource_type in fhir_models::ResourceType::ALL {
        comparison.compare(resource_type.as_str());
    }
    for data_type in DATA_TYPES {
        comparison.compare(data_type);
    }
    assert!(comparison.faults.is_empty(), "{}", comparison.faults.join("\n"));
    let unseen: Vec<_> = comparison.enums.keys().filter(|e| !comparison.enums_seen.contains(*e)).collect();
    assert!(unseen.is_empty(), "no element has the codes {unseen:?}");
    let left: Vec<_> = comparison.structs.keys().collect();
    assert!(left.is_empty(), "R4 has nothing like {left:?}");
}

#[test]
fn a_value_of_any_type_has_the_types_of_the_definition() {
    use fhir_models::datatypes::ValueType;
    let extension = definition("StructureDefinition-Extension").unwrap();
    let elements = extension["snapshot"]["element"].as_array().unwrap();
    let value = elements.iter().find(|e| e["path"] == "Extension.value[x]").unwrap();
    let types = value["type"].as_array().unwrap();
    for ty in types {
        let member = format!("value{}", capitalized(ty["code"].as_str().unwrap()));
        assert!(ValueType::of_member(&member).is_some(), "{member}");
    }
    let variants = sources("datatypes").matches("= \"value").count();
    assert_eq!(variants, types.len());
}

/// Every required element of a resource's top level, taken out of a published example, is missed by name.
#[test]
fn each_required_element_of_a_resource_is_missed() {
    use fhir_models::*;
    fn missed<T: Resource>() {
        let name = T::TYPE.as_str();
        let definition = definition(&format!("StructureDefinition-{name}")).unwrap();
        let required =
            definition["snapshot"]["element"].as_array().unwrap().iter().filter(|e| {
                e["min"].as_u64() > Some(0) && e["path"].as_str().unwrap().matches('.').count() == 1
            });
        let required: Vec<&str> =
            required.map(|e| e["path"].as_str().unwrap().rsplit('.').next().unwrap()).collect();
        let (_, bytes) =
            crate::outside::examples(name).into_iter().find(|(_, b)| parse::<T>(b).is_ok()).unwrap();
        for element in required {
            let mut document: Value = serde_json::from_slice(&bytes).unwrap();
            let base = element.trim_end_matches("[x]");
            let found = document.as_object_mut().unwrap();
            found.retain(|member, _| {
                let member = member.trim_start_matches('_');
                if element == base { member != base } else { !member.starts_with(base) }
            });
            let error = parse::<T>(document.to_string().as_bytes()).err();
            let error = error.unwrap_or_else(|| panic!("{name} without {element} is accepted"));
            assert_eq!((error.kind, error.path), (IssueKind::Required, format!("{name}.{element}")));
        }
    }
    missed::<AuditEvent>();
    missed::<Bundle>();
    missed::<CapabilityStatement>();
    missed::<CodeSystem>();
    missed::<ConceptMap>();
    missed::<Condition>();
    missed::<DetectedIssue>();
    missed::<Device>();
    missed::<DeviceUseStatement>();
    missed::<Encounter>();
    missed::<Group>();
    missed::<List>();
    missed::<Location>();
    missed::<Measure>();
    missed::<MeasureReport>();
    missed::<MedicationAdministration>();
    missed::<Observation>();
    missed::<OperationOutcome>();
    missed::<Patient>();
    missed::<PlanDefinition>();
    missed::<Procedure>();
    missed::<Subscription>();
    missed::<Task>();
    missed::<ValueSet>();
}
