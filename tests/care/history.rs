//! What would have been said of a stay, in one pass: by hand, and against living through the stay.

mod slow;

use std::fmt::{Debug, Write};

use terce::care::facts::Ending;
use terce::care::history::{Fate, History, PastClosing, PastIssue, ledger_and_history};
use terce::care::ledger::{Feed, Opportunities};
use terce::care::plan::{Mitigation, Reason};
use terce::care::reconcile::{ledger_at, reconcile};
use terce::care::time::{Instant, Length};

use super::against_oracle::fewer;
use super::script::{Script, told};
use super::stays::{Entry, Stay};
use slow::{Announced, Lived, known_at, live};

/// How many stays; with the seeds from 0 on, so that a failure names its stay.
const STAYS: u64 = 2_000;

const COMMON: &str = "
    zone UTC
    require clean every 2h-4h
    unit A 03-06 00:00 -
";

/// The history of a stay in the language of scripts.
fn history(own: &str) -> String {
    let script = Script::read(COMMON, own).unwrap();
    let now = script.looks[0].0;
    let facts = script.known_at(now, false);
    let (_, history) = ledger_and_history(&facts, &script.rules, now, Opportunities::Each);
    let shown = |at: Instant| told(at, script.rules.zone);
    let mut out = String::new();
    for task in &history.tasks {
        let (round, opened) = (shown(task.round), shown(task.opened));
        write!(out, "task {round} opened {opened} in {} for {}", task.unit, task.asked.join(" ")).unwrap();
        let closed = task.closed.map(|(at, how)| match how {
            PastClosing::Completed => format!(", completed {}", shown(at)),
            PastClosing::Cancelled(Reason::Extubated) => format!(", extubated {}", shown(at)),
            PastClosing::Cancelled(Reason::Ended(Ending::Died)) => format!(", died {}", shown(at)),
            PastClosing::Cancelled(other) => format!(", {other:?} {}", shown(at)),
        });
        writeln!(out, "{}", closed.unwrap_or_default()).unwrap();
    }
    for issue in &history.issues {
        let (from, announced) = (shown(issue.from), shown(issue.announced));
        write!(out, "issue {} {from} in {} announced {announced}", issue.requirement, issue.unit).unwrap();
        match &issue.fate {
            Fate::Standing(lapse) => {
                let ended = lapse.ended.as_ref().map(|e| format!(", {:?} {}", e.by, shown(e.at)));
                writeln!(out, "{}", ended.unwrap_or_default()).unwrap();
            }
            Fate::Withdrawn { at, mitigation: Mitigation::ChartedLate { at: done, .. } } => {
                writeln!(out, ", withdrawn {}, done {}", shown(*at), shown(*done)).unwrap();
            }
            Fate::Withdrawn { at, mitigation } => {
                writeln!(out, ", withdrawn {}, {mitigation:?}", shown(*at)).unwrap();
            }
        }
    }
    out
}

fn is(own: &str, expected: &[&str]) {
    assert_eq!(history(own).lines().collect::<Vec<_>>(), expected);
}

#[test]
fn care_before_it_is_due_opens_no_task() {
    is("ventilated 03-07 00:00 -\n care clean 01:50 03:40\n now 03-07 05:00", &[]);
}

#[test]
fn care_when_it_is_due_closes_the_task_and_announces_nothing() {
    is(
        "ventilated 03-07 00:00 -\n care clean 02:30\n now 03-07 04:00",
        &["task 03-07 02:00 opened 03-07 02:00 in A for clean, completed 03-07 02:30"],
    );
}

#[test]
fn overdue_care_is_announced_until_it_is_charted() {
    is(
        "ventilated 03-07 00:00 -\n care clean 05:00\n now 03-07 06:00",
        &[
            "task 03-07 02:00 opened 03-07 02:00 in A for clean, completed 03-07 05:00",
            "issue clean 03-07 04:00 in A announced 03-07 04:30, Care 03-07 05:00",
        ],
    );
}

#[test]
fn care_charted_after_the_announcement_withdraws_it() {
    is(
        "ventilated 03-07 00:00 -\n care clean 03:30 charted 05:10\n now 03-07 05:20",
        &[
            "task 03-07 02:00 opened 03-07 02:00 in A for clean, completed 03-07 05:10",
            "issue clean 03-07 04:00 in A announced 03-07 04:30, withdrawn 03-07 05:10, done 03-07 03:30",
        ],
    );
}

#[test]
fn extubation_cancels_the_open_task() {
    is(
        "ventilated 03-07 00:00 - 03:00\n now 03-07 06:00",
        &["task 03-07 02:00 opened 03-07 02:00 in A for clean, extubated 03-07 03:00"],
    );
}

#[test]
fn the_task_of_a_patient_who_is_away_waits_for_the_return() {
    // the deadline of 04:00 is moved to an hour after the return
    is(
        "ventilated 03-07 00:00 -\n away 02:30 - 03:30\n care clean 04:10\n now 03-07 05:00",
        &["task 03-07 02:00 opened 03-07 02:00 in A for clean, completed 03-07 04:10"],
    );
    is(
        "ventilated 03-07 00:00 - 03:00\n away 02:30 - 04:00\n now 03-07 05:00",
        &["task 03-07 02:00 opened 03-07 02:00 in A for clean, extubated 03-07 03:00"],
    );
}

