//! `timingTiming` to every, per day, or at times of day.

use std::num::NonZeroU32;

use chrono::NaiveTime;
use fhir_models::codes::UnitsOfTime;
use fhir_models::datatypes::{Quantity, Timing, TimingRepeat, Value};

use super::{Reader, TOLERANCE, amount};
use crate::care::protocol::Kind;
use crate::care::time::Length;

/// Shorter intervals than this are a slip of the pen: no one can do care that often, and every deadline is kept.
const SHORTEST: Length = Length::minutes(5);
/// Longer ones as well: no stay would ever meet them.
const LONGEST: Length = Length::hours(14 * 24);
/// The most times a day.
const MOST_A_DAY: u32 = 48;
/// Two windows of the same time of day must not touch.
const WIDEST_TOLERANCE: Length = Length::hours(12);

impl Reader<'_> {
    pub(super) fn timing(&mut self, timing: &Timing, path: &str) -> Option<Kind> {
        self.refuse_present(
            path,
            &[
                ("event", !timing.event.is_empty(), "instants are for one patient, not for a protocol"),
                (
                    "code",
                    timing.code.as_ref().is_some_and(|c| !c.coding.is_empty()),
                    "a code stands for the whole timing in R4; say it in `repeat` alone",
                ),
            ],
        );
        let Some(repeat) = &timing.repeat else {
            self.refuse(format!("{path}.repeat"), "it does not say how often");
            return None;
        };
        let path = format!("{path}.repeat");
        self.unfollowed_repeat(repeat, &path);
        if !repeat.time_of_day.is_empty() {
            return self.at(repeat, &path);
        }
        if tolerance(repeat).is_some() {
            self.refuse(format!("{path}.extension"), "a tolerance belongs to times of day");
        }
        let Some(unit) = repeat.period_unit else {
            self.refuse(format!("{path}.periodUnit"), "the period has no unit");
            return None;
        };
        match unit {
            UnitsOfTime::Day => self.per_day(repeat, &path),
            UnitsOfTime::Second | UnitsOfTime::Minute | UnitsOfTime::Hour => self.every(repeat, unit, &path),
            UnitsOfTime::Week | UnitsOfTime::Month | UnitsOfTime::Year => {
                self.refuse(format!("{path}.periodUnit"), "expected s, min, h or d");
                None
            }
        }
    }

    fn unfollowed_repeat(&mut self, repeat: &TimingRepeat, path: &str) {
        let bounds = repeat.bounds_duration.is_some()
            || repeat.bounds_range.is_some()
            || repeat.bounds_period.is_some();
        self.refuse_present(
            path,
            &[
                ("bounds[x]", bounds, "a protocol holds as long as the patient is at risk"),
                ("count", repeat.count.is_some(), "a protocol holds as long as the patient is at risk"),
                (
                    "countMax",
                    repeat.count_max.is_some(),
                    "a protocol holds as long as the patient is at risk",
                ),
                ("duration", repeat.duration.is_some(), "how long it takes is not counted"),
                ("durationMax", repeat.duration_max.is_some(), "how long it takes is not counted"),
                ("dayOfWeek", !repeat.day_of_week.is_empty(), "every day is like the others"),
                ("when", !repeat.when.is_empty(), "events of daily life have no time here; use timeOfDay"),
                ("offset", repeat.offset.is_some(), "an offset goes with `when`, which is not understood"),
            ],
        );
        if let (Some(least), Some(most)) = (repeat.frequency, repeat.frequency_max)
            && most < least
        {
            self.refuse(format!("{path}.frequencyMax"), "less than frequency");
        }
    }

    fn every(&mut self, repeat: &TimingRepeat, unit: UnitsOfTime, path: &str) -> Option<Kind> {
        if repeat.frequency.is_some_and(|n| n > NonZeroU32::MIN) {
            let why = "several times in so many hours says not when; divide the period, or use a day";
            self.refuse(format!("{path}.frequency"), why);
        }
        let unit = amount::unit(unit.as_str())?;
        let Some(period) = &repeat.period else {
            self.refuse(format!("{path}.period"), "it does not say how often");
            return None;
        };
        let mut bound = |element: &str, number| {
            let length = amount::length(number, unit).filter(|l| SHORTEST <= *l && *l <= LONGEST);
            if length.is_none() {
                self.refuse(format!("{path}.{element}"), "expected 5 minutes to 14 days");
            }
            length
        };
        let target = bound("period", period);
        let limit = repeat.period_max.as_ref().map_or(target, |most| bound("periodMax", most));
        let (target, limit) = (target?, limit?);
        if limit < target {
            self.refuse(format!("{path}.periodMax"), "less than period");
            return None;
        }
        Some(Kind::Every { target, limit })
    }

    fn per_day(&mut self, repeat: &TimingRepeat, path: &str) -> Option<Kind> {
        let one = repeat.period.as_ref().and_then(|p| amount::length(p, 1)) == Some(Length::micros(1));
        let times = repeat.frequency.map_or(1, NonZeroU32::get);
        self.refuse_present(
            path,
            &[
                ("period", !one, "days are calendar days: expected 1; for an interval use hours"),
                ("periodMax", repeat.period_max.is_some(), "a range of days is not understood"),
                ("frequency", times > MOST_A_DAY, "more than 48 times a day"),
            ],
        );
        (one && times <= MOST_A_DAY).then_some(Kind::PerDay { times })
    }

    fn at(&mut self, repeat: &TimingRepeat, path: &str) -> Option<Kind> {
        let why = "times of day say how often by themselves";
        self.refuse_present(
            path,
            &[
                ("frequency", repeat.frequency.is_some(), why),
                ("frequencyMax", repeat.frequency_max.is_some(), why),
                ("period", repeat.period.is_some(), why),
                ("periodMax", repeat.period_max.is_some(), why),
                ("periodUnit", repeat.period_unit.is_some(), why),
                ("timeOfDay", repeat.time_of_day.len() > MOST_A_DAY as usize, "more than 48 times a day"),
            ],
        );
        let of = |seconds| NaiveTime::from_num_seconds_from_midnight_opt(seconds, 0);
        let mut times: Vec<NaiveTime> = repeat.time_of_day.iter().filter_map(|t| of(t.seconds())).collect();
        times.sort_unstable();
        times.dedup();
        if times.len() < repeat.time_of_day.len() {
            self.refuse(format!("{path}.timeOfDay"), "a time of day is there twice");
        }
        let tolerance = match tolerance(repeat) {
            None => Length::minutes(60),
            Some(Ok(length)) if Length::ZERO < length && length < WIDEST_TOLERANCE => length,
            Some(Ok(_)) => {
                self.refuse(
                    format!("{path}.extension"),
                    "expected a tolerance of more than 0 and less than 12 hours",
                );
                return None;
            }
            Some(Err(why)) => {
                self.refuse(format!("{path}.extension"), why);
                return None;
            }
        };
        Some(Kind::At { times, tolerance })
    }
}

fn tolerance(repeat: &TimingRepeat) -> Option<Result<Length, &'static str>> {
    let mut found = repeat.extension.iter().filter(|e| e.url == TOLERANCE);
    let extension = found.next()?;
    if found.next().is_some() {
        return Some(Err("the tolerance is there twice"));
    }
    let quantity = extension.value.as_deref().and_then(amount_of);
    Some(quantity.map_or(Err("a tolerance is a valueDuration"), |q| amount::quantity(&q)))
}

/// A Duration, or the Quantity that it is.
fn amount_of(value: &Value) -> Option<Quantity> {
    if let Value::Duration(quantity) | Value::Quantity(quantity) = value {
        Some(quantity.clone())
    } else {
        None
    }
}
