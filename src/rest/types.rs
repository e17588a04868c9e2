//! The table of resource types: what each can be asked, and what a write of it means. Requests are routed by it, and
//! the CapabilityStatement is printed from it.

use super::parameters::{self, Param};

/// One resource type.
#[derive(PartialEq, Eq, Debug)]
pub struct Kind {
    /// Its name.
    pub name: &'static str,
    /// Who writes it.
    pub origin: Origin,
    /// What else must happen when it is written.
    pub effect: Effect,
    /// What it can be searched by, beside what every type can ([`parameters::EVERY`]).
    pub parameters: &'static [Param],
    /// Its operations: of the type, of one of its documents, or of both.
    pub operations: &'static [Operation],
}

/// Who writes the documents of a type.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Origin {
    /// Clients: they create, replace and delete.
    Feed,
    /// This service; clients read.
    Service,
    /// This service; clients may change what is theirs to say in it.
    Shared,
}

/// What follows from a write.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Effect {
    /// The patient it is about is looked at again. It says why if it is about none that is known.
    Patient,
    /// Those are looked at again whose facts were read from it.
    Readers,
    /// The rules are read again, and everybody is looked at again.
    Rules,
}

/// An operation. None of them changes anything, so each is asked with `GET` or `POST`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Operation {
    /// `$evaluate-measure`.
    EvaluateMeasure,
    /// `$care-gaps`.
    CareGaps,
    /// `$data-requirements`.
    DataRequirements,
    /// `$explain`.
    Explain,
    /// `$translate`.
    Translate,
    /// `$try`.
    Try,
    /// `$validate`.
    Validate,
    /// `$status` of a subscription.
    Status,
    /// `$events` of a subscription.
    Events,
    /// `$ventilator-events`.
    VentilatorEvents,
}

impl Operation {
    /// Its name in a URL, without the `$`.
    pub const fn name(self) -> &'static str {
        match self {
            Operation::EvaluateMeasure => "evaluate-measure",
            Operation::CareGaps => "care-gaps",
            Operation::DataRequirements => "data-requirements",
            Operation::Explain => "explain",
            Operation::Translate => "translate",
            Operation::Try => "try",
            Operation::Validate => "validate",
            Operation::Status => "status",
            Operation::Events => "events",
            Operation::VentilatorEvents => "ventilator-events",
        }
    }

    /// The types that it tells of beside the one that it is asked of: to ask for it takes the right to read all of them.
    pub const fn tells_of(self) -> &'static [&'static str] {
        match self {
            Operation::EvaluateMeasure => &["MeasureReport"],
            Operation::CareGaps => {
                &["MeasureReport", "DetectedIssue", "Patient", "Encounter", "Procedure", "Observation"]
            }
            // the codes that the site's maps and conditions list
            Operation::DataRequirements => &["ConceptMap", "ValueSet", "PlanDefinition"],
            // what it says is read from the charting of the stay, which it names
            Operation::Explain => &["Encounter", "Procedure", "Observation"],
            // it says whether what a document names is there
            Operation::Validate => &["Patient", "Encounter"],
            Operation::VentilatorEvents => {
                &["Procedure", "Observation", "MedicationAdministration", "Patient"]
            }
            // what `$events` tells of is what the subscription is about, which is asked for there
            Operation::Translate | Operation::Try | Operation::Status | Operation::Events => &[],
        }
    }

    /// The canonical address of its definition.
    pub const fn definition(self) -> &'static str {
        match self {
            Operation::EvaluateMeasure => "https://terce.example/fhir/OperationDefinition/evaluate-measure",
            Operation::CareGaps => "https://terce.example/fhir/OperationDefinition/care-gaps",
            Operation::DataRequirements => {
                "http://hl7.org/fhir/OperationDefinition/Measure-data-requirements"
            }
            Operation::Explain => "https://terce.example/fhir/OperationDefinition/explain",
            Operation::Translate => "http://hl7.org/fhir/OperationDefinition/ConceptMap-translate",
            Operation::Try => "https://terce.example/fhir/OperationDefinition/try",
            Operation::Validate => "http://hl7.org/fhir/OperationDefinition/Resource-validate",
            Operation::Status => {
                "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-status"
            }
            Operation::Events => {
                "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-events"
            }
            Operation::VentilatorEvents => "https://terce.example/fhir/OperationDefinition/ventilator-events",
        }
    }
}

impl Kind {
    /// Whether clients may create and delete it.
    pub fn fed(&self) -> bool {
        match self.origin {
            Origin::Feed => true,
            Origin::Service | Origin::Shared => false,
        }
    }

