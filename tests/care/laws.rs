//! What holds for every stay, said of the core alone.

mod shift;

use std::collections::BTreeMap;
use std::sync::Arc;

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use terce::care::facts::{CareEvent, Source, When};
use terce::care::ledger::{Cell, Feed, Lapse, Ledger, Opportunity, Outcome, RequirementCounts};
use terce::care::protocol::Kind;
use terce::care::reconcile::reconcile;
use terce::care::time::{Instant, Length, TICK};

use super::stays::{Entry, Look, Stay, any_stay, any_verified_stay};
use shift::Shift;

/// The same cases on every run; a failure prints its stay.
fn cases(cases: u32) -> ProptestConfig {
    ProptestConfig {
        cases,
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(7),
        ..ProptestConfig::default()
    }
}

fn ledger(stay: &Stay, look: Look) -> Ledger {
    reconcile(&stay.facts(), &stay.rules, look.feed, look.now)
}

proptest! {
    #![proptest_config(cases(1_000))]

    #[test]
    fn facts_in_any_order_and_twice_give_the_same_ledger(
        (stay, mixed) in any_stay().prop_flat_map(|stay| {
            let twice: Vec<Entry> = stay.entries.iter().chain(&stay.entries).cloned().collect();
            (Just(stay), Just(twice).prop_shuffle())
        })
    ) {
        let look = stay.looks[0];
        let other = Stay { entries: mixed, ..stay.clone() };
        prop_assert_eq!(ledger(&stay, look), ledger(&other, look));
    }

    #[test]
    fn what_is_retracted_leaves_no_trace(
        stay in any_stay(), more in any_stay(), place in any::<prop::sample::Index>()
    ) {
        let look = stay.looks[0];
        let place = place.index(stay.entries.len() + 1);
        let mut changed = stay.clone();
        changed.entries.splice(place..place, more.entries.iter().cloned());
        let with = ledger(&changed, look);
        changed.entries.drain(place..place + more.entries.len());
        prop_assert_eq!(with.now, look.now);
        prop_assert_eq!(ledger(&changed, look), ledger(&stay, look));
    }

    #[test]
    fn what_was_closed_stays_closed(stay in any_stay(), later in 0..10_000_i64) {
        let first = stay.looks[0];
        let stay = known_at(stay, first.now);
        let second = Look { now: first.now + Length::minutes(later), feed: first.feed };
        let (before, after) = (ledger(&stay, first), ledger(&stay, second));
        prop_assume!(!held_by_rows(&stay, first.now));
        for closed in &before.opportunities {
            prop_assert!(after.opportunities.contains(closed), "gone at {}: {:#?}", second.now, closed);
        }
        let outcome = |l: &Lapse| (l.place, l.from, l.ended.clone(), l.misses.clone(), l.lapsed);
        for closed in before.lapses.iter().filter(|l| l.ended.is_some()) {
            let found = after.lapses.iter().find(|l| outcome(l) == outcome(closed));
            let kept = found.is_some_and(|l| l.announced || !closed.announced);
            prop_assert!(kept, "gone at {}: {closed:#?}", second.now);
        }
    }

    #[test]
    fn wake_is_exact(stay in any_stay(), part in 0..100_i64) {
        let look = stay.looks[0];
        let at = |now| ledger(&stay, Look { now, feed: look.feed });
        let here = at(look.now);
        let wake = here.wake.unwrap_or(look.now + Length::hours(24 * 400));
        prop_assert!(wake > look.now);
        let between = look.now + Length::micros(wake.since(look.now).as_micros() / 100 * part);
        for now in [look.now + TICK, between, wake - TICK] {
            if look.now < now && now < wake {
                let there = at(now);
                let nothing = Vec::<&str>::new();
                prop_assert_eq!(differing(&here, &there), nothing, "at {}", stay.shown(now));
                prop_assert_eq!(here.wake, there.wake, "wake seen from {}", stay.shown(now));
            }
        }
        if here.wake.is_some() {
            prop_assert!(!differing(&here, &at(wake)).is_empty(), "nothing changes at {}", stay.shown(wake));
        }
    }

    #[test]
    fn what_waits_for_the_feed_is_announced_when_it_has_passed(stay in any_stay(), behind in 0..1_500_i64) {
        let now = stay.looks[0].now;
        let with = |watermark| ledger(&stay, Look { now, feed: Feed::Live { watermark } });
        let announced = |l: &Ledger| {
            l.lapses.iter().filter(|l| l.announced).map(|l| (l.place, l.from)).collect::<Vec<_>>()
        };
        let here = with(now - Length::minutes(behind));
        match here.held_until {
            None => prop_assert_eq!(announced(&here), announced(&with(Instant::LATEST))),
            Some(held) => {
                prop_assert_eq!(announced(&here), announced(&with(held - TICK)));
                prop_assert!(announced(&here).len() < announced(&with(held)).len());
            }
        }
    }

    #[test]
    fn covered_and_lapsed_make_up_time_at_risk(stay in any_stay()) {
        let ledger = ledger(&stay, stay.looks[0]);
        let mut lapsed: BTreeMap<Arc<str>, Length> = BTreeMap::new();
        for lapse in &ledger.lapses {
            *lapsed.entry(lapse.requirement.clone()).or_default() += lapse.lapsed;
        }
        for (requirement, cell) in by_requirement(&ledger) {
            let lapsed = lapsed.remove(&requirement).unwrap_or_default();
            prop_assert_eq!(cell.covered + lapsed, cell.at_risk, "{}", requirement);
        }
        prop_assert!(lapsed.values().all(|l| *l == Length::ZERO));
    }

    #[test]
    fn met_missed_and_excused_make_up_the_opportunities(stay in any_stay()) {
        let ledger = ledger(&stay, stay.looks[0]);
        let mut days: BTreeMap<_, RequirementCounts> = BTreeMap::new();
        let mut cells: BTreeMap<_, Cell> = BTreeMap::new();
        for o in &ledger.opportunities {
            let counts = days.entry(o.day).or_default().entry(o.requirement.clone()).or_default();
            let key = (o.unit.clone(), o.day, o.shift.clone(), o.requirement.clone());
            let cell = cells.entry(key).or_default();
            match o.outcome {
                Outcome::Met => (counts.0, cell.met) = (counts.0 + 1, cell.met + 1),
                Outcome::Missed => (counts.1, cell.missed) = (counts.1 + 1, cell.missed + 1),
                Outcome::Excused => (counts.2, cell.excused) = (counts.2 + 1, cell.excused + 1),
            }
            cell.late_charted += u32::from(o.late_charted);
        }
        let shown: BTreeMap<_, _> = ledger.patient_days.iter().map(|d| (d.day, d.counts.clone())).collect();
        prop_assert_eq!(days, shown);
        let counts = |c: &Cell| (c.met, c.missed, c.excused, c.late_charted);
        let counted = ledger.cells.iter().filter(|(_, c)| counts(c) != (0, 0, 0, 0));
        let of_cells: BTreeMap<_, _> = counted
            .map(|(k, c)| ((k.unit.clone(), k.day, k.shift.clone(), k.requirement.clone()), counts(c)))
            .collect();
        let cells: BTreeMap<_, _> = cells.iter().map(|(k, c)| (k.clone(), counts(c))).collect();
        prop_assert_eq!(cells, of_cells);
    }

    #[test]
    fn a_shift_of_all_instants_shifts_the_ledger(stay in any_stay(), days in -500..500_i64) {
        let shift = Shift::days(days);
        // days as long as another, so that a shift by days moves each local day onto a local day
        let mut stay = stay;
        stay.rules.zone = chrono_tz::Tz::UTC;
        let look = stay.looks[0];
        let shifted = ledger(&shift.stay(&stay), shift.look(look));
        prop_assert_eq!(shift.ledger(ledger(&stay, look)), shifted);
    }

    #[test]
    fn a_shift_by_minutes_shifts_what_no_calendar_asks_for(
        stay in any_verified_stay(), minutes in -5_000..5_000_i64
    ) {
        let shift = Shift::minutes(minutes);
        let look = stay.looks[0];
        let calendar = |stay: &Stay, o: &Opportunity| {
            let mut all = stay.rules.protocols.iter().flat_map(|p| &p.requirements);
            matches!(all.find(|r| r.id == o.requirement).unwrap().kind, Kind::PerDay { .. } | Kind::At { .. })
        };
        let clocked = |stay: &Stay, look: Look, by: Shift| {
            let opportunities = ledger(stay, look).opportunities.into_iter().filter(|o| !calendar(stay, o));
            let shown = |o: Opportunity| {
                (o.requirement, o.outcome, by.at(o.at), by.at(o.deadline), o.late_charted, o.evidence, o.unit)
            };
            opportunities.map(shown).collect::<Vec<_>>()
        };
        let shifted = clocked(&shift.stay(&stay), shift.look(look), Shift::minutes(0));
        prop_assert_eq!(clocked(&stay, look, shift), shifted);
    }

    #[test]
    fn hours_of_past_days_do_not_change(stay in any_verified_stay(), later in 0..10_000_i64) {
        let first = Look { feed: Feed::unwatched(), ..stay.looks[0] };
        let stay = known_at(stay, first.now);
        let second = Look { now: first.now + Length::minutes(later), ..first };
        let today = first.now.day(stay.rules.zone);
        let hours = |look| -> BTreeMap<_, _> {
            let cells = ledger(&stay, look).cells.into_iter().filter(|(key, _)| key.day < today);
            let cells = cells.map(|(key, c)| (key, (c.at_risk, c.covered, c.unverified)));
            cells.filter(|(_, hours)| *hours != Default::default()).collect()
        };
        prop_assert_eq!(hours(first), hours(second));
    }

    #[test]
    fn more_care_never_makes_more_misses_of_every_nor_fewer_covered_hours(
        stay in any_verified_stay(), more in any_stay(), part in 0..1_000_i64
    ) {
        let look = stay.looks[0];
        let from = stay.begins.unwrap_or(look.now - Length::hours(48));
        let at = from + Length::minutes(look.now.since(from).as_micros() / 60_000_000 * part / 1_000);
        let requirements: Vec<_> = stay.rules.protocols.iter().flat_map(|p| &p.requirements).collect();
        let activities = requirements.iter().flat_map(|r| r.activities.clone()).collect();
        let mut added = stay.clone();
        let (source, recorded, received) = (Source::new("Procedure/added/_history/1"), at, at);
        added.entries.push(Entry::Care(CareEvent { at: When::At(at), activities, recorded, received, source }));
        // and now and then the care of another stay beside it
        let care = more.entries.iter().filter(|e| part % 2 == 0 && matches!(e, Entry::Care(_)));
        added.entries.extend(care.cloned());
        let (fewer, more) = (by_requirement(&ledger(&stay, look)), by_requirement(&ledger(&added, look)));
        for requirement in requirements {
            if let (Kind::Every { .. }, Some(before)) = (&requirement.kind, fewer.get(&requirement.id)) {
                let after = more.get(&requirement.id).copied().unwrap_or_default();
                let fewer_misses = after.missed <= before.missed;
                prop_assert!(fewer_misses, "{}: {before:?} then {after:?}", requirement.id);
                let more_covered = after.covered >= before.covered;
                prop_assert!(more_covered, "{}: {before:?} then {after:?}", requirement.id);
            }
        }
    }
}

