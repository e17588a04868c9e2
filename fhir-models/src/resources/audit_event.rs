//! AuditEvent: who did what, when, with what.

use serde::{Deserialize, Serialize};

use crate::codes::{AuditEventAction, AuditEventAgentNetworkType, AuditEventOutcome};
use crate::datatypes::{CodeableConcept, Coding, Element, Extension, Meta, Narrative, Period, Reference};
use crate::primitive::InstantTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// What somebody did with what is kept here, recorded for security.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct AuditEvent {
    /// Logical id, set by the server that holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Version, time of change, profiles, tags.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meta: Option<Meta>,
    /// Rules the content was made under; never to be ignored.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub implicit_rules: Option<String>,
    /// Language of the content, a BCP 47 code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub language: Option<String>,
    /// The resource as people read it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<Narrative>,
    /// Resources that live only inside this one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contained: Vec<RawResource>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Type/identifier of event.
    pub r#type: Coding,
    /// More specific type/id for the event.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub subtype: Vec<Coding>,
    /// Created, read, changed, deleted or executed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub action: Option<AuditEventAction>,
    /// When the activity occurred.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
    /// When it was recorded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub recorded: Option<InstantTime>,
    /// What is said of `recorded` besides its value, or why it has none.
    #[serde(rename = "_recorded", skip_serializing_if = "Option::is_none")]
    pub recorded_element: Option<Element>,
    /// Whether it succeeded.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outcome: Option<AuditEventOutcome>,
    /// Description of the event outcome.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outcome_desc: Option<String>,
    /// The purposeOfUse of the event.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub purpose_of_event: Vec<CodeableConcept>,
    /// Who took part, person or program.
    pub agent: Vec<AuditEventAgent>,
    /// Who recorded it.
    pub source: AuditEventSource,
    /// What it was done with.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub entity: Vec<AuditEventEntity>,
}

resource!(AuditEvent);

impl Rules for AuditEvent {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("recorded", self.recorded.is_some() || self.recorded_element.is_some())])
    }

    fn check(&self, check: &mut Checker) {
        check.period("period", &self.period);
        check.each("agent", &self.agent, AuditEventAgent::check);
        check.inside("source", [&self.source], AuditEventSource::check);
        check.each("entity", &self.entity, AuditEventEntity::check);
    }
}

/// Who may take part.
const ACTORS: &[&str] =
    &["PractitionerRole", "Practitioner", "Organization", "Device", "Patient", "RelatedPerson"];

impl AuditEventAgent {
    fn check(&self, check: &mut Checker) {
        check.reference("who", &self.who, ACTORS);
        check.reference("location", &self.location, &["Location"]);
    }
}

impl AuditEventSource {
    fn check(&self, check: &mut Checker) {
        check.reference("observer", [&self.observer], ACTORS);
    }
}

impl AuditEventEntity {
    fn check(&self, check: &mut Checker) {
        check.each("detail", &self.detail, |detail, check| check.choice(detail.value()));
    }
}

choice! {
    /// What [`AuditEventEntityDetail::value`] holds.
    AuditEventEntityDetailValue of AuditEventEntityDetail::value "value[x]" {
        String(String) = value_string,
        Base64Binary(String) = value_base64_binary,
    }
}

/// Who took part, person or program.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct AuditEventAgent {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// How agent participated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<CodeableConcept>,
    /// Agent role in the event.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub role: Vec<CodeableConcept>,
    /// Identifier of who.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub who: Option<Reference>,
    /// Alternative User identity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub alt_id: Option<String>,
    /// Human friendly name for the agent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Whether user is initiator.
    pub requestor: bool,
    /// Where.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub location: Option<Reference>,
    /// Policy that authorized event.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub policy: Vec<String>,
    /// Type of media.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub media: Option<Coding>,
    /// From where on the network.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub network: Option<AuditEventAgentNetwork>,
    /// Reason given for this user.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub purpose_of_use: Vec<CodeableConcept>,
}

/// From where on the network.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct AuditEventAgentNetwork {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Identifier for the network access point of the user device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
    /// The type of network access point.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<AuditEventAgentNetworkType>,
}

/// Who recorded it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct AuditEventSource {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Logical source location within the enterprise.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub site: Option<String>,
    /// The identity of source detecting the event.
    pub observer: Reference,
    /// The type of source where event originated.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub r#type: Vec<Coding>,
}

/// What it was done with.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct AuditEventEntity {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Specific instance of resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub what: Option<Reference>,
    /// Type of entity involved.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<Coding>,
    /// What role the entity played.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<Coding>,
    /// Life-cycle stage for the entity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lifecycle: Option<Coding>,
    /// Security labels on the entity.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub security_label: Vec<Coding>,
    /// Descriptor for entity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// Descriptive text.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// Query parameters.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub query: Option<String>,
    /// A property of what it was done with.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub detail: Vec<AuditEventEntityDetail>,
}

/// A property of what it was done with.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct AuditEventEntityDetail {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Name of the property.
    pub r#type: String,
    /// Property value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_string: Option<String>,
    /// Property value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value_base64_binary: Option<String>,
}
