//! A process that reads from a record and writes to a worklist ends at each of its steps, again and again.

use std::collections::BTreeMap;
use std::os::unix::process::ExitStatusExt as _;
use std::time::Duration;

use serde_json::json;

use super::killed::{STAYS, Terce, Wire};

/// Where it ends, in the order of its work.
const STEPS: [&str; 14] = [
    "poll-fetched",
    "poll-taken",
    "poll-marked",
    "poll-over",
    "poll-heard",
    "committing",
    "committed",
    "deliver-noted",
    "deliver-told",
    "deliver-sent",
    "deliver-arrived",
    "back-read",
    "back-taken",
    "back-marked",
];

/// A process that is meant to end and does not in so long never came to that step.
const LIVES: Duration = Duration::from_secs(4);

/// Rounds over all steps for each end that is asked for.
const MOST_ROUNDS: usize = 5;

/// At each step so often; `tests/long/steps` asks for more.
#[allow(clippy::disallowed_methods, reason = "the command for longer runs says how many")]
fn times() -> usize {
    std::env::var("TERCE_ENDS").ok().and_then(|times| times.parse().ok()).unwrap_or(2)
}

#[tokio::test(flavor = "multi_thread")]
async fn wherever_it_ends_nothing_is_lost_and_nothing_is_there_twice() {
    let wire = Wire::new().await;
    let mut ended: BTreeMap<&str, usize> = BTreeMap::new();
    let (mut noted, mut charted, mut turn) = (0, 0, 0);
    for round in 0..MOST_ROUNDS * times() {
        for step in STEPS {
            let ends = ended.entry(step).or_default();
            if *ends == times() {
                continue;
            }
            // care is charted and, the next time, taken back: Tasks close, and what is due is asked for again
            let stay = (turn / 2) % STAYS;
            let mut care = wire.care(format!("k{}", turn / 2), stay, 60 + turn as i64);
            if turn % 2 == 1 {
                care["status"] = "entered-in-error".into();
            }
            charted = charted.max(turn / 2 + 1);
            wire.put(care).await;
            noted += usize::from(wire.nurse_writes(turn));
            // at one of the first times that it comes there; not every life has something for each step to do
            let points = format!("{step}={}*off->return", round % 4);
            let mut terce = Terce::start_with(&wire.config, &[("FAILPOINTS", &points)]);
            let status = terce.waits(LIVES).await;
            *ends += usize::from(status.is_some_and(|s| s.signal() == Some(6)));
            turn += 1;
        }
    }
    println!("{turn} lives; ended at each step: {}", json!(ended));
    assert!(ended.values().all(|ends| *ends == times()), "at each step {} times: {ended:?}", times());
    let terce = Terce::start_with(&wire.config, &[]);
    wire.comes_to_agree(&terce, STAYS + charted, noted).await;
    // at most one open Task a stay, on both sides
    for tasks in [terce.all("Task").await, wire.elsewhere.all("Task")] {
        let mut open: BTreeMap<String, usize> = BTreeMap::new();
        for task in
            tasks.values().filter(|task| !matches!(task["status"].as_str(), Some("completed" | "cancelled")))
        {
            *open.entry(task["encounter"]["reference"].to_string()).or_default() += 1;
        }
        assert!(open.values().all(|count| *count == 1), "{open:?}");
    }
}
