//! What was found, for people.

use std::collections::BTreeMap;

use crate::contest::{Contestant, FEW};
use crate::measure::Run;

/// Results by name; of the engine, scaled to all stays.
pub type Results = BTreeMap<&'static str, Result<Run, String>>;

/// What is to hold.
pub struct Goal {
    pub what: &'static str,
    /// The figure, if all that it needs was measured.
    pub found: Option<f64>,
    pub bound: Bound,
}

pub enum Bound {
    AtMost(f64),
    AtLeast(f64),
}

/// The faster of the two parsers.
fn floor(results: &Results) -> Option<f64> {
    let both = ["floor-serde", "floor-sonic"].into_iter().filter_map(|name| seconds(results, name));
    both.min_by(f64::total_cmp)
}

pub fn seconds(results: &Results, name: &str) -> Option<f64> {
    results.get(name)?.as_ref().ok().map(|r| r.seconds)
}

fn figure(value: Option<f64>, digits: usize) -> String {
    value.map_or("-".to_owned(), |v| format!("{v:.digits$}"))
}

pub fn print(all: &[Contestant], results: &Results, procedures: usize) {
    let line = |cells: [&str; 6]| {
        let [what, time, rate, floor, duck, peak] = cells;
        println!("| {what:<46} | {time:>9} | {rate:>12} | {floor:>8} | {duck:>9} | {peak:>8} |");
    };
    println!();
    line(["what", "seconds", "Procedures/s", "x floor", "x DuckDB", "peak MiB"]);
    let dash = |n| "-".repeat(n);
    line([&dash(46), &dash(9), &dash(12), &dash(8), &dash(9), &dash(8)]);
    for contestant in all.iter().filter(|c| c.name == "cql" || c.stays != FEW) {
        match results.get(contestant.name) {
            None => {}
            Some(Err(why)) => println!("| {:<46} | FAILED: {why}", contestant.what),
            Some(Ok(run)) => line([
                contestant.what,
                &format!("{:.3}", run.seconds),
                &format!("{:.0}", procedures as f64 / run.seconds),
                &figure(floor(results).map(|f| run.seconds / f), 2),
                &figure(seconds(results, "duckdb").map(|d| run.seconds / d), 2),
                &format!("{:.0}", run.peak_mib),
            ]),
        }
    }
    println!(
        "\nMedians. The floor and Terce are timed with the start of the process; Python and Node without it."
    );
    println!("The engine was given {FEW} stays; its time is scaled to all, its peak is not.\n");
}

pub fn goals(results: &Results) -> Vec<Goal> {
    let terce = seconds(results, "terce-adult");
    let times = |name| Some(seconds(results, name)? / terce?);
    let peak = results.get("terce-adult").and_then(|r| r.as_ref().ok()).map(|r| r.peak_mib);
    let to_floor = terce.zip(floor(results)).map(|(t, f)| t / f);
    let to_plain = seconds(results, "terce-zst").zip(terce).map(|(z, t)| z / t);
    vec![
        Goal { what: "Terce's time to the floor's", found: to_floor, bound: Bound::AtMost(1.6) },
        Goal { what: "DuckDB's time to Terce's", found: times("duckdb"), bound: Bound::AtLeast(1.3) },
        Goal { what: "Polars' time to Terce's", found: times("polars"), bound: Bound::AtLeast(5.0) },
        Goal { what: "the engine's time to Terce's", found: times("cql"), bound: Bound::AtLeast(300.0) },
        Goal { what: "Terce's time on .zst to plain", found: to_plain, bound: Bound::AtMost(1.2) },
        Goal { what: "Terce's peak, MiB", found: peak, bound: Bound::AtMost(300.0) },
    ]
}

/// Says of each goal whether it is met.
pub fn judge(goals: &[Goal]) {
    for Goal { what, found, bound } in goals {
        let (met, sign, bound) = match bound {
            Bound::AtMost(most) => (found.map(|f| f <= *most), "at most", most),
            Bound::AtLeast(least) => (found.map(|f| f >= *least), "at least", least),
        };
        let verdict = match met {
            Some(true) => "PASS",
            Some(false) => "short",
            None => "not measured",
        };
        println!("{verdict:<12} {what}: {}, {sign} {bound}", figure(*found, 2));
    }
}
