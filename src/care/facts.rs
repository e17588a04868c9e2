//! What the record says of one stay, free of FHIR.
//!
//! Facts are a set: their order means nothing, and the same fact twice is the fact once.

use std::fmt;
use std::sync::Arc;

use chrono::NaiveDate;

use super::place::places;
use super::time::Instant;

/// The document a fact was read from, as `Type/id/_history/version`.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Source(pub Arc<str>);

/// A code of the project's own CodeSystems: an activity (`oral-cleansing`), a condition or an excuse reason.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Code(pub Arc<str>);

/// When something was, as exactly as it was charted.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum When {
    /// To the second or better.
    At(Instant),
    /// Only the local day is known.
    Day(NaiveDate),
}

/// What is known of one stay (one root encounter of one patient).
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Facts {
    /// `Encounter/id` of the root encounter.
    pub stay: Arc<str>,
    /// Start of the stay; none if the record does not say.
    pub begins: Option<Instant>,
    /// How the stay ended; none while it is open. If several are charted, the earliest.
    pub ends: Option<StayEnd>,
    /// Spans of invasive ventilation, as charted.
    pub ventilated: Vec<Ventilated>,
    /// Flowsheet rows that tell the airway in use; they count only where no span of invasive ventilation was charted
    /// by [`Proof::Procedure`] or [`Proof::DeviceUse`].
    pub airway_rows: Vec<AirwayRow>,
    /// Removals of the artificial airway.
    pub extubations: Vec<Extubation>,
    /// Where the patient was.
    pub units: Vec<UnitSpan>,
    /// Time off the unit: theatre, imaging.
    pub away: Vec<AwaySpan>,
    /// Care that was done.
    pub care: Vec<CareEvent>,
    /// Care that was not done, with a reason that counts.
    pub excuses: Vec<Excuse>,
    /// Care that is being done.
    pub under_way: Vec<UnderWay>,
    /// Time in which a named condition of the patient holds.
    pub conditions: Vec<ConditionSpan>,
}

impl Facts {
    /// The unit of the patient at `at`, or the last one known before.
    pub fn unit_at(&self, at: Instant) -> Option<Arc<str>> {
        places(&self.units).last_known(at).cloned()
    }
}

/// The end of a stay.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StayEnd {
    /// First instant no longer inside the stay.
    pub at: Instant,
    /// How it ended.
    pub how: Ending,
    /// The Encounter or the Patient that says so.
    pub source: Source,
}

/// How a stay can end.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Ending {
    /// The encounter has an end, or is finished.
    Discharged,
    /// The patient is deceased.
    Died,
    /// The encounter was cancelled.
    Cancelled,
}

/// How well a span of ventilation is proved; the better ones displace the weaker ones for the whole stay.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Proof {
    /// A Procedure of invasive ventilation.
    Procedure,
    /// A DeviceUseStatement of a ventilator or an artificial airway. As good as a Procedure: both are united.
    DeviceUse,
    /// Only the status of a Device over its versions. Counts where no Procedure, DeviceUseStatement or row exists.
    DeviceStatus,
}

/// A span of invasive ventilation as charted.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Ventilated {
    /// Its start.
    pub from: When,
    /// Its end; none while it goes on. An open end ends at the first extubation after the start, or with the stay.
    pub to: Option<When>,
    /// What it rests on.
    pub proof: Proof,
    /// Where it was read.
    pub source: Source,
}

/// A flowsheet row that tells the airway in use.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct AirwayRow {
    /// When it was observed.
    pub at: Instant,
    /// True for ventilation through an artificial airway, false for any other airway or support.
    pub invasive: bool,
    /// Where it was read.
    pub source: Source,
}

/// The artificial airway was removed.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Extubation {
    /// When.
    pub at: Instant,
    /// Where it was read.
    pub source: Source,
}

/// The patient was in a unit.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct UnitSpan {
    /// `Location/id`'s id.
    pub unit: Arc<str>,
    /// Start.
    pub from: Instant,
    /// End; none while it goes on. Where spans overlap the one that began last holds.
    pub to: Option<Instant>,
    /// Where it was read.
    pub source: Source,
}

/// The patient was off the unit.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct AwaySpan {
    /// Start.
    pub from: Instant,
    /// End; none while it goes on.
    pub to: Option<Instant>,
    /// Where it was read.
    pub source: Source,
}

/// Care that was done.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct CareEvent {
    /// When it was done.
    pub at: When,
    /// Which activities it was.
    pub activities: Arc<[Code]>,
    /// When it was charted.
    pub recorded: Instant,
    /// When it reached the service.
    pub received: Instant,
    /// Where it was read.
    pub source: Source,
}

/// Care that was not done, with a reason that counts.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Excuse {
    /// When it would have been done.
    pub at: When,
    /// Which activities were not done.
    pub activities: Arc<[Code]>,
    /// Requirements that were asked for and not done, by their ids; no others are excused by this, whatever activities
    /// they share.
    pub asked: Vec<Arc<str>>,
    /// Why.
    pub reason: Code,
    /// When it was charted.
    pub recorded: Instant,
    /// When it reached the service.
    pub received: Instant,
    /// Where it was read.
    pub source: Source,
}

/// Care that is being done.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct UnderWay {
    /// Since when, if charted.
    pub since: Option<Instant>,
    /// Which activities it is.
    pub activities: Arc<[Code]>,
    /// Where it was read.
    pub source: Source,
}

/// A named condition of the patient holds.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ConditionSpan {
    /// The name by which requirements ask for it.
    pub name: Code,
    /// Start.
    pub from: Instant,
    /// End; none while it goes on.
    pub to: Option<Instant>,
    /// Where it was read.
    pub source: Source,
}

impl Code {
    /// A code from its text.
    pub fn new(code: &str) -> Self {
        Code(code.into())
    }
}

impl Source {
    /// A source from its text.
    pub fn new(source: &str) -> Self {
        Source(source.into())
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl fmt::Debug for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}
