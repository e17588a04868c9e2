//! Which code of which system means what.
//!
//! # Rules
//! - A code matches by its system and its text, never by its display. A coding without a system never matches.
//! - The own codes mean themselves. Others mean what a ConceptMap says whose group has one of the own CodeSystems as
//!   its target. Several maps add up; but what a site's map says of a code, for a target system, stands in place of
//!   what the shipped map says of it (`unmatched` takes a shipped mapping away).
//! - Equivalences are read as R4 defines them, from the target to the source. `equal`, `equivalent`, `wider`,
//!   `subsumes`, `specializes` and `relatedto` count; `inexact` counts with the comment that R4 asks for (cmd-1).
//!   `narrower` never counts: the source says less than the target, and care must not be credited for what was not
//!   said. A site that knows more about its own charting says `equivalent` in its own map. `unmatched` and `disjoint`
//!   say that the code is known and means nothing here.
//! - `dependsOn` and `product` make a target depend on what is not looked at: refused.
//! - `unmapped`: `provided` reads an unlisted code as the own code of the same text, if there is one; `fixed` is
//!   refused, for a code that nobody has looked at must not credit care; `other-map` is heeded by giving the other map
//!   too, and refused where it was not given.
//! - Codes of billing classifications tell no ventilation: they know days, never a start or an end.

mod difference;
mod lookup;
mod map;
mod watch;

pub use difference::Differs;
pub use lookup::{Found, Maps, Which};
pub use map::DEFAULT_MAP;
pub use watch::{Watch, Watches};

use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::hash::{BuildHasherDefault, Hasher};
use std::sync::Arc;

use fhir_models::datatypes::{CodeableConcept, Coding};

use xxhash_rust::xxh3::xxh3_64_with_seed;

use super::Refusal;
use crate::care::facts::{Code, Source};

/// The own CodeSystem of activities.
pub const ACTIVITY: &str = "https://terce.example/fhir/CodeSystem/activity";
/// The own CodeSystem of airways and of time away.
pub const AIRWAY: &str = "https://terce.example/fhir/CodeSystem/airway";
/// The own CodeSystem of reasons for which care was not given.
pub const EXCUSE: &str = "https://terce.example/fhir/CodeSystem/excuse";

/// The own CodeSystem of what surveillance looks at.
pub const SURVEILLANCE: &str = "https://terce.example/fhir/CodeSystem/surveillance";

/// The codes of [`ACTIVITY`].
pub const ACTIVITIES: [&str; 6] = [
    "oral-cleansing",
    "tooth-brushing",
    "oral-moisturising",
    "oropharyngeal-suction-assessment",
    "suction-set-change",
    "cuff-pressure-check",
];
/// The codes of [`EXCUSE`] that are reasons.
pub const EXCUSES: [&str; 5] =
    ["refused", "contraindicated", "airway-at-risk", "procedure-in-progress", "comfort-care"];
/// The code of [`EXCUSE`] that says that care was not given, and not why.
pub const NOT_DONE: &str = "not-done";

/// The codes of [`AIRWAY`].
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Airway {
    /// Procedure: its period is time on invasive ventilation.
    InvasiveVentilation,
    /// Observation: an artificial airway was in use.
    InvasiveRow,
    /// Observation: another airway was in use.
    OtherRow,
    /// Procedure: ventilation without an artificial airway.
    NonInvasive,
    /// The artificial airway was removed.
    Extubation,
    /// The patient was off the unit.
    Away,
    /// Device.
    Ventilator,
    /// Device.
    EndotrachealTube,
    /// Device.
    TracheostomyTube,
}

impl Airway {
    /// All of them, in the order of the CodeSystem.
    pub const ALL: [Airway; 9] = [
        Airway::InvasiveVentilation,
        Airway::InvasiveRow,
        Airway::OtherRow,
        Airway::NonInvasive,
        Airway::Extubation,
        Airway::Away,
        Airway::Ventilator,
        Airway::EndotrachealTube,
        Airway::TracheostomyTube,
    ];

