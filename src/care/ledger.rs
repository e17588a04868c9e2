//! What follows from the facts and the rules at an instant: what was met, missed and excused, the lapses, the hours,
//! what is due now, and when that changes by itself.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;

use super::delays::Delays;
use super::facts::{Ending, Source};
use super::time::{Instant, Length, Span};

/// How far what was charted has reached us, as the reconciler is told.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Feed {
    /// What is charted reaches us; care up to `watermark` has. No miss is announced that the watermark has not passed.
    Live {
        /// Last instant at which the source is known to have told us everything.
        watermark: Instant,
    },
    /// Nothing is known of care after `watermark`.
    Silent {
        /// Last instant at which the source is known to have told us everything.
        watermark: Instant,
    },
}

/// Whether a ledger tells each opportunity. Sums, lapses and standings are the same either way; of thousands of stays
/// only they are asked for.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Opportunities {
    /// Each, with its arithmetic and its sources.
    Each,
    /// None: they are summed up only.
    Summed,
}

/// The ledger of one stay at one instant.
#[derive(Clone, PartialEq, Debug)]
pub struct Ledger {
    /// `Encounter/id`.
    pub stay: Arc<str>,
    /// The instant for which it was made.
    pub now: Instant,
    /// Whether the patient is ventilated and in scope now.
    pub state: State,
    /// The unit now, or the last one; none if never known.
    pub unit: Option<Arc<str>>,
    /// Time not verified for lack of charting that reached us; none while the feed is live.
    pub unverified_since: Option<Instant>,
    /// Each requirement that applies or applied to the stay, in the order of its protocol.
    pub standings: Vec<Standing>,
    /// Everything counted, in the order (requirement, instant); empty where they are [`Opportunities::Summed`].
    pub opportunities: Vec<Opportunity>,
    /// In the order (requirement, first deadline).
    pub lapses: Vec<Lapse>,
    /// What adds up over stays.
    pub cells: BTreeMap<CellKey, Cell>,
    /// How long after care that was met it was charted, by unit, local day and shift.
    pub delays: BTreeMap<(Arc<str>, NaiveDate, Arc<str>), Delays>,
    /// Each local day of the stay that had a counted opportunity.
    pub patient_days: Vec<PatientDay>,
    /// Each daily count at which the patient was present.
    pub census: Vec<Census>,
    /// What could not be used, and why.
    pub doubts: Vec<Doubt>,
    /// The earliest instant that the feed's watermark must reach for a further lapse to be announced; none if nothing
    /// waits for the feed.
    pub held_until: Option<Instant>,
    /// The next instant at which the ledger (but for its hours) changes with no new fact; none: never.
    pub wake: Option<Instant>,
}

/// Whether there is something to do for the patient now.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum State {
    /// The stay has not begun, or the patient was never ventilated in it.
    NotVentilated,
    /// Ventilated, in a unit where a protocol holds.
    AtRisk {
        /// Start of the episode.
        episode: Instant,
    },
    /// Ventilated, but off the unit.
    Away {
        /// Start of the episode.
        episode: Instant,
    },
    /// Ventilated, in a unit where no protocol holds.
    OutOfScope {
        /// Start of the episode.
        episode: Instant,
    },
    /// Ventilated earlier in this stay.
    Extubated {
        /// End of the last episode.
        at: Instant,
    },
    /// The stay is over.
    Ended {
        /// When.
        at: Instant,
        /// How.
        how: Ending,
    },
}

/// Where a requirement stands now.
#[derive(Clone, PartialEq, Debug)]
pub struct Standing {
    /// Index into the rules' protocols.
    pub protocol: usize,
    /// Index into that protocol's requirements.
    pub index: usize,
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// What it asks for now.
    pub phase: Phase,
    /// The last crediting care of the current episode, and what it rests on.
    pub last: Option<(Instant, Vec<Source>)>,
    /// When it is or will be due; none where it does not ask for anything.
    pub due: Option<Instant>,
    /// The first deadline that neither care nor an excuse has met: ahead, or past (missed, or unverified).
    pub deadline: Option<Instant>,
    /// How many are outstanding (`per-day`), else 1 while due or overdue and 0 while waiting.
    pub outstanding: u32,
    /// Misses in the lapse that is open now.
    pub misses: u32,
}

