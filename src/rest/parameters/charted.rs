//! What is charted, and where.

use super::{Param, code, date, encounter, identifier, patient, reference, text, token, uri};

pub(in crate::rest) const PROCEDURE: &[Param] = &[
    identifier("Procedure.identifier", "clinical-identifier"),
    patient("patient", "Procedure.subject.where(resolve() is Patient)", "clinical-patient"),
    patient("subject", "Procedure.subject", "Procedure-subject"),
    encounter("encounter", "Procedure.encounter", "clinical-encounter"),
    date("date", "Procedure.performed", "clinical-date"),
    code("status", "Procedure.status", "Procedure-status", "http://hl7.org/fhir/event-status"),
    token("code", "Procedure.code", "clinical-code"),
    token("category", "Procedure.category", "Procedure-category"),
    reference("location", "Procedure.location", "Procedure-location", &["Location"]),
    reference(
        "part-of",
        "Procedure.partOf",
        "Procedure-part-of",
        &["Observation", "Procedure", "MedicationAdministration"],
    ),
    reference("performer", "Procedure.performer.actor", "Procedure-performer", &["Device", "Patient"]),
    reference("based-on", "Procedure.basedOn", "Procedure-based-on", &[]),
    token("reason-code", "Procedure.reasonCode", "Procedure-reason-code"),
    reference(
        "reason-reference",
        "Procedure.reasonReference",
        "Procedure-reason-reference",
        &["Condition", "Observation", "Procedure"],
    ),
];

pub(in crate::rest) const OBSERVATION: &[Param] = &[
    identifier("Observation.identifier", "clinical-identifier"),
    patient("patient", "Observation.subject.where(resolve() is Patient)", "clinical-patient"),
    patient("subject", "Observation.subject", "Observation-subject"),
    encounter("encounter", "Observation.encounter", "clinical-encounter"),
    date("date", "Observation.effective", "clinical-date"),
    code("status", "Observation.status", "Observation-status", "http://hl7.org/fhir/observation-status"),
    token("code", "Observation.code", "clinical-code"),
    token("category", "Observation.category", "Observation-category"),
    token("combo-code", "Observation.code | Observation.component.code", "Observation-combo-code"),
    token("component-code", "Observation.component.code", "Observation-component-code"),
    token("value-concept", "(Observation.value as CodeableConcept)", "Observation-value-concept"),
    text(
        "value-string",
        "(Observation.value as string) | (Observation.value as CodeableConcept).text",
        "Observation-value-string",
    ),
    reference("device", "Observation.device", "Observation-device", &["Device"]),
    reference("performer", "Observation.performer", "Observation-performer", &["Patient"]),
    reference(
        "part-of",
        "Observation.partOf",
        "Observation-part-of",
        &["MedicationAdministration", "Procedure"],
    ),
    reference("has-member", "Observation.hasMember", "Observation-has-member", &["Observation"]),
    reference("based-on", "Observation.basedOn", "Observation-based-on", &[]),
    token("data-absent-reason", "Observation.dataAbsentReason", "Observation-data-absent-reason"),
    token("method", "Observation.method", "Observation-method"),
];

pub(in crate::rest) const ENCOUNTER: &[Param] = &[
    identifier("Encounter.identifier", "clinical-identifier"),
    patient("patient", "Encounter.subject.where(resolve() is Patient)", "clinical-patient"),
    patient("subject", "Encounter.subject", "Encounter-subject"),
    date("date", "Encounter.period", "clinical-date"),
    code("status", "Encounter.status", "Encounter-status", "http://hl7.org/fhir/encounter-status"),
    token("class", "Encounter.class", "Encounter-class"),
    token("type", "Encounter.type", "clinical-type"),
    reference("location", "Encounter.location.location", "Encounter-location", &["Location"]),
    date("location-period", "Encounter.location.period", "Encounter-location-period"),
    reference("part-of", "Encounter.partOf", "Encounter-part-of", &["Encounter"]),
    reference("service-provider", "Encounter.serviceProvider", "Encounter-service-provider", &[]),
    reference("participant", "Encounter.participant.individual", "Encounter-participant", &[]),
    reference(
        "practitioner",
        "Encounter.participant.individual.where(resolve() is Practitioner)",
        "Encounter-practitioner",
        &[],
    ),
    token("participant-type", "Encounter.participant.type", "Encounter-participant-type"),
    token("reason-code", "Encounter.reasonCode", "Encounter-reason-code"),
    reference("based-on", "Encounter.basedOn", "Encounter-based-on", &[]),
];

pub(in crate::rest) const PATIENT: &[Param] = &[
    identifier("Patient.identifier", "Patient-identifier"),
    text("name", "Patient.name", "Patient-name"),
    text("family", "Patient.name.family", "individual-family"),
    text("given", "Patient.name.given", "individual-given"),
    date("birthdate", "Patient.birthDate", "individual-birthdate"),
    code("gender", "Patient.gender", "individual-gender", "http://hl7.org/fhir/administrative-gender"),
    token("active", "Patient.active", "Patient-active"),
    date("death-date", "(Patient.deceased as dateTime)", "Patient-death-date"),
    text("address", "Patient.address", "individual-address"),
    text("address-city", "Patient.address.city", "individual-address-city"),
    text("address-postalcode", "Patient.address.postalCode", "individual-address-postalcode"),
    text("address-country", "Patient.address.country", "individual-address-country"),
    token("telecom", "Patient.telecom", "individual-telecom"),
    token("phone", "Patient.telecom.where(system='phone')", "individual-phone"),
    token("email", "Patient.telecom.where(system='email')", "individual-email"),
    reference("organization", "Patient.managingOrganization", "Patient-organization", &[]),
    reference("general-practitioner", "Patient.generalPractitioner", "Patient-general-practitioner", &[]),
    reference("link", "Patient.link.other", "Patient-link", &["Patient"]),
    token("language", "Patient.communication.language", "Patient-language"),
];

