//! AuditEvent: who did what with what is kept here, as IHE's "Basic Audit Log Patterns" have it
//! (<https://profiles.ihe.net/ITI/BALP>, its profiles for create, read, update, delete, query and disclosure).
//!
//! The client is the source and the server the destination of what is written or asked; of what is read it is the
//! other way round.

use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use fhir_models::AuditEvent;
use fhir_models::codes::{AuditEventAction, AuditEventAgentNetworkType, AuditEventOutcome};
use fhir_models::datatypes::{CodeableConcept, Coding, Identifier, Meta, Reference};
use fhir_models::primitive::InstantTime;
use fhir_models::resources::audit_event::{
    AuditEventAgent, AuditEventAgentNetwork, AuditEventEntity, AuditEventEntityDetail, AuditEventSource,
};

/// Sorts of those who do something.
pub mod by {
    /// Whoever can reach a service that is open.
    pub const ANYBODY: &str = "anybody";
    /// The holder of a token.
    pub const CLIENT: &str = "client";
    /// Somebody who has not proven who it is.
    pub const UNKNOWN: &str = "unknown";
    /// Whoever runs commands on this machine.
    pub const OPERATOR: &str = "operator";
    /// This service.
    pub const SERVICE: &str = "service";
}

/// What is done beside R4's interactions.
pub mod deed {
    /// A token is asked for.
    pub const LOGIN: &str = "login";
    /// A subscriber is told something.
    pub const EXPORT: &str = "export";
    /// Rows are removed whose time is over.
    pub const RETIRE: &str = "retire";
    /// Acts were not listed one by one.
    pub const UNLISTED: &str = "unlisted";
}

const EVENT: &str = "http://terminology.hl7.org/CodeSystem/audit-event-type";
const INTERACTION: &str = "http://hl7.org/fhir/restful-interaction";
const DICOM: &str = "http://dicom.nema.org/resources/ontology/DCM";
const LIFECYCLE: &str = "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle";
const PARTICIPANT: &str = "http://terminology.hl7.org/CodeSystem/provenance-participant-type";
const ENTITY: &str = "http://terminology.hl7.org/CodeSystem/audit-entity-type";
const ROLE: &str = "http://terminology.hl7.org/CodeSystem/object-role";
const SOURCE: &str = "http://terminology.hl7.org/CodeSystem/security-source-type";
const BALP: &str = "https://profiles.ihe.net/ITI/BALP";

/// An act as it was recorded.
#[derive(Clone, Copy, Debug)]
pub struct Recorded<'a> {
    /// Its id.
    pub id: &'a str,
    /// When, in microseconds.
    pub at_us: i64,
    /// R4's code of the interaction, or one of [`deed`].
    pub deed: &'a str,
    /// R4's code of what it was a part of: `batch` or `transaction`; empty if it stands alone.
    pub within: &'a str,
    /// The status of the answer.
    pub status: u16,
    /// One of [`by`].
    pub by: &'a str,
    /// The name of who did it; of an export, of who was told.
    pub who: &'a str,
    /// The server that vouches for the name; empty: this one.
    pub issuer: &'a str,
    /// The other end on the network.
    pub from: &'a str,
    /// The id of the request.
    pub request: &'a str,
    /// What was asked, as it was sent; empty: what it was done with says it.
    pub asked: &'a str,
    /// What it was done with: `Type`, `Type/id` or `Type/id/_history/version`; empty: nothing, or whatever was found.
    pub what: &'a str,
    /// Id of the patient that it is about.
    pub patient: Option<&'a str>,
    /// How many acts it stands for that are not listed.
    pub more: u64,
    /// The address of this service.
    pub base: &'a str,
    /// The UUID of its database.
    pub instance: &'a str,
}

fn coding(system: &str, code: &str, display: &str) -> Coding {
    let text = |t: &str| Some(t.to_owned()).filter(|t| !t.is_empty());
    Coding { system: text(system), code: text(code), display: text(display), ..Coding::default() }
}

fn named(system: &str, value: &str, display: &str) -> Reference {
    let text = |t: &str| Some(t.to_owned()).filter(|t| !t.is_empty());
    let identifier = Identifier { system: text(system), value: text(value), ..Identifier::default() };
    let identifier = Some(Box::new(identifier)).filter(|_| !value.is_empty());
    Reference { identifier, display: text(display), ..Reference::default() }
}

