//! What this service says.

use super::{
    Index, Param, Sort, code, date, encounter, identifier, own, patient, reference, text, token, uri,
};

pub(in crate::rest) const TASK: &[Param] = &[
    identifier("Task.identifier", "Task-identifier"),
    patient("patient", "Task.for.where(resolve() is Patient)", "Task-patient"),
    patient("subject", "Task.for", "Task-subject"),
    encounter("encounter", "Task.encounter", "Task-encounter"),
    reference("focus", "Task.focus", "Task-focus", &["DetectedIssue", "Encounter", "Procedure", "Patient"])
        .by(Index::Within),
    reference("owner", "Task.owner", "Task-owner", &["Device", "Patient"]),
    reference("requester", "Task.requester", "Task-requester", &["Device", "Patient"]),
    token("performer", "Task.performerType", "Task-performer"),
    code("status", "Task.status", "Task-status", "http://hl7.org/fhir/task-status").by(Index::Status),
    token("business-status", "Task.businessStatus", "Task-business-status"),
    token("code", "Task.code", "Task-code"),
    code("priority", "Task.priority", "Task-priority", "http://hl7.org/fhir/request-priority"),
    code("intent", "Task.intent", "Task-intent", "http://hl7.org/fhir/request-intent"),
    date("authored-on", "Task.authoredOn", "Task-authored-on"),
    date("modified", "Task.lastModified", "Task-modified"),
    date("period", "Task.executionPeriod", "Task-period"),
    token("group-identifier", "Task.groupIdentifier", "Task-group-identifier"),
    reference("part-of", "Task.partOf", "Task-part-of", &["Task"]),
    reference("based-on", "Task.basedOn", "Task-based-on", &["PlanDefinition"]),
    own("location", Sort::Reference, "Task.location", "Task-location", &["Location"]).by(Index::Location),
    own("due", Sort::Date, "Task.restriction.period.end", "Task-due", &[]),
];

/// What is never said of an event here (altid, policy, site, the names and the roles of agents, the names of entities) is
/// not searched by.
pub(in crate::rest) const AUDIT_EVENT: &[Param] = &[
    date("date", "AuditEvent.recorded", "AuditEvent-date").by(Index::Updated),
    patient(
        "patient",
        "AuditEvent.agent.who.where(resolve() is Patient) | AuditEvent.entity.what.where(resolve() is Patient)",
        "AuditEvent-patient",
    ),
    reference("agent", "AuditEvent.agent.who", "AuditEvent-agent", &[]),
    reference("source", "AuditEvent.source.observer", "AuditEvent-source", &[]),
    text("address", "AuditEvent.agent.network.address", "AuditEvent-address"),
    reference(
        "entity",
        "AuditEvent.entity.what",
        "AuditEvent-entity",
        &[
            "Procedure",
            "Observation",
            "Encounter",
            "Patient",
            "MedicationAdministration",
            "Condition",
            "DeviceUseStatement",
            "Device",
            "Location",
            "Group",
            "PlanDefinition",
            "ConceptMap",
            "ValueSet",
            "CodeSystem",
            "Measure",
            "Subscription",
            "Task",
            "DetectedIssue",
            "MeasureReport",
        ],
    ),
    token("entity-role", "AuditEvent.entity.role", "AuditEvent-entity-role"),
    token("entity-type", "AuditEvent.entity.type", "AuditEvent-entity-type"),
    code("action", "AuditEvent.action", "AuditEvent-action", "http://hl7.org/fhir/audit-event-action"),
    code("outcome", "AuditEvent.outcome", "AuditEvent-outcome", "http://hl7.org/fhir/audit-event-outcome"),
    token("type", "AuditEvent.type", "AuditEvent-type"),
    token("subtype", "AuditEvent.subtype", "AuditEvent-subtype"),
];

pub(in crate::rest) const SUBSCRIPTION: &[Param] = &[
    code("status", "Subscription.status", "Subscription-status", "http://hl7.org/fhir/subscription-status"),
    text("criteria", "Subscription.criteria", "Subscription-criteria"),
    code(
        "type",
        "Subscription.channel.type",
        "Subscription-type",
        "http://hl7.org/fhir/subscription-channel-type",
    ),
    uri("url", "Subscription.channel.endpoint", "Subscription-url"),
    code("payload", "Subscription.channel.payload", "Subscription-payload", "urn:ietf:bcp:13"),
    token("contact", "Subscription.contact", "Subscription-contact"),
];

pub(in crate::rest) const DETECTED_ISSUE: &[Param] = &[
    identifier("DetectedIssue.identifier", "clinical-identifier"),
    patient("patient", "DetectedIssue.patient", "clinical-patient"),
    token("code", "DetectedIssue.code", "DetectedIssue-code"),
    date("identified", "DetectedIssue.identified", "DetectedIssue-identified"),
    reference(
        "implicated",
        "DetectedIssue.implicated",
        "DetectedIssue-implicated",
        &[
            "Procedure",
            "Observation",
            "Condition",
            "DeviceUseStatement",
            "MedicationAdministration",
            "Device",
            "Encounter",
            "Patient",
        ],
    )
    .by(Index::Within),
    reference("author", "DetectedIssue.author", "DetectedIssue-author", &["Device"]),
    own("status", Sort::Token, "DetectedIssue.status", "DetectedIssue-status", &[])
        .of("http://hl7.org/fhir/observation-status")
        .by(Index::Status),
    own("severity", Sort::Token, "DetectedIssue.severity", "DetectedIssue-severity", &[])
        .of("http://hl7.org/fhir/detectedissue-severity"),
];

pub(in crate::rest) const MEASURE_REPORT: &[Param] = &[
    identifier("MeasureReport.identifier", "MeasureReport-identifier"),
    patient("patient", "MeasureReport.subject.where(resolve() is Patient)", "MeasureReport-patient"),
    reference(
        "subject",
        "MeasureReport.subject",
        "MeasureReport-subject",
        &["Patient", "Location", "Group", "Device"],
    ),
    date("period", "MeasureReport.period", "MeasureReport-period"),
    date("date", "MeasureReport.date", "MeasureReport-date"),
    code(
        "status",
        "MeasureReport.status",
        "MeasureReport-status",
        "http://hl7.org/fhir/measure-report-status",
    ),
    reference("measure", "MeasureReport.measure", "MeasureReport-measure", &["Measure"]),
    reference("reporter", "MeasureReport.reporter", "MeasureReport-reporter", &["Location"]),
    reference(
        "evaluated-resource",
        "MeasureReport.evaluatedResource",
        "MeasureReport-evaluated-resource",
        &[
            "Procedure",
            "Observation",
            "Condition",
            "DeviceUseStatement",
            "MedicationAdministration",
            "Device",
            "Encounter",
            "Patient",
        ],
    ),
];
