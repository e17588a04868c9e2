//! Our intervals, limits and percentiles against scipy, statsmodels and numpy on random numbers: see
//! `tests/outside/statistics/run`.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::{Value, json};
use terce::care::statistics::chart::runs::runs;
use terce::care::statistics::chart::{Chart, Counted, Spread, Subgroup, chart};
use terce::care::statistics::expected::standardised;
use terce::care::statistics::percentile::{middle, percentile};
use terce::care::statistics::{newcombe, rate, share, wilson};

use crate::care::dice::Dice;

/// A question, what we say, and by how much of the value another may differ.
struct Asked {
    question: Value,
    ours: Vec<Option<f64>>,
    tolerance: f64,
}

/// A limit of 0 comes out of others' formulas as what floating point leaves of it.
const ROUNDING: f64 = 1e-15;

fn both((low, high): (f64, f64)) -> Vec<Option<f64>> {
    vec![Some(low), Some(high)]
}

fn asked(question: Value, ours: Vec<Option<f64>>, tolerance: f64) -> Asked {
    Asked { question, ours, tolerance }
}

/// Small numbers more often than large ones: there the methods differ.
fn number(dice: &mut Dice) -> u64 {
    let most = *dice.pick(&[3, 12, 60, 400, 5_000]);
    below(dice, most)
}

fn below(dice: &mut Dice, most: u64) -> u64 {
    u64::try_from(dice.below(usize::try_from(most).unwrap())).unwrap()
}

fn shares(dice: &mut Dice) -> [Asked; 3] {
    let (x, more, y, others) = (number(dice), number(dice), number(dice), number(dice));
    let (of, of_y) = ((x + more).max(1), (y + others).max(1));
    [
        asked(json!(["wilson", x, of]), both(wilson(x, of).unwrap()), 1e-10),
        asked(json!(["share", x, of]), both(share::mid_p(x, of).unwrap()), 1e-8),
        asked(json!(["newcombe", x, of, y, of_y]), both(newcombe(x, of, y, of_y).unwrap()), 1e-9),
    ]
}

fn rates(dice: &mut Dice) -> Vec<Asked> {
    let exposure = |dice: &mut Dice| (1 + dice.below(20_000)) as f64 / 4.0;
    let (a, b) = (number(dice), number(dice));
    let (of_a, of_b) = (exposure(dice), exposure(dice));
    let expected = 1.0 + dice.below(4_000) as f64 / 40.0;
    let found = standardised(a, expected).unwrap();
    let mut out = vec![
        asked(json!(["count", a]), both(rate::mid_p(a)), 1e-8),
        asked(json!(["expected", a, expected]), vec![Some(found.p)], 1e-8),
    ];
    if let Some(ratio) = rate::ratio(a, of_a, b, of_b) {
        let ours = vec![Some(ratio.low), ratio.high, Some(ratio.p)];
        out.push(asked(json!(["ratio", a, of_a, b, of_b]), ours, 1e-7));
    }
    out
}

fn percentiles(dice: &mut Dice) -> Asked {
    let values: Vec<u64> = (0..=dice.below(60)).map(|_| below(dice, 40)).collect();
    let per_hundred = u32::try_from(dice.below(101)).unwrap();
    let mut seen = BTreeMap::new();
    values.iter().for_each(|v| *seen.entry(*v).or_insert(0) += 1);
    let floats: Vec<f64> = values.iter().map(|v| *v as f64).collect();
    let ours = vec![percentile(&seen, per_hundred).map(|v| v as f64), middle(&floats)];
    asked(json!(["percentile", values, per_hundred]), ours, 0.0)
}

