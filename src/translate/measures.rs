//! Tallies to Measures and MeasureReports.
//!
//! A report is made by walking the Measure that it answers: every group, population and stratifier of the one stands in
//! the other under the same id and code. The numbers are sums of what the tally holds; nothing is counted here.
//!
//! # What stands beside R4's own elements
//! Extensions under `https://terce.example/fhir/StructureDefinition/`:
//!
//! | extension | on | value |
//! | --- | --- | --- |
//! | `basis` | report | string: that charted care was counted, and what that means |
//! | `protocol` | report, repeats | string: name and version of a protocol that was counted under |
//! | `heard-until` | report | dateTime: up to here the sources are known to have told everything |
//! | `known-at` | report | dateTime: what was received later is not in it |
//! | `waiting` | report | unsignedInt: of so many patients the last charting is not counted yet |
//! | `unit` | report | reference: the unit, where the report is about a patient |
//! | `census-time` | report of the daily counts | time: the local time of the daily count |
//! | `caution` | report of events | string: a screening aid, no diagnosis |
//! | `unsurveyed` | report of events | unsignedInt: of so many stays that go on the events are not in it |
//! | `suppressed-below` | report | unsignedInt: counts from 1 to less are hidden, with what would give them away |
//! | `interval` | measureScore | `low`, `high`, `level` decimal; `method` code `wilson` or `mid-p` |
//! | `schedule` | report that was made by itself | code `day`, `week` or `month` |
//! | `replaces` | such a report | the version it replaces, what differs, and where every difference is told |
//! | `compared` | measureScore of a group | the same score in another period, and the difference or the ratio |
//! | `chart` | group | the score over time: points, limits, what speaks against chance |
//! | `late-charted` | population `numerator` | unsignedInt: of the met ones, how many were charted late |
//! | `hours` | populations that count minutes | Duration: the same in hours |
//! | `unverified-hours` | group, stratum | Duration: time at risk that charting is not known to reach |
//! | `median-delay`, `p90-delay` | group, stratum of charting-delay | Duration: from care to its charting |
//!
//! The zone of the local days is on start and end of the period, in the core extension `tz-code`.

mod chart;
mod compared;
mod definition;
mod evidence;
mod group;
mod hidden;
mod kind;
mod list;
mod narrative;
mod report;
mod rows;
pub mod scheduled;
mod sum;
mod values;
mod with_other;
mod written;

pub use chart::Step;
pub use compared::{COMPARED_COLUMNS, OfStay, compared, compared_row, concerns};
pub use evidence::evidence;
pub use kind::MEASURES;
pub use list::with_subjects;
pub use rows::{COLUMNS, Row, rows};

use std::sync::Arc;

use chrono::NaiveDate;
use fhir_models::{Measure, MeasureReport};

use self::kind::Kind;
use crate::care::protocol::{Requirement, Rules};
use crate::care::time::Instant;
use crate::care::totals::Totals;

/// Whom a report is about.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Whom {
    /// Everybody.
    #[default]
    All,
    /// One patient, a `Patient` id; the report is then an individual one.
    Patient(String),
    /// The patients of a `Group`.
    Group(String),
    /// A unit, or the units of a larger place, a `Location` id.
    Location(String),
    /// The units of an `Organization`.
    Organization(String),
}

/// What a report is about, and from what it was counted.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Scope {
    /// Whom.
    pub whom: Whom,
    /// Only what belongs to this unit, a `Location` id; the empty text for what no unit is known of.
    pub unit: Option<String>,
    /// The last instant up to which the sources are known to have told everything; none if that is not known.
    pub heard_until: Option<Instant>,
    /// The instant as of which the record was read; none: as it is now.
    pub known_at: Option<Instant>,
    /// Of so many patients the last charting is not counted yet.
    pub waiting: u64,
    /// Of so many stays that go on the events are not counted.
    pub unsurveyed: u64,
}

/// What a report tells beside the counts of its period, and what it hides.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Beside {
    /// Another period to compare the scores with.
    pub other: Option<Other>,
    /// The points of a chart.
    pub series: Option<Series>,
    /// Counts from 1 to less than this are hidden; 0 or 1: none.
    pub smallest: u64,
}

/// Another period, in the same scope.
#[derive(Clone, PartialEq, Debug)]
pub struct Other {
    /// Its first and last local day.
    pub period: (NaiveDate, NaiveDate),
    /// Its totals.
    pub totals: Totals,
}

/// The period in steps.
#[derive(Clone, PartialEq, Debug)]
pub struct Series {
    /// Of which length they are.
    pub step: Step,
    /// First and last day of each, and its totals; together they are those of the report.
    pub points: Vec<((NaiveDate, NaiveDate), Totals)>,
}

impl Beside {
    /// Whether anything may be hidden.
    pub fn hides(&self) -> bool {
        self.smallest > 1
    }
}

/// What of the record a measure is counted from, beside stays and ventilation.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Reads {
    /// Nothing.
    Stays,
    /// Care.
    Care,
    /// What surveillance looks at.
    Surveillance,
}

/// The version of all of them.
pub const VERSION: &str = "0.1.0";

/// Whether the measure `id` tells delays, so that the totals must have them.
pub fn tells_delays(id: &str) -> bool {
    Kind::of(id).is_some_and(|kind| kind.counts == kind::Counted::Charting)
}