    /// Its code.
    pub const fn as_str(self) -> &'static str {
        match self {
            Airway::InvasiveVentilation => "invasive-ventilation",
            Airway::InvasiveRow => "invasive-ventilation-row",
            Airway::OtherRow => "other-airway-row",
            Airway::NonInvasive => "non-invasive-ventilation",
            Airway::Extubation => "extubation",
            Airway::Away => "away",
            Airway::Ventilator => "ventilator",
            Airway::EndotrachealTube => "endotracheal-tube",
            Airway::TracheostomyTube => "tracheostomy-tube",
        }
    }
}

/// A set of [`Airway`] codes.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub struct Airways(u16);

impl Airways {
    /// True if `airway` is in it.
    pub fn has(self, airway: Airway) -> bool {
        self.0 & (1 << airway as u16) != 0
    }

    /// True if `airway` is in one of the two.
    pub fn or_has(self, other: Airways, airway: Airway) -> bool {
        self.or(other).has(airway)
    }

    /// True if one of the devices is in it whose use is time on invasive ventilation.
    pub fn device(self) -> bool {
        [Airway::Ventilator, Airway::EndotrachealTube, Airway::TracheostomyTube].iter().any(|a| self.has(*a))
    }

    /// True if nothing is in it.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    fn or(self, other: Airways) -> Airways {
        Airways(self.0 | other.0)
    }

    fn of(airway: Airway) -> Airways {
        Airways(1 << airway as u16)
    }
}

/// What a code means; nothing of all this for a code that is known to mean nothing here.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Meaning {
    /// Care of these kinds; sorted.
    pub activities: Arc<[Code]>,
    /// These airways.
    pub airways: Airways,
    /// Care not given for this reason.
    pub excuse: Option<Code>,
    /// Care not given.
    pub not_done: bool,
    /// These named conditions of the patient; sorted.
    pub conditions: Arc<[Code]>,
    /// What surveillance looks at. Empty in all that [`Codes`] tells of care: see [`Codes::watched`].
    pub watched: Watches,
}

impl Meaning {
    /// True if it means nothing here.
    pub fn is_empty(&self) -> bool {
        let Meaning { activities, airways, excuse, not_done, conditions, watched } = self;
        let of_care = activities.is_empty() && airways.is_empty() && excuse.is_none() && !not_done;
        of_care && conditions.is_empty() && *watched == Watches::default()
    }

    /// What both mean together.
    pub fn with(mut self, other: &Meaning) -> Meaning {
        self.add(other);
        self
    }

    fn add(&mut self, other: &Meaning) {
        self.activities = union(&self.activities, &other.activities);
        self.conditions = union(&self.conditions, &other.conditions);
        self.airways = self.airways.or(other.airways);
        self.not_done |= other.not_done;
        self.watched = self.watched.or(other.watched);
        // Of several reasons the first by its text: any of them would do, but always the same one
        self.excuse = match (self.excuse.take(), &other.excuse) {
            (Some(a), Some(b)) => Some(a.min(b.clone())),
            (a, b) => a.or_else(|| b.clone()),
        };
    }
}

fn union(a: &Arc<[Code]>, b: &Arc<[Code]>) -> Arc<[Code]> {
    match (a.is_empty(), b.is_empty()) {
        (_, true) => a.clone(),
        (true, false) => b.clone(),
        (false, false) => {
            let mut all: Vec<Code> = a.iter().chain(b.iter()).cloned().collect();
            all.sort_unstable();
            all.dedup();
            all.into()
        }
    }
}

/// By texts of the site's own definitions: nobody else can choose texts that collide.
type Known<T> = HashMap<Box<str>, T, BuildHasherDefault<TextHasher>>;

/// xxh3 in one go: a text is hashed for each code of each document.
#[derive(Clone, Copy, Default, Debug)]
pub(super) struct TextHasher(u64);

impl Hasher for TextHasher {
    fn write(&mut self, bytes: &[u8]) {
        self.0 = xxh3_64_with_seed(bytes, self.0);
    }

    fn write_u8(&mut self, _: u8) {
        // that a text ends tells nothing where it is hashed alone
    }

    fn finish(&self) -> u64 {
        self.0
    }
}

