//! Definitions: codes, protocols, measures.

use super::{Param, code, date, identifier, reference, text, token, uri};

pub(in crate::rest) const PLAN_DEFINITION: &[Param] = &[
    uri("url", "PlanDefinition.url", "PlanDefinition-url"),
    token("version", "PlanDefinition.version", "PlanDefinition-version"),
    text("name", "PlanDefinition.name", "PlanDefinition-name"),
    text("title", "PlanDefinition.title", "PlanDefinition-title"),
    code(
        "status",
        "PlanDefinition.status",
        "PlanDefinition-status",
        "http://hl7.org/fhir/publication-status",
    ),
    identifier("PlanDefinition.identifier", "PlanDefinition-identifier"),
    date("date", "PlanDefinition.date", "PlanDefinition-date"),
    text("publisher", "PlanDefinition.publisher", "PlanDefinition-publisher"),
    text("description", "PlanDefinition.description", "PlanDefinition-description"),
    token("topic", "PlanDefinition.topic", "PlanDefinition-topic"),
    token("type", "PlanDefinition.type", "PlanDefinition-type"),
];

pub(in crate::rest) const CONCEPT_MAP: &[Param] = &[
    uri("url", "ConceptMap.url", "conformance-url"),
    token("version", "ConceptMap.version", "conformance-version"),
    text("name", "ConceptMap.name", "conformance-name"),
    text("title", "ConceptMap.title", "conformance-title"),
    code("status", "ConceptMap.status", "conformance-status", "http://hl7.org/fhir/publication-status"),
    identifier("ConceptMap.identifier", "conformance-identifier"),
    date("date", "ConceptMap.date", "conformance-date"),
    text("publisher", "ConceptMap.publisher", "conformance-publisher"),
    text("description", "ConceptMap.description", "conformance-description"),
    uri("source-system", "ConceptMap.group.source", "ConceptMap-source-system"),
    uri("target-system", "ConceptMap.group.target", "ConceptMap-target-system"),
    reference("source", "(ConceptMap.source as canonical)", "ConceptMap-source", &["ValueSet"]),
    reference("target", "(ConceptMap.target as canonical)", "ConceptMap-target", &["ValueSet"]),
];

pub(in crate::rest) const VALUE_SET: &[Param] = &[
    uri("url", "ValueSet.url", "conformance-url"),
    token("version", "ValueSet.version", "conformance-version"),
    text("name", "ValueSet.name", "conformance-name"),
    text("title", "ValueSet.title", "conformance-title"),
    code("status", "ValueSet.status", "conformance-status", "http://hl7.org/fhir/publication-status"),
    identifier("ValueSet.identifier", "conformance-identifier"),
    date("date", "ValueSet.date", "conformance-date"),
    text("publisher", "ValueSet.publisher", "conformance-publisher"),
    text("description", "ValueSet.description", "conformance-description"),
    uri("reference", "ValueSet.compose.include.system", "ValueSet-reference"),
];

pub(in crate::rest) const CODE_SYSTEM: &[Param] = &[
    uri("url", "CodeSystem.url", "conformance-url"),
    token("version", "CodeSystem.version", "conformance-version"),
    text("name", "CodeSystem.name", "conformance-name"),
    text("title", "CodeSystem.title", "conformance-title"),
    code("status", "CodeSystem.status", "conformance-status", "http://hl7.org/fhir/publication-status"),
    identifier("CodeSystem.identifier", "conformance-identifier"),
    date("date", "CodeSystem.date", "conformance-date"),
    text("publisher", "CodeSystem.publisher", "conformance-publisher"),
    text("description", "CodeSystem.description", "conformance-description"),
    uri("system", "CodeSystem.url", "CodeSystem-system"),
    code(
        "content-mode",
        "CodeSystem.content",
        "CodeSystem-content-mode",
        "http://hl7.org/fhir/codesystem-content-mode",
    ),
];

