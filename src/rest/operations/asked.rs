//! What `$evaluate-measure` is asked.

use chrono::{NaiveDate, TimeDelta};

use super::whom::{self, Asked};
use crate::care::time::Instant;
use crate::rest::refused::Refused;
use crate::rest::search::calendar;
use crate::rest::{Rest, limits};
use crate::translate::BASE;
use crate::translate::measures::{self, Step};

/// What is asked.
#[derive(Default)]
pub(super) struct Evaluate {
    pub(super) measure: Option<String>,
    start: Option<NaiveDate>,
    end: Option<NaiveDate>,
    pub(super) subject: Option<Asked>,
    pub(super) about: Option<About>,
    pub(super) unit: Option<String>,
    /// In microseconds.
    pub(super) received_after: Option<i64>,
    pub(super) as_of: Option<Instant>,
    pub(super) compared_with: Option<Instant>,
    other_start: Option<NaiveDate>,
    other_end: Option<NaiveDate>,
    pub(super) chart: Option<Step>,
    smallest: Option<u64>,
}

/// `reportType`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum About {
    One,
    Each,
    All,
}

pub(super) fn contradiction(at: &str, why: &str) -> Refused {
    Refused::Contradiction { at: at.to_owned(), why: why.to_owned() }
}

pub(super) fn missing(name: &str, expected: &str) -> Refused {
    Refused::Document(fhir_models::ParseError::new(fhir_models::IssueKind::Required, name, expected))
}

/// The id in a reference to one of the measures: its canonical address, with or without the version that is shipped, or
/// its place here.
pub(super) fn measure_id(value: &str) -> Result<String, Refused> {
    let (address, version) = value.split_once('|').map_or((value, None), |(a, v)| (a, Some(v)));
    if version.is_some_and(|version| version != measures::VERSION) {
        let why = format!("only version {} is counted here", measures::VERSION);
        return Err(Refused::not_supported("measure", why));
    }
    let own = address.strip_prefix(BASE).map_or(address, |below| below.trim_start_matches('/'));
    Ok(own.strip_prefix("Measure/").unwrap_or(own).to_owned())
}

impl Evaluate {
    pub(super) fn parameter(&mut self, name: &str, value: &str, rest: &Rest) -> Result<(), Refused> {
        let day = |last: bool| {
            let days = calendar(value).map(|(from, to)| if last { to } else { from });
            days.ok_or_else(|| {
                Refused::value(name, "expected a date, such as 2026-01-31: whole local days are counted")
            })
        };
        match name {
            "measure" => self.measure = Some(measure_id(value)?),
            // the end is inclusive, to the end of what it implies
            "periodStart" => self.start = Some(day(false)?),
            "periodEnd" => self.end = Some(day(true)?),
            "subject" => self.subject = Some(whom::asked(name, value, rest)?),
            "reportType" => {
                self.about = Some(match value {
                    "summary" | "population" => About::All,
                    "subject-list" => About::Each,
                    "subject" | "individual" => About::One,
                    _ => {
                        return Err(Refused::not_supported(
                            name,
                            "expected population, subject-list or subject",
                        ));
                    }
                });
            }
            "unit" => {
                let id = value.strip_prefix("Location/").unwrap_or(value);
                if !fhir_models::primitive::is_id(id) {
                    return Err(Refused::value(name, "expected Location/id"));
                }
                self.unit = Some(id.to_owned());
            }
            "lastReceivedOn" => {
                let zone = rest.stays.site().rules.zone;
                let span = crate::rest::search::span(value, zone);
                let span = span
                    .ok_or_else(|| Refused::value(name, "expected a date or an instant with its offset"))?;
                self.received_after = Some(span.from);
            }
            "asOf" => self.as_of = Some(instant(name, value, rest)?),
            "comparedWith" => self.compared_with = Some(instant(name, value, rest)?),
            "otherStart" => self.other_start = Some(day(false)?),
            "otherEnd" => self.other_end = Some(day(true)?),
            "chart" => {
                let step =
                    Step::of(value).ok_or_else(|| Refused::value(name, "expected day, week or month"))?;
                self.chart = Some(step);
            }
            "suppressBelow" => {
                let smallest = value.parse().map_err(|_| Refused::value(name, "expected a whole number"))?;
                self.smallest = Some(smallest);
            }
            "practitioner" => {
                let why = "care is counted by patient and unit, never by who gave it";
                return Err(Refused::not_supported(name, why));
            }
            _ => return Err(Refused::not_supported(name, "not a parameter of this operation here")),
        }
        Ok(())
    }

