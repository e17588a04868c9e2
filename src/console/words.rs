//! Times and states as people read them.

use chrono_tz::Tz;

use crate::care::ledger::{Ledger, Phase, Standing, State};
use crate::care::time::{Instant, Length};

/// `07:05`, in the zone of the site.
pub(super) fn clock(at: Instant, zone: Tz) -> String {
    at.local(zone).format("%H:%M").to_string()
}

/// `3 Mar 07:05`, in the zone of the site.
pub(super) fn day_and_clock(at: Instant, zone: Tz) -> String {
    at.local(zone).format("%-d %b %H:%M").to_string()
}

/// `2 h 5 min`, to the minute.
pub(super) fn span(length: Length) -> String {
    Length::minutes(length.as_micros() / Length::minutes(1).as_micros()).to_string().replace("0 s", "0 min")
}

/// How a row of a ward stands: sorted, what needs somebody first comes first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum Need {
    /// A deadline and the charting allowance have passed.
    Missed,
    /// A deadline has passed; charting may still arrive.
    Late,
    /// A good moment to do it.
    Due,
    /// Nothing to do yet.
    Ahead,
    /// Ventilated, off the unit.
    Away,
    /// Nothing is asked for.
    None,
}

impl Need {
    /// All, in order.
    pub(super) const ALL: [Need; 6] =
        [Need::Missed, Need::Late, Need::Due, Need::Ahead, Need::Away, Need::None];

    /// How a requirement that stands in `phase` needs somebody.
    pub(super) fn of(phase: Phase) -> Need {
        match phase {
            Phase::Announced => Need::Missed,
            Phase::Overdue => Need::Late,
            Phase::Due => Need::Due,
            Phase::Waiting => Need::Ahead,
            Phase::Suspended => Need::Away,
            Phase::NotAtRisk => Need::None,
        }
    }

    /// The greatest need of a stay.
    pub(super) fn of_stay(ledger: &Ledger) -> Need {
        ledger.standings.iter().map(|s| Need::of(s.phase)).min().unwrap_or(Need::None)
    }

    /// In words.
    pub(super) fn words(self) -> &'static str {
        match self {
            Need::Missed => "not charted in time",
            Need::Late => "past its deadline",
            Need::Due => "due",
            Need::Ahead => "nothing due",
            Need::Away => "off the unit",
            Need::None => "not ventilated here",
        }
    }

    /// The name of its class in the style sheet.
    pub(super) fn class(self) -> &'static str {
        match self {
            Need::Missed => "missed",
            Need::Late => "late",
            Need::Due => "due",
            Need::Ahead => "ahead",
            Need::Away => "away",
            Need::None => "none",
        }
    }

    /// A sign that tells it without colour.
    pub(super) fn sign(self) -> &'static str {
        match self {
            Need::Missed => "■",
            Need::Late => "▲",
            Need::Due => "●",
            Need::Ahead => "○",
            Need::Away => "→",
            Need::None => "–",
        }
    }
}

/// What a requirement asks for now, in words.
pub(super) fn standing(standing: &Standing, now: Instant, zone: Tz) -> String {
    // a time alone would be taken for one of today
    let is_far = |at: Instant| at.max(now).since(at.min(now)) > Length::hours(12);
    let told = |at| if is_far(at) { day_and_clock(at, zone) } else { clock(at, zone) };
    let at = |at: Option<Instant>| at.map(told).unwrap_or_default();
    let since = |at: Option<Instant>| at.map(|at| span(now.since(at))).unwrap_or_default();
    match standing.phase {
        Phase::Announced | Phase::Overdue => {
            format!("deadline {} passed {} ago", at(standing.deadline), since(standing.deadline))
        }
        Phase::Due => format!("due since {}, deadline {}", at(standing.due), at(standing.deadline)),
        Phase::Waiting => match standing.due {
            Some(due) => format!("due from {}", day_and_clock(due, zone)),
            None => "nothing due".to_owned(),
        },
        Phase::Suspended => "suspended while away".to_owned(),
        Phase::NotAtRisk => "does not apply now".to_owned(),
    }
}

/// Where the patient is in the stay, in words.
pub(super) fn state(state: State, zone: Tz) -> String {
    match state {
        State::NotVentilated => "not ventilated".to_owned(),
        State::AtRisk { episode } => format!("ventilated since {}", day_and_clock(episode, zone)),
        State::Away { episode } => {
            format!("off the unit; ventilated since {}", day_and_clock(episode, zone))
        }
        State::OutOfScope { episode } => {
            format!("ventilated since {}, where no protocol holds", day_and_clock(episode, zone))
        }
        State::Extubated { at } => format!("extubated {}", day_and_clock(at, zone)),
        State::Ended { at, .. } => format!("stay ended {}", day_and_clock(at, zone)),
    }
}

#[cfg(test)]
mod tests {
    use chrono_tz::Tz;

    use super::{Instant, Phase, Standing, span, standing};
    use crate::care::time::Length;

    /// What is told at 12:00 on 10 March of a requirement that was or will be due then, and has to be done by then.
    fn told(phase: Phase, due: Length, deadline: Length) -> String {
        let noon = "2026-03-10T12:00:00Z".parse::<chrono::DateTime<chrono::Utc>>().unwrap();
        let now = Instant::from(noon);
        let of = Standing {
            protocol: 0,
            index: 0,
            requirement: "clean".into(),
            phase,
            last: None,
            due: Some(now + due),
            deadline: Some(now + deadline),
            outstanding: 1,
            misses: 0,
        };
        standing(&of, now, Tz::UTC)
    }

    #[test]
    fn a_time_that_is_far_off_has_its_day() {
        let hours = Length::hours;
        let cases = [
            (Phase::Due, hours(-1), hours(2), "due since 11:00, deadline 14:00"),
            (Phase::Due, hours(-13), hours(12), "due since 9 Mar 23:00, deadline 00:00"),
            (Phase::Due, hours(-1), hours(13), "due since 11:00, deadline 11 Mar 01:00"),
            (Phase::Overdue, hours(-3), Length::minutes(-30), "deadline 11:30 passed 30 min ago"),
            (Phase::Announced, hours(-40), hours(-36), "deadline 9 Mar 00:00 passed 36 h ago"),
            (Phase::Waiting, hours(1), hours(3), "due from 10 Mar 13:00"),
            (Phase::Suspended, hours(1), hours(3), "suspended while away"),
            (Phase::NotAtRisk, hours(1), hours(3), "does not apply now"),
        ];
        for (phase, due, deadline, words) in cases {
            assert_eq!(told(phase, due, deadline), words);
        }
    }

    #[test]
    fn a_span_is_told_to_the_minute() {
        assert_eq!(span(Length::minutes(125)), "2 h 5 min");
        assert_eq!(span(Length::seconds(59)), "0 min");
    }
}