/// The stay without what nobody could have charted at `now`.
fn known_at(stay: Stay, now: Instant) -> Stay {
    let known = stay.entries.iter().filter(|e| !ahead(e, now, &stay)).cloned().collect();
    Stay { entries: known, ..stay }
}

/// True while ventilation may only be held to go on after the last row: what follows from that is provisional.
fn held_by_rows(stay: &Stay, now: Instant) -> bool {
    stay.entries.iter().any(|e| matches!(e, Entry::Row(row) if now < row.at + stay.rules.hold))
}

/// True for a fact that is not known at `now`, or tells of an event after it.
fn ahead(entry: &Entry, now: Instant, stay: &Stay) -> bool {
    let day_ahead = |when: When| matches!(when, When::Day(day) if day >= now.day(stay.rules.zone));
    let vague = match entry {
        Entry::Care(c) => day_ahead(c.at),
        Entry::Excuse(x) => day_ahead(x.at),
        Entry::Ventilated(v) => day_ahead(v.from) || v.to.is_some_and(day_ahead),
        Entry::Row(_) | Entry::Extubation(_) | Entry::Unit(_) | Entry::Away(_) | Entry::Condition(_) => false,
    };
    vague || entry.instant().is_some_and(|at| at > now)
}

/// What differs between two ledgers, but for now, the hours and the wake.
fn differing(a: &Ledger, b: &Ledger) -> Vec<&'static str> {
    let lapses = |l: &Ledger| {
        let mut lapses = l.lapses.clone();
        lapses.iter_mut().for_each(|l| l.lapsed = Length::ZERO);
        lapses
    };
    let parts = [
        ("state", a.state == b.state),
        ("unit", a.unit == b.unit),
        ("unverified", a.unverified_since == b.unverified_since),
        ("standings", a.standings == b.standings),
        ("opportunities", a.opportunities == b.opportunities),
        ("lapses", lapses(a) == lapses(b)),
        ("patient days", a.patient_days == b.patient_days),
        ("census", a.census == b.census),
        ("doubts", a.doubts == b.doubts),
        ("held", a.held_until == b.held_until),
    ];
    parts.into_iter().filter(|(_, same)| !same).map(|(part, _)| part).collect()
}

fn by_requirement(ledger: &Ledger) -> BTreeMap<Arc<str>, Cell> {
    let mut sums: BTreeMap<Arc<str>, Cell> = BTreeMap::new();
    for (key, cell) in &ledger.cells {
        sums.entry(key.requirement.clone()).or_default().add(cell);
    }
    sums
}
