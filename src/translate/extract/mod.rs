//! What one document says by itself.
//!
//! An [`Extract`] depends on the document, its versions and the codes, and on nothing else; so it can be kept as long
//! as these do not change. Whether what it says is a fact of some stay is for the
//! [`dossier`](super::dossier) to find out.

pub(crate) mod charted;
mod condition;
mod device;
mod encounter;
pub(crate) mod glance;
mod location;
pub(crate) mod mould;
mod observation;
mod patient;
mod procedure;
mod reading;
mod task;
mod unmapped;
mod watched;

use std::sync::Arc;

use chrono::NaiveDate;
use fhir_models::codes::EncounterStatus;

use self::reading::Reading;
pub(crate) use self::task::may_matter as task_may_matter;
pub use self::unmapped::{Unmapped, unmapped};
pub use self::watched::watch;
use super::codes::{Airways, Codes};
use super::document::{Bases, Stored};
use crate::care::facts::{Code, Proof, Source, When};
use crate::care::time::Instant;

/// What one document says by itself.
#[derive(Clone, PartialEq, Debug)]
pub struct Extract {
    /// The version that was read.
    pub source: Source,
    /// The encounter in which it was made.
    pub encounter: Made,
    /// What it says.
    pub tells: Tells,
    /// What of it could not be used, or only with a guess, and why; none where there is none.
    pub doubts: Option<Box<Vec<Arc<str>>>>,
    /// Its version.
    pub version: u32,
    /// Some of it rests on when a version was received. With [`extract_versions`] that is the version that first said
    /// so; with [`extract`] it is this one.
    pub by_version: bool,
    /// When it was charted rests on when its first version was told, and not on what the document says.
    pub by_first: bool,
}

/// What a document says, whichever document it is: the fields of an [`Extract`].
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Said {
    pub(crate) encounter: Made,
    pub(crate) tells: Tells,
    #[expect(
        clippy::box_collection,
        reason = "nearly all have none, and many are kept: one word instead of three"
    )]
    pub(crate) doubts: Option<Box<Vec<Arc<str>>>>,
    pub(crate) by_version: bool,
    pub(crate) by_first: bool,
}

/// The encounter in which a document was made.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Made {
    /// It does not say.
    Unsaid,
    /// In the Encounter of this id.
    In(Arc<str>),
    /// In one of another server, or one that is only described.
    Elsewhere,
}

/// What a document says: mostly one thing or nothing.
#[derive(Clone, PartialEq, Debug)]
pub enum Tells {
    /// Nothing that is of use here.
    Nothing,
    /// One thing.
    One(Tell),
    /// Several.
    Many(Vec<Tell>),
}

/// One thing that a document says.
#[derive(Clone, PartialEq, Debug)]
pub enum Tell {
    /// Care was given.
    Care(Care),
    /// Care was not given, for a reason.
    Excuse(Box<(Care, Code)>),
    /// A person rejected what a Task asked for, or gave it up, for a reason that counts.
    Rejected(Box<RejectedSays>),
    /// Care is being given, since then.
    UnderWay(Box<UnderWaySays>),
    /// Time on invasive ventilation, as charted.
    Ventilated {
        /// Its start.
        from: When,
        /// Its end, if charted.
        to: Option<When>,
        /// What it rests on.
        proof: Proof,
    },
    /// A device was used; whether that is ventilation depends on the device.
    DeviceUse(Box<DeviceUseSays>),
    /// A flowsheet row of the airway in use.
    Row {
        /// When.
        at: Instant,
        /// Through an artificial airway.
        invasive: bool,
    },
    /// The artificial airway was removed.
    Extubation {
        /// When.
        at: Instant,
    },
    /// The patient was off the unit.
    Away {
        /// Start.
        from: Instant,
        /// End, if charted.
        to: Option<Instant>,
    },
    /// A named condition of the patient.
    Condition(Box<ConditionSays>),
    /// An encounter.
    Encounter(Box<EncounterSays>),
    /// A patient.
    Patient(Box<PatientSays>),
    /// A device.
    Device(Box<DeviceSays>),
    /// A place.
    Location(Box<LocationSays>),
}

/// Care, given or not.
#[derive(Clone, PartialEq, Debug)]
pub struct Care {
    /// When.
    pub at: When,
    /// Which; empty where the devices tell.
    pub activities: Arc<[Code]>,
    /// `Device` ids that tell which.
    pub devices: Devices,
    /// When it was charted.
    pub recorded: Instant,
    /// When it was received.
    pub received: Instant,
}