fn refers(to: &str) -> Option<Reference> {
    Some(Reference { reference: Some(to.to_owned()), ..Reference::default() })
}

/// The AuditEvent.
pub fn event(recorded: &Recorded<'_>) -> AuditEvent {
    let at = InstantTime::from_us(recorded.at_us);
    let (kind, subtype) = kinds(recorded);
    AuditEvent {
        id: Some(recorded.id.to_owned()),
        meta: Some(Meta {
            version_id: Some("1".to_owned()),
            last_updated: at.clone(),
            profile: profile(recorded).into_iter().collect(),
            ..Meta::default()
        }),
        r#type: kind,
        subtype,
        action: Some(action(recorded.deed)),
        recorded: at,
        outcome: Some(outcome(recorded.status)),
        outcome_desc: (recorded.status >= 400).then(|| format!("answered {}", recorded.status)),
        agent: agents(recorded),
        source: AuditEventSource {
            observer: service(recorded),
            r#type: vec![coding(SOURCE, "4", "Application Server")],
            ..AuditEventSource::default()
        },
        entity: entities(recorded),
        ..AuditEvent::default()
    }
}

/// The profile that it follows, if there is one for it.
fn profile(recorded: &Recorded<'_>) -> Option<String> {
    if recorded.status >= 400 {
        return None;
    }
    let name = match recorded.deed {
        "create" => "Create",
        "read" | "vread" => "Read",
        "update" | "patch" => "Update",
        "delete" => "Delete",
        "search-type" => "Query",
        deed::EXPORT if recorded.patient.is_some() => "PrivacyDisclosure.Source",
        _ => return None,
    };
    let is_one = recorded.by == by::SERVICE && recorded.deed != deed::EXPORT;
    let patient = if recorded.patient.is_some() && recorded.deed != deed::EXPORT { "Patient" } else { "" };
    (!is_one).then(|| format!("{BALP}/StructureDefinition/IHE.BasicAudit.{patient}{name}"))
}

fn kinds(recorded: &Recorded<'_>) -> (Coding, Vec<Coding>) {
    let dicom = |code: &str, display: &str| coding(DICOM, code, display);
    let interaction = coding(INTERACTION, recorded.deed, recorded.deed);
    match recorded.deed {
        deed::LOGIN => (dicom("110114", "User Authentication"), vec![dicom("110122", "Login")]),
        deed::EXPORT => {
            let disclose = coding(LIFECYCLE, "disclose", "Disclose Record Lifecycle Event");
            (dicom("110106", "Export"), vec![disclose])
        }
        deed::RETIRE => (coding(LIFECYCLE, "destroy", "Destroy/Delete Record Lifecycle Event"), Vec::new()),
        deed::UNLISTED => (dicom("110113", "Security Alert"), Vec::new()),
        // by itself, not by REST
        _ if recorded.by == by::SERVICE => (dicom("110110", "Patient Record"), vec![interaction]),
        _ => {
            let within = Some(recorded.within).filter(|w| !w.is_empty() && *w != recorded.deed);
            let subtype = [interaction].into_iter().chain(within.map(|w| coding(INTERACTION, w, w)));
            (coding(EVENT, "rest", "RESTful Operation"), subtype.collect())
        }
    }
}

fn action(deed: &str) -> AuditEventAction {
    match deed {
        "create" => AuditEventAction::Create,
        "update" | "patch" => AuditEventAction::Update,
        "delete" | deed::RETIRE => AuditEventAction::Delete,
        deed::EXPORT => AuditEventAction::Read,
        _ if reads(deed) => AuditEventAction::Read,
        _ => AuditEventAction::Execute,
    }
}

fn reads(deed: &str) -> bool {
    matches!(deed, "read" | "vread" | "history-instance" | "history-type" | "history-system")
}

fn outcome(status: u16) -> AuditEventOutcome {
    match status {
        0..=399 => AuditEventOutcome::Success,
        400..=499 => AuditEventOutcome::MinorFailure,
        _ => AuditEventOutcome::SeriousFailure,
    }
}

/// This service as it names itself wherever it takes part.
fn service(recorded: &Recorded<'_>) -> Reference {
    named("urn:ietf:rfc:3986", &format!("urn:uuid:{}", recorded.instance), "Terce")
}

