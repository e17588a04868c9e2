//! What would have been said of a stay, in one pass, against living through it.

mod slow;

use terce::care::history::{Fate, History, PastIssue, ledger_and_history};
use terce::care::reconcile::ledger_at;
use terce::care::time::Instant;

use super::stays::Stay;
use slow::{Announced, Lived, live};

/// How many stays; with the seeds from 0 on, so that a failure names its stay.
const STAYS: u64 = 1_000;

#[test]
fn the_history_is_that_of_a_service_that_was_there_all_the_time() {
    for stay in (0..STAYS).map(Stay::random) {
        if differs(&stay).is_some() {
            let (stay, difference) = smallest(stay);
            panic!("{difference}\n{stay:?}");
        }
    }
}

fn until(stay: &Stay) -> Instant {
    stay.looks[0].now
}

fn differs(stay: &Stay) -> Option<String> {
    let (facts, until) = (stay.facts(), until(stay));
    let lived = live(&facts, &stay.rules, until);
    let (ledger, history) = ledger_and_history(&facts, &stay.rules, until);
    let known = slow::known_at(&facts, &stay.rules, until);
    if ledger != ledger_at(&known, &stay.rules, terce::care::ledger::Feed::unwatched(), until) {
        return Some("ledger".into());
    }
    difference(&history, &lived)
}

fn difference(history: &History, lived: &Lived) -> Option<String> {
    let issues: Vec<Announced> = history.issues.iter().map(|i| as_lived(i, lived)).collect();
    list("task", &history.tasks, &lived.tasks).or_else(|| list("issue", &issues, &lived.issues))
}

fn as_lived(issue: &PastIssue, lived: &Lived) -> Announced {
    let (gone, lapse, mitigation) = match issue.fate.clone() {
        Fate::Standing(lapse) => (None, Some(lapse), None),
        Fate::Withdrawn { at, mitigation } => (Some(at), None, Some(mitigation)),
    };
    // what was done about a lapse that stands is told by the lapse
    let same = lived.issues.iter().find(|l| l.place == issue.place && l.from == issue.from);
    let mitigation = mitigation.or(same.filter(|l| l.lapse.is_some()).and_then(|l| l.mitigation.clone()));
    Announced {
        requirement: issue.requirement.clone(),
        place: issue.place,
        from: issue.from,
        announced: issue.announced,
        unit: issue.unit.clone(),
        gone,
        lapse,
        mitigation,
    }
}

fn list<T: PartialEq + std::fmt::Debug>(what: &str, fast: &[T], slow: &[T]) -> Option<String> {
    let n = (0..fast.len().max(slow.len())).find(|n| fast.get(*n) != slow.get(*n))?;
    let counts = format!("{} and {}", fast.len(), slow.len());
    Some(format!("{what} {n} ({counts})\nfast: {:#?}\nslow: {:#?}", fast.get(n), slow.get(n)))
}

fn smallest(mut stay: Stay) -> (Stay, String) {
    let mut difference = differs(&stay).unwrap();
    let part = difference.split(' ').next().unwrap().to_owned();
    let fails = |s: Stay| differs(&s).filter(|d| d.starts_with(&part)).map(|d| (s, d));
    while let Some(smaller) = super::against_oracle::fewer(&stay).into_iter().find_map(fails) {
        (stay, difference) = smaller;
    }
    (stay, difference)
}