/// All codes that mean something, and those that are known to mean nothing.
#[derive(Clone, PartialEq, Default, Debug)]
pub struct Codes {
    /// By system, then by code. Iterated only where order means nothing: it is that of the hash.
    by_system: Known<Known<Meaning>>,
    /// What surveillance looks at, by system, then by code. Apart, so that such a code means nothing to care and most
    /// rows of a flowsheet are still passed over unread.
    watched: HashMap<Box<str>, HashMap<Box<str>, Watches>>,
    /// The conditions of the patient that protocols may name.
    conditions: BTreeMap<Arc<str>, Code>,
}

/// A condition of the patient that protocols may name: a ValueSet of the codes that a Condition, or an Observation with
/// a period, has when it holds.
#[derive(Clone, Copy, Debug)]
pub struct NamedCondition<'a> {
    /// The name: the ValueSet's id.
    pub name: &'a str,
    /// The ValueSet.
    pub value_set: &'a [u8],
}

impl Codes {
    /// The own codes and the shipped map.
    pub fn shipped() -> Codes {
        Codes::build(&[], &[]).0
    }

    /// The own codes, the shipped map (unless one of `maps` has its url), the site's `maps` and its `conditions`.
    ///
    /// What cannot be honoured is refused by itself, with the document it stands in; the rest is used.
    pub fn build(
        maps: &[(Source, &[u8])],
        conditions: &[NamedCondition<'_>],
    ) -> (Codes, Vec<(Source, Refusal)>) {
        let mut codes = Codes::own();
        let mut refusals = Vec::new();
        map::read_all(&mut codes, maps, &mut refusals);
        for condition in conditions {
            map::read_condition(&mut codes, condition, &mut refusals);
        }
        (codes, refusals)
    }

    /// [`Codes::build`] for the ConceptMaps and ValueSets of a store, by id: every ValueSet is a condition that
    /// protocols may name by its id.
    pub fn of_site(
        maps: &[(String, Vec<u8>)],
        value_sets: &[(String, Vec<u8>)],
    ) -> (Codes, Vec<(String, Refusal)>) {
        let maps: Vec<(Source, &[u8])> = maps
            .iter()
            .map(|(id, body)| (Source(format!("ConceptMap/{id}").into()), body.as_slice()))
            .collect();
        let conditions: Vec<NamedCondition<'_>> =
            value_sets.iter().map(|(id, body)| NamedCondition { name: id, value_set: body }).collect();
        let (codes, refusals) = Codes::build(&maps, &conditions);
        (codes, refusals.into_iter().map(|(source, refusal)| (source.0.to_string(), refusal)).collect())
    }

    fn own() -> Codes {
        let mut codes = Codes::default();
        for (system, code) in own_codes() {
            if let Some(meaning) = own_meaning(system, code) {
                codes.set(system, code, &meaning);
            }
        }
        codes
    }

    /// The same codes, with meanings of their own: two threads that share one wait for each other.
    pub fn apart(&self) -> Codes {
        let own = |codes: &Arc<[Code]>| codes.iter().map(|code| Code::new(&code.0)).collect();
        let meaning = |m: &Meaning| Meaning {
            activities: own(&m.activities),
            conditions: own(&m.conditions),
            excuse: m.excuse.as_ref().map(|code| Code::new(&code.0)),
            ..*m
        };
        let codes = |codes: &Known<Meaning>| codes.iter().map(|(c, m)| (c.clone(), meaning(m))).collect();
        Codes {
            by_system: self.by_system.iter().map(|(s, all)| (s.clone(), codes(all))).collect(),
            watched: self.watched.clone(),
            conditions: self.conditions.clone(),
        }
    }

    /// What a coding means; none if its code is not known.
    pub fn coding(&self, coding: &Coding) -> Option<&Meaning> {
        self.code(coding.system.as_deref()?, coding.code.as_deref()?)
    }

    /// The texts of all codes that mean something, whatever their system; in no order, some twice.
    pub fn texts(&self) -> impl Iterator<Item = &str> {
        let codes = self.by_system.values().flatten();
        codes.filter(|(_, meaning)| !meaning.is_empty()).map(|(code, _)| &**code)
    }

    /// What the code of a system means; none if it is not known.
    pub fn code(&self, system: &str, code: &str) -> Option<&Meaning> {
        self.by_system.get(system)?.get(code)
    }

    /// What a concept means: all that its codings mean.
    pub fn concept(&self, concept: Option<&CodeableConcept>) -> Meaning {
        let codings = concept.into_iter().flat_map(|c| &c.coding);
        self.all(codings.filter_map(|coding| self.coding(coding))).into_owned()
    }

    /// What several meanings mean together.
    pub fn all<'a>(&self, mut meanings: impl Iterator<Item = &'a Meaning>) -> Cow<'a, Meaning> {
        // mostly one of several codings is known
        let Some(first) = meanings.next() else { return Cow::Owned(Meaning::default()) };
        match meanings.next() {
            None => Cow::Borrowed(first),
            Some(second) => Cow::Owned(meanings.fold(first.clone().with(second), Meaning::with)),
        }
    }

    /// The condition of that name, if the site has configured one.
    pub fn condition(&self, name: &str) -> Option<Code> {
        self.conditions.get(name).cloned()
    }

    /// What surveillance looks at in a code.
    pub fn watched(&self, system: &str, code: &str) -> Watches {
        self.watched.get(system).and_then(|codes| codes.get(code)).copied().unwrap_or_default()
    }

    /// System and code of everything whose meaning is wanted, in order.
    pub fn that(&self, wanted: impl Fn(&Meaning) -> bool) -> BTreeSet<(&str, &str)> {
        let all = self.by_system.iter().flat_map(|(s, codes)| codes.iter().map(move |(c, m)| (s, c, m)));
        all.filter(|(_, _, meaning)| wanted(meaning)).map(|(s, c, _)| (&**s, &**c)).collect()
    }

    /// System and code of everything in which surveillance looks at one of these, in order.
    pub fn watched_as(&self, wanted: &[Watch]) -> BTreeSet<(&str, &str)> {
        let all = self.watched.iter().flat_map(|(s, codes)| codes.iter().map(move |(c, w)| (s, c, w)));
        let any = |watches: &Watches| wanted.iter().any(|watch| watches.has(*watch));
        all.filter(|(_, _, watches)| any(watches)).map(|(s, c, _)| (&**s, &**c)).collect()
    }

    /// Adds a meaning to a code; an empty meaning makes it known.
    fn set(&mut self, system: &str, code: &str, meaning: &Meaning) {
        if !meaning.watched.is_empty() {
            let watched = self.watched.entry(system.into()).or_default().entry(code.into()).or_default();
            *watched = watched.or(meaning.watched);
        }
        let meaning = &Meaning { watched: Watches::default(), ..meaning.clone() };
        self.by_system.entry(system.into()).or_default().entry(code.into()).or_default().add(meaning);
    }
}

