//! The definitions that come with Terce, as documents.

use super::document::Stored;

/// A definition that comes with Terce.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Shipped {
    /// Resource type.
    pub kind: &'static str,
    /// Logical id.
    pub id: &'static str,
    /// The document.
    pub body: &'static [u8],
}

impl Shipped {
    /// How refusals name it.
    pub fn source(&self) -> crate::care::facts::Source {
        let Shipped { kind, id, body } = *self;
        Stored { kind, id, version: 1, first_us: 0, received_us: 0, deleted: false, body }.source()
    }
}

macro_rules! shipped {
    ($($kind:literal / $id:literal),+ $(,)?) => {
        /// All of them: code systems, the default map, operations, search parameters, protocols.
        pub const ALL: &[Shipped] = &[
            $(Shipped { kind: $kind, id: $id, body: include_bytes!(concat!("shipped/", $kind, "-", $id, ".json")) }),+
        ];
    };
}

shipped! {
    "CodeSystem" / "activity",
    "CodeSystem" / "airway",
    "CodeSystem" / "excuse",
    "CodeSystem" / "surveillance",
    "CodeSystem" / "task",
    "CodeSystem" / "task-state",
    "CodeSystem" / "task-reason",
    "CodeSystem" / "task-parameter",
    "CodeSystem" / "issue",
    "CodeSystem" / "mitigation",
    "CodeSystem" / "requirement",
    "ConceptMap" / "default",
    "OperationDefinition" / "care-gaps",
    "OperationDefinition" / "explain",
    "OperationDefinition" / "try",
    "OperationDefinition" / "ventilator-events",
    "SearchParameter" / "Task-location",
    "SearchParameter" / "Task-due",
    "SearchParameter" / "DetectedIssue-status",
    "SearchParameter" / "DetectedIssue-severity",
    "PlanDefinition" / "adult",
    "PlanDefinition" / "adult-fixed-times",
    "PlanDefinition" / "minimal",
    "OperationDefinition" / "data-quality",
    "OperationDefinition" / "evaluate-measure",
    "StructureDefinition" / "basis",
    "StructureDefinition" / "caution",
    "StructureDefinition" / "census-time",
    "StructureDefinition" / "chart",
    "StructureDefinition" / "code-verified",
    "StructureDefinition" / "compared",
    "StructureDefinition" / "heard-until",
    "StructureDefinition" / "hours",
    "StructureDefinition" / "interval",
    "StructureDefinition" / "known-at",
    "StructureDefinition" / "late-charted",
    "StructureDefinition" / "median-delay",
    "StructureDefinition" / "p90-delay",
    "StructureDefinition" / "protocol",
    "StructureDefinition" / "replaces",
    "StructureDefinition" / "said-status",
    "StructureDefinition" / "schedule",
    "StructureDefinition" / "status-set-by-hand",
    "StructureDefinition" / "suppressed-below",
    "StructureDefinition" / "tolerance",
    "StructureDefinition" / "unit",
    "StructureDefinition" / "unsurveyed",
    "StructureDefinition" / "unverified-hours",
    "StructureDefinition" / "waiting",
}

/// The definition of that type and id.
pub fn document(kind: &str, id: &str) -> Option<Shipped> {
    ALL.iter().find(|s| s.kind == kind && s.id == id).copied()
}
