//! Codes of work, findings, measures and plans.

codes! {
    /// How far a task is.
    TaskStatus of "http://hl7.org/fhir/task-status" {
        Draft = "draft",
        Requested = "requested",
        Received = "received",
        Accepted = "accepted",
        Rejected = "rejected",
        Ready = "ready",
        Cancelled = "cancelled",
        InProgress = "in-progress",
        OnHold = "on-hold",
        Failed = "failed",
        Completed = "completed",
        EnteredInError = "entered-in-error",
    }
}

codes! {
    /// How binding a task is.
    TaskIntent of "http://hl7.org/fhir/ValueSet/task-intent" {
        Unknown = "unknown",
        Proposal = "proposal",
        Plan = "plan",
        Order = "order",
        OriginalOrder = "original-order",
        ReflexOrder = "reflex-order",
        FillerOrder = "filler-order",
        InstanceOrder = "instance-order",
        Option = "option",
    }
}

codes! {
    /// How quickly something should be done.
    RequestPriority of "http://hl7.org/fhir/request-priority" {
        Routine = "routine",
        Urgent = "urgent",
        Asap = "asap",
        Stat = "stat",
    }
}

codes! {
    /// How much harm an issue may do.
    DetectedIssueSeverity of "http://hl7.org/fhir/detectedissue-severity" {
        High = "high",
        Moderate = "moderate",
        Low = "low",
    }
}

codes! {
    /// Whether a report is done.
    MeasureReportStatus of "http://hl7.org/fhir/measure-report-status" {
        Complete = "complete",
        Pending = "pending",
        Error = "error",
    }
}

codes! {
    /// For whom a report counts, and in what detail.
    MeasureReportType of "http://hl7.org/fhir/measure-report-type" {
        Individual = "individual",
        SubjectList = "subject-list",
        Summary = "summary",
        DataCollection = "data-collection",
    }
}

codes! {
    /// What a condition of an action decides.
    ActionConditionKind of "http://hl7.org/fhir/action-condition-kind" {
        Applicability = "applicability",
        Start = "start",
        Stop = "stop",
    }
}

codes! {
    /// When one action happens as seen from another.
    ActionRelationshipType of "http://hl7.org/fhir/action-relationship-type" {
        BeforeStart = "before-start",
        Before = "before",
        BeforeEnd = "before-end",
        ConcurrentWithStart = "concurrent-with-start",
        Concurrent = "concurrent",
        ConcurrentWithEnd = "concurrent-with-end",
        AfterStart = "after-start",
        After = "after",
        AfterEnd = "after-end",
    }
}

codes! {
    /// Who takes part in an action.
    ActionParticipantType of "http://hl7.org/fhir/action-participant-type" {
        Patient = "patient",
        Practitioner = "practitioner",
        RelatedPerson = "related-person",
        Device = "device",
    }
}

codes! {
    /// How an action shows its parts.
    ActionGroupingBehavior of "http://hl7.org/fhir/action-grouping-behavior" {
        VisualGroup = "visual-group",
        LogicalGroup = "logical-group",
        SentenceGroup = "sentence-group",
    }
}

codes! {
    /// How many of an action's parts are to be chosen.
    ActionSelectionBehavior of "http://hl7.org/fhir/action-selection-behavior" {
        Any = "any",
        All = "all",
        AllOrNone = "all-or-none",
        ExactlyOne = "exactly-one",
        AtMostOne = "at-most-one",
        OneOrMore = "one-or-more",
    }
}

codes! {
    /// Whether an action must be done.
    ActionRequiredBehavior of "http://hl7.org/fhir/action-required-behavior" {
        Must = "must",
        Could = "could",
        MustUnlessDocumented = "must-unless-documented",
    }
}

codes! {
    /// Whether an action is chosen beforehand.
    ActionPrecheckBehavior of "http://hl7.org/fhir/action-precheck-behavior" {
        Yes = "yes",
        No = "no",
    }
}

codes! {
    /// Whether an action may be chosen more than once.
    ActionCardinalityBehavior of "http://hl7.org/fhir/action-cardinality-behavior" {
        Single = "single",
        Multiple = "multiple",
    }
}
