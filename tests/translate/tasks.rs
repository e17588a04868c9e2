//! What a person makes of a Task, and what that tells.

use proptest::prelude::*;
use serde_json::{Value, json};
use terce::care::time::Instant;
use terce::translate::codes::Codes;
use terce::translate::document::{Bases, Stored};
use terce::translate::extract::{Tell, extract};
use terce::translate::outcomes::by_hand;

use super::record::EXCUSE;

const BASE: &str = "https://terce.example/fhir";

/// Where a person may go from each status: the lines of the table, read by hand from R4's Task and its code definitions.
const MAY: &str = "
    ready:            received accepted in-progress on-hold rejected completed cancelled
    received:         accepted ready in-progress on-hold rejected completed cancelled
    accepted:         ready in-progress on-hold rejected completed cancelled
    in-progress:      ready on-hold completed failed cancelled
    on-hold:          ready accepted in-progress rejected completed failed cancelled
    rejected:         entered-in-error
    failed:           entered-in-error
    cancelled:        entered-in-error
    completed:        entered-in-error
    entered-in-error:
    requested:        received accepted ready in-progress on-hold rejected completed cancelled
    draft:            received accepted ready in-progress on-hold rejected completed cancelled
";

/// The statuses that a person may set next.
pub(crate) fn may_follow(from: &str) -> Vec<&'static str> {
    let line = MAY.lines().find_map(|l| l.trim().strip_prefix(from)?.strip_prefix(':')).unwrap();
    line.split_whitespace().collect()
}

fn may(from: &str, to: &str) -> bool {
    from == to || may_follow(from).contains(&to)
}

fn statuses() -> Vec<&'static str> {
    MAY.lines().filter_map(|l| Some(l.trim().split_once(':')?.0)).collect()
}

/// A Task as the service writes it, with requirements and where each of them stands.
pub(super) fn task(phases: &[(&str, &str)]) -> Value {
    let input = |(requirement, phase): &(&str, &str)| {
        json!({ "type": { "coding": [
            { "system": format!("{BASE}/CodeSystem/task-parameter"), "code": "state" },
            { "system": format!("{BASE}/CodeSystem/requirement"), "code": requirement, "display": "x" },
        ] }, "valueCode": phase })
    };
    json!({
        "resourceType": "Task", "status": "ready", "intent": "order", "encounter": { "reference": "Encounter/e" },
        "for": { "reference": "Patient/p" }, "identifier": [{ "system": format!("{BASE}/sid/task"), "value": "e|1" }],
        "extension": [{ "url": format!("{BASE}/StructureDefinition/said-status"), "valueCode": "ready" }],
        "input": phases.iter().map(input).collect::<Vec<_>>(),
    })
}

fn at(minute: i64) -> Instant {
    Instant::from_micros(1_772_366_400_000_000 + minute * 60_000_000)
}

/// When, what was asked for and why, of each excuse that a Task tells.
fn excuses(body: &[u8]) -> Vec<(Instant, Vec<String>, String)> {
    let received_us = at(100_000).micros();
    let stored = Stored { kind: "Task", id: "t", version: 9, first_us: 0, received_us, deleted: false, body };
    let told = extract(&stored, &Codes::shipped(), &Bases::default());
    let one = |tell: &Tell| match tell {
        Tell::Rejected(says) => {
            Some((says.at, says.asked.iter().map(|a| a.to_string()).collect(), says.reason.to_string()))
        }
        _ => None,
    };
    told.tells().iter().filter_map(one).collect()
}

#[test]
fn a_person_may_do_what_the_table_says_and_nothing_else() {
    for from in statuses() {
        for to in statuses() {
            let mut before = task(&[("clean", "due")]);
            before["status"] = from.into();
            let mut sent = before.clone();
            sent["status"] = to.into();
            let done = by_hand(before.to_string().as_bytes(), sent.to_string().as_bytes(), at(0));
            assert_eq!(done.is_ok(), may(from, to), "{from} to {to}: {done:?}");
            if let Err(refused) = done {
                assert!(
                    may_follow(from).iter().all(|status| refused.message.contains(status)),
                    "{refused:?}"
                );
            }
        }
    }
}

#[test]
fn nothing_can_be_set_on_a_task_that_the_service_closed() {
    let mut closed = task(&[("clean", "waiting")]);
    closed["status"] = "completed".into();
    closed["extension"][0]["valueCode"] = "completed".into();
    for to in statuses() {
        let mut sent = closed.clone();
        sent["status"] = to.into();
        let refused = by_hand(closed.to_string().as_bytes(), sent.to_string().as_bytes(), at(0)).unwrap_err();
        assert!(refused.message.starts_with("the service has closed this Task"), "{to}: {refused:?}");
    }
}

fn steps() -> impl Strategy<Value = Vec<(&'static str, Option<&'static str>)>> {
    let reasons =
        prop_oneof![Just(None), Just(Some("refused")), Just(Some("contraindicated")), Just(Some("busy"))];
    prop::collection::vec((prop::sample::select(statuses()), reasons), 1..6)
}

proptest! {
    #[test]
    fn only_what_was_not_done_for_a_reason_that_counts_is_an_excuse_from_when_that_was_said(steps in steps()) {
        let phases = [("clean", "due"), ("brush", "waiting"), ("moisten", "overdue"), ("cuff", "suspended")];
        let mut body = task(&phases).to_string().into_bytes();
        let (mut status, mut since, mut reason) = ("ready", 0, None);
        for (number, (to, why)) in steps.into_iter().enumerate() {
            let minute = i64::try_from(number).unwrap() + 1;
            let mut sent: Value = serde_json::from_slice(&body).unwrap();
            sent["status"] = to.into();
            sent.as_object_mut().unwrap().remove("statusReason");
            if let Some(why) = why {
                sent["statusReason"] = json!({ "coding": [{ "system": EXCUSE, "code": why }] });
            }
            let done = by_hand(&body, sent.to_string().as_bytes(), at(minute));
            prop_assert_eq!(done.is_ok(), may(status, to));
            if let Ok(done) = done {
                since = if to == status { since } else { minute };
                (status, reason, body) = (to, why, done);
            }
        }
        let undone = matches!(status, "rejected" | "failed");
        let expected = reason.filter(|r| undone && *r != "busy").map(|r| {
            (at(since), vec!["clean".to_owned(), "moisten".to_owned()], r.to_owned())
        });
        prop_assert_eq!(excuses(&body), expected.into_iter().collect::<Vec<_>>());
    }
}
