//! AuditEvent: who did what with what is kept here, as IHE's profile "Basic Audit Log Patterns" has it.
//!
//! The client is the source and the server the destination of what is written or asked; of what is read it is the
//! other way round.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use fhir_models::codes::{AuditEventAction, AuditEventAgentNetworkType, AuditEventOutcome};
use fhir_models::datatypes::{CodeableConcept, Coding, Identifier, Reference};
use fhir_models::primitive::InstantTime;
use fhir_models::resources::audit_event::{
    AuditEventAgent, AuditEventAgentNetwork, AuditEventEntity, AuditEventEntityDetail, AuditEventSource,
};
use fhir_models::{AuditEvent, Resource};

const EVENT: &str = "http://terminology.hl7.org/CodeSystem/audit-event-type";
const INTERACTION: &str = "http://hl7.org/fhir/restful-interaction";
const DICOM: &str = "http://dicom.nema.org/resources/ontology/DCM";
const ENTITY: &str = "http://terminology.hl7.org/CodeSystem/audit-entity-type";
const ROLE: &str = "http://terminology.hl7.org/CodeSystem/object-role";
/// The profile's own code system, for the id of the request.
const IHE: &str = "https://profiles.ihe.net/ITI/BALP/CodeSystem/BasicAuditEntityType";

/// An act as it was recorded.
#[derive(Clone, Copy, Debug)]
pub struct Recorded<'a> {
    /// When, in microseconds.
    pub at_us: i64,
    /// R4's code of the interaction.
    pub deed: &'a str,
    /// The status of the answer.
    pub status: u16,
    /// Who did it.
    pub who: &'a str,
    /// From which address.
    pub from: &'a str,
    /// The id of the request.
    pub request: &'a str,
    /// What was asked: path and query.
    pub asked: &'a str,
    /// References to what it was done with.
    pub what: &'a [String],
    /// How many more there were.
    pub more: u64,
    /// Ids of the patients that it is about.
    pub patients: &'a [String],
    /// The address of this service.
    pub base: &'a str,
    /// The UUID of its database.
    pub instance: &'a str,
}

fn coding(system: &str, code: &str, display: &str) -> Coding {
    let text = |t: &str| Some(t.to_owned()).filter(|t| !t.is_empty());
    Coding { system: text(system), code: text(code), display: text(display), ..Coding::default() }
}

fn named(value: String) -> Reference {
    let identifier = Identifier { value: Some(value), ..Identifier::default() };
    Reference { identifier: Some(Box::new(identifier)), ..Reference::default() }
}

/// The AuditEvent.
pub fn event(id: &str, recorded: &Recorded<'_>) -> Vec<u8> {
    let event = AuditEvent {
        id: Some(id.to_owned()),
        r#type: coding(EVENT, "rest", "Restful Operation"),
        subtype: vec![coding(INTERACTION, recorded.deed, recorded.deed)],
        action: Some(action(recorded.deed)),
        recorded: InstantTime::from_us(recorded.at_us),
        outcome: Some(outcome(recorded.status)),
        outcome_desc: (recorded.status >= 400).then(|| format!("answered {}", recorded.status)),
        agent: agents(recorded),
        source: AuditEventSource {
            observer: Reference {
                display: Some("Terce".to_owned()),
                ..named(format!("urn:uuid:{}", recorded.instance))
            },
            ..AuditEventSource::default()
        },
        entity: entities(recorded),
        ..AuditEvent::default()
    };
    event.write()
}

fn action(deed: &str) -> AuditEventAction {
    match deed {
        "create" => AuditEventAction::Create,
        "update" | "patch" => AuditEventAction::Update,
        "delete" => AuditEventAction::Delete,
        _ if reads(deed) => AuditEventAction::Read,
        _ => AuditEventAction::Execute,
    }
}

fn reads(deed: &str) -> bool {
    matches!(deed, "read" | "vread" | "history-instance")
}

fn outcome(status: u16) -> AuditEventOutcome {
    match status {
        0..=399 => AuditEventOutcome::Success,
        400..=499 => AuditEventOutcome::MinorFailure,
        _ => AuditEventOutcome::SeriousFailure,
    }
}

fn agents(recorded: &Recorded<'_>) -> Vec<AuditEventAgent> {
    let (source, destination) = (("110153", "Source Role ID"), ("110152", "Destination Role ID"));
    let (client, server) = if reads(recorded.deed) { (destination, source) } else { (source, destination) };
    let agent = |(code, display): (&str, &str), who: &str, address: &str, requestor| {
        let kind =
            if requestor { AuditEventAgentNetworkType::IpAddress } else { AuditEventAgentNetworkType::Uri };
        let role =
            CodeableConcept { coding: vec![coding(DICOM, code, display)], ..CodeableConcept::default() };
        let network = AuditEventAgentNetwork {
            address: Some(address.to_owned()),
            r#type: Some(kind),
            ..AuditEventAgentNetwork::default()
        };
        AuditEventAgent {
            r#type: Some(role),
            who: Some(named(who.to_owned())),
            requestor,
            network: Some(network),
            ..AuditEventAgent::default()
        }
    };
    vec![agent(client, recorded.who, recorded.from, true), agent(server, recorded.base, recorded.base, false)]
}

fn entities(recorded: &Recorded<'_>) -> Vec<AuditEventEntity> {
    let entity = |kind: (&str, &str), role: (&str, &str)| AuditEventEntity {
        r#type: Some(coding(ENTITY, kind.0, kind.1)),
        role: Some(coding(ROLE, role.0, role.1)),
        ..AuditEventEntity::default()
    };
    let refers = |to: String| Some(Reference { reference: Some(to), ..Reference::default() });
    let (object, person) = (("2", "System Object"), ("1", "Person"));
    let mut out: Vec<AuditEventEntity> = recorded
        .what
        .iter()
        .map(|what| AuditEventEntity {
            what: refers(what.clone()),
            ..entity(object, ("4", "Domain Resource"))
        })
        .collect();
    if let Some(first) = out.first_mut().filter(|_| recorded.more > 0) {
        first.detail.push(AuditEventEntityDetail {
            r#type: "resources that are not listed".to_owned(),
            value_string: Some(recorded.more.to_string()),
            ..AuditEventEntityDetail::default()
        });
    }
    // as it was asked, whatever was in it
    out.push(AuditEventEntity {
        query: Some(STANDARD.encode(recorded.asked)),
        ..entity(object, ("24", "Query"))
    });
    out.extend(recorded.patients.iter().map(|id| AuditEventEntity {
        what: refers(format!("Patient/{id}")),
        ..entity(person, ("1", "Patient"))
    }));
    out.push(AuditEventEntity {
        what: Some(named(recorded.request.to_owned())),
        r#type: Some(coding(IHE, "XrequestId", "")),
        ..AuditEventEntity::default()
    });
    out
}
