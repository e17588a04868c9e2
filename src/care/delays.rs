//! How long after care it was charted, as numbers that add up.

use std::collections::BTreeMap;

use super::time::Length;

/// Whole minutes are told apart up to here.
const FINE_MINUTES: i64 = 120;

/// Beyond [`FINE_MINUTES`], so many minutes are taken together up to [`COARSE_UNTIL_MINUTES`].
const COARSE_MINUTES: i64 = 15;

/// Beyond this, three days, it does not matter how late care was charted.
const COARSE_UNTIL_MINUTES: i64 = 3 * 24 * 60;

/// How often care was charted with which delay. A delay is known to the minute, beyond two hours to a quarter of an
/// hour, and each is taken for the longest that it may have been.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Delays(BTreeMap<u16, u32>);

impl Delays {
    /// Counts so many of the same delay.
    pub fn count(&mut self, delay: Length, many: u32) {
        self.put(step(delay), many);
    }

    /// The delays that occur, each the longest of its step, in order, and how often.
    pub fn all(&self) -> impl Iterator<Item = (Length, u32)> {
        self.steps().map(|(step, many)| (longest(step), many))
    }

    /// Counts so many of a step (see [`Delays::steps`]).
    pub fn put(&mut self, step: u16, many: u32) {
        let count = self.0.entry(step).or_default();
        *count = count.saturating_add(many);
    }

    /// Adds others.
    pub fn add(&mut self, other: &Delays) {
        other.0.iter().for_each(|(step, many)| self.put(*step, *many));
    }

    /// Takes away what was added.
    pub fn take(&mut self, other: &Delays) {
        for (step, many) in &other.0 {
            if let Some(count) = self.0.get_mut(step) {
                *count = count.saturating_sub(*many);
            }
        }
        self.0.retain(|_, count| *count > 0);
    }

    /// The steps that occur, in order, and how often.
    pub fn steps(&self) -> impl Iterator<Item = (u16, u32)> {
        self.0.iter().map(|(step, many)| (*step, *many))
    }

    /// How many there are.
    pub fn len(&self) -> u64 {
        self.0.values().map(|many| u64::from(*many)).sum()
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The smallest delay that at least so many percent were not longer than (the nearest rank); none if there is none.
    /// What is beyond three days is told as three days.
    pub fn percentile(&self, percent: u64) -> Option<Length> {
        let rank = (self.len() * percent).div_ceil(100).max(1);
        let mut seen = 0;
        for (step, many) in self.steps() {
            seen += u64::from(many);
            if seen >= rank {
                return Some(longest(step));
            }
        }
        None
    }
}

/// The step of a delay: minutes and their parts are rounded up.
fn step(delay: Length) -> u16 {
    let minutes = (delay.as_micros().max(0) + 59_999_999) / 60_000_000;
    let step = if minutes <= FINE_MINUTES {
        minutes
    } else {
        let coarse = minutes.min(COARSE_UNTIL_MINUTES) - FINE_MINUTES;
        FINE_MINUTES + (coarse + COARSE_MINUTES - 1) / COARSE_MINUTES
    };
    u16::try_from(step).unwrap_or(u16::MAX)
}

/// The longest delay of a step.
fn longest(step: u16) -> Length {
    let step = i64::from(step);
    let minutes =
        if step <= FINE_MINUTES { step } else { FINE_MINUTES + (step - FINE_MINUTES) * COARSE_MINUTES };
    Length::minutes(minutes.min(COARSE_UNTIL_MINUTES))
}