/// Whoever did it, or was told.
fn other(recorded: &Recorded<'_>) -> Reference {
    match recorded.by {
        by::ANYBODY => named("", "", "anybody: the service is open"),
        by::OPERATOR => named("", recorded.who, "somebody at the command line of this machine"),
        by::UNKNOWN => named("", recorded.who, "somebody who has not proven who it is"),
        _ => named(recorded.issuer, recorded.who, ""),
    }
}

/// What somebody is in an act.
type Part = (&'static str, &'static str, &'static str);

fn agent(
    part: Part,
    who: Reference,
    requestor: bool,
    network: Option<AuditEventAgentNetwork>,
) -> AuditEventAgent {
    let (system, code, display) = part;
    let part = CodeableConcept { coding: vec![coding(system, code, display)], ..CodeableConcept::default() };
    AuditEventAgent { r#type: Some(part), who: Some(who), requestor, network, ..AuditEventAgent::default() }
}

fn agents(recorded: &Recorded<'_>) -> Vec<AuditEventAgent> {
    const FROM: Part = (DICOM, "110153", "Source Role ID");
    const TO: Part = (DICOM, "110152", "Destination Role ID");
    let at = |address: &str, r#type| {
        let address = Some(address.to_owned()).filter(|a| !a.is_empty())?;
        Some(AuditEventAgentNetwork {
            address: Some(address),
            r#type: Some(r#type),
            ..AuditEventAgentNetwork::default()
        })
    };
    let here = at(recorded.base, AuditEventAgentNetworkType::Uri);
    let there = at(recorded.from, AuditEventAgentNetworkType::IpAddress);
    let (client, server): (Part, Part) = match recorded.deed {
        deed::EXPORT => {
            let endpoint = at(recorded.from, AuditEventAgentNetworkType::Uri);
            let subscriber = named("", "", recorded.who);
            return vec![agent(FROM, service(recorded), true, here), agent(TO, subscriber, false, endpoint)];
        }
        _ if recorded.by == by::SERVICE => {
            return vec![agent((DICOM, "110150", "Application"), service(recorded), true, here)];
        }
        "delete" => ((DICOM, "110150", "Application"), (PARTICIPANT, "custodian", "Custodian")),
        _ if reads(recorded.deed) => (TO, FROM),
        _ => (FROM, TO),
    };
    vec![agent(client, other(recorded), true, there), agent(server, service(recorded), false, here)]
}

fn entities(recorded: &Recorded<'_>) -> Vec<AuditEventEntity> {
    let entity = |kind: (&str, &str), role: (&str, &str)| AuditEventEntity {
        r#type: Some(coding(ENTITY, kind.0, kind.1)),
        role: Some(coding(ROLE, role.0, role.1)),
        ..AuditEventEntity::default()
    };
    let (object, person) = (("2", "System Object"), ("1", "Person"));
    let mut out = Vec::new();
    if !recorded.what.is_empty() {
        out.push(AuditEventEntity {
            what: refers(recorded.what),
            ..entity(object, ("4", "Domain Resource"))
        });
    }
    if recorded.deed == deed::EXPORT {
        out.push(AuditEventEntity { what: refers(recorded.who), ..entity(object, ("9", "Subscriber")) });
    }
    if recorded.more > 0 || recorded.deed == deed::RETIRE {
        let detail = |name: &str, value: String| AuditEventEntityDetail {
            r#type: name.to_owned(),
            value_string: Some(value),
            ..AuditEventEntityDetail::default()
        };
        let mut about = entity(object, ("13", "Security Resource"));
        about.detail.push(detail("acts", recorded.more.to_string()));
        if recorded.deed == deed::RETIRE {
            about.detail.push(detail("up to", recorded.asked.to_owned()));
        }
        out.push(about);
    } else if !recorded.asked.is_empty() {
        // as it was asked, whatever was in it
        let query = Some(STANDARD.encode(recorded.asked));
        out.push(AuditEventEntity { query, ..entity(object, ("24", "Query")) });
    }
    if let Some(patient) = recorded.patient {
        let what = refers(&format!("Patient/{patient}"));
        out.push(AuditEventEntity { what, ..entity(person, ("1", "Patient")) });
    }
    if !recorded.request.is_empty() {
        out.push(AuditEventEntity {
            what: Some(named("", recorded.request, "")),
            r#type: Some(coding(&format!("{BALP}/CodeSystem/BasicAuditEntityType"), "XrequestId", "")),
            ..AuditEventEntity::default()
        });
    }
    out
}
