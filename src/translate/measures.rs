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
//! | `unit` | report | reference: the unit, where the report is about a patient |
//! | `census-time` | report of ventilator days | time: the local time of the daily count |
//! | `interval` | measureScore | `low`, `high`, `level` decimal; `method` code `wilson` |
//! | `late-charted` | population `numerator` | unsignedInt: of the met ones, how many were charted late |
//! | `hours` | populations that count minutes | Duration: the same in hours |
//! | `unverified-hours` | group, stratum | Duration: time at risk that charting is not known to reach |
//!
//! The zone of the local days is on start and end of the period, in the core extension `tz-code`.

mod definition;
mod narrative;
mod report;
mod sum;

use chrono::NaiveDate;
use fhir_models::{Measure, MeasureReport};

use crate::care::protocol::Rules;
use crate::care::tally::Tally;
use crate::care::time::Instant;

/// The ids of the measures that can be evaluated.
pub const MEASURES: [&str; 5] =
    ["timeliness", "hours-covered", "daily-brushing", "complete-day", "ventilator-days"];

/// Whom a report is about.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Scope {
    /// Only what belongs to this unit, a `Location` id; the empty text asks for what no unit is known of.
    pub unit: Option<String>,
    /// The one patient that the tally is of, a `Patient` id; the report is then an individual one.
    pub patient: Option<String>,
    /// The last instant up to which the sources are known to have told everything; none if that is not known.
    pub heard_until: Option<Instant>,
}

/// One of [`MEASURES`].
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Kind {
    Timeliness,
    HoursCovered,
    DailyBrushing,
    CompleteDay,
    VentilatorDays,
}

impl Kind {
    fn of(id: &str) -> Option<Self> {
        match id {
            "timeliness" => Some(Kind::Timeliness),
            "hours-covered" => Some(Kind::HoursCovered),
            "daily-brushing" => Some(Kind::DailyBrushing),
            "complete-day" => Some(Kind::CompleteDay),
            "ventilator-days" => Some(Kind::VentilatorDays),
            _ => None,
        }
    }

    /// The Measure as it is shipped.
    fn shipped(self) -> &'static [u8] {
        match self {
            Kind::Timeliness => include_bytes!("shipped/Measure-timeliness.json"),
            Kind::HoursCovered => include_bytes!("shipped/Measure-hours-covered.json"),
            Kind::DailyBrushing => include_bytes!("shipped/Measure-daily-brushing.json"),
            Kind::CompleteDay => include_bytes!("shipped/Measure-complete-day.json"),
            Kind::VentilatorDays => include_bytes!("shipped/Measure-ventilator-days.json"),
        }
    }
}

/// The Measure `id` as this site evaluates it: as it is shipped, with a group for each requirement of the protocols
/// that `rules` use. None if there is no such measure.
pub fn measure(id: &str, rules: &Rules) -> Option<Measure> {
    let kind = Kind::of(id)?;
    definition::measure(kind, &definition::subjects(kind, rules, &Tally::default()))
}

/// The report of the Measure `id` over the local days `period.0..=period.1`, made at `now`. None if there is no such
/// measure.
///
/// # Guarantees
/// - Groups, populations and stratifiers are those of [`measure`]. Behind them comes a group for each requirement that
///   the tally knows and the rules no longer do.
/// - A count is a whole number; adding the counts of the strata of one stratifier gives the counts of its group (whole
///   minutes of hours-covered are rounded down each, the hours beside them are not).
/// - Where nothing was counted there is no score. A score is rounded to four places, and never up to 1 or down to 0.
///
/// # Assumptions
/// - If `scope.patient` is given, `tally` is that patient's alone. It may hold other days and units: they are left out.
pub fn evaluate(
    id: &str,
    tally: &Tally,
    rules: &Rules,
    period: (NaiveDate, NaiveDate),
    scope: &Scope,
    now: Instant,
) -> Option<MeasureReport> {
    let kind = Kind::of(id)?;
    let counted = tally.of(period.0, period.1, scope.unit.as_deref());
    let subjects = definition::subjects(kind, rules, &counted);
    let measure = definition::measure(kind, &subjects)?;
    let about = report::About { kind, rules, period, scope, now };
    Some(about.report(&measure, &subjects, &counted))
}
