//! Codes of what is charted about patients and their care.

codes! {
    /// How far an event is, from preparation to completed, or that it was not done.
    EventStatus of "http://hl7.org/fhir/event-status" {
        Preparation = "preparation",
        InProgress = "in-progress",
        NotDone = "not-done",
        OnHold = "on-hold",
        Stopped = "stopped",
        Completed = "completed",
        EnteredInError = "entered-in-error",
        Unknown = "unknown",
    }
}

codes! {
    /// How far a stay is.
    EncounterStatus of "http://hl7.org/fhir/encounter-status" {
        Planned = "planned",
        Arrived = "arrived",
        Triaged = "triaged",
        InProgress = "in-progress",
        Onleave = "onleave",
        Finished = "finished",
        Cancelled = "cancelled",
        EnteredInError = "entered-in-error",
        Unknown = "unknown",
    }
}

codes! {
    /// Whether a patient is, was or will be in a place.
    EncounterLocationStatus of "http://hl7.org/fhir/encounter-location-status" {
        Planned = "planned",
        Active = "active",
        Reserved = "reserved",
        Completed = "completed",
    }
}

codes! {
    /// How final a result or a finding is.
    ObservationStatus of "http://hl7.org/fhir/observation-status" {
        Registered = "registered",
        Preliminary = "preliminary",
        Final = "final",
        Amended = "amended",
        Corrected = "corrected",
        Cancelled = "cancelled",
        EnteredInError = "entered-in-error",
        Unknown = "unknown",
    }
}

codes! {
    /// How far the giving of a medicine is.
    MedicationAdministrationStatus of "http://terminology.hl7.org/CodeSystem/medication-admin-status" {
        InProgress = "in-progress",
        NotDone = "not-done",
        OnHold = "on-hold",
        Completed = "completed",
        EnteredInError = "entered-in-error",
        Stopped = "stopped",
        Unknown = "unknown",
    }
}

codes! {
    /// How far the use of a device is.
    DeviceStatementStatus of "http://hl7.org/fhir/device-statement-status" {
        Active = "active",
        Completed = "completed",
        EnteredInError = "entered-in-error",
        Intended = "intended",
        Stopped = "stopped",
        OnHold = "on-hold",
    }
}

codes! {
    /// Whether a device can be used.
    DeviceStatus of "http://hl7.org/fhir/device-status" {
        Active = "active",
        Inactive = "inactive",
        EnteredInError = "entered-in-error",
        Unknown = "unknown",
    }
}

codes! {
    /// Where a device's name comes from.
    DeviceNameType of "http://hl7.org/fhir/device-nametype" {
        UdiLabelName = "udi-label-name",
        UserFriendlyName = "user-friendly-name",
        PatientReportedName = "patient-reported-name",
        ManufacturerName = "manufacturer-name",
        ModelName = "model-name",
        Other = "other",
    }
}

codes! {
    /// How a device's identifier was entered.
    UdiEntryType of "http://hl7.org/fhir/udi-entry-type" {
        Barcode = "barcode",
        Rfid = "rfid",
        Manual = "manual",
        Card = "card",
        SelfReported = "self-reported",
        Unknown = "unknown",
    }
}

codes! {
    /// Whether a place is in general use.
    LocationStatus of "http://hl7.org/fhir/location-status" {
        Active = "active",
        Suspended = "suspended",
        Inactive = "inactive",
    }
}

codes! {
    /// One place, or a kind of places.
    LocationMode of "http://hl7.org/fhir/location-mode" {
        Instance = "instance",
        Kind = "kind",
    }
}

codes! {
    /// Gender for administration and records.
    AdministrativeGender of "http://hl7.org/fhir/administrative-gender" {
        Male = "male",
        Female = "female",
        Other = "other",
        Unknown = "unknown",
    }
}

codes! {
    /// How two patient resources belong together.
    LinkType of "http://hl7.org/fhir/link-type" {
        ReplacedBy = "replaced-by",
        Replaces = "replaces",
        Refer = "refer",
        Seealso = "seealso",
    }
}

codes! {
    /// What a group is made of.
    GroupType of "http://hl7.org/fhir/group-type" {
        Person = "person",
        Animal = "animal",
        Practitioner = "practitioner",
        Device = "device",
        Medication = "medication",
        Substance = "substance",
    }
}

codes! {
    /// Whether a list still counts.
    ListStatus of "http://hl7.org/fhir/list-status" {
        Current = "current",
        Retired = "retired",
        EnteredInError = "entered-in-error",
    }
}

codes! {
    /// How a list is kept.
    ListMode of "http://hl7.org/fhir/list-mode" {
        Working = "working",
        Snapshot = "snapshot",
        Changes = "changes",
    }
}
