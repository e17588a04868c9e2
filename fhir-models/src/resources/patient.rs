//! Patient: who is cared for.

use serde::{Deserialize, Serialize};

use crate::codes::{AdministrativeGender, LinkType};
use crate::datatypes::{
    Address, Attachment, CodeableConcept, ContactPoint, Element, Extension, HumanName, Identifier, Meta,
    Narrative, Period, Reference,
};
use crate::primitive::{Date, DateTime};
use crate::resource::{Checker, RawResource, Rules};

/// Information about an individual or animal receiving health care services.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Patient {
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
    /// An identifier for this patient.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Whether this patient's record is in active use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub active: Option<bool>,
    /// A name associated with the patient.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub name: Vec<HumanName>,
    /// A contact detail for the individual.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub telecom: Vec<ContactPoint>,
    /// The gender the patient has for administration and records.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gender: Option<AdministrativeGender>,
    /// The date of birth for the individual.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub birth_date: Option<Date>,
    /// What is said of `birthDate` besides its value, or why it has none.
    #[serde(rename = "_birthDate", skip_serializing_if = "Option::is_none")]
    pub birth_date_element: Option<Element>,
    /// Indicates if the individual is deceased or not, as a boolean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deceased_boolean: Option<bool>,
    /// What is said of `deceasedBoolean` besides its value, or why it has none.
    #[serde(rename = "_deceasedBoolean", skip_serializing_if = "Option::is_none")]
    pub deceased_boolean_element: Option<Element>,
    /// Indicates if the individual is deceased or not, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub deceased_date_time: Option<DateTime>,
    /// What is said of `deceasedDateTime` besides its value, or why it has none.
    #[serde(rename = "_deceasedDateTime", skip_serializing_if = "Option::is_none")]
    pub deceased_date_time_element: Option<Element>,
    /// An address for the individual.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub address: Vec<Address>,
    /// Marital (civil) status of a patient.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub marital_status: Option<CodeableConcept>,
    /// Whether patient is part of a multiple birth, as a boolean.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub multiple_birth_boolean: Option<bool>,
    /// Whether patient is part of a multiple birth, as an integer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub multiple_birth_integer: Option<i32>,
    /// Image of the patient.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub photo: Vec<Attachment>,
    /// A contact party (e.g. guardian, partner, friend) for the patient.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contact: Vec<PatientContact>,
    /// A language which may be used to communicate with the patient about his or her health.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub communication: Vec<PatientCommunication>,
    /// Patient's nominated primary care provider.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub general_practitioner: Vec<Reference>,
    /// Organization that is the custodian of the patient record.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub managing_organization: Option<Reference>,
    /// Link to another patient resource that concerns the same actual person.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub link: Vec<PatientLink>,
}

resource!(Patient);

impl Rules for Patient {
    fn check(&self, check: &mut Checker) {
        check.choice(self.deceased());
        check.choice(self.multiple_birth());
        check.references(
            "generalPractitioner",
            &self.general_practitioner,
            &["Organization", "Practitioner", "PractitionerRole"],
        );
        check.reference("managingOrganization", &self.managing_organization, &["Organization"]);
        check.each("contact", &self.contact, PatientContact::check);
        check.each("link", &self.link, PatientLink::check);
    }
}

choice! {
    /// What [`Patient::deceased`] holds.
    Deceased of Patient::deceased "deceased[x]" {
        Boolean(bool) = deceased_boolean,
        DateTime(DateTime) = deceased_date_time,
    }
}

choice! {
    /// What [`Patient::multiple_birth`] holds.
    MultipleBirth of Patient::multiple_birth "multipleBirth[x]" {
        Boolean(bool) = multiple_birth_boolean,
        Integer(i32) = multiple_birth_integer,
    }
}

/// A contact party (e.g. guardian, partner, friend) for the patient.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PatientContact {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The kind of relationship.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub relationship: Vec<CodeableConcept>,
    /// A name associated with the contact person.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<HumanName>,
    /// A contact detail for the person.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub telecom: Vec<ContactPoint>,
    /// Address for the contact person.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<Address>,
    /// The gender the contact has for administration and records.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gender: Option<AdministrativeGender>,
    /// Organization that is associated with the contact.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub organization: Option<Reference>,
    /// When this contact may be called on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<Period>,
}

impl PatientContact {
    fn check(&self, check: &mut Checker) {
        check.reference("organization", &self.organization, &["Organization"]);
        check.period("period", &self.period);
    }
}

/// A language which may be used to communicate with the patient about his or her health.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PatientCommunication {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The language which can be used to communicate with the patient about his or her health.
    pub language: CodeableConcept,
    /// Language preference indicator.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub preferred: Option<bool>,
}

/// Link to another patient resource that concerns the same actual person.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PatientLink {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The other patient or related person resource that the link refers to.
    pub other: Reference,
    /// How the two patient resources belong together.
    pub r#type: LinkType,
}

impl PatientLink {
    /// With what R4 requires, and nothing else.
    pub fn new(other: Reference, r#type: LinkType) -> Self {
        Self { id: None, extension: Vec::new(), modifier_extension: Vec::new(), other, r#type }
    }
}

impl PatientLink {
    fn check(&self, check: &mut Checker) {
        check.reference("other", [&self.other], &["Patient", "RelatedPerson"]);
    }
}