/// What a requirement asks for.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Phase {
    /// It does not apply now: not ventilated, out of scope, its condition does not hold, the stay is over.
    NotAtRisk,
    /// It applies, but the patient is away.
    Suspended,
    /// Nothing to do yet.
    Waiting,
    /// A good moment to do it.
    Due,
    /// The deadline has passed, charting may still arrive.
    Overdue,
    /// The deadline and the charting allowance have passed on a feed that is known to have told us everything.
    Announced,
}

/// What became of one chance to give care in time.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Outcome {
    /// Done in time.
    Met,
    /// Not done in time.
    Missed,
    /// Not done, for a reason that counts.
    Excused,
}

/// One counted chance.
#[derive(Clone, PartialEq, Debug)]
pub struct Opportunity {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// What became of it.
    pub outcome: Outcome,
    /// The instant it belongs to: the care, the excuse, or the deadline (`per-day`: the last at-risk instant of the day).
    pub at: Instant,
    /// The deadline it was measured against.
    pub deadline: Instant,
    /// How that deadline came about.
    pub basis: Basis,
    /// True if care in time was charted later than the allowance.
    pub late_charted: bool,
    /// How long after the care it was charted, of what was met; of care known only to the day, after that day.
    pub delay: Option<Length>,
    /// The care or the excuse.
    pub evidence: Vec<Source>,
    /// The unit, empty if not known.
    pub unit: Arc<str>,
    /// The local day.
    pub day: NaiveDate,
    /// The shift.
    pub shift: Arc<str>,
}

/// The arithmetic of a deadline.
#[derive(Clone, PartialEq, Debug)]
pub enum Basis {
    /// `every`: so long after the anchor, perhaps moved by time away.
    Every {
        /// The last care, excuse or deadline, or the start of the clock.
        anchor: Instant,
        /// What the anchor rests on; empty for the start of the clock and for a missed deadline.
        anchor_evidence: Vec<Source>,
        /// The deadline before time away moved it.
        unmoved: Instant,
    },
    /// `per-day`: so many of so many.
    PerDay {
        /// The local day.
        day: NaiveDate,
        /// At-risk time on it.
        at_risk: Length,
        /// Its length.
        length: Length,
        /// What was asked for on that day, before excuses.
        need: u32,
        /// What was done.
        done: u32,
    },
    /// `at`: a time of day.
    At {
        /// The slot.
        slot: Instant,
    },
    /// `after`: the care that it follows.
    After {
        /// When that was.
        trigger: Instant,
        /// What it rests on.
        trigger_evidence: Vec<Source>,
    },
}

/// Time at risk after a missed deadline, until the next care or excuse or the end of the stretch.
#[derive(Clone, PartialEq, Debug)]
pub struct Lapse {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// Index into the rules' protocols, and into that protocol's requirements.
    pub place: (usize, usize),
    /// The first deadline that was missed; with stay and requirement it names the lapse.
    pub from: Instant,
    /// When what was missed had become due.
    pub due: Instant,
    /// How it ended; none while it is open.
    pub ended: Option<LapseEnd>,
    /// All deadlines missed in it, in order.
    pub misses: Vec<Instant>,
    /// How the first deadline came about.
    pub basis: Basis,
    /// At-risk time in it so far.
    pub lapsed: Length,
    /// First deadline + charting allowance.
    pub declared: Instant,
    /// True if it may be announced: it was open at `declared`, by what had reached us then, and that is past.
    pub announced: bool,
    /// The unit at the first deadline, empty if not known.
    pub unit: Arc<str>,
}

/// The end of a lapse.
#[derive(Clone, PartialEq, Debug)]
pub struct LapseEnd {
    /// When.
    pub at: Instant,
    /// What ended it.
    pub by: LapseEnder,
    /// The care or the excuse.
    pub evidence: Vec<Source>,
}

/// What ends a lapse.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum LapseEnder {
    /// Care was given.
    Care,
    /// Care was not given, for a reason that counts.
    Excuse,
    /// The requirement no longer applies: extubated, discharged, died, out of scope.
    EndOfStretch,
}

