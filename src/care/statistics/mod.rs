//! What the sums mean: intervals, charts over time, percentiles, and what must not be shown.
//!
//! Everything here is arithmetic on numbers that were counted elsewhere. All intervals are 95 %. In reading order:
//!
//! * [`share`]: intervals of a share and of the difference of two;
//! * [`rate`]: intervals of a count, of a rate and of the ratio of two rates;
//! * [`expected`]: observed against expected;
//! * [`chart`]: limits for shares and rates over time, and the rules by which a chart speaks;
//! * [`percentile`]: medians and percentiles of charting delay;
//! * [`suppress`]: which counts must be hidden so that small ones stay hidden.
//!
//! Distribution functions are those of `statrs`; what is built on them follows the publication named beside it.

pub mod chart;
mod distribution;
pub mod expected;
pub mod percentile;
pub mod rate;
pub mod share;
pub mod suppress;

pub use self::share::{newcombe, wilson};

/// Low and high limit.
pub type Interval = (f64, f64);

/// The 0.975 quantile of the standard normal distribution.
const Z: f64 = 1.959_963_984_540_054;

/// What lies beyond each limit of a 95 % interval.
const TAIL: f64 = 0.025;