/// `Device` ids; mostly none.
pub type Devices = Option<Box<Vec<Arc<str>>>>;

/// Care that is being given.
#[derive(Clone, PartialEq, Debug)]
pub struct UnderWaySays {
    /// Since when, if charted.
    pub since: Option<Instant>,
    /// When that was told.
    pub told: Instant,
    /// Which; empty where the devices tell.
    pub activities: Arc<[Code]>,
    /// `Device` ids that tell which.
    pub devices: Devices,
}

/// A Task that a person rejected or gave up.
#[derive(Clone, PartialEq, Debug)]
pub struct RejectedSays {
    /// When.
    pub at: Instant,
    /// What it asked for then: the ids of its requirements that were due.
    pub asked: Vec<Arc<str>>,
    /// Why.
    pub reason: Code,
}

/// What a DeviceUseStatement says.
#[derive(Clone, PartialEq, Debug)]
pub struct DeviceUseSays {
    /// The `Device` id.
    pub device: Arc<str>,
    /// Start and end; none where the statement cannot be used.
    pub span: Option<(When, Option<When>)>,
    /// What is doubtful about it, if the device is one that matters.
    pub doubt: Option<Arc<str>>,
}

/// What a Condition says.
#[derive(Clone, PartialEq, Debug)]
pub struct ConditionSays {
    /// The names by which protocols ask for it.
    pub names: Arc<[Code]>,
    /// Start.
    pub from: When,
    /// End; none while it goes on.
    pub to: Option<When>,
}

/// What an Encounter says.
#[derive(Clone, PartialEq, Debug)]
pub struct EncounterSays {
    /// Its status; none if it has no value.
    pub status: Option<EncounterStatus>,
    /// A visit (ambulatory, at home, virtual, before admission) and no time in a bed.
    pub visit: bool,
    /// The `Patient` id.
    pub subject: Option<Arc<str>>,
    /// The `Encounter` id of what it is part of.
    pub part_of: Option<Arc<str>>,
    /// Start.
    pub from: Option<When>,
    /// End, if charted.
    pub to: Option<When>,
    /// When its status was told.
    pub told: Instant,
    /// Where the patient was.
    pub rows: Box<[LocationRow]>,
}

/// One entry of `Encounter.location`.
#[derive(Clone, PartialEq, Debug)]
pub struct LocationRow {
    /// The `Location` id.
    pub location: Arc<str>,
    /// The patient has left.
    pub left: bool,
    /// It has a period of its own.
    pub timed: bool,
    /// Start, if it says so.
    pub from: Option<When>,
    /// End, if it says so.
    pub to: Option<When>,
}

/// What a Patient says.
#[derive(Clone, PartialEq, Debug)]
pub struct PatientSays {
    /// The day of birth, if known to the day.
    pub born: Option<NaiveDate>,
    /// The time of death.
    pub died: Option<When>,
}

/// What a Device says.
#[derive(Clone, PartialEq, Debug)]
pub struct DeviceSays {
    /// Which airway it is.
    pub airways: Airways,
    /// Which care it is used for.
    pub activities: Arc<[Code]>,
    /// When it was active, and for which patient.
    pub active: Box<[ActiveSpan]>,
}

/// Time in which a device had the status `active`, by when its versions were told.
#[derive(Clone, PartialEq, Debug)]
pub struct ActiveSpan {
    /// The `Patient` id.
    pub patient: Option<Arc<str>>,
    /// Start.
    pub from: Instant,
    /// End; none while it goes on.
    pub to: Option<Instant>,
}

/// What a Location says.
#[derive(Clone, PartialEq, Debug)]
pub struct LocationSays {
    /// Its physical type is a ward.
    pub ward: bool,
    /// The `Location` id of what it is part of.
    pub part_of: Option<Arc<str>>,
    /// For people.
    pub name: Option<Arc<str>>,
}

/// `Type/id` of `Type/id/_history/version`.
pub(super) fn name_of(source: &Source) -> &str {
    let before = source.0.rsplit_once('/').and_then(|(before, _)| before.strip_suffix("/_history"));
    before.unwrap_or(&source.0)
}

impl Extract {
    fn new(stored: &Stored<'_>, said: Said) -> Self {
        let Said { encounter, tells, doubts, by_version, by_first } = said;
        let version = u32::try_from(stored.version).unwrap_or(u32::MAX);
        Extract { source: stored.source(), encounter, tells, doubts, version, by_version, by_first }
    }

