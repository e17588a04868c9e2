//! Control charts of shares (p) and of rates (u) over subgroups of unequal size.
//!
//! The limits are three standard errors of the subgroup from the centre, which is the sum of all events over the sum of
//! all opportunities (Shewhart; NIST e-Handbook 6.3.3). With very large subgroups everything would lie outside of
//! them; Laney's charts (p′ and u′; Qual Eng 2002;14:531-537) widen them by how much more than chance the subgroups
//! vary from one to the next, or narrow them. [`rules`] tells what a chart says.

pub mod rules;
pub mod runs;

/// Standard errors from the centre to a limit.
const WIDTH: f64 = 3.0;

/// The mean of the range of two standard normal values, as control-chart tables print it (d2 of two).
const MEAN_RANGE: f64 = 1.128;

/// What the events of a subgroup are counted of.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Counted {
    /// Of opportunities, each of which has the event or not: a p chart.
    Share,
    /// In exposure such as patient-days: a u chart.
    Rate,
}

/// How the standard error comes about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Spread {
    /// From the binomial or the Poisson distribution alone.
    Chance,
    /// Multiplied by Laney's factor.
    Laney,
}

/// A subgroup: a week, a month.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Subgroup {
    /// What was counted.
    pub events: u64,
    /// Of how many opportunities, or in how much exposure; 0 makes a gap in the chart.
    pub of: f64,
    /// It takes part in centre and spread; false for what is known to be special, or comes after the baseline.
    pub baseline: bool,
}

/// A point of a chart.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Point {
    /// The share or the rate.
    pub value: f64,
    /// Its standard error, with Laney's factor where that applies.
    pub error: f64,
    /// Lower limit, not below 0.
    pub low: f64,
    /// Upper limit; of a share not above 1.
    pub high: f64,
}

/// A chart.
#[derive(Clone, PartialEq, Debug)]
pub struct Chart {
    /// The centre line.
    pub centre: f64,
    /// Laney's factor; none where it was not asked for, or cannot be had: fewer than two subgroups, or a centre
    /// of 0 or, for shares, 1. The limits are then those of chance.
    pub factor: Option<f64>,
    /// For each subgroup its point; none where there was nothing to count of.
    pub points: Vec<Option<Point>>,
}

/// In so many of a hundred series that vary by chance alone, [`warranted`] leaves the limits as they are: 95. The quantile
/// of the standard normal distribution.
const BY_CHANCE: f64 = 1.644_853_627;

/// The variance of a mean moving range over [`MEAN_RANGE`], for each subgroup (Cryer and Ryan, J Qual Technol
/// 1990;22:187-192, from memory; `tests/care/statistics` looks how often chance alone exceeds what follows from it).
const FACTOR_VARIANCE: f64 = 0.826;

/// The chart of `subgroups` with Laney's factor where it is warranted: where they vary more from one to the next than
/// chance alone would have them in 95 of 100 series. Limits are never narrowed. None as of [`chart`].
pub fn warranted(counted: Counted, subgroups: &[Subgroup]) -> Option<Chart> {
    let widened = chart(counted, Spread::Laney, subgroups)?;
    let points = subgroups.iter().filter(|s| s.baseline && s.of > 0.0).count() as f64;
    let expected = 1.0 + BY_CHANCE * (FACTOR_VARIANCE / points).sqrt();
    match widened.factor {
        Some(factor) if factor > expected => Some(widened),
        Some(_) | None => chart(counted, Spread::Chance, subgroups),
    }
}

/// The chart of `subgroups`, in the order of time. None if no subgroup of the baseline has anything to count of, or if
/// one cannot be: less than nothing, or a share of more events than opportunities.
pub fn chart(counted: Counted, spread: Spread, subgroups: &[Subgroup]) -> Option<Chart> {
    let can_be = |s: &Subgroup| match counted {
        Counted::Share => s.of >= s.events as f64,
        Counted::Rate => s.of > 0.0 || (s.of == 0.0 && s.events == 0),
    };
    if !subgroups.iter().all(|s| s.of.is_finite() && can_be(s)) {
        return None;
    }
    let baseline: Vec<&Subgroup> = subgroups.iter().filter(|s| s.baseline && s.of > 0.0).collect();
    let events: f64 = baseline.iter().map(|s| s.events as f64).sum();
    let of: f64 = baseline.iter().map(|s| s.of).sum();
    if of <= 0.0 {
        return None;
    }
    let centre = events / of;
    let chance = |s: &Subgroup| match counted {
        Counted::Share => (centre * (1.0 - centre) / s.of).sqrt(),
        Counted::Rate => (centre / s.of).sqrt(),
    };
    let factor = match spread {
        Spread::Chance => None,
        Spread::Laney => laney(baseline.iter().map(|s| (s.events as f64 / s.of - centre) / chance(s))),
    };
    let point = |s: &Subgroup| {
        let error = chance(s) * factor.unwrap_or(1.0);
        let high = centre + WIDTH * error;
        Point {
            value: s.events as f64 / s.of,
            error,
            low: (centre - WIDTH * error).max(0.0),
            high: match counted {
                Counted::Share => high.min(1.0),
                Counted::Rate => high,
            },
        }
    };
    let points = subgroups.iter().map(|s| (s.of > 0.0).then(|| point(s))).collect();
    Some(Chart { centre, factor, points })
}

/// The mean moving range of the standardised values over the one that chance alone would give.
fn laney(standardised: impl Iterator<Item = f64>) -> Option<f64> {
    let z: Vec<f64> = standardised.collect();
    let ranges: Vec<f64> = z.iter().zip(z.iter().skip(1)).map(|(a, b)| (b - a).abs()).collect();
    let factor = ranges.iter().sum::<f64>() / ranges.len() as f64 / MEAN_RANGE;
    factor.is_finite().then_some(factor)
}