/// Everything that a code can mean here: the own CodeSystem and the code.
pub fn own_codes() -> impl Iterator<Item = (&'static str, &'static str)> {
    let activities = ACTIVITIES.into_iter().map(|c| (ACTIVITY, c));
    let airways = Airway::ALL.into_iter().map(|a| (AIRWAY, a.as_str()));
    let excuses = EXCUSES.into_iter().chain([NOT_DONE]).map(|c| (EXCUSE, c));
    let watched = Watch::ALL.into_iter().map(|w| (SURVEILLANCE, w.as_str()));
    activities.chain(airways).chain(excuses).chain(watched)
}

/// What a code of an own CodeSystem means; none if it has no such code.
fn own_meaning(system: &str, code: &str) -> Option<Meaning> {
    let nothing = Meaning::default();
    match system {
        ACTIVITY => ACTIVITIES
            .contains(&code)
            .then(|| Meaning { activities: Arc::from([Code::new(code)]), ..nothing }),
        AIRWAY => Airway::ALL
            .into_iter()
            .find(|a| a.as_str() == code)
            .map(|a| Meaning { airways: Airways::of(a), ..nothing }),
        SURVEILLANCE => Watch::ALL
            .into_iter()
            .find(|w| w.as_str() == code)
            .map(|w| Meaning { watched: Watches::of(w), ..nothing }),
        EXCUSE if code == NOT_DONE => Some(Meaning { not_done: true, ..nothing }),
        EXCUSE => EXCUSES.contains(&code).then(|| Meaning {
            excuse: Some(Code::new(code)),
            not_done: true,
            ..nothing
        }),
        _ => None,
    }
}
