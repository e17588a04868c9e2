//! Codes inside data types.

codes! {
    /// How much of the resource a narrative tells, and where it came from.
    NarrativeStatus of "http://hl7.org/fhir/narrative-status" {
        Generated = "generated",
        Extensions = "extensions",
        Additional = "additional",
        Empty = "empty",
    }
}

codes! {
    /// What an identifier is for.
    IdentifierUse of "http://hl7.org/fhir/identifier-use" {
        Usual = "usual",
        Official = "official",
        Temp = "temp",
        Secondary = "secondary",
        Old = "old",
    }
}

codes! {
    /// What a name is for.
    NameUse of "http://hl7.org/fhir/name-use" {
        Usual = "usual",
        Official = "official",
        Temp = "temp",
        Nickname = "nickname",
        Anonymous = "anonymous",
        Old = "old",
        Maiden = "maiden",
    }
}

codes! {
    /// What an address is for.
    AddressUse of "http://hl7.org/fhir/address-use" {
        Home = "home",
        Work = "work",
        Temp = "temp",
        Old = "old",
        Billing = "billing",
    }
}

codes! {
    /// Whether one can go to an address, write to it or both.
    AddressType of "http://hl7.org/fhir/address-type" {
        Postal = "postal",
        Physical = "physical",
        Both = "both",
    }
}

codes! {
    /// How someone is reached.
    ContactPointSystem of "http://hl7.org/fhir/contact-point-system" {
        Phone = "phone",
        Fax = "fax",
        Email = "email",
        Pager = "pager",
        Url = "url",
        Sms = "sms",
        Other = "other",
    }
}

codes! {
    /// What a way of reaching someone is for.
    ContactPointUse of "http://hl7.org/fhir/contact-point-use" {
        Home = "home",
        Work = "work",
        Temp = "temp",
        Old = "old",
        Mobile = "mobile",
    }
}

codes! {
    /// The part someone had in a definition.
    ContributorType of "http://hl7.org/fhir/contributor-type" {
        Author = "author",
        Editor = "editor",
        Reviewer = "reviewer",
        Endorser = "endorser",
    }
}

codes! {
    /// How the true value lies to the one given.
    QuantityComparator of "http://hl7.org/fhir/quantity-comparator" {
        LessThan = "<",
        LessOrEqual = "<=",
        GreaterOrEqual = ">=",
        GreaterThan = ">",
    }
}

codes! {
    /// Units of time, as UCUM writes them.
    UnitsOfTime of "http://unitsofmeasure.org" {
        Second = "s",
        Minute = "min",
        Hour = "h",
        Day = "d",
        Week = "wk",
        Month = "mo",
        Year = "a",
    }
}

codes! {
    /// Days of the week.
    DaysOfWeek of "http://hl7.org/fhir/days-of-week" {
        Mon = "mon",
        Tue = "tue",
        Wed = "wed",
        Thu = "thu",
        Fri = "fri",
        Sat = "sat",
        Sun = "sun",
    }
}

codes! {
    /// Times of the day as life has them: meals, waking, sleep.
    EventTiming of "http://hl7.org/fhir/ValueSet/event-timing" {
        Morn = "MORN",
        MornEarly = "MORN.early",
        MornLate = "MORN.late",
        Noon = "NOON",
        Aft = "AFT",
        AftEarly = "AFT.early",
        AftLate = "AFT.late",
        Eve = "EVE",
        EveEarly = "EVE.early",
        EveLate = "EVE.late",
        Night = "NIGHT",
        Phs = "PHS",
        Hs = "HS",
        Wake = "WAKE",
        C = "C",
        Cm = "CM",
        Cd = "CD",
        Cv = "CV",
        Ac = "AC",
        Acm = "ACM",
        Acd = "ACD",
        Acv = "ACV",
        Pc = "PC",
        Pcm = "PCM",
        Pcd = "PCD",
        Pcv = "PCV",
    }
}

codes! {
    /// What kind of event sets something off.
    TriggerType of "http://hl7.org/fhir/trigger-type" {
        NamedEvent = "named-event",
        Periodic = "periodic",
        DataChanged = "data-changed",
        DataAdded = "data-added",
        DataModified = "data-modified",
        DataRemoved = "data-removed",
        DataAccessed = "data-accessed",
        DataAccessEnded = "data-access-ended",
    }
}

codes! {
    /// Upwards or downwards.
    SortDirection of "http://hl7.org/fhir/sort-direction" {
        Ascending = "ascending",
        Descending = "descending",
    }
}

codes! {
    /// How a document relates to a definition.
    RelatedArtifactType of "http://hl7.org/fhir/related-artifact-type" {
        Documentation = "documentation",
        Justification = "justification",
        Citation = "citation",
        Predecessor = "predecessor",
        Successor = "successor",
        DerivedFrom = "derived-from",
        DependsOn = "depends-on",
        ComposedOf = "composed-of",
    }
}

codes! {
    /// Whether a parameter goes in or comes out.
    OperationParameterUse of "http://hl7.org/fhir/operation-parameter-use" {
        In = "in",
        Out = "out",
    }
}