pub(in crate::rest) const MEASURE: &[Param] = &[
    uri("url", "Measure.url", "Measure-url"),
    token("version", "Measure.version", "Measure-version"),
    text("name", "Measure.name", "Measure-name"),
    text("title", "Measure.title", "Measure-title"),
    code("status", "Measure.status", "Measure-status", "http://hl7.org/fhir/publication-status"),
    identifier("Measure.identifier", "Measure-identifier"),
    date("date", "Measure.date", "Measure-date"),
    text("publisher", "Measure.publisher", "Measure-publisher"),
    text("description", "Measure.description", "Measure-description"),
    token("topic", "Measure.topic", "Measure-topic"),
];

pub(in crate::rest) const OPERATION_DEFINITION: &[Param] = &[
    uri("url", "OperationDefinition.url", "conformance-url"),
    token("version", "OperationDefinition.version", "conformance-version"),
    text("name", "OperationDefinition.name", "conformance-name"),
    text("title", "OperationDefinition.title", "conformance-title"),
    code(
        "status",
        "OperationDefinition.status",
        "conformance-status",
        "http://hl7.org/fhir/publication-status",
    ),
    token("code", "OperationDefinition.code", "OperationDefinition-code"),
    code(
        "kind",
        "OperationDefinition.kind",
        "OperationDefinition-kind",
        "http://hl7.org/fhir/operation-kind",
    ),
    token("system", "OperationDefinition.system", "OperationDefinition-system"),
    token("type", "OperationDefinition.type", "OperationDefinition-type"),
    token("instance", "OperationDefinition.instance", "OperationDefinition-instance"),
    date("date", "OperationDefinition.date", "conformance-date"),
    text("publisher", "OperationDefinition.publisher", "conformance-publisher"),
    text("description", "OperationDefinition.description", "conformance-description"),
];

pub(in crate::rest) const STRUCTURE_DEFINITION: &[Param] = &[
    uri("url", "StructureDefinition.url", "conformance-url"),
    token("version", "StructureDefinition.version", "conformance-version"),
    text("name", "StructureDefinition.name", "conformance-name"),
    text("title", "StructureDefinition.title", "conformance-title"),
    code(
        "status",
        "StructureDefinition.status",
        "conformance-status",
        "http://hl7.org/fhir/publication-status",
    ),
    identifier("StructureDefinition.identifier", "conformance-identifier"),
    code(
        "kind",
        "StructureDefinition.kind",
        "StructureDefinition-kind",
        "http://hl7.org/fhir/structure-definition-kind",
    ),
    uri("type", "StructureDefinition.type", "StructureDefinition-type"),
    reference(
        "base",
        "StructureDefinition.baseDefinition",
        "StructureDefinition-base",
        &["StructureDefinition"],
    ),
    code(
        "derivation",
        "StructureDefinition.derivation",
        "StructureDefinition-derivation",
        "http://hl7.org/fhir/type-derivation-rule",
    ),
    token("abstract", "StructureDefinition.abstract", "StructureDefinition-abstract"),
    code(
        "ext-context",
        "StructureDefinition.context.type",
        "StructureDefinition-ext-context",
        "http://hl7.org/fhir/extension-context-type",
    ),
    date("date", "StructureDefinition.date", "conformance-date"),
    text("publisher", "StructureDefinition.publisher", "conformance-publisher"),
    text("description", "StructureDefinition.description", "conformance-description"),
];

pub(in crate::rest) const SEARCH_PARAMETER: &[Param] = &[
    uri("url", "SearchParameter.url", "conformance-url"),
    token("version", "SearchParameter.version", "conformance-version"),
    text("name", "SearchParameter.name", "conformance-name"),
    code("status", "SearchParameter.status", "conformance-status", "http://hl7.org/fhir/publication-status"),
    token("code", "SearchParameter.code", "SearchParameter-code"),
    code("type", "SearchParameter.type", "SearchParameter-type", "http://hl7.org/fhir/search-param-type"),
    code("base", "SearchParameter.base", "SearchParameter-base", "http://hl7.org/fhir/resource-types"),
    code("target", "SearchParameter.target", "SearchParameter-target", "http://hl7.org/fhir/resource-types"),
    date("date", "SearchParameter.date", "conformance-date"),
    text("publisher", "SearchParameter.publisher", "conformance-publisher"),
    text("description", "SearchParameter.description", "conformance-description"),
];