#[test]
fn a_bridged_gap_ends_one_task_and_the_next_one_takes_up_its_clock() {
    is(
        "ventilated 03-07 00:00 - 03:00\n ventilated 03:30 -\n now 03-07 04:40",
        &[
            "task 03-07 02:00 opened 03-07 02:00 in A for clean, extubated 03-07 03:00",
            "task 03-07 03:00 opened 03-07 03:30 in A for clean",
            "issue clean 03-07 04:00 in A announced 03-07 04:30",
        ],
    );
}

#[test]
fn what_is_received_later_is_not_known() {
    is(
        "ventilated 03-07 00:00 - 09:00\n care clean 02:30 charted 03:00\n now 03-07 02:40",
        &["task 03-07 02:00 opened 03-07 02:00 in A for clean"],
    );
}

#[test]
fn the_history_is_that_of_a_service_that_was_there_all_the_time() {
    for stay in stays() {
        if differs(&stay).is_some() {
            let (stay, difference) = smallest(stay);
            panic!("{difference}\n{stay:?}");
        }
    }
}

#[test]
fn tasks_do_not_overlap_and_only_the_last_is_open() {
    for stay in stays() {
        let (_, history) = ledger_and_history(&stay.facts(), &stay.rules, until(&stay), Opportunities::Each);
        for task in &history.tasks {
            // care that other care follows may have been charted by a clock that is ahead
            assert!(task.round <= task.opened + stay.rules.ahead, "{task:?} {stay:?}");
            assert!(!task.asked.is_empty(), "{task:?} {stay:?}");
            assert!(task.closed.is_none_or(|(at, _)| task.opened < at), "{task:?} {stay:?}");
        }
        for pair in history.tasks.windows(2) {
            assert!(pair[0].closed.unwrap().0 <= pair[1].opened, "{pair:?} {stay:?}");
            assert!(pair[0].round < pair[1].round, "{pair:?} {stay:?}");
        }
    }
}

#[test]
fn a_ledger_without_its_wake_is_the_ledger() {
    for stay in stays().take(200) {
        let (facts, look) = (stay.facts(), stay.looks[0]);
        let mut whole = reconcile(&facts, &stay.rules, look.feed, look.now);
        whole.wake = None;
        assert_eq!(ledger_at(&facts, &stay.rules, look.feed, look.now), whole, "{stay:?}");
    }
}

/// Random stays, of which some care is charted days late or hours ahead.
fn stays() -> impl Iterator<Item = Stay> {
    (0..STAYS).map(|seed| {
        let mut stay = Stay::random(seed);
        for (n, entry) in (seed..).zip(&mut stay.entries) {
            let (at, received) = match entry {
                Entry::Care(c) => (c.recorded, &mut c.received),
                Entry::Excuse(x) => (x.recorded, &mut x.received),
                Entry::Ventilated(_) | Entry::Row(_) | Entry::Extubation(_) => continue,
                Entry::Unit(_) | Entry::Away(_) | Entry::Condition(_) => continue,
            };
            match n % 31 {
                3 | 14 => *received = at + Length::hours((n % 5) as i64 * 11),
                7 => *received = at - Length::hours(2),
                _ => {}
            }
        }
        stay
    })
}

/// The first look of the stay; of some stays everything up to a good while after.
fn until(stay: &Stay) -> Instant {
    stay.looks[0].now + Length::hours(if stay.seed.is_multiple_of(3) { 20 } else { 0 })
}

/// What differs first, if anything.
fn differs(stay: &Stay) -> Option<String> {
    let (facts, until) = (stay.facts(), until(stay));
    let lived = live(&facts, &stay.rules, until);
    let (ledger, history) = ledger_and_history(&facts, &stay.rules, until, Opportunities::Each);
    let known = known_at(&facts, &stay.rules, until);
    if ledger != ledger_at(&known, &stay.rules, Feed::unwatched(), until) {
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

fn list<T: PartialEq + Debug>(what: &str, fast: &[T], slow: &[T]) -> Option<String> {
    let n = (0..fast.len().max(slow.len())).find(|n| fast.get(*n) != slow.get(*n))?;
    let counts = format!("{} and {}", fast.len(), slow.len());
    Some(format!("{what} {n} ({counts})\nfast: {:#?}\nslow: {:#?}", fast.get(n), slow.get(n)))
}

/// The same failure with no fact and no requirement that it does not need.
fn smallest(mut stay: Stay) -> (Stay, String) {
    let mut difference = differs(&stay).unwrap();
    let part = difference.split(' ').next().unwrap().to_owned();
    let fails = |s: Stay| differs(&s).filter(|d| d.starts_with(&part)).map(|d| (s, d));
    while let Some(smaller) = fewer(&stay).into_iter().find_map(fails) {
        (stay, difference) = smaller;
    }
    (stay, difference)
}
