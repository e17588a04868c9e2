//! Device: a thing used in care, such as a ventilator or a tube.

use serde::{Deserialize, Serialize};

use crate::codes::{DeviceNameType, DeviceStatus, UdiEntryType};
use crate::datatypes::{
    Annotation, CodeableConcept, ContactPoint, Element, Extension, Identifier, Meta, Narrative, Quantity,
    Reference,
};
use crate::primitive::DateTime;
use crate::resource::{Checker, RawResource, Rules};

/// A thing used in care without being used up.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Device {
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
    /// Instance identifier.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub identifier: Vec<Identifier>,
    /// The reference to the definition for the device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub definition: Option<Reference>,
    /// Unique Device Identifier (UDI) Barcode string.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub udi_carrier: Vec<DeviceUdiCarrier>,
    /// Status of the Device availability.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<DeviceStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// Why the device has this status.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub status_reason: Vec<CodeableConcept>,
    /// The distinct identification string.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub distinct_identifier: Option<String>,
    /// Name of device manufacturer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub manufacturer: Option<String>,
    /// Date when the device was made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub manufacture_date: Option<DateTime>,
    /// Date and time of expiry of this device (if applicable).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expiration_date: Option<DateTime>,
    /// Lot number of manufacture.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lot_number: Option<String>,
    /// Serial number assigned by the manufacturer.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial_number: Option<String>,
    /// The name of the device as given by the manufacturer.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub device_name: Vec<DeviceDeviceName>,
    /// The model number for the device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub model_number: Option<String>,
    /// The part number of the device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part_number: Option<String>,
    /// The kind or type of device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<CodeableConcept>,
    /// What the device can do, and the standards it conforms to when doing it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub specialization: Vec<DeviceSpecialization>,
    /// The actual design of the device or software version running on the device.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub version: Vec<DeviceVersion>,
    /// How the device is set up as it runs.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub property: Vec<DeviceProperty>,
    /// Patient to whom Device is affixed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub patient: Option<Reference>,
    /// Organization responsible for device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub owner: Option<Reference>,
    /// Details for human/organization for support.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contact: Vec<ContactPoint>,
    /// Where the device is found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub location: Option<Reference>,
    /// Network address to contact device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// Device notes and comments.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub note: Vec<Annotation>,
    /// Safety Characteristics of Device.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub safety: Vec<CodeableConcept>,
    /// The parent device.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub parent: Option<Reference>,
}

resource!(Device);

impl Rules for Device {
    fn check(&self, check: &mut Checker) {
        check.reference("definition", &self.definition, &["DeviceDefinition"]);
        check.reference("patient", &self.patient, &["Patient"]);
        check.reference("owner", &self.owner, &["Organization"]);
        check.reference("location", &self.location, &["Location"]);
        check.reference("parent", &self.parent, &["Device"]);
    }
}

/// Unique Device Identifier (UDI) Barcode string.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DeviceUdiCarrier {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Mandatory fixed portion of UDI.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub device_identifier: Option<String>,
    /// UDI Issuing Organization.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub issuer: Option<String>,
    /// Regional UDI authority.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub jurisdiction: Option<String>,
    /// UDI Machine Readable Barcode String.
    #[serde(rename = "carrierAIDC", skip_serializing_if = "Option::is_none")]
    pub carrier_aidc: Option<String>,
    /// UDI Human Readable Barcode String.
    #[serde(rename = "carrierHRF", skip_serializing_if = "Option::is_none")]
    pub carrier_hrf: Option<String>,
    /// A coded entry to indicate how the data was entered.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entry_type: Option<UdiEntryType>,
}

/// The name of the device as given by the manufacturer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DeviceDeviceName {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The name of the device.
    pub name: String,
    /// The type of deviceName.
    pub r#type: DeviceNameType,
}

impl DeviceDeviceName {
    /// With what R4 requires, and nothing else.
    pub fn new(name: impl Into<String>, r#type: DeviceNameType) -> Self {
        Self { id: None, extension: Vec::new(), modifier_extension: Vec::new(), name: name.into(), r#type }
    }
}

/// What the device can do, and the standards it conforms to when doing it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DeviceSpecialization {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The standard that is used to operate and communicate.
    pub system_type: CodeableConcept,
    /// The version of the standard that is used to operate and communicate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub version: Option<String>,
}

/// The actual design of the device or software version running on the device.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DeviceVersion {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The type of the device version.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<CodeableConcept>,
    /// A single component of the device version.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub component: Option<Identifier>,
    /// The version text.
    pub value: String,
}

/// How the device is set up as it runs.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DeviceProperty {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Code that specifies the property DeviceDefinitionPropetyCode (Extensible).
    pub r#type: CodeableConcept,
    /// Property value as a quantity.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub value_quantity: Vec<Quantity>,
    /// Property value as a code, e.g., NTP4 (synced to NTP).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub value_code: Vec<CodeableConcept>,
}
