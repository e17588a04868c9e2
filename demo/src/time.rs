//! Whole minutes, the ward's only measure of time, and how a record writes them.
//!
//! The machine's clock is never asked: the ward's time is what the simulation says it is.

use chrono::{DateTime, NaiveDate, NaiveTime, SecondsFormat, TimeDelta, TimeZone, Timelike, Utc};
use chrono_tz::Tz;

/// Whole minutes since 1970-01-01 UTC.
pub type Minute = i64;

/// The zone the hospital lives in. Its clocks go forward on 2026-03-29, inside the first simulated days.
pub const ZONE: Tz = chrono_tz::Europe::London;

/// An hour.
pub const HOUR: Minute = 60;

/// A day of ordinary length.
pub const DAY: Minute = 24 * HOUR;

/// Further ahead than anything the ward plans.
pub const NEVER: Minute = 1 << 40;

/// The morning on which the ward begins: 2026-03-27 06:00 local time.
pub fn opening() -> Minute {
    NaiveDate::from_ymd_opt(2026, 3, 27).map_or(0, |day| day_start(day) + 6 * HOUR)
}

/// The instant.
pub fn instant(at: Minute) -> DateTime<Utc> {
    DateTime::from_timestamp(at.saturating_mul(60), 0).unwrap_or(DateTime::<Utc>::UNIX_EPOCH)
}

/// The minute that holds an instant.
pub fn minute(at: DateTime<Utc>) -> Minute {
    at.timestamp().div_euclid(60)
}

/// What the ward's own clocks show.
pub fn local(at: Minute) -> DateTime<Tz> {
    instant(at).with_timezone(&ZONE)
}

/// The local day.
pub fn day_of(at: Minute) -> NaiveDate {
    local(at).date_naive()
}

/// Minutes on the ward's clock since it showed midnight (not the time elapsed, on a day when clocks change).
pub fn clock_minute(at: Minute) -> Minute {
    Minute::from(local(at).time().num_seconds_from_midnight() / 60)
}

/// The first instant of a local day.
pub fn day_start(day: NaiveDate) -> Minute {
    let midnight = day.and_time(NaiveTime::MIN);
    // A zone may skip midnight itself: the day then begins with the first time that exists.
    (0..4 * HOUR)
        .find_map(|m| ZONE.from_local_datetime(&(midnight + TimeDelta::minutes(m))).earliest())
        .map_or(0, |at| minute(at.with_timezone(&Utc)))
}

/// As a FHIR `dateTime` with the ward's offset.
pub fn fhir(at: Minute) -> String {
    local(at).to_rfc3339_opts(SecondsFormat::Secs, false)
}

/// As a FHIR `date`.
pub fn fhir_day(at: Minute) -> String {
    day_of(at).format("%Y-%m-%d").to_string()
}

/// The minute a FHIR `dateTime` or `instant` tells, if it tells one.
pub fn read(text: &str) -> Option<Minute> {
    DateTime::parse_from_rfc3339(text).ok().map(|at| minute(at.with_timezone(&Utc)))
}

/// For people: `Sun 29 Mar 14:05`.
pub fn spoken(at: Minute) -> String {
    local(at).format("%a %d %b %H:%M").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_day_the_clocks_go_forward_has_23_hours() {
        let day = NaiveDate::from_ymd_opt(2026, 3, 29).unwrap();
        assert_eq!(day_start(day.succ_opt().unwrap()) - day_start(day), 23 * HOUR);
    }

    #[test]
    fn what_is_written_is_read_back() {
        let at = opening() + 3 * DAY + 17;
        assert_eq!(fhir(at), "2026-03-30T07:17:00+01:00");
        assert_eq!(read(&fhir(at)), Some(at));
    }
}
