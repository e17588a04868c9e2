//! Codes of published definitions and terminology.

codes! {
    /// Whether a definition is in draft, in use or out of use.
    PublicationStatus of "http://hl7.org/fhir/publication-status" {
        Draft = "draft",
        Active = "active",
        Retired = "retired",
        Unknown = "unknown",
    }
}

codes! {
    /// How the target's meaning relates to the source's, read from source to target.
    ConceptMapEquivalence of "http://hl7.org/fhir/concept-map-equivalence" {
        Relatedto = "relatedto",
        Equivalent = "equivalent",
        Equal = "equal",
        Wider = "wider",
        Subsumes = "subsumes",
        Narrower = "narrower",
        Specializes = "specializes",
        Inexact = "inexact",
        Unmatched = "unmatched",
        Disjoint = "disjoint",
    }
}

codes! {
    /// What to do with a code that has no target.
    ConceptMapUnmappedMode of "http://hl7.org/fhir/conceptmap-unmapped-mode" {
        Provided = "provided",
        Fixed = "fixed",
        OtherMap = "other-map",
    }
}

codes! {
    /// How much of a code system its resource holds.
    CodeSystemContentMode of "http://hl7.org/fhir/codesystem-content-mode" {
        NotPresent = "not-present",
        Example = "example",
        Fragment = "fragment",
        Complete = "complete",
        Supplement = "supplement",
    }
}

codes! {
    /// What it means that one code is under another.
    CodeSystemHierarchyMeaning of "http://hl7.org/fhir/codesystem-hierarchy-meaning" {
        GroupedBy = "grouped-by",
        IsA = "is-a",
        PartOf = "part-of",
        ClassifiedWith = "classified-with",
    }
}

codes! {
    /// The type of a property of codes.
    ConceptPropertyType of "http://hl7.org/fhir/concept-property-type" {
        Code = "code",
        Coding = "Coding",
        String = "string",
        Integer = "integer",
        Boolean = "boolean",
        DateTime = "dateTime",
        Decimal = "decimal",
    }
}

codes! {
    /// How a filter compares.
    FilterOperator of "http://hl7.org/fhir/filter-operator" {
        Equal = "=",
        IsA = "is-a",
        DescendentOf = "descendent-of",
        IsNotA = "is-not-a",
        Regex = "regex",
        In = "in",
        NotIn = "not-in",
        Generalizes = "generalizes",
        Exists = "exists",
    }
}