/// Whether the measure `id` tells events, so that the totals must have them.
pub fn tells_events(id: &str) -> bool {
    Kind::of(id).is_some_and(|kind| kind.counts.events())
}

/// Whether the measure `id` has a score, which can be compared and followed over time.
pub fn has_score(id: &str) -> bool {
    Kind::of(id).is_some_and(|kind| kind.counts.score() != kind::Score::None)
}

/// Id and title of each requirement that the measure `id` has a group for; none if its groups are about something else,
/// or are not about chances to give care.
pub fn requirements(id: &str, rules: &Rules) -> Option<Vec<(Arc<str>, Arc<str>)>> {
    let kind = Kind::of(id)?;
    match kind.counts {
        kind::Counted::Opportunities | kind::Counted::RequirementDays => {}
        kind::Counted::Covered
        | kind::Counted::Unverified
        | kind::Counted::CompleteDays
        | kind::Counted::Charting
        | kind::Counted::VentilatorDays
        | kind::Counted::PatientDays
        | kind::Counted::Utilisation
        | kind::Counted::Events
        | kind::Counted::InfectedEvents => return None,
    }
    let subjects = definition::subjects(kind, rules, &Totals::default());
    let found = subjects.into_iter().filter_map(|subject| match subject {
        definition::Subject::Requirement(id, title) => Some((id, title)),
        definition::Subject::Whole => None,
    });
    Some(found.collect())
}

/// What of the record the measure `id` is counted from; none if there is no such measure.
pub fn reads(id: &str) -> Option<Reads> {
    let kind = Kind::of(id)?;
    Some(match kind.counts {
        kind::Counted::Opportunities
        | kind::Counted::Covered
        | kind::Counted::Unverified
        | kind::Counted::RequirementDays
        | kind::Counted::CompleteDays
        | kind::Counted::Charting => Reads::Care,
        kind::Counted::VentilatorDays | kind::Counted::PatientDays | kind::Counted::Utilisation => {
            Reads::Stays
        }
        kind::Counted::Events | kind::Counted::InfectedEvents => Reads::Surveillance,
    })
}

/// The requirements whose care the measure `id` counts; all of them where it is about all.
pub fn counts_requirement(id: &str, requirement: &Requirement) -> bool {
    Kind::of(id).is_some_and(|kind| kind.groups == kind::Groups::Whole || kind.groups.hold(requirement))
}

/// The Measure `id` as this site evaluates it: as it is shipped, with a group for each requirement of the protocols
/// that `rules` use. None if there is no such measure.
pub fn measure(id: &str, rules: &Rules) -> Option<Measure> {
    let kind = Kind::of(id)?;
    definition::measure(kind, &definition::subjects(kind, rules, &Totals::default()))
}

/// The report of the Measure `id` over the local days `period.0..=period.1`, made at `now`. None if there is no such
/// measure.
///
/// # Guarantees
/// - Groups, populations and stratifiers are those of [`measure`]. Behind them comes a group for each requirement that
///   the totals know and the rules no longer do.
/// - A count is a whole number; adding the counts of the strata of one stratifier gives the counts of its group (but for
///   the requirements of complete-day, as its guidance says; whole minutes are rounded down each, the hours beside them
///   are not).
/// - Where nothing was counted there is no score. A score is rounded to four places, and never up to 1 or down to 0.
///
/// # Assumptions
/// - `totals` are those of the period and of the scope, and of nothing else.
pub fn evaluate(
    id: &str,
    totals: &Totals,
    rules: &Rules,
    period: (NaiveDate, NaiveDate),
    scope: &Scope,
    now: Instant,
) -> Option<MeasureReport> {
    evaluate_beside(id, totals, rules, period, scope, &Beside::default(), now)
}

/// As [`evaluate`], with what else is told and what is hidden.
///
/// # Guarantees
/// Where something is hidden, it is so in all that the report says: counts, scores, hours, delays, points and text.
pub fn evaluate_beside(
    id: &str,
    totals: &Totals,
    rules: &Rules,
    period: (NaiveDate, NaiveDate),
    scope: &Scope,
    beside: &Beside,
    now: Instant,
) -> Option<MeasureReport> {
    let kind = Kind::of(id)?;
    let subjects = definition::subjects(kind, rules, totals);
    let measure = definition::measure(kind, &subjects)?;
    let about = report::About { kind, rules, period, scope, beside, now };
    Some(about.report(&measure, &subjects, totals, None))
}

/// The bytes of the report of [`evaluate_beside`], sooner where it is about many units.
pub fn written(
    id: &str,
    totals: &Totals,
    rules: &Rules,
    period: (NaiveDate, NaiveDate),
    scope: &Scope,
    beside: &Beside,
    now: Instant,
) -> Option<Vec<u8>> {
    let kind = Kind::of(id)?;
    let subjects = definition::subjects(kind, rules, totals);
    let measure = definition::measure(kind, &subjects)?;
    let about = report::About { kind, rules, period, scope, beside, now };
    let mut apart = written::Apart::default();
    let report = about.report(&measure, &subjects, totals, Some(&mut apart));
    Some(apart.put(&report))
}
