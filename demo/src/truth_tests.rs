//! Hand-made cases: those of the protocol's own worked tables, and one for each rule that they leave out.

use chrono::NaiveDate;

use super::*;

/// A winter's day on which London keeps UTC.
fn midnight() -> Minute {
    day_start(NaiveDate::from_ymd_opt(2026, 1, 10).unwrap())
}

/// `06:30` on the first day, `30:00` on the second.
fn at(text: &str) -> Minute {
    let (hours, minutes) = text.split_once(':').unwrap();
    midnight() + hours.parse::<Minute>().unwrap() * HOUR + minutes.parse::<Minute>().unwrap()
}

/// Ventilated in the given spans (away between the pieces of one span), then care `06:30`, excuses `x06:30`.
fn facts(spans: &[&str], events: &str, activity: Activity) -> Facts {
    let mut facts = Facts { stay: (midnight(), None), ..Facts::default() };
    for span in spans {
        let pieces: Vec<(Minute, Minute)> =
            span.split(' ').map(|p| p.split_once('-').map(|(a, b)| (at(a), at(b))).unwrap()).collect();
        facts.ventilated.push((pieces.first().unwrap().0, Some(pieces.last().unwrap().1)));
        facts.away.extend(pieces.windows(2).map(|w| (w[0].1, Some(w[1].0))));
    }
    for event in events.split_whitespace() {
        match event.strip_prefix('x') {
            Some(excuse) => facts.excuses.push(charted(at(excuse), activity)),
            None => facts.care.push(charted(at(event), activity)),
        }
    }
    facts
}

/// Charted at once.
fn charted(at: Minute, activity: Activity) -> Event {
    Event { at, activities: vec![activity], known: at }
}

fn counts(id: &str, facts: &Facts, now: &str) -> (u32, u32, u32) {
    let counts = reckon(facts, at(now)).counts[id];
    (counts.met, counts.missed, counts.excused)
}

fn lapses(id: &str, facts: &Facts, now: &str) -> Vec<(Minute, Option<Minute>)> {
    let all = reckon(facts, at(now)).lapses.into_iter();
    all.filter(|l| l.requirement == id).map(|l| (l.from, l.over.map(|o| o.at))).collect()
}

