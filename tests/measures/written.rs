//! A report of many units, written straight, is the resource to the byte.

use fhir_models::Resource;
use terce::care::delays::Delays;
use terce::care::surveillance::denominators::Watched;
use terce::care::tally::{CensusCell, DayCell, Tally};
use terce::care::time::Length;
use terce::care::totals::Totals;
use terce::translate::measures::{Beside, MEASURES, Other, Scope, Step, Whom, evaluate_beside, written};

use super::beside::series;
use super::reports::{cell, day, key, now, rules};

struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: u64) -> u32 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        u32::try_from((self.0 >> 33) % below).unwrap()
    }
}

/// Many units with all that is counted, some with little of it.
fn tally(units: u32, dice: &mut Dice) -> Tally {
    let mut tally = Tally::default();
    for n in 0..units {
        // one is not known, one has a name that JSON escapes
        let unit = match n {
            0 => String::new(),
            1 => "icu".to_owned(),
            n => format!("unit-{n}"),
        };
        let at = |d: u32| (std::sync::Arc::from(unit.as_str()), day(d));
        for d in 1..=3 {
            for (requirement, shift) in
                [("clean", "day"), ("clean", "night"), ("brush", "day"), ("moisten", "night")]
            {
                let (met, missed) = (dice.roll(40) * dice.roll(2), dice.roll(20) * dice.roll(3));
                let (late, covered) = (met / 3, i64::from(dice.roll(700)));
                let counts = cell(met, missed, dice.roll(3), late, [720, covered, i64::from(dice.roll(60))]);
                tally.cells.insert(key(&unit, d, shift, requirement), counts);
                let mut delays = Delays::default();
                delays.count(Length::minutes(i64::from(dice.roll(400))), met);
                tally.delays.insert((at(d).0, day(d), shift.into()), delays);
            }
            let of = 1 + dice.roll(9);
            let requirements =
                [("brush".into(), (dice.roll(2).min(of), of)), ("clean".into(), (0, of))].into();
            let complete = dice.roll(u64::from(of));
            tally.days.insert(at(d), DayCell { complete, of, requirements });
            let patients = 1 + dice.roll(30);
            let ventilated = dice.roll(u64::from(patients) + 1);
            tally.census.insert(at(d), CensusCell { patients, ventilated });
            let events = dice.roll(2);
            let infected = dice.roll(2).min(events);
            tally.watched.insert(at(d), Watched { events, infected, ..Watched::default() });
        }
    }
    tally
}

#[test]
fn what_is_written_straight_is_the_resource_to_the_byte() {
    let mut dice = Dice(9);
    let (mut straight, mut reports) = (0, 0);
    for units in [1, 31, 32, 90] {
        let tally = tally(units, &mut dice);
        let period = (day(1), day(3));
        let totals = Totals::of(&tally, period.0, period.1, None);
        let hospital = Whom::Organization("hospital".into());
        let scopes =
            [Scope::default(), Scope { whom: hospital, waiting: 4, unsurveyed: 2, ..Scope::default() }];
        let other = Other { period: (day(1), day(2)), totals: Totals::of(&tally, day(1), day(2), None) };
        for (id, scope) in MEASURES.iter().flat_map(|id| scopes.iter().map(move |scope| (id, scope))) {
            for smallest in [0, 4] {
                let series = Some(series(&tally, period, Step::Day));
                let beside = Beside { other: Some(other.clone()), series, smallest };
                let resource =
                    evaluate_beside(id, &totals, &rules(), period, scope, &beside, now()).unwrap().write();
                let bytes = written(id, &totals, &rules(), period, scope, &beside, now()).unwrap();
                if bytes != resource {
                    let at = bytes.iter().zip(&resource).position(|(a, b)| a != b).unwrap_or(0);
                    let near = |text: &[u8]| {
                        String::from_utf8_lossy(&text[at.saturating_sub(80)..(at + 120).min(text.len())])
                            .into_owned()
                    };
                    panic!("{id} of {units} units:\n{}\n{}", near(&bytes), near(&resource));
                }
                reports += 1;
                straight += usize::from(units >= 32 && smallest == 0);
            }
        }
    }
    assert!(straight > 40 && reports > 200, "{straight} {reports}");
}
