//! Who works on the ward and how they chart; who lies there. All invented.

use rand::Rng;
use rand::seq::IndexedRandom;
use rand_chacha::ChaCha8Rng;

use crate::time::{HOUR, Minute, clock_minute, day_of};

/// How a nurse charts.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Habit {
    /// At the bedside, mostly.
    Prompt,
    /// When there is time, which may be hours later.
    Late,
    /// All at once, a few times a shift.
    Batch,
    /// As rows of the flowsheet (Observation), not as procedures.
    Flowsheet,
}

/// One nurse.
#[derive(Clone, Copy, Debug)]
pub struct Nurse {
    /// Staff number.
    pub id: &'static str,
    /// Family name.
    pub name: &'static str,
    /// How this one charts.
    pub habit: Habit,
    /// Uses the hospital's own item codes.
    pub local_codes: bool,
}

const fn nurse(id: &'static str, name: &'static str, habit: Habit, local_codes: bool) -> Nurse {
    Nurse { id, name, habit, local_codes }
}

/// Who is on by day; both units share one roster.
pub const DAY_NURSES: [Nurse; 8] = [
    nurse("nu-01", "Ellisande", Habit::Prompt, false),
    nurse("nu-02", "Borrowick", Habit::Prompt, true),
    nurse("nu-03", "Tamsinet", Habit::Prompt, false),
    nurse("nu-04", "Ockleford", Habit::Late, false),
    nurse("nu-05", "Dunmarrow", Habit::Batch, true),
    nurse("nu-06", "Pellitory", Habit::Flowsheet, true),
    nurse("nu-07", "Wyverlea", Habit::Prompt, true),
    nurse("nu-08", "Sallowby", Habit::Prompt, false),
];

/// Who is on by night.
pub const NIGHT_NURSES: [Nurse; 8] = [
    nurse("nu-11", "Marchpane", Habit::Prompt, true),
    nurse("nu-12", "Inkersole", Habit::Batch, false),
    nurse("nu-13", "Thistledown", Habit::Prompt, false),
    nurse("nu-14", "Grebely", Habit::Late, true),
    nurse("nu-15", "Amberstow", Habit::Prompt, false),
    nurse("nu-16", "Quernmore", Habit::Flowsheet, true),
    nurse("nu-17", "Larkspurne", Habit::Prompt, false),
    nurse("nu-18", "Fennimoor", Habit::Batch, true),
];

const GIVEN: [&str; 16] = [
    "Aldis", "Brannoch", "Cersilie", "Davrin", "Elowyn", "Fharran", "Gisella", "Hobart", "Ilsabet", "Jorrin",
    "Kestra", "Lomand", "Merrild", "Nuala", "Oswin", "Petronel",
];

const FAMILY: [&str; 16] = [
    "Ashgrovel",
    "Bellwether",
    "Cranmarsh",
    "Dewlapp",
    "Everlode",
    "Foxholt",
    "Gorsemere",
    "Hallowind",
    "Ivelchase",
    "Juniperry",
    "Knapweed",
    "Lintwhite",
    "Mossgather",
    "Nettlebeck",
    "Oxlipson",
    "Plumstead-Vane",
];

/// An invented patient.
#[derive(Clone, Debug)]
pub struct Person {
    /// Given name.
    pub given: &'static str,
    /// Family name.
    pub family: &'static str,
    /// FHIR `administrative-gender`.
    pub gender: &'static str,
    /// Year of birth.
    pub born: i32,
}

/// Somebody new.
pub fn somebody(rng: &mut ChaCha8Rng) -> Person {
    Person {
        given: GIVEN.choose(rng).copied().unwrap_or_default(),
        family: FAMILY.choose(rng).copied().unwrap_or_default(),
        gender: ["female", "male", "other", "unknown"].choose(rng).copied().unwrap_or("unknown"),
        born: rng.random_range(1936..2004),
    }
}

/// Whether the day shift (07:00 to 19:00) is on.
pub fn by_day(at: Minute) -> bool {
    (7 * HOUR..19 * HOUR).contains(&clock_minute(at))
}

/// Who looks after a patient at that minute: the same nurse for the whole shift.
pub fn on_duty(patient: u32, at: Minute) -> Nurse {
    let day = by_day(at);
    // The night that began yesterday evening is still that night.
    let shift = day_of(at - 7 * HOUR).to_epoch_days().unsigned_abs();
    let turn = (patient.wrapping_mul(5)).wrapping_add(shift.wrapping_mul(3)) as usize % DAY_NURSES.len();
    let roster = if day { &DAY_NURSES } else { &NIGHT_NURSES };
    roster.get(turn).copied().unwrap_or(nurse("nu-01", "Ellisande", Habit::Prompt, false))
}

/// How long after the care this nurse charts it.
pub fn charting_delay(habit: Habit, at: Minute, rng: &mut ChaCha8Rng) -> Minute {
    let roll: f64 = rng.random();
    match habit {
        Habit::Prompt if roll < 0.86 => rng.random_range(0..10),
        Habit::Prompt if roll < 0.97 => rng.random_range(10..40),
        Habit::Prompt => rng.random_range(60..200),
        Habit::Late if roll < 0.4 => rng.random_range(5..30),
        Habit::Late if roll < 0.85 => rng.random_range(35..150),
        Habit::Late => rng.random_range(150..400),
        Habit::Batch => until_next_sitting(at),
        Habit::Flowsheet if roll < 0.9 => rng.random_range(0..15),
        Habit::Flowsheet => rng.random_range(40..90),
    }
}

/// Those who chart in one go sit down four times a shift.
fn until_next_sitting(at: Minute) -> Minute {
    const SITTINGS: [Minute; 4] = [150, 330, 510, 690];
    let shift = if by_day(at) { 7 * HOUR } else { 19 * HOUR };
    let into = (clock_minute(at) - shift).rem_euclid(24 * HOUR);
    SITTINGS.iter().find(|s| **s >= into).map_or(20, |s| s - into)
}

/// How likely care is put off at that time of day: handover, then the busy hours of the round and of visiting.
pub fn put_off(at: Minute) -> f64 {
    match clock_minute(at) {
        390..450 | 1110..1170 => 0.34,
        600..720 | 960..1080 => 0.2,
        120..300 => 0.12,
        _ => 0.06,
    }
}
