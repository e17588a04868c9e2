//! The measures: which groups each has, and what each counts.

use crate::care::facts::Code;
use crate::care::protocol::{self, Requirement};

/// A measure that can be evaluated.
#[derive(Debug)]
pub(super) struct Kind {
    /// Its logical id.
    pub(super) id: &'static str,
    /// The Measure as it is shipped.
    pub(super) shipped: &'static [u8],
    pub(super) groups: Groups,
    pub(super) counts: Counted,
}

/// What the groups of a measure are about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Groups {
    /// One group for each requirement.
    Requirements,
    /// One for each requirement that one of these activities credits and none but these.
    CreditedBy(&'static [&'static str]),
    /// One for each of these that follows other care.
    Following(&'static [&'static str]),
    /// One for everything.
    Whole,
}

/// What a measure counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Counted {
    /// Opportunities: met of met and missed.
    Opportunities,
    /// Time covered of time at risk.
    Covered,
    /// Time unverified of all time at risk.
    Unverified,
    /// Patient-days of a requirement on which nothing of it was missed.
    RequirementDays,
    /// Patient-days on which nothing at all was missed.
    CompleteDays,
    /// Care in time that was charted within the allowance.
    Charting,
    /// Ventilated patients at the daily counts.
    VentilatorDays,
    /// Patients at the daily counts.
    PatientDays,
    /// The first of the second.
    Utilisation,
    /// Ventilator-associated events in ventilator days.
    Events,
    /// Those of them with signs of infection.
    InfectedEvents,
}

/// What the score of a measure is.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Score {
    /// A share of counted things.
    Share,
    /// A share of time or of everyone: nothing of it is a sample.
    Whole,
    /// Events in so many days.
    Rate,
    /// There is none: a cohort is counted and not scored.
    None,
}

impl Counted {
    /// Whether it is about events.
    pub(super) const fn events(self) -> bool {
        matches!(self, Counted::Events | Counted::InfectedEvents)
    }

    pub(super) const fn score(self) -> Score {
        match self {
            Counted::Opportunities | Counted::RequirementDays | Counted::CompleteDays | Counted::Charting => {
                Score::Share
            }
            Counted::Covered | Counted::Unverified | Counted::Utilisation => Score::Whole,
            Counted::Events | Counted::InfectedEvents => Score::Rate,
            Counted::VentilatorDays | Counted::PatientDays => Score::None,
        }
    }
}

macro_rules! kinds {
    ($($id:literal: $groups:expr, $counts:expr;)+) => {
        /// All of them.
        pub(super) const KINDS: &[Kind] = &[$(Kind {
            id: $id,
            shipped: include_bytes!(concat!("../shipped/Measure-", $id, ".json")),
            groups: $groups,
            counts: $counts,
        }),+];

        /// The ids of the measures that can be evaluated.
        pub const MEASURES: &[&str] = &[$($id),+];
    };
}

const CHECKS: &[&str] = &["oropharyngeal-suction-assessment", "suction-set-change", "cuff-pressure-check"];

kinds! {
    "timeliness": Groups::Requirements, Counted::Opportunities;
    "hours-covered": Groups::Requirements, Counted::Covered;
    "unverified-hours": Groups::Requirements, Counted::Unverified;
    "daily-brushing": Groups::CreditedBy(&["tooth-brushing"]), Counted::RequirementDays;
    "moistening-after-cleaning": Groups::Following(&["oral-moisturising"]), Counted::Opportunities;
    "equipment-checks": Groups::CreditedBy(CHECKS), Counted::Opportunities;
    "complete-day": Groups::Whole, Counted::CompleteDays;
    "charting-delay": Groups::Whole, Counted::Charting;
    "ventilator-days": Groups::Whole, Counted::VentilatorDays;
    "patient-days": Groups::Whole, Counted::PatientDays;
    "device-utilisation": Groups::Whole, Counted::Utilisation;
    "ventilator-associated-conditions": Groups::Whole, Counted::Events;
    "infection-related-conditions": Groups::Whole, Counted::InfectedEvents;
}

impl Kind {
    /// The measure of that id.
    pub(super) fn of(id: &str) -> Option<&'static Kind> {
        KINDS.iter().find(|kind| kind.id == id)
    }
}

impl Groups {
    /// Whether there is a group for a requirement.
    pub(super) fn hold(self, requirement: &Requirement) -> bool {
        let only = |codes: &[&str]| {
            let named = |activity: &Code| codes.contains(&&*activity.0);
            !requirement.activities.is_empty() && requirement.activities.iter().all(named)
        };
        match self {
            Groups::Requirements => true,
            // a cleaning that brushing also credits says nothing about brushing
            Groups::CreditedBy(codes) => only(codes),
            Groups::Following(codes) => {
                only(codes) && matches!(requirement.kind, protocol::Kind::After { .. })
            }
            Groups::Whole => false,
        }
    }
}
