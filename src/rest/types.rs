//! The table of resource types: what each can be asked, and what a write of it means. Requests are routed by it, and
//! the CapabilityStatement is printed from it.

/// One resource type.
#[derive(Debug)]
pub struct Kind {
    /// Its name.
    pub name: &'static str,
    /// Who writes it.
    pub origin: Origin,
    /// What else must happen when it is written.
    pub effect: Effect,
    /// What it can be searched by, beside what every type can ([`EVERY`]).
    pub filters: &'static [Filter],
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

/// A search parameter.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Filter {
    /// Its name in a query.
    pub name: &'static str,
    /// What it compares.
    pub column: Column,
}

/// What a search parameter compares.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Column {
    /// The logical id.
    Id,
    /// The instant of the last change.
    Updated,
    /// A business identifier.
    Identifier,
    /// The patient it is about.
    Patient,
    /// The encounter it belongs to.
    Encounter,
    /// The status.
    Status,
    /// The owner of a Task.
    Owner,
    /// The place.
    Location,
    /// The code.
    Code,
    /// What a Task is about.
    Focus,
    /// A date of an AuditEvent: no column, it is looked at as it is shown.
    Date,
    /// A code or an identifier of an AuditEvent.
    Token,
    /// What an AuditEvent refers to.
    Reference,
    /// The beginning of a text of an AuditEvent.
    Text,
}

/// An operation. None of them changes anything, so each is asked with `GET` or `POST`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Operation {
    /// `$evaluate-measure`.
    EvaluateMeasure,
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
    pub fn all_filters(&self) -> impl Iterator<Item = &'static Filter> {
        EVERY.iter().chain(self.filters)
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

const fn by(name: &'static str, column: Column) -> Filter {
    Filter { name, column }
}

const PATIENT: Filter = by("patient", Column::Patient);
const SUBJECT: Filter = by("subject", Column::Patient);
const ENCOUNTER: Filter = by("encounter", Column::Encounter);
const IDENTIFIER: Filter = by("identifier", Column::Identifier);
const STATUS: Filter = by("status", Column::Status);
const LOCATION: Filter = by("location", Column::Location);
const CODE: Filter = by("code", Column::Code);

/// What every type can be searched by.
pub const EVERY: &[Filter] = &[by("_id", Column::Id), by("_lastUpdated", Column::Updated)];

/// Parameters that say how an answer is to be made, not what is to be found.
pub const CONTROLS: &[&str] = &["_count", "_sort", "_summary", "_total", "_format", "_pretty", "_cursor"];

const CHARTED: &[Filter] = &[PATIENT, SUBJECT, ENCOUNTER, IDENTIFIER];

const fn fed(name: &'static str, effect: Effect, filters: &'static [Filter]) -> Kind {
    Kind { name, origin: Origin::Feed, effect, filters, operations: &[Operation::Validate] }
}

const fn made(name: &'static str, origin: Origin, filters: &'static [Filter]) -> Kind {
    Kind { name, origin, effect: Effect::Patient, filters, operations: &[] }
}

/// The type that is no document: made of the chain of audit rows when it is asked for, and written by nobody.
pub const AUDIT: &str = "AuditEvent";

/// R4's search parameters of AuditEvent that can be asked for.
const AUDITED: &[Filter] = &[
    by("date", Column::Date),
    by("patient", Column::Reference),
    by("agent", Column::Token),
    by("entity", Column::Reference),
    by("address", Column::Text),
    by("action", Column::Token),
    by("outcome", Column::Token),
    by("type", Column::Token),
    by("subtype", Column::Token),
];

/// The types that are kept here; the most written first.
pub const KINDS: &[Kind] = &[
    fed("Procedure", Effect::Patient, CHARTED),
    fed("Observation", Effect::Patient, CHARTED),
    Kind {
        operations: &[Operation::Explain, Operation::VentilatorEvents, Operation::Validate],
        ..fed("Encounter", Effect::Patient, &[PATIENT, SUBJECT, IDENTIFIER])
    },
    fed("Patient", Effect::Patient, &[IDENTIFIER]),
    fed(
        "MedicationAdministration",
        Effect::Patient,
        &[PATIENT, SUBJECT, by("context", Column::Encounter), IDENTIFIER],
    ),
    fed("Condition", Effect::Patient, CHARTED),
    // R4 has no encounter in a DeviceUseStatement
    fed("DeviceUseStatement", Effect::Patient, &[PATIENT, SUBJECT, IDENTIFIER]),
    // a Device without a patient is one of the ward's: it is linked by what uses it
    fed("Device", Effect::Readers, &[PATIENT, IDENTIFIER]),
    fed("Location", Effect::Readers, &[IDENTIFIER]),
    fed("Group", Effect::Readers, &[IDENTIFIER]),
    Kind {
        operations: &[Operation::Try, Operation::Validate],
        ..fed("PlanDefinition", Effect::Rules, &[IDENTIFIER])
    },
    Kind {
        operations: &[Operation::Translate, Operation::Validate],
        ..fed("ConceptMap", Effect::Rules, &[])
    },
    fed("ValueSet", Effect::Rules, &[IDENTIFIER]),
    fed("CodeSystem", Effect::Readers, &[IDENTIFIER]),
    Kind {
        operations: &[Operation::EvaluateMeasure, Operation::Validate],
        ..fed("Measure", Effect::Readers, &[IDENTIFIER])
    },
    Kind {
        operations: &[Operation::Status, Operation::Events, Operation::Validate],
        ..fed("Subscription", Effect::Readers, &[STATUS])
    },
    Kind {
        operations: &[Operation::Explain, Operation::Validate],
        ..made(
            "Task",
            Origin::Shared,
            &[
                PATIENT,
                SUBJECT,
                ENCOUNTER,
                STATUS,
                by("owner", Column::Owner),
                LOCATION,
                CODE,
                by("focus", Column::Focus),
                IDENTIFIER,
            ],
        )
    },
    Kind {
        operations: &[Operation::Explain],
        ..made(
            "DetectedIssue",
            Origin::Service,
            &[PATIENT, SUBJECT, ENCOUNTER, STATUS, LOCATION, CODE, IDENTIFIER],
        )
    },
    made(
        "MeasureReport",
        Origin::Service,
        &[PATIENT, SUBJECT, ENCOUNTER, STATUS, LOCATION, CODE, IDENTIFIER],
    ),
    made(AUDIT, Origin::Service, AUDITED),
    // as shipped: the operations that HL7 does not define
    made("OperationDefinition", Origin::Service, &[]),
    // as shipped: what stands beside R4's own elements
    made("StructureDefinition", Origin::Service, &[]),
];