    /// Whether clients may replace it.
    pub fn replaceable(&self) -> bool {
        match self.origin {
            Origin::Feed | Origin::Shared => true,
            Origin::Service => false,
        }
    }

    /// All its search parameters.
    pub fn all_parameters(&self) -> impl Iterator<Item = &'static Param> {
        parameters::EVERY.iter().chain(self.parameters)
    }

    /// One of its search parameters.
    pub fn parameter(&self, name: &str) -> Option<&'static Param> {
        self.all_parameters().find(|p| p.name == name)
    }

    /// Its place in the table.
    pub fn index(&self) -> usize {
        KINDS.iter().position(|k| k.name == self.name).unwrap_or(KINDS.len())
    }
}

/// The row of a type.
pub fn kind(name: &str) -> Option<&'static Kind> {
    KINDS.iter().find(|k| k.name == name)
}

/// The types that clients write.
pub fn types_fed() -> impl Iterator<Item = &'static str> {
    KINDS.iter().filter(|kind| kind.fed()).map(|kind| kind.name)
}

const fn fed(name: &'static str, effect: Effect, parameters: &'static [Param]) -> Kind {
    Kind { name, origin: Origin::Feed, effect, parameters, operations: &[Operation::Validate] }
}

const fn made(name: &'static str, origin: Origin, parameters: &'static [Param]) -> Kind {
    Kind { name, origin, effect: Effect::Patient, parameters, operations: &[] }
}

/// The type that is no document: made of the chain of audit rows when it is asked for, and written by nobody.
pub const AUDIT: &str = "AuditEvent";

/// The types that are kept here; the most written first.
pub const KINDS: &[Kind] = &[
    fed("Procedure", Effect::Patient, parameters::PROCEDURE),
    fed("Observation", Effect::Patient, parameters::OBSERVATION),
    Kind {
        operations: &[Operation::Explain, Operation::VentilatorEvents, Operation::Validate],
        ..fed("Encounter", Effect::Patient, parameters::ENCOUNTER)
    },
    fed("Patient", Effect::Patient, parameters::PATIENT),
    fed("MedicationAdministration", Effect::Patient, parameters::MEDICATION_ADMINISTRATION),
    fed("Condition", Effect::Patient, parameters::CONDITION),
    // R4 has no encounter in a DeviceUseStatement
    fed("DeviceUseStatement", Effect::Patient, parameters::DEVICE_USE_STATEMENT),
    // a Device without a patient is one of the ward's: it is linked by what uses it
    fed("Device", Effect::Readers, parameters::DEVICE),
    fed("Location", Effect::Readers, parameters::LOCATION),
    fed("Group", Effect::Readers, parameters::GROUP),
    Kind {
        operations: &[Operation::Try, Operation::Validate],
        ..fed("PlanDefinition", Effect::Rules, parameters::PLAN_DEFINITION)
    },
    Kind {
        operations: &[Operation::Translate, Operation::Try, Operation::Validate],
        ..fed("ConceptMap", Effect::Rules, parameters::CONCEPT_MAP)
    },
    fed("ValueSet", Effect::Rules, parameters::VALUE_SET),
    fed("CodeSystem", Effect::Readers, parameters::CODE_SYSTEM),
    Kind {
        operations: &[
            Operation::EvaluateMeasure,
            Operation::CareGaps,
            Operation::DataRequirements,
            Operation::Validate,
        ],
        ..fed("Measure", Effect::Readers, parameters::MEASURE)
    },
    Kind {
        operations: &[Operation::Status, Operation::Events, Operation::Validate],
        ..fed("Subscription", Effect::Readers, parameters::SUBSCRIPTION)
    },
    Kind {
        operations: &[Operation::Explain, Operation::Validate],
        ..made("Task", Origin::Shared, parameters::TASK)
    },
    Kind {
        operations: &[Operation::Explain],
        ..made("DetectedIssue", Origin::Service, parameters::DETECTED_ISSUE)
    },
    made("MeasureReport", Origin::Service, parameters::MEASURE_REPORT),
    made(AUDIT, Origin::Service, parameters::AUDIT_EVENT),
    // as shipped: the operations and search parameters that HL7 does not define
    made("OperationDefinition", Origin::Service, parameters::OPERATION_DEFINITION),
    made("SearchParameter", Origin::Service, parameters::SEARCH_PARAMETER),
    // as shipped: what stands beside R4's own elements
    made("StructureDefinition", Origin::Service, parameters::STRUCTURE_DEFINITION),
];
