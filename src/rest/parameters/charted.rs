//! What is charted, and where.

use super::{
    Param, code, composite, date, encounter, identifier, patient, quantity, reference, text, token, uri,
};

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
    quantity(
        "value-quantity",
        "(Observation.value as Quantity) | (Observation.value as SampledData)",
        "Observation-value-quantity",
    ),
    quantity(
        "component-value-quantity",
        "(Observation.component.value as Quantity) | (Observation.component.value as SampledData)",
        "Observation-component-value-quantity",
    ),
    quantity(
        "combo-value-quantity",
        "(Observation.value as Quantity) | (Observation.value as SampledData) | \
         (Observation.component.value as Quantity) | (Observation.component.value as SampledData)",
        "Observation-combo-value-quantity",
    ),
    composite(
        "code-value-quantity",
        "Observation",
        "Observation-code-value-quantity",
        &[
            token("code", ".code", "clinical-code"),
            quantity("value-quantity", ".value.as(Quantity)", "Observation-value-quantity"),
        ],
    ),
    composite(
        "code-value-concept",
        "Observation",
        "Observation-code-value-concept",
        &[
            token("code", ".code", "clinical-code"),
            token("value-concept", ".value.as(CodeableConcept)", "Observation-value-concept"),
        ],
    ),
    composite(
        "code-value-string",
        "Observation",
        "Observation-code-value-string",
        &[
            token("code", ".code", "clinical-code"),
            text("value-string", ".value.as(string)", "Observation-value-string"),
        ],
    ),
    composite(
        "code-value-date",
        "Observation",
        "Observation-code-value-date",
        &[
            token("code", ".code", "clinical-code"),
            date("value-date", ".value.as(DateTime) | .value.as(Period)", "Observation-value-date"),
        ],
    ),
    composite(
        "component-code-value-quantity",
        "Observation.component",
        "Observation-component-code-value-quantity",
        &[
            token("component-code", ".code", "Observation-component-code"),
            quantity(
                "component-value-quantity",
                ".value.as(Quantity)",
                "Observation-component-value-quantity",
            ),
        ],
    ),
    composite(
        "component-code-value-concept",
        "Observation.component",
        "Observation-component-code-value-concept",
        &[
            token("component-code", ".code", "Observation-component-code"),
            token(
                "component-value-concept",
                ".value.as(CodeableConcept)",
                "Observation-component-value-concept",
            ),
        ],
    ),
    composite(
        "combo-code-value-quantity",
        "Observation | Observation.component",
        "Observation-combo-code-value-quantity",
        &[
            token("combo-code", ".code", "Observation-combo-code"),
            quantity("combo-value-quantity", ".value.as(Quantity)", "Observation-combo-value-quantity"),
        ],
    ),
    composite(
        "combo-code-value-concept",
        "Observation | Observation.component",
        "Observation-combo-code-value-concept",
        &[
            token("combo-code", ".code", "Observation-combo-code"),
            token("combo-value-concept", ".value.as(CodeableConcept)", "Observation-combo-value-concept"),
        ],
    ),
    date(
        "value-date",
        "(Observation.value as dateTime) | (Observation.value as Period)",
        "Observation-value-date",
    ),
    token(
        "component-value-concept",
        "(Observation.component.value as CodeableConcept)",
        "Observation-component-value-concept",
    ),
    token(
        "combo-value-concept",
        "(Observation.value as CodeableConcept) | (Observation.component.value as CodeableConcept)",
        "Observation-combo-value-concept",
    ),
    token(
        "component-data-absent-reason",
        "Observation.component.dataAbsentReason",
        "Observation-component-data-absent-reason",
    ),
    token(
        "combo-data-absent-reason",
        "Observation.dataAbsentReason | Observation.component.dataAbsentReason",
        "Observation-combo-data-absent-reason",
    ),
    reference("derived-from", "Observation.derivedFrom", "Observation-derived-from", &["Observation"]),
    reference("focus", "Observation.focus", "Observation-focus", &[]),
    reference("specimen", "Observation.specimen", "Observation-specimen", &[]),
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
    quantity("length", "Encounter.length", "Encounter-length"),
    reference(
        "reason-reference",
        "Encounter.reasonReference",
        "Encounter-reason-reference",
        &["Condition", "Observation", "Procedure"],
    ),
    reference(
        "diagnosis",
        "Encounter.diagnosis.condition",
        "Encounter-diagnosis",
        &["Condition", "Procedure"],
    ),
    reference("episode-of-care", "Encounter.episodeOfCare", "Encounter-episode-of-care", &[]),
    reference("appointment", "Encounter.appointment", "Encounter-appointment", &[]),
    reference("account", "Encounter.account", "Encounter-account", &[]),
    token(
        "special-arrangement",
        "Encounter.hospitalization.specialArrangement",
        "Encounter-special-arrangement",
    ),
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
    text("address-state", "Patient.address.state", "individual-address-state"),
    code("address-use", "Patient.address.use", "individual-address-use", "http://hl7.org/fhir/address-use"),
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
    quantity("onset-age", "Condition.onset.as(Age) | Condition.onset.as(Range)", "Condition-onset-age"),
    text("onset-info", "Condition.onset.as(string)", "Condition-onset-info"),
    quantity(
        "abatement-age",
        "Condition.abatement.as(Age) | Condition.abatement.as(Range)",
        "Condition-abatement-age",
    ),
    text("abatement-string", "Condition.abatement.as(string)", "Condition-abatement-string"),
    token("stage", "Condition.stage.summary", "Condition-stage"),
    token("evidence", "Condition.evidence.code", "Condition-evidence"),
    reference("evidence-detail", "Condition.evidence.detail", "Condition-evidence-detail", &[]),
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
    composite(
        "characteristic-value",
        "Group.characteristic",
        "Group-characteristic-value",
        &[token("characteristic", ".code", "Group-characteristic"), token("value", ".value", "Group-value")],
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
    text("address-state", "Location.address.state", "Location-address-state"),
    text("address-postalcode", "Location.address.postalCode", "Location-address-postalcode"),
    text("address-country", "Location.address.country", "Location-address-country"),
    code("address-use", "Location.address.use", "Location-address-use", "http://hl7.org/fhir/address-use"),
    reference("endpoint", "Location.endpoint", "Location-endpoint", &[]),
];
