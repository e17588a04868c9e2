//! Codes of messages, servers and their answers.

codes! {
    /// What a message of resources is for.
    BundleType of "http://hl7.org/fhir/bundle-type" {
        Document = "document",
        Message = "message",
        Transaction = "transaction",
        TransactionResponse = "transaction-response",
        Batch = "batch",
        BatchResponse = "batch-response",
        History = "history",
        Searchset = "searchset",
        Collection = "collection",
    }
}

codes! {
    /// What a request does.
    HttpVerb of "http://hl7.org/fhir/http-verb" {
        Get = "GET",
        Head = "HEAD",
        Post = "POST",
        Put = "PUT",
        Delete = "DELETE",
        Patch = "PATCH",
    }
}

codes! {
    /// Why an entry is in the answer to a search.
    SearchEntryMode of "http://hl7.org/fhir/search-entry-mode" {
        Match = "match",
        Include = "include",
        Outcome = "outcome",
    }
}

codes! {
    /// How bad an issue is.
    IssueSeverity of "http://hl7.org/fhir/issue-severity" {
        Fatal = "fatal",
        Error = "error",
        Warning = "warning",
        Information = "information",
    }
}

codes! {
    /// What kind of issue it is.
    IssueType of "http://hl7.org/fhir/issue-type" {
        Invalid = "invalid",
        Structure = "structure",
        Required = "required",
        Value = "value",
        Invariant = "invariant",
        Security = "security",
        Login = "login",
        Unknown = "unknown",
        Expired = "expired",
        Forbidden = "forbidden",
        Suppressed = "suppressed",
        Processing = "processing",
        NotSupported = "not-supported",
        Duplicate = "duplicate",
        MultipleMatches = "multiple-matches",
        NotFound = "not-found",
        Deleted = "deleted",
        TooLong = "too-long",
        CodeInvalid = "code-invalid",
        Extension = "extension",
        TooCostly = "too-costly",
        BusinessRule = "business-rule",
        Conflict = "conflict",
        Transient = "transient",
        LockError = "lock-error",
        NoStore = "no-store",
        Exception = "exception",
        Timeout = "timeout",
        Incomplete = "incomplete",
        Throttled = "throttled",
        Informational = "informational",
    }
}

codes! {
    /// Whether a statement tells of a running server, a product or a need.
    CapabilityStatementKind of "http://hl7.org/fhir/capability-statement-kind" {
        Instance = "instance",
        Capability = "capability",
        Requirements = "requirements",
    }
}

codes! {
    /// The versions of FHIR that R4 knows of.
    FhirVersion of "http://hl7.org/fhir/FHIR-version" {
        V0_01 = "0.01",
        V0_05 = "0.05",
        V0_06 = "0.06",
        V0_11 = "0.11",
        V0_0_80 = "0.0.80",
        V0_0_81 = "0.0.81",
        V0_0_82 = "0.0.82",
        V0_4_0 = "0.4.0",
        V0_5_0 = "0.5.0",
        V1_0_0 = "1.0.0",
        V1_0_1 = "1.0.1",
        V1_0_2 = "1.0.2",
        V1_1_0 = "1.1.0",
        V1_4_0 = "1.4.0",
        V1_6_0 = "1.6.0",
        V1_8_0 = "1.8.0",
        V3_0_0 = "3.0.0",
        V3_0_1 = "3.0.1",
        V3_3_0 = "3.3.0",
        V3_5_0 = "3.5.0",
        V4_0_0 = "4.0.0",
        V4_0_1 = "4.0.1",
    }
}

codes! {
    /// Which side of the interface a statement tells of.
    RestfulCapabilityMode of "http://hl7.org/fhir/restful-capability-mode" {
        Client = "client",
        Server = "server",
    }
}

codes! {
    /// What can be done with one type of resource.
    TypeRestfulInteraction of "http://hl7.org/fhir/restful-interaction" {
        Read = "read",
        Vread = "vread",
        Update = "update",
        Patch = "patch",
        Delete = "delete",
        HistoryInstance = "history-instance",
        HistoryType = "history-type",
        Create = "create",
        SearchType = "search-type",
    }
}

codes! {
    /// What can be done with a whole server.
    SystemRestfulInteraction of "http://hl7.org/fhir/restful-interaction" {
        Transaction = "transaction",
        Batch = "batch",
        SearchSystem = "search-system",
        HistorySystem = "history-system",
    }
}

codes! {
    /// What a server does with versions.
    VersioningPolicy of "http://hl7.org/fhir/versioning-policy" {
        NoVersion = "no-version",
        Versioned = "versioned",
        VersionedUpdate = "versioned-update",
    }
}

codes! {
    /// Which conditional reads a server knows.
    ConditionalReadStatus of "http://hl7.org/fhir/conditional-read-status" {
        NotSupported = "not-supported",
        ModifiedSince = "modified-since",
        NotMatch = "not-match",
        FullSupport = "full-support",
    }
}

codes! {
    /// How much a conditional delete may delete.
    ConditionalDeleteStatus of "http://hl7.org/fhir/conditional-delete-status" {
        NotSupported = "not-supported",
        Single = "single",
        Multiple = "multiple",
    }
}

codes! {
    /// What a server does with references.
    ReferenceHandlingPolicy of "http://hl7.org/fhir/reference-handling-policy" {
        Literal = "literal",
        Logical = "logical",
        Resolves = "resolves",
        Enforced = "enforced",
        Local = "local",
    }
}

codes! {
    /// The type of the values a search parameter takes.
    SearchParamType of "http://hl7.org/fhir/search-param-type" {
        Number = "number",
        Date = "date",
        String = "string",
        Token = "token",
        Reference = "reference",
        Composite = "composite",
        Quantity = "quantity",
        Uri = "uri",
        Special = "special",
    }
}

codes! {
    /// Whether messages are sent or received.
    EventCapabilityMode of "http://hl7.org/fhir/event-capability-mode" {
        Sender = "sender",
        Receiver = "receiver",
    }
}

codes! {
    /// Whether documents are made or read.
    DocumentMode of "http://hl7.org/fhir/document-mode" {
        Producer = "producer",
        Consumer = "consumer",
    }
}

codes! {
    /// Whether a subscription is wanted, served, failing or off.
    SubscriptionStatus of "http://hl7.org/fhir/subscription-status" {
        Requested = "requested",
        Active = "active",
        Error = "error",
        Off = "off",
    }
}

codes! {
    /// How a subscriber is told.
    SubscriptionChannelType of "http://hl7.org/fhir/subscription-channel-type" {
        RestHook = "rest-hook",
        Websocket = "websocket",
        Email = "email",
        Sms = "sms",
        Message = "message",
    }
}

codes! {
    /// What was done: created, read, updated, deleted, executed.
    AuditEventAction of "http://hl7.org/fhir/audit-event-action" {
        Create = "C",
        Read = "R",
        Update = "U",
        Delete = "D",
        Execute = "E",
    }
}

codes! {
    /// Whether what was done succeeded: 0, or how badly it failed.
    AuditEventOutcome of "http://hl7.org/fhir/audit-event-outcome" {
        Success = "0",
        MinorFailure = "4",
        SeriousFailure = "8",
        MajorFailure = "12",
    }
}

codes! {
    /// What an address on the network is.
    AuditEventAgentNetworkType of "http://hl7.org/fhir/network-type" {
        MachineName = "1",
        IpAddress = "2",
        TelephoneNumber = "3",
        EmailAddress = "4",
        Uri = "5",
    }
}
