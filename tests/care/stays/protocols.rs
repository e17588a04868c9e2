//! Random rules: two protocols, all kinds of requirement, units with the one, the other and none.

use std::collections::BTreeSet;

use chrono::NaiveTime;
use chrono_tz::Tz;
use terce::care::facts::Code;
use terce::care::protocol::{Kind, Protocol, Requirement, Rules, Shift, Unit, UnitProtocol};
use terce::care::time::Length;

use crate::care::dice::Dice;

/// All activities that occur.
pub(super) const ACTIVITIES: [&str; 4] = ["cleanse", "brush", "moisten", "assess"];

/// The unit in which no protocol holds.
const OUT_OF_SCOPE: &str = "ward";
/// All units that occur; the last is not configured.
pub(super) const UNITS: [&str; 5] = ["icu-1", "icu-2", "icu-3", OUT_OF_SCOPE, "elsewhere"];
/// The condition that some requirements ask for.
pub(super) const CONDITION: &str = "dry-mouth";

/// The rules of a site.
pub(super) fn rules(dice: &mut Dice, zone: Tz) -> Rules {
    let mut rules = Rules::standard(zone);
    rules.protocols = vec![protocol(dice, "a"), protocol(dice, "b")];
    rules.default_protocol = dice.chance(90).then_some(0);
    let unit = |protocol| Unit { name: None, protocol };
    rules.units.insert("icu-1".into(), unit(UnitProtocol::Named(0)));
    rules.units.insert("icu-2".into(), unit(UnitProtocol::Named(1)));
    rules.units.insert("icu-3".into(), unit(UnitProtocol::Default));
    rules.units.insert(OUT_OF_SCOPE.into(), unit(UnitProtocol::Nowhere));
    rules.bridge = Length::minutes(*dice.pick(&[60, 60, 60, 0, 30, 120]));
    rules.regrace = Length::minutes(*dice.pick(&[60, 60, 60, 0, 30, 90]));
    rules.hold = Length::hours(*dice.pick(&[8, 8, 4, 2]));
    rules.allowance = Length::minutes(*dice.pick(&[30, 30, 0, 120]));
    if dice.chance(30) {
        let shift = |name: &str, h, m| Shift { name: name.into(), from: clock(h, m) };
        rules.shifts = vec![shift("early", 6, 30), shift("late", 14, 15), shift("night", 22, 45)];
    }
    rules.census_at = *dice.pick(&[NaiveTime::MIN, NaiveTime::MIN, clock(6, 0), clock(2, 15)]);
    rules
}

fn clock(h: u32, m: u32) -> NaiveTime {
    NaiveTime::from_hms_opt(h, m, 0).unwrap()
}

fn protocol(dice: &mut Dice, name: &str) -> Protocol {
    let mut requirements: Vec<Requirement> = Vec::new();
    let count = if name == "a" { 2 + dice.below(4) } else { 1 + dice.below(2) };
    for n in 0..count {
        let kind = kind(dice, n);
        let mut activities = vec![Code::new(dice.pick::<&str>(&ACTIVITIES))];
        if dice.chance(30) {
            activities.push(Code::new(dice.pick::<&str>(&ACTIVITIES)));
        }
        let condition = dice.chance(20).then(|| Code::new(CONDITION));
        let id = format!("{name}{n}-{}", word(&kind));
        requirements.push(Requirement {
            id: id.as_str().into(),
            title: id.as_str().into(),
            activities,
            kind,
            condition,
            steps: Vec::new(),
        });
    }
    Protocol { name: name.into(), version: "1".into(), title: name.into(), requirements }
}

fn word(kind: &Kind) -> &'static str {
    match kind {
        Kind::Every { .. } => "every",
        Kind::PerDay { .. } => "per-day",
        Kind::At { .. } => "at",
        Kind::After { .. } => "after",
    }
}

/// A kind for the requirement at `index`; what follows other care can only do so from the second on.
fn kind(dice: &mut Dice, index: usize) -> Kind {
    match dice.below(if index == 0 { 6 } else { 8 }) {
        0 | 1 => {
            let limit = *dice.pick(&[60, 120, 240, 240, 360, 720]);
            let target = *dice.pick(&[limit, limit / 2, limit / 2, limit * 3 / 4]);
            Kind::Every { target: Length::minutes(target), limit: Length::minutes(limit) }
        }
        2 | 3 => Kind::PerDay { times: *dice.pick(&[1, 2, 3, 4]) },
        4 | 5 => {
            let mut times = BTreeSet::new();
            for _ in 0..1 + dice.below(6) {
                let hour = u32::try_from(dice.below(24)).unwrap();
                times.insert(clock(*dice.pick(&[hour, hour, hour, 1, 2]), *dice.pick(&[0, 0, 15, 30])));
            }
            let tolerance = Length::minutes(*dice.pick(&[60, 60, 15, 0, 120, 300]));
            Kind::At { times: times.into_iter().collect(), tolerance }
        }
        _ => {
            let within = Length::minutes(*dice.pick(&[30, 60, 120, 120, 300]));
            Kind::After { requirement: dice.below(index), within }
        }
    }
}