fn charts(dice: &mut Dice) -> Asked {
    let counted = *dice.pick(&[Counted::Share, Counted::Rate]);
    let of: Vec<u64> = (0..3 + dice.below(30)).map(|_| 20 + below(dice, 500)).collect();
    let mut events: Vec<u64> = of.iter().map(|of| below(dice, of / 2 + 1)).collect();
    events[0] = events[0].max(1);
    let subgroups: Vec<Subgroup> = events
        .iter()
        .zip(&of)
        .map(|(events, of)| Subgroup { events: *events, of: *of as f64, baseline: true })
        .collect();
    let made = [Spread::Chance, Spread::Laney].map(|spread| chart(counted, spread, &subgroups).unwrap());
    let mut ours = vec![Some(made[0].centre), made[1].factor];
    let limits = |chart: &Chart| -> Vec<Option<f64>> {
        let points = || chart.points.iter().map(|p| p.unwrap());
        points().map(|p| Some(p.low)).chain(points().map(|p| Some(p.high))).collect()
    };
    ours.extend(made.iter().flat_map(limits));
    let name = if counted == Counted::Share { "share" } else { "rate" };
    asked(json!(["chart", name, events, of]), ours, 1e-9)
}

/// A series that alternates often enough to be measured against its own limits.
fn crossings(useful: usize) -> Asked {
    let values: Vec<Option<f64>> = (0..useful).map(|i| Some(if i % 2 == 0 { 1.0 } else { -1.0 })).collect();
    let found = runs(&values, 0.0).unwrap();
    let ours = vec![Some(found.crossings_expected as f64), Some(found.longest_expected as f64)];
    asked(json!(["crossings", useful]), ours, 0.0)
}

/// What the other libraries say, a line for each question.
fn answers(all: &[Asked]) -> Vec<Vec<Option<f64>>> {
    let questions = Path::new(env!("CARGO_TARGET_TMPDIR")).join("statistics-questions.ndjson");
    let lines: Vec<String> = all.iter().map(|a| a.question.to_string()).collect();
    fs::write(&questions, lines.join("\n")).unwrap();
    super::folder("statistics");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/outside/statistics/run");
    let output = Command::new("python3")
        .arg(script)
        .env("TERCE_OUTSIDE", super::root())
        .stdin(Stdio::from(fs::File::open(&questions).unwrap()))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let lines = String::from_utf8(output.stdout).unwrap();
    lines.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

#[test]
fn scipy_statsmodels_and_numpy_come_to_the_same_numbers() {
    let mut dice = Dice::new(20_260_301);
    let mut all: Vec<Asked> = (0..500)
        .flat_map(|_| {
            let mut asked = rates(&mut dice);
            asked.extend(shares(&mut dice));
            asked.push(percentiles(&mut dice));
            asked
        })
        .collect();
    all.extend((0..300).map(|_| charts(&mut dice)));
    all.extend((10..=400).map(crossings));
    // around the count from which on a formula takes over, and far beyond
    for events in [999_998, 999_999, 1_000_000, 1_000_001, 30_000_000, 4_000_000_000] {
        all.push(asked(json!(["count", events]), both(rate::mid_p(events)), 1e-6));
    }
    let told = answers(&all);
    assert_eq!(told.len(), all.len());
    let differs = |a: &Asked, theirs: &[Option<f64>]| {
        let near = |x: &Option<f64>, y: &Option<f64>| match (x, y) {
            (Some(x), Some(y)) => (x - y).abs() <= a.tolerance * x.abs().max(y.abs()) + ROUNDING,
            (None, None) => true,
            // an upper limit of a rate has no bound on either side
            (Some(x), None) => x.is_infinite(),
            (None, Some(_)) => false,
        };
        a.ours.len() != theirs.len() || !a.ours.iter().zip(theirs).all(|(x, y)| near(x, y))
    };
    let wrong: Vec<String> = all
        .iter()
        .zip(&told)
        .filter(|(a, theirs)| differs(a, theirs))
        .map(|(a, theirs)| format!("{}: ours {:?}, theirs {theirs:?}", a.question, a.ours))
        .collect();
    assert!(
        wrong.is_empty(),
        "{} of {} differ:\n{}",
        wrong.len(),
        all.len(),
        wrong[..wrong.len().min(20)].join("\n")
    );
}
