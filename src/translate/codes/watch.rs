//! What surveillance looks at in a record, apart from what means care.

/// The codes of [`SURVEILLANCE`](super::SURVEILLANCE).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Watch {
    /// Observation: positive end-expiratory pressure.
    Peep,
    /// Observation: fraction of inspired oxygen.
    Fio2,
    /// Observation: its value is the mode of ventilation.
    Mode,
    /// A mode in which PEEP is disregarded.
    PressureRelease,
    /// A mode that is not under surveillance.
    HighFrequency,
    /// A support that is not under surveillance.
    Extracorporeal,
    /// Observation: body temperature.
    Temperature,
    /// Observation: white cells in blood.
    WhiteCells,
    /// MedicationAdministration: an antimicrobial.
    Antimicrobial,
}

impl Watch {
    /// All of them, in the order of the CodeSystem.
    pub const ALL: [Watch; 9] = [
        Watch::Peep,
        Watch::Fio2,
        Watch::Mode,
        Watch::PressureRelease,
        Watch::HighFrequency,
        Watch::Extracorporeal,
        Watch::Temperature,
        Watch::WhiteCells,
        Watch::Antimicrobial,
    ];

    /// Its code.
    pub const fn as_str(self) -> &'static str {
        match self {
            Watch::Peep => "peep",
            Watch::Fio2 => "fio2",
            Watch::Mode => "ventilator-mode",
            Watch::PressureRelease => "pressure-release",
            Watch::HighFrequency => "high-frequency",
            Watch::Extracorporeal => "extracorporeal-support",
            Watch::Temperature => "temperature",
            Watch::WhiteCells => "white-cells",
            Watch::Antimicrobial => "antimicrobial",
        }
    }
}

/// A set of [`Watch`] codes.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub struct Watches(u16);

impl Watches {
    /// True if `watch` is in it.
    pub fn has(self, watch: Watch) -> bool {
        self.0 & (1 << watch as u16) != 0
    }

    /// True if nothing is in it.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// What is in either.
    #[must_use]
    pub fn or(self, other: Watches) -> Watches {
        Watches(self.0 | other.0)
    }

    pub(crate) fn of(watch: Watch) -> Watches {
        Watches(1 << watch as u16)
    }
}