    /// `Type/id`.
    pub fn name(&self) -> &str {
        name_of(&self.source)
    }

    /// The resource type.
    pub fn kind(&self) -> &str {
        self.name().split_once('/').map_or("", |(kind, _)| kind)
    }

    /// The logical id.
    pub fn id(&self) -> &str {
        self.name().split_once('/').map_or("", |(_, id)| id)
    }

    /// What it says, one by one.
    pub fn tells(&self) -> &[Tell] {
        match &self.tells {
            Tells::Nothing => &[],
            Tells::One(tell) => std::slice::from_ref(tell),
            Tells::Many(tells) => tells,
        }
    }

    /// What of it could not be used.
    pub fn doubts(&self) -> &[Arc<str>] {
        self.doubts.as_ref().map_or(&[], |d| d.as_slice())
    }

    /// True if it says nothing, and nothing of it is doubtful.
    pub fn is_silent(&self) -> bool {
        self.tells().is_empty() && self.doubts().is_empty()
    }

    /// The encounter it describes.
    pub fn encounter(&self) -> Option<&EncounterSays> {
        self.tells().iter().find_map(|t| if let Tell::Encounter(says) = t { Some(&**says) } else { None })
    }

    /// The device it describes.
    pub fn device(&self) -> Option<&DeviceSays> {
        self.tells().iter().find_map(|t| if let Tell::Device(says) = t { Some(&**says) } else { None })
    }

    /// The place it describes.
    pub fn location(&self) -> Option<&LocationSays> {
        self.tells().iter().find_map(|t| if let Tell::Location(says) = t { Some(&**says) } else { None })
    }

    /// The patient it describes.
    pub fn patient(&self) -> Option<&PatientSays> {
        self.tells().iter().find_map(|t| if let Tell::Patient(says) = t { Some(&**says) } else { None })
    }

    /// True if the caller should read all versions of the document with [`extract_versions`]: some of what it says
    /// rests on when it was first said, and there are earlier versions.
    pub fn wants_versions(&self) -> bool {
        self.by_version && self.version > 1
    }
}

/// What the current version of a document says.
pub fn extract(stored: &Stored<'_>, codes: &Codes, bases: &Bases) -> Extract {
    Extract::new(stored, said(std::slice::from_ref(stored), stored, codes, bases))
}

/// What the last of `versions` says, with what the earlier ones tell of when it was first said; oldest first. None
/// for no versions.
pub fn extract_versions(versions: &[Stored<'_>], codes: &Codes, bases: &Bases) -> Option<Extract> {
    let stored = versions.last()?;
    Some(Extract::new(stored, said(versions, stored, codes, bases)))
}

/// What `stored`, the last of `versions`, says.
pub(crate) fn said(versions: &[Stored<'_>], stored: &Stored<'_>, codes: &Codes, bases: &Bases) -> Said {
    let mut reading = Reading::new(versions, stored, codes, bases);
    if !stored.deleted && reading.meaning_is_whole() {
        read(&mut reading);
    }
    reading.into_said()
}

/// What a Procedure says that has been read where it lies, and in which nothing can change the meaning of the rest.
pub(crate) fn said_by(
    procedure: &charted::Charted<'_>,
    stored: &Stored<'_>,
    codes: &Codes,
    bases: &Bases,
) -> Said {
    let mut reading = Reading::new(std::slice::from_ref(stored), stored, codes, bases);
    procedure::read(procedure, &mut reading);
    reading.into_said()
}

fn read(reading: &mut Reading<'_>) {
    match reading.stored.kind {
        "Procedure" => reading.charted(procedure::read),
        // Most rows of a flowsheet are of another trade; they are told apart without reading them whole
        "Observation" if observation::means_nothing(reading) => {}
        "Observation" => reading.typed(observation::read),
        "DeviceUseStatement" => reading.typed(device::read_use),
        "Device" => reading.typed(device::read),
        "Encounter" => reading.typed(encounter::read),
        "Patient" => reading.typed(patient::read),
        "Location" => reading.typed(location::read),
        "Condition" => reading.typed(condition::read),
        "Task" if task::means_nothing(reading.stored.body) => {}
        "Task" => reading.typed(task::read),
        // Medication, definitions and what else Terce writes tell nothing of care that was given
        _ => {}
    }
}
