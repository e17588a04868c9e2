//! The verdict finds what differs, and says so.

use super::*;
use crate::chart::{Activity, Says};
use crate::time::{HOUR, opening};

fn issue(key: &Key, status: &str) -> Issue {
    Issue { key: key.clone(), status: status.into(), seen: None }
}

fn agreeing() -> (Truth, Told, Key) {
    let key = ("pt-0001".to_owned(), "clean", opening());
    let mut truth = Truth { at_risk: DAY, ..Truth::default() };
    truth.standing.insert(key.clone());
    truth.announced.insert(key.clone(), opening() + 30);
    truth.counts = ADULT.iter().map(|r| (r.id, Counts { met: 3, missed: 1, excused: 0 })).collect();
    let told = Told {
        issues: vec![issue(&key, "final")],
        counts: truth.counts.clone(),
        most_open: 1,
        ..Told::default()
    };
    (truth, told, key)
}

#[test]
fn agreement_is_said() {
    let (truth, told, _) = agreeing();
    let (text, good) = verdict(&truth, &told);
    assert!(good, "{text}");
    assert!(text.contains("75.0%"), "{text}");
}

#[test]
fn every_kind_of_difference_is_found() {
    let (truth, told, key) = agreeing();
    let spoil = |change: &dyn Fn(&mut Told)| {
        let mut told = Told { issues: told.issues.clone(), counts: told.counts.clone(), ..Told::default() };
        change(&mut told);
        verdict(&truth, &told)
    };
    let missed = spoil(&|t| t.issues.clear());
    assert!(!missed.1 && missed.0.contains("missed lapse: pt-0001 clean"), "{}", missed.0);
    let other = (key.0.clone(), "brush", key.2);
    let alarm = spoil(&|t| t.issues.push(issue(&other, "preliminary")));
    assert!(!alarm.1 && alarm.0.contains("false alarm: pt-0001 brush"), "{}", alarm.0);
    assert!(!spoil(&|t| t.issues.push(issue(&other, "cancelled"))).1);
    assert!(!spoil(&|t| t.most_open = 2).1);
    assert!(!spoil(&|t| t.unread = 1).1);
    assert!(!spoil(&|t| t.counts.retain(|id, _| *id != "brush")).1);
    let early = spoil(&|t| t.issues[0].seen = Some(opening() + 20));
    assert!(!early.1 && early.0.contains("before it could be known"), "{}", early.0);
    assert!(!spoil(&|t| t.issues[0].seen = Some(opening() + 90)).1);
}

#[test]
fn care_charted_late_is_announced_and_taken_back() {
    let start = opening();
    let say = |key: &str, known, says| Entry { key: key.into(), known, says };
    let record = [
        say("e", start, Says::Stay(start, None, Vec::new())),
        say("v", start, Says::Ventilated(start, None)),
        say("c", start + 6 * HOUR, Says::Care(start + 3 * HOUR, vec![Activity::Cleansing])),
    ];
    let none = Outages { spans: Vec::new() };
    let all = announceable("p", &record, &none, start + 7 * HOUR);
    let cleaning: Vec<_> = all.iter().filter(|(k, _)| k.1 == "clean").map(|(k, at)| (k.2, *at)).collect();
    assert_eq!(cleaning, [(start + 4 * HOUR, start + 4 * HOUR + ALLOWANCE)]);
    let standing = reckon(&facts_at(&record, start + 7 * HOUR).unwrap(), start + 7 * HOUR).lapses;
    assert!(standing.iter().all(|l| l.requirement != "clean"), "{standing:?}");
    let down = Outages { spans: vec![(start + 4 * HOUR, start + 8 * HOUR)] };
    assert!(announceable("p", &record, &down, start + 7 * HOUR).keys().all(|k| k.1 != "clean"));
}
