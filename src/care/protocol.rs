//! What must happen and how often, and the site's own settings.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{NaiveTime, Timelike};
use chrono_tz::Tz;

use super::facts::Code;
use super::time::{Instant, Length};

/// A care protocol: requirements that hold together.
#[derive(Clone, PartialEq, Debug)]
pub struct Protocol {
    /// Its name; unique among the loaded ones.
    pub name: Arc<str>,
    /// Its version.
    pub version: Arc<str>,
    /// For people.
    pub title: Arc<str>,
    /// In the order in which people are shown them; ids are unique.
    pub requirements: Vec<Requirement>,
}

/// One line of a protocol.
#[derive(Clone, PartialEq, Debug)]
pub struct Requirement {
    /// Its id, by which tallies name it.
    pub id: Arc<str>,
    /// For people.
    pub title: Arc<str>,
    /// The activities that credit it, any of them.
    pub activities: Vec<Code>,
    /// How often.
    pub kind: Kind,
    /// The condition of the patient under which it applies; none: always.
    pub condition: Option<Code>,
    /// What to do, in order, for people.
    pub steps: Vec<Arc<str>>,
}

/// How often a requirement must be done.
#[derive(Clone, PartialEq, Debug)]
pub enum Kind {
    /// Again and again.
    Every {
        /// Due this long after the last credit (P).
        target: Length,
        /// Missed this long after the last credit (L, at least P).
        limit: Length,
    },
    /// At least so many times each local calendar day.
    PerDay {
        /// At least 1.
        times: u32,
    },
    /// At fixed local times of day.
    At {
        /// Sorted, distinct.
        times: Vec<NaiveTime>,
        /// How much before or after is still in time.
        tolerance: Length,
    },
    /// Within a time after each care of another requirement.
    After {
        /// The index of that requirement in the protocol.
        requirement: usize,
        /// W.
        within: Length,
    },
}

/// A named part of the local day.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Shift {
    /// Its name.
    pub name: Arc<str>,
    /// It begins here; it lasts until the next one begins.
    pub from: NaiveTime,
}

/// What a site sets for one of its units.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Unit {
    /// For people; the id where none.
    pub name: Option<Arc<str>>,
    /// Which protocol holds there: an index into [`Rules::protocols`].
    pub protocol: UnitProtocol,
}

/// Which protocol holds in a unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub enum UnitProtocol {
    /// The site's default.
    #[default]
    Default,
    /// None: patients there are out of scope.
    Nowhere,
    /// This one, by its index into [`Rules::protocols`].
    Named(usize),
}

/// The protocols and the settings under which facts are counted.
#[derive(Clone, PartialEq, Debug)]
pub struct Rules {
    /// All loaded protocols.
    pub protocols: Vec<Protocol>,
    /// The one that holds where a unit says nothing, and for stays whose unit is not known; none: no one.
    pub default_protocol: Option<usize>,
    /// By `Location` id.
    pub units: BTreeMap<Arc<str>, Unit>,
    /// The zone whose local days and clock times are meant.
    pub zone: Tz,
    /// Sorted by start; never empty. Before the first start of a day the last one still holds, under the new date.
    pub shifts: Vec<Shift>,
    /// A gap in ventilation of at most this is closed; a longer one begins a new episode.
    pub bridge: Length,
    /// After time away a deadline is at least this far off.
    pub regrace: Length,
    /// How far apart flowsheet rows of ventilation may be and still be one span.
    pub hold: Length,
    /// How long after a deadline charting may take before the miss is announced.
    pub allowance: Length,
    /// How far ahead of `now` the clock of a source may be; care further ahead waits until it is that near.
    pub ahead: Length,
    /// How long before the care that it follows an `after` care still counts.
    pub lead: Length,
    /// The local time at which patients and ventilated patients are counted each day.
    pub census_at: NaiveTime,
}

impl Rules {
    /// The settings a site starts with, without protocols: bridge 60 min, regrace 60 min, hold 8 h, charting allowance
    /// 30 min, clocks 5 min ahead, lead 10 min, shifts day 07:00 and night 19:00, census at midnight.
    pub fn standard(zone: Tz) -> Self {
        let clock = |h| NaiveTime::from_hms_opt(h, 0, 0).unwrap_or(NaiveTime::MIN);
        Rules {
            protocols: Vec::new(),
            default_protocol: None,
            units: BTreeMap::new(),
            zone,
            shifts: vec![
                Shift { name: "day".into(), from: clock(7) },
                Shift { name: "night".into(), from: clock(19) },
            ],
            bridge: Length::minutes(60),
            regrace: Length::minutes(60),
            hold: Length::hours(8),
            allowance: Length::minutes(30),
            ahead: Length::minutes(5),
            lead: Length::minutes(10),
            census_at: NaiveTime::MIN,
        }
    }

    /// The same rules, with texts of their own. Whoever names a shared text counts so in it; where two threads do that
    /// with every count of a requirement, each waits for the other all the time.
    pub fn apart(&self) -> Rules {
        let own = |text: &Arc<str>| Arc::<str>::from(&**text);
        let requirement = |r: &Requirement| Requirement {
            id: own(&r.id),
            title: own(&r.title),
            activities: r.activities.iter().map(|code| Code(own(&code.0))).collect(),
            kind: r.kind.clone(),
            condition: r.condition.as_ref().map(|code| Code(own(&code.0))),
            steps: r.steps.iter().map(own).collect(),
        };
        let protocol = |p: &Protocol| Protocol {
            name: own(&p.name),
            version: own(&p.version),
            title: own(&p.title),
            requirements: p.requirements.iter().map(requirement).collect(),
        };
        let unit = |(id, unit): (&Arc<str>, &Unit)| (own(id), unit.clone());
        Rules {
            protocols: self.protocols.iter().map(protocol).collect(),
            units: self.units.iter().map(unit).collect(),
            shifts: self.shifts.iter().map(|s| Shift { name: own(&s.name), from: s.from }).collect(),
            ..self.clone()
        }
    }

    /// The protocol that holds in `unit` (its index), if any.
    pub fn protocol_in(&self, unit: Option<&str>) -> Option<usize> {
        match unit.and_then(|u| self.units.get(u)).map(|u| u.protocol) {
            Some(UnitProtocol::Named(index)) => Some(index),
            Some(UnitProtocol::Nowhere) => None,
            Some(UnitProtocol::Default) | None => self.default_protocol,
        }
    }

    /// The longest time that care of one kind may be apart in `unit`; none where nothing is asked for by intervals.
    pub fn longest_interval(&self, unit: Option<&str>) -> Option<Length> {
        let protocol = self.protocols.get(self.protocol_in(unit)?)?;
        let limit = |requirement: &Requirement| match requirement.kind {
            Kind::Every { limit, .. } => Some(limit),
            Kind::PerDay { .. } | Kind::At { .. } | Kind::After { .. } => None,
        };
        protocol.requirements.iter().filter_map(limit).max()
    }

    /// The shift that holds the local clock time of `at`.
    pub fn shift_at(&self, at: Instant) -> Arc<str> {
        let time = at.local(self.zone).time();
        let begun = self.shifts.iter().rev().find(|s| s.from <= time).or(self.shifts.last());
        begun.map(|s| s.name.clone()).unwrap_or_default()
    }
}

/// Whole seconds since local midnight, for people and for rendering.
pub fn seconds_of_day(time: NaiveTime) -> u32 {
    time.num_seconds_from_midnight()
}
