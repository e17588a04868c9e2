//! A day in which things are charted and Tasks are taken, held, rejected and taken back at random.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use terce::care::ledger::{Cell, CellKey, Feed};
use terce::care::time::Instant;
use terce::store::Derived;

use super::nurse::{changed, refused};
use super::text;
use super::ward::{Ward, at};
use crate::care::oracle::slow_reading;
use crate::translate::tasks::may_follow;

/// How long the ward lives between two looks at it, in minutes.
const STEP: u64 = 7;

/// Numbers that follow from a seed: a linear congruence, its constants from memory of Knuth's MMIX.
struct Dice(u64);

impl Dice {
    fn below(&mut self, end: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % end
    }

    fn pick<'a, T>(&mut self, all: &'a [T]) -> &'a T {
        &all[usize::try_from(self.below(all.len() as u64)).unwrap()]
    }
}

fn clock(minute: u64) -> String {
    format!("{}:{:02}:{:02}", minute / 1440, minute / 60 % 24, minute % 60)
}

/// What the nurses have said.
#[derive(Default)]
struct Said {
    /// The open Task whose status is a person's: its id, status and reason.
    holds: Option<(String, Value, Value)>,
    /// Tasks that were not done for a reason that counts, and when that was said.
    excuses: BTreeSet<(Instant, String)>,
}

/// A nurse does something with the open Task.
async fn nurse(ward: &Ward, task: &Value, minute: u64, dice: &mut Dice, said: &mut Said) {
    let next: Vec<&str> = may_follow(text(task, "/status"));
    let rejects = next.contains(&"rejected") && dice.below(3) == 0;
    let status = if rejects { "rejected" } else { *dice.pick(&next) };
    let reason = dice.pick(&[Value::Null, json!({"text": "busy"}), refused(), refused()]).clone();
    let mut sent = changed(task, json!({"status": status, "statusReason": reason}));
    if reason.is_null() {
        sent.as_object_mut().unwrap().remove("statusReason");
    }
    let due = |i: &&Value| i["valueCode"] == "due" || i["valueCode"] == "overdue";
    let asks = task["input"].as_array().unwrap().iter().filter(due).count() > 0;
    ward.put(sent).await;
    let id = text(task, "/id").to_owned();
    said.holds = None;
    match status {
        "rejected" | "failed" => {
            if reason == refused() && asks {
                said.excuses.insert((Instant::from(at(&clock(minute))), id));
            }
        }
        "completed" | "cancelled" => {}
        _ => {
            let ours = task["extension"]
                .as_array()
                .unwrap()
                .iter()
                .find(|e| text(e, "/url").ends_with("/said-status"));
            if reason.is_null() && ours.unwrap()["valueCode"] == status {
                return;
            }
            said.holds = Some((id, status.into(), reason));
        }
    }
}

/// One day; returns how many excuses there were.
async fn day(seed: u64) -> usize {
    let (ward, mut dice, mut said) = (Ward::with_patient().await, Dice(seed), Said::default());
    let mut charted = 0;
    for minute in (0..1440).step_by(STEP as usize) {
        ward.until(&clock(minute)).await;
        let open = ward.task().await;
        if let (Some(task), Some((id, status, reason))) = (&open, &said.holds)
            && task["id"] == *id.as_str()
        {
            assert_eq!(
                (&task["status"], &task["statusReason"]),
                (status, reason),
                "seed {seed}, minute {minute}"
            );
        }
        if dice.below(12) == 0 {
            let code = *dice.pick(&["oral-cleansing", "oral-cleansing", "tooth-brushing"]);
            ward.care(&format!("c{charted}"), code, &clock(minute.saturating_sub(dice.below(45)))).await;
            charted += 1;
            ward.until(&clock(minute)).await;
        }
        match (ward.task().await, dice.below(8)) {
            (Some(task), 0 | 1) => nurse(&ward, &task, minute, &mut dice, &mut said).await,
            (_, 2) if !said.excuses.is_empty() && dice.below(20) == 0 => {
                let all: Vec<_> = said.excuses.iter().cloned().collect();
                let taken_back = dice.pick(&all).clone();
                let task = ward.get(&format!("Task/{}", taken_back.1)).await;
                ward.put(changed(&task, json!({"status": "entered-in-error"}))).await;
                said.excuses.remove(&taken_back);
            }
            _ => {}
        }
    }
    ward.until("1:00:00").await;
    let now = ward.service.clock.now();
    let stay = ward.service.stays.ledgers("p", now).await.unwrap().remove(0);
    let told: BTreeSet<(Instant, String)> = stay
        .facts
        .excuses
        .iter()
        .map(|x| {
            let terce::care::facts::When::At(at) = x.at else { panic!("{x:?}") };
            (at, x.source.0.split('/').nth(1).unwrap().to_owned())
        })
        .collect();
    assert_eq!(told, said.excuses, "seed {seed}");
    let slow = slow_reading(&stay.facts, &ward.service.stays.rules(), Feed::unwatched(), now);
    let counted = |cells: &BTreeMap<CellKey, Cell>| {
        cells.iter().filter(|(_, c)| **c != Cell::default()).map(|(k, c)| (k.clone(), *c)).collect::<Vec<_>>()
    };
    assert_eq!(counted(&stay.ledger.cells), counted(&slow.cells), "seed {seed}");
    let before = (ward.tasks().await, ward.get("DetectedIssue?patient=p&_count=1000").await["entry"].clone());
    ward.service.store.redo(Derived::Clear).await.unwrap();
    ward.until("1:00:00").await;
    let after = (ward.tasks().await, ward.get("DetectedIssue?patient=p&_count=1000").await["entry"].clone());
    assert_eq!(after, before, "seed {seed}");
    said.excuses.len()
}

#[tokio::test]
async fn days_of_random_charting_and_nursing_keep_what_people_said_and_count_it_as_the_slow_reading_does() {
    let mut excuses = 0;
    for seed in 1..=6 {
        excuses += day(seed).await;
    }
    assert!(excuses > 5, "{excuses}");
}
