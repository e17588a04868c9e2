//! Location: hospital, unit, room, bed.

use serde::{Deserialize, Serialize};

use crate::codes::{DaysOfWeek, LocationMode, LocationStatus};
use crate::datatypes::{
    Address, CodeableConcept, Coding, ContactPoint, Element, Extension, Identifier, Meta, Narrative,
    Reference,
};
use crate::primitive::{Decimal, Time};
use crate::resource::{Checker, RawResource, Rules};

/// Details and position information for a physical place.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Location {
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
    /// Unique code or number identifying the location to its users.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// Whether the location is in general use; a bed's momentary state is `operational_status`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<LocationStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// The operational status of the location (typically only for a bed/room).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub operational_status: Option<Coding>,
    /// Name of the location as used by humans.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// A list of alternate names that the location is known as, or was known as, in the past.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub alias: Vec<String>,
    /// What else helps to find the location.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// Whether it is one place or a kind of places.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mode: Option<LocationMode>,
    /// Type of function performed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub r#type: Vec<CodeableConcept>,
    /// Contact details of the location.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub telecom: Vec<ContactPoint>,
    /// Physical location.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<Address>,
    /// Physical form of the location.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub physical_type: Option<CodeableConcept>,
    /// The absolute geographic location.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub position: Option<LocationPosition>,
    /// Organization responsible for provisioning and upkeep.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub managing_organization: Option<Reference>,
    /// Another Location this one is physically a part of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part_of: Option<Reference>,
    /// What days/times during a week is this location usually open.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hours_of_operation: Vec<LocationHoursOfOperation>,
    /// Description of availability exceptions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub availability_exceptions: Option<String>,
    /// Technical endpoints providing access to services operated for the location.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub endpoint: Vec<Reference>,
}

resource!(Location);

impl Rules for Location {
    fn check(&self, check: &mut Checker) {
        check.reference("managingOrganization", &self.managing_organization, &["Organization"]);
        check.reference("partOf", &self.part_of, &["Location"]);
        check.references("endpoint", &self.endpoint, &["Endpoint"]);
    }
}

/// The absolute geographic location.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct LocationPosition {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Longitude with WGS84 datum.
    pub longitude: Decimal,
    /// Latitude with WGS84 datum.
    pub latitude: Decimal,
    /// Altitude with WGS84 datum.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub altitude: Option<Decimal>,
}

impl LocationPosition {
    /// With what R4 requires, and nothing else.
    pub fn new(longitude: Decimal, latitude: Decimal) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            longitude,
            latitude,
            altitude: None,
        }
    }
}

/// What days/times during a week is this location usually open.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct LocationHoursOfOperation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The days it is open.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub days_of_week: Vec<DaysOfWeek>,
    /// The Location is open all day.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub all_day: Option<bool>,
    /// Time that the Location opens.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opening_time: Option<Time>,
    /// Time that the Location closes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closing_time: Option<Time>,
}
