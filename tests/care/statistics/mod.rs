//! Statistics against published values, each with its source. `tests/outside/statistics.rs` compares with other
//! libraries over random numbers.

mod charts;
mod intervals;
mod suppression;
