//! The codes of the project's own that Tasks and DetectedIssues are said with.

use fhir_models::datatypes::{CodeableConcept, Coding};

use super::{BASE, coding};

macro_rules! terms {
    ($($system:literal: $($name:ident = $code:literal),+;)+) => {
        /// A code of ours. There is no other way to say one, and each is defined in a shipped CodeSystem.
        #[derive(Clone, Copy, PartialEq, Eq, Debug)]
        pub enum Term {
            $($(#[doc = concat!("`", $code, "` of `", $system, "`.")] $name,)+)+
        }

        impl Term {
            /// All of them.
            pub const ALL: &'static [Term] = &[$($(Term::$name,)+)+];

            /// The id of its CodeSystem.
            pub fn system(self) -> &'static str {
                match self {
                    $($(Term::$name)|+ => $system,)+
                }
            }

            /// The code.
            pub fn code(self) -> &'static str {
                match self {
                    $($(Term::$name => $code,)+)+
                }
            }
        }
    };
}

terms! {
    "task": MouthCareRound = "mouth-care-round", MendFeed = "feed-silent";
    "task-state":
        Due = "due",
        Overdue = "overdue",
        UnderWay = "under-way",
        Unverified = "unverified",
        Away = "away",
        Charted = "charted",
        Withdrawn = "withdrawn";
    "task-reason":
        PatientAway = "away",
        Extubated = "extubated",
        Discharged = "discharged",
        Died = "died",
        EncounterCancelled = "encounter-cancelled",
        OutOfScope = "out-of-scope",
        NotVentilated = "not-ventilated";
    "task-parameter":
        State = "state",
        LastDone = "last-done",
        Window = "window",
        Step = "step",
        Lapse = "lapse",
        CareUnderWay = "under-way",
        CareCharted = "care-charted";
    "issue":
        CareLapse = "care-lapse",
        FeedSilent = "feed-silent",
        HeldBack = "held-back",
        ChartingUnverified = "charting-unverified",
        ChartedLate = "charted-late";
    "mitigation":
        CareGiven = "care-given",
        Excused = "excused",
        NoLongerAtRisk = "no-longer-at-risk",
        InTimeAfterAll = "charted-late",
        RecordCorrected = "record-corrected";
}

impl Term {
    /// The code with what it says here.
    pub(super) fn saying(self, text: &str) -> CodeableConcept {
        let coding = vec![coding(&url(self.system()), self.code(), None)];
        CodeableConcept { coding, text: Some(text.to_owned()), ..CodeableConcept::default() }
    }
}

/// The code of a requirement: the id of its action, in the shipped plans or the site's own.
pub(super) fn requirement(id: &str, title: Option<&str>) -> Coding {
    coding(&url("requirement"), id, title)
}

fn url(system: &str) -> String {
    format!("{BASE}/CodeSystem/{system}")
}
