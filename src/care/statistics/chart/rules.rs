//! What a chart says: which rule speaks, and at which points.
//!
//! Consecutive means among the points that are there: a gap neither breaks a run nor counts.

use super::{Chart, WIDTH};

/// Which rules are asked. The default are the four that NHS England's "Making data count" teaches, with its lengths;
/// that its fourth is two of three in the outer third is from memory. More rules mean more false alarms.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Rules {
    /// So many points in a row on one side of the centre; none if not asked. Others use 8 (Western Electric, from
    /// memory) or 9 (Nelson).
    pub shift: Option<usize>,
    /// So many points in a row, each above the one before, or each below; none if not asked.
    pub trend: Option<usize>,
    /// Two of three points in a row in the outer third before a limit, or beyond it, on one side.
    pub two_of_three: bool,
}

impl Default for Rules {
    fn default() -> Self {
        Rules { shift: Some(7), trend: Some(7), two_of_three: true }
    }
}

/// A rule.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Rule {
    /// A point beyond a limit; on the limit is not beyond.
    BeyondLimit,
    /// A row of points on one side of the centre; on the centre is on neither side and ends the row.
    Shift,
    /// A row of points each higher or each lower than the one before; an equal one ends the row.
    Trend,
    /// Two of three in a row in the outer third; overlapping ones are told as one.
    TwoOfThree,
}

/// On which side.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Side {
    /// Above the centre, or rising.
    Above,
    /// Below the centre, or falling.
    Below,
}

/// A rule that spoke.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Signal {
    /// The first subgroup of it, counted from 0.
    pub from: usize,
    /// The last one.
    pub to: usize,
    /// Which rule.
    pub rule: Rule,
    /// On which side.
    pub side: Side,
}

/// A difference smaller than this part of an error is rounding: what lies on a limit by the numbers lies on it.
const ROUNDING: f64 = 1e-9;

/// A point as the rules see it.
struct Seen {
    index: usize,
    value: f64,
    /// How far above the centre, in standard errors.
    z: f64,
}

/// All signals of a chart, in the order of their first subgroups.
pub fn signals(chart: &Chart, rules: &Rules) -> Vec<Signal> {
    let seen: Vec<Seen> = chart
        .points
        .iter()
        .enumerate()
        .filter_map(|(index, point)| {
            let point = (*point)?;
            Some(Seen { index, value: point.value, z: errors(point.value - chart.centre, point.error) })
        })
        .collect();
    let mut out = Vec::new();
    for side in [Side::Above, Side::Below] {
        // everything is told of the upper side, the lower one is its mirror
        let up = |x: f64| match side {
            Side::Above => x,
            Side::Below => -x,
        };
        let mut tell = |rule, from: &Seen, to: &Seen| {
            out.push(Signal { from: from.index, to: to.index, rule, side });
        };
        for point in seen.iter().filter(|p| up(p.z) > WIDTH + ROUNDING) {
            tell(Rule::BeyondLimit, point, point);
        }
        if let Some(length) = rules.shift {
            rows(&seen, length, |_, p| up(p.z) > ROUNDING, |from, to| tell(Rule::Shift, from, to));
        }
        if let Some(length) = rules.trend {
            let on = |before: Option<&Seen>, p: &Seen| before.is_none_or(|b| up(p.value) > up(b.value));
            rows(&seen, length, on, |from, to| tell(Rule::Trend, from, to));
        }
        if rules.two_of_three {
            let outer = |(_, p): &(usize, &Seen)| up(p.z) > WIDTH * 2.0 / 3.0 + ROUNDING;
            let outer: Vec<(usize, &Seen)> = seen.iter().enumerate().filter(outer).collect();
            // as long as the next one is among the next two points, it is the same signal
            for chain in outer.chunk_by(|(a, _), (b, _)| b - a <= 2) {
                if let [(_, from), .., (_, to)] = chain {
                    tell(Rule::TwoOfThree, from, to);
                }
            }
        }
    }
    out.sort_unstable();
    out
}

/// `distance` in units of `error`; where nothing can vary, any distance is beyond all limits.
fn errors(distance: f64, error: f64) -> f64 {
    match distance {
        0.0 => 0.0,
        distance if error == 0.0 => distance.signum() * f64::INFINITY,
        distance => distance / error,
    }
}

/// Tells the longest rows of at least `length` points of which each goes on from the one before.
fn rows(
    seen: &[Seen],
    length: usize,
    goes_on: impl Fn(Option<&Seen>, &Seen) -> bool,
    mut tell: impl FnMut(&Seen, &Seen),
) {
    let mut row: &[Seen] = &[];
    let mut from = 0;
    let mut close = |row: &[Seen]| {
        if let (true, Some(first), Some(last)) = (row.len() >= length.max(1), row.first(), row.last()) {
            tell(first, last);
        }
    };
    for (at, point) in seen.iter().enumerate() {
        if goes_on(row.last(), point) {
            row = seen.get(from..=at).unwrap_or_default();
            continue;
        }
        close(row);
        from = if goes_on(None, point) { at } else { at + 1 };
        row = seen.get(from..=at).unwrap_or_default();
    }
    close(row);
}