    /// The local days, first and last.
    pub(super) fn period(&self) -> Result<(NaiveDate, NaiveDate), Refused> {
        let expected = "expected a date, such as 2026-01-31";
        let from = self.start.ok_or_else(|| missing("periodStart", expected))?;
        let to = self.end.ok_or_else(|| missing("periodEnd", expected))?;
        in_order("periodEnd", from, to)
    }

    /// The local days of the period that is compared with.
    pub(super) fn other(&self) -> Result<Option<(NaiveDate, NaiveDate)>, Refused> {
        match (self.other_start, self.other_end) {
            (None, None) => Ok(None),
            (Some(from), Some(to)) => in_order("otherEnd", from, to).map(Some),
            (Some(_), None) => Err(missing("otherEnd", "expected the last day of the other period")),
            (None, Some(_)) => Err(missing("otherStart", "expected the first day of the other period")),
        }
    }

    /// Counts from 1 to less than this are hidden: as the site says, or more where the client asks for more. What is told
    /// of one patient is told whole.
    pub(super) fn smallest(&self, site: u64) -> u64 {
        match self.subject {
            Some(Asked::Patient(_)) => 0,
            Some(Asked::Group(_) | Asked::Location(_) | Asked::Organization(_)) | None => {
                self.smallest.unwrap_or(0).max(site)
            }
        }
    }

    /// Refuses what does not go together.
    pub(super) fn check(&self, id: &str) -> Result<(), Refused> {
        let one = matches!(self.subject, Some(Asked::Patient(_)));
        match self.about {
            Some(About::One) if !one => {
                return Err(contradiction("subject", "a report about a subject says which patient"));
            }
            Some(About::All | About::Each) if one => {
                return Err(contradiction(
                    "reportType",
                    "a report about one patient is a report of type subject",
                ));
            }
            Some(About::One | About::Each | About::All) | None => {}
        }
        let beside = self.chart.is_some() || self.other_start.is_some() || self.other_end.is_some();
        if beside && !measures::has_score(id) {
            let why = "the measure counts and has no score to compare or to follow";
            return Err(Refused::not_supported("chart", why));
        }
        if beside && (one || self.about == Some(About::Each)) {
            let why = "only a report about many, that does not list them, is compared or followed";
            return Err(contradiction("chart", why));
        }
        if self.smallest.is_some() && one {
            return Err(contradiction("suppressBelow", "what is told of one patient is told whole"));
        }
        let known = self.as_of.or(self.compared_with).is_some();
        if known && beside {
            let why =
                "the record as it was known earlier is neither compared by period nor followed over time";
            return Err(contradiction("asOf", why));
        }
        if known && (self.about == Some(About::Each) || self.received_after.is_some()) {
            let why = "a report of the record as it was known earlier lists neither subjects nor documents";
            return Err(contradiction("asOf", why));
        }
        if self.received_after.is_some() && !one {
            return Err(contradiction("lastReceivedOn", "only a report about one patient takes it"));
        }
        if self.unit.is_some() && matches!(self.subject, Some(Asked::Location(_) | Asked::Organization(_))) {
            return Err(contradiction("unit", "the subject says which units already"));
        }
        Ok(())
    }
}

/// An instant, or the end of a day.
fn instant(name: &str, value: &str, rest: &Rest) -> Result<Instant, Refused> {
    let span = crate::rest::search::span(value, rest.stays.site().rules.zone);
    let span = span.ok_or_else(|| Refused::value(name, "expected an instant with its offset, or a day"))?;
    Ok(Instant::from_micros(span.to - 1))
}

pub(super) fn in_order(
    name: &str,
    from: NaiveDate,
    to: NaiveDate,
) -> Result<(NaiveDate, NaiveDate), Refused> {
    if to < from {
        return Err(contradiction(name, "expected a day that is not before the first one"));
    }
    if to.signed_duration_since(from) > TimeDelta::days(limits::REPORT_DAYS) {
        return Err(Refused::too_costly(name, format!("at most {} days", limits::REPORT_DAYS)));
    }
    Ok((from, to))
}
