//! Runs about a centre: whether a series varies by chance, whatever its distribution.
//!
//! Anhøj and Olesen, PLoS One 2014;9:e113825 (doi 10.1371/journal.pone.0113825): points on the centre do not count;
//! a longest run of more than `round(log2 n) + 3` points, or fewer crossings than the 5th percentile of a binomial
//! distribution of `n - 1` throws of a coin, is not chance.

use crate::care::statistics::distribution::at_least;

/// The published table begins here; below it there is too little to tell.
const FEWEST: usize = 10;

/// Where a binomial distribution of crossings is cut.
const FEW: f64 = 0.05;

/// The runs of a series.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Runs {
    /// Points that are not on the centre.
    pub useful: usize,
    /// The points of the longest run.
    pub longest: usize,
    /// Its first and last place in the series, counted from 0; of several the first.
    pub longest_at: (usize, usize),
    /// The longest that chance explains.
    pub longest_expected: usize,
    /// How often the series crosses the centre.
    pub crossings: usize,
    /// The fewest that chance explains.
    pub crossings_expected: usize,
}

impl Runs {
    /// The longest run is too long: the series has shifted.
    pub fn too_long(&self) -> bool {
        self.longest > self.longest_expected
    }

    /// There are too few crossings: the series drifts or has shifted.
    pub fn too_few_crossings(&self) -> bool {
        self.crossings < self.crossings_expected
    }
}

/// The runs of `values` about `centre`, gaps left out. None with fewer than 10 points off the centre.
pub fn runs(values: &[Option<f64>], centre: f64) -> Option<Runs> {
    let sides: Vec<(usize, bool)> = values
        .iter()
        .enumerate()
        .filter_map(|(at, value)| value.filter(|v| *v != centre).map(|v| (at, v > centre)))
        .collect();
    let useful = sides.len();
    if useful < FEWEST {
        return None;
    }
    let pieces: Vec<&[(usize, bool)]> = sides.chunk_by(|a, b| a.1 == b.1).collect();
    let longest = pieces.iter().rev().max_by_key(|run| run.len())?;
    Some(Runs {
        useful,
        longest: longest.len(),
        longest_at: (longest.first()?.0, longest.last()?.0),
        longest_expected: longest_expected(useful),
        crossings: pieces.len() - 1,
        crossings_expected: crossings_expected(useful),
    })
}

fn longest_expected(useful: usize) -> usize {
    // never halfway between two whole numbers: the root of 2 is not a fraction
    (useful as f64).log2().round() as usize + 3
}

/// The smallest number of crossings that at least 5 % of series of coins do not exceed.
fn crossings_expected(useful: usize) -> usize {
    let throws = useful as u64 - 1;
    let at_most = |crossings: usize| 1.0 - at_least(crossings as u64 + 1, throws, 0.5);
    (0..useful).find(|crossings| at_most(*crossings) >= FEW).unwrap_or(0)
}