/// What a tally is kept for.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct CellKey {
    /// `Location` id, empty if not known.
    pub unit: Arc<str>,
    /// Local day.
    pub day: NaiveDate,
    /// Shift.
    pub shift: Arc<str>,
    /// The requirement's id.
    pub requirement: Arc<str>,
}

/// One tally. All fields add up.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Cell {
    /// Chances met.
    pub met: u32,
    /// Chances missed.
    pub missed: u32,
    /// Chances excused.
    pub excused: u32,
    /// Of the met ones, how many were charted later than the allowance.
    pub late_charted: u32,
    /// Time at risk and verified.
    pub at_risk: Length,
    /// Of it, time not in a lapse.
    pub covered: Length,
    /// Time at risk that charting does not reach; in none of the others.
    pub unverified: Length,
}

/// One local day of one stay on which something was counted.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PatientDay {
    /// The local day.
    pub day: NaiveDate,
    /// The unit at the last at-risk instant of that day, empty if not known.
    pub unit: Arc<str>,
    /// For each requirement with a counted opportunity that day: met, missed, excused.
    pub counts: RequirementCounts,
}

/// Met, missed and excused, by requirement.
pub type RequirementCounts = BTreeMap<Arc<str>, (u32, u32, u32)>;

/// The patient was there when patients were counted.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Census {
    /// The local day.
    pub day: NaiveDate,
    /// The unit, empty if not known.
    pub unit: Arc<str>,
    /// Whether on invasive ventilation at that instant.
    pub ventilated: bool,
}

/// Something the record says that could not be used as it stands.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Doubt {
    /// Where it was read.
    pub source: Source,
    /// What is wrong and what follows, for people; no patient content.
    pub why: Arc<str>,
}

impl Feed {
    /// A feed that nobody watches: everything charted is taken to have reached us.
    pub fn unwatched() -> Self {
        Feed::Live { watermark: Instant::LATEST }
    }

    /// Since when nothing is known of care, if the feed is silent.
    pub fn silent_since(self, now: Instant) -> Option<Instant> {
        match self {
            Feed::Live { .. } => None,
            Feed::Silent { watermark } => Some(now.min(watermark)),
        }
    }

    /// What lies at or after it is not counted however late it gets, unless the feed speaks again.
    pub fn horizon(self) -> Instant {
        match self {
            Feed::Live { .. } => Instant::LATEST,
            Feed::Silent { watermark } => watermark,
        }
    }

    /// The end of the time whose charting is known to have reached us, at `now`.
    pub fn cut(self, now: Instant) -> Instant {
        match self {
            Feed::Live { .. } => now,
            Feed::Silent { watermark } => now.min(watermark),
        }
    }

    /// The last instant up to which an absent charting means that care was not charted.
    pub fn watermark(self) -> Instant {
        match self {
            Feed::Live { watermark } | Feed::Silent { watermark } => watermark,
        }
    }
}

impl Doubt {
    /// A doubt about `source`.
    pub fn new(source: &Source, why: impl Into<Arc<str>>) -> Self {
        Doubt { source: source.clone(), why: why.into() }
    }
}

impl Cell {
    /// Adds `other` to it.
    pub fn add(&mut self, other: &Cell) {
        self.met += other.met;
        self.missed += other.missed;
        self.excused += other.excused;
        self.late_charted += other.late_charted;
        self.at_risk += other.at_risk;
        self.covered += other.covered;
        self.unverified += other.unverified;
    }

    /// Takes away `other`, which was added to it.
    pub fn take(&mut self, other: &Cell) {
        self.met = self.met.saturating_sub(other.met);
        self.missed = self.missed.saturating_sub(other.missed);
        self.excused = self.excused.saturating_sub(other.excused);
        self.late_charted = self.late_charted.saturating_sub(other.late_charted);
        self.at_risk = self.at_risk - other.at_risk;
        self.covered = self.covered - other.covered;
        self.unverified = self.unverified - other.unverified;
    }
}

impl Span {
    /// An end that may be open: [`Instant::LATEST`] where there is none.
    pub fn until(from: Instant, to: Option<Instant>) -> Span {
        Span::new(from, to.unwrap_or(Instant::LATEST))
    }
}