#[test]
fn cleaning_every_two_to_four_hours() {
    type Case = (&'static str, &'static [&'static str], &'static str, (u32, u32, u32));
    let cases: [Case; 10] = [
        ("on time", &["0:00-24:00"], "3:00 6:30 10:30 14:00 18:00 21:59", (6, 0, 0)),
        ("nine hours without", &["0:00-12:00"], "1:00 10:00", (2, 2, 0)),
        ("exactly at the deadline", &["0:00-6:00"], "4:00", (1, 0, 0)),
        ("very often", &["0:00-6:00"], "1:00 1:20 1:40 2:10 5:00", (3, 0, 0)),
        ("prompt on return", &["0:00-3:00 6:30-12:00"], "7:20 11:00", (2, 0, 0)),
        ("late on return", &["0:00-3:00 6:30-12:00"], "8:00 11:00", (2, 1, 0)),
        ("refused once", &["0:00-12:00"], "2:00 x5:30 9:30", (2, 0, 1)),
        ("reintubated", &["0:00-5:00", "9:00-15:00"], "1:00 12:30", (2, 0, 0)),
        ("extubated before the deadline", &["0:00-4:00"], "", (0, 0, 0)),
        ("nothing all day", &["0:00-24:00"], "", (0, 5, 0)),
    ];
    for (name, spans, events, expected) in cases {
        assert_eq!(counts("clean", &facts(spans, events, Activity::Cleansing), "48:00"), expected, "{name}");
    }
}

#[test]
fn a_lapse_runs_from_the_first_missed_deadline_to_the_next_care() {
    let facts = facts(&["0:00-12:00"], "1:00 10:00", Activity::Cleansing);
    assert_eq!(lapses("clean", &facts, "48:00"), [(at("5:00"), Some(at("10:00")))]);
}

#[test]
fn a_deadline_is_missed_only_once_it_is_past() {
    let mut facts = facts(&[], "", Activity::Cleansing);
    facts.ventilated.push((at("0:00"), None));
    assert_eq!(lapses("clean", &facts, "4:00"), []);
    assert_eq!(lapses("clean", &facts, "4:01"), [(at("4:00"), None)]);
}

#[test]
fn a_short_break_of_ventilation_is_none() {
    let joined = facts(&["0:00-3:00", "4:00-8:00"], "", Activity::Cleansing);
    assert_eq!(counts("clean", &joined, "24:00"), (0, 1, 0));
    let apart = facts(&["0:00-3:00", "4:01-8:00"], "", Activity::Cleansing);
    assert_eq!(counts("clean", &apart, "24:00"), (0, 0, 0));
}

#[test]
fn an_open_end_ends_with_the_extubation_or_the_stay() {
    let mut open =
        Facts { ventilated: vec![(at("0:00"), None)], stay: (at("0:00"), None), ..Facts::default() };
    assert_eq!(counts("clean", &open, "24:00"), (0, 5, 0));
    open.extubated.push(at("9:00"));
    assert_eq!(counts("clean", &open, "24:00"), (0, 2, 0));
    open.stay.1 = Some(at("5:00"));
    assert_eq!(counts("clean", &open, "24:00"), (0, 1, 0));
    assert_eq!(lapses("clean", &open, "24:00"), [(at("4:00"), Some(at("5:00")))]);
}

#[test]
fn brushing_twice_a_day() {
    let all = facts(&["18:00-57:00"], "20:00 32:00 33:30 45:00 56:00", Activity::Brushing);
    assert_eq!(counts("brush", &all, "72:00"), (2, 0, 0), "6 h and 9 h of a day ask for none");
    let one = facts(&["0:00-48:00"], "8:00", Activity::Brushing);
    assert_eq!(counts("brush", &one, "48:00"), (1, 3, 0));
    assert_eq!(lapses("brush", &one, "48:01"), [(at("24:00"), Some(at("48:00")))], "the second day's joins");
    let excused = facts(&["0:00-24:00"], "8:00 x20:00", Activity::Brushing);
    assert_eq!(counts("brush", &excused, "24:00"), (1, 0, 1));
}

#[test]
fn a_day_of_23_hours_asks_for_two() {
    let dawn = day_start(NaiveDate::from_ymd_opt(2026, 3, 29).unwrap());
    let facts = Facts {
        stay: (dawn, None),
        ventilated: vec![(dawn, Some(dawn + 23 * HOUR))],
        care: vec![charted(dawn + 9 * HOUR, Activity::Brushing)],
        ..Facts::default()
    };
    let counts = reckon(&facts, dawn + DAY).counts["brush"];
    assert_eq!((counts.met, counts.missed), (1, 1));
}

#[test]
fn moisturising_follows_cleaning() {
    let mut both = facts(&["0:00-12:00"], "1:00 4:00 7:00 11:50", Activity::Cleansing);
    let gel = |text| charted(at(text), Activity::Moisturising);
    both.care.extend([gel("0:50"), gel("4:30"), gel("7:31")]);
    assert_eq!(
        counts("moisten", &both, "24:00"),
        (2, 1, 0),
        "the last cleaning's half hour ends with the stretch"
    );
    assert_eq!(lapses("moisten", &both, "24:00"), [(at("7:30"), Some(at("7:31")))]);
}

#[test]
fn moisturising_once_may_serve_two_cleanings_and_misses_join() {
    let mut both = facts(&["0:00-12:00"], "1:00 1:20 4:00 5:00", Activity::Cleansing);
    both.care.push(charted(at("1:25"), Activity::Moisturising));
    assert_eq!(counts("moisten", &both, "24:00"), (2, 2, 0));
    assert_eq!(lapses("moisten", &both, "24:00"), [(at("4:30"), Some(at("12:00")))]);
}

#[test]
fn what_is_made_good_and_charted_within_the_allowance_is_not_announced() {
    let first = |facts: &Facts| {
        reckon(facts, at("48:00")).lapses.into_iter().find(|l| l.requirement == "clean").unwrap()
    };
    let mut soon = facts(&["0:00-6:00"], "4:30", Activity::Cleansing);
    assert!(first(&soon).made_good());
    soon.care[0].known = at("4:31");
    assert!(!first(&soon).made_good(), "charted too late");
    assert!(!first(&facts(&["0:00-6:00"], "4:31", Activity::Cleansing)).made_good(), "done too late");
    assert!(first(&facts(&["0:00-4:30"], "", Activity::Cleansing)).made_good(), "extubated");
}