pub(in crate::rest) const MEDICATION_ADMINISTRATION: &[Param] = &[
    identifier("MedicationAdministration.identifier", "clinical-identifier"),
    patient("patient", "MedicationAdministration.subject.where(resolve() is Patient)", "clinical-patient"),
    patient("subject", "MedicationAdministration.subject", "MedicationAdministration-subject"),
    encounter("context", "MedicationAdministration.context", "MedicationAdministration-context"),
    date("effective-time", "MedicationAdministration.effective", "MedicationAdministration-effective-time"),
    code(
        "status",
        "MedicationAdministration.status",
        "medications-status",
        "http://terminology.hl7.org/CodeSystem/medication-admin-status",
    ),
    token("code", "(MedicationAdministration.medication as CodeableConcept)", "clinical-code"),
    reference(
        "medication",
        "(MedicationAdministration.medication as Reference)",
        "medications-medication",
        &[],
    ),
    reference(
        "performer",
        "MedicationAdministration.performer.actor",
        "MedicationAdministration-performer",
        &["Device", "Patient"],
    ),
    reference("request", "MedicationAdministration.request", "MedicationAdministration-request", &[]),
    reference("device", "MedicationAdministration.device", "MedicationAdministration-device", &["Device"]),
    token("reason-given", "MedicationAdministration.reasonCode", "MedicationAdministration-reason-given"),
    token(
        "reason-not-given",
        "MedicationAdministration.statusReason",
        "MedicationAdministration-reason-not-given",
    ),
];

pub(in crate::rest) const CONDITION: &[Param] = &[
    identifier("Condition.identifier", "clinical-identifier"),
    patient("patient", "Condition.subject.where(resolve() is Patient)", "clinical-patient"),
    patient("subject", "Condition.subject", "Condition-subject"),
    encounter("encounter", "Condition.encounter", "Condition-encounter"),
    token("code", "Condition.code", "clinical-code"),
    token("category", "Condition.category", "Condition-category"),
    token("clinical-status", "Condition.clinicalStatus", "Condition-clinical-status"),
    token("verification-status", "Condition.verificationStatus", "Condition-verification-status"),
    token("severity", "Condition.severity", "Condition-severity"),
    date("onset-date", "Condition.onset.as(dateTime) | Condition.onset.as(Period)", "Condition-onset-date"),
    date(
        "abatement-date",
        "Condition.abatement.as(dateTime) | Condition.abatement.as(Period)",
        "Condition-abatement-date",
    ),
    date("recorded-date", "Condition.recordedDate", "Condition-recorded-date"),
    token("body-site", "Condition.bodySite", "Condition-body-site"),
    reference("asserter", "Condition.asserter", "Condition-asserter", &["Patient"]),
];

pub(in crate::rest) const DEVICE_USE_STATEMENT: &[Param] = &[
    identifier("DeviceUseStatement.identifier", "DeviceUseStatement-identifier"),
    patient("patient", "DeviceUseStatement.subject", "clinical-patient"),
    patient("subject", "DeviceUseStatement.subject", "DeviceUseStatement-subject"),
    reference("device", "DeviceUseStatement.device", "DeviceUseStatement-device", &["Device"]),
];

pub(in crate::rest) const DEVICE: &[Param] = &[
    identifier("Device.identifier", "Device-identifier"),
    patient("patient", "Device.patient", "Device-patient"),
    token("type", "Device.type", "Device-type"),
    code("status", "Device.status", "Device-status", "http://hl7.org/fhir/device-status"),
    reference("location", "Device.location", "Device-location", &["Location"]),
    reference("organization", "Device.owner", "Device-organization", &[]),
    text("manufacturer", "Device.manufacturer", "Device-manufacturer"),
    text("model", "Device.modelNumber", "Device-model"),
    text(
        "device-name",
        "Device.deviceName.name | Device.type.coding.display | Device.type.text",
        "Device-device-name",
    ),
    text("udi-carrier", "Device.udiCarrier.carrierHRF", "Device-udi-carrier"),
    text("udi-di", "Device.udiCarrier.deviceIdentifier", "Device-udi-di"),
    uri("url", "Device.url", "Device-url"),
];

pub(in crate::rest) const GROUP: &[Param] = &[
    identifier("Group.identifier", "Group-identifier"),
    code("type", "Group.type", "Group-type", "http://hl7.org/fhir/group-type"),
    token("actual", "Group.actual", "Group-actual"),
    token("code", "Group.code", "Group-code"),
    token("characteristic", "Group.characteristic.code", "Group-characteristic"),
    token(
        "value",
        "(Group.characteristic.value as CodeableConcept) | (Group.characteristic.value as boolean)",
        "Group-value",
    ),
    token("exclude", "Group.characteristic.exclude", "Group-exclude"),
    reference("member", "Group.member.entity", "Group-member", &["Group", "Device", "Patient"]),
    reference("managing-entity", "Group.managingEntity", "Group-managing-entity", &[]),
];

pub(in crate::rest) const LOCATION: &[Param] = &[
    identifier("Location.identifier", "Location-identifier"),
    text("name", "Location.name | Location.alias", "Location-name"),
    token("type", "Location.type", "Location-type"),
    code("status", "Location.status", "Location-status", "http://hl7.org/fhir/location-status"),
    token("operational-status", "Location.operationalStatus", "Location-operational-status"),
    reference("partof", "Location.partOf", "Location-partof", &["Location"]),
    reference("organization", "Location.managingOrganization", "Location-organization", &[]),
    text("address", "Location.address", "Location-address"),
    text("address-city", "Location.address.city", "Location-address-city"),
];
