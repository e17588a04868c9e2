//! What happens to one patient, and what is truly done: planned whole at admission from the patient's own seed.

use rand::seq::IndexedRandom;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::chart::Activity;
use crate::people::{Person, put_off, somebody};
use crate::time::{DAY, HOUR, Minute, clock_minute, day_of};
use crate::truth::Span;

/// One patient's stay.
#[derive(Clone, Debug)]
pub struct Course {
    /// Counts from 1.
    pub patient: u32,
    /// Who.
    pub person: Person,
    /// Arrival on the ward.
    pub admitted: Minute,
    /// Departure.
    pub ends: Minute,
    /// Whether by death.
    pub died: bool,
    /// On the ventilator.
    pub ventilated: Vec<Ventilation>,
    /// Off the unit.
    pub away: Vec<Away>,
    /// When the other unit would be the better place.
    pub moves: Option<Minute>,
    /// What was done and not done, in order of time.
    pub deeds: Vec<Deed>,
}

/// Time on the ventilator through one airway.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Ventilation {
    /// From, to.
    pub span: Span,
    /// Through a tracheostomy tube.
    pub tracheostomy: bool,
    /// Ended by taking the tube out.
    pub extubated: bool,
}

/// Time off the unit.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Away {
    /// From, to.
    pub span: Span,
    /// In theatre; else at imaging.
    pub theatre: bool,
}

/// One thing done, or left.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Deed {
    /// When.
    pub at: Minute,
    /// What.
    pub activities: Vec<Activity>,
    /// Whether it was done.
    pub how: How,
}

/// Whether something was done.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum How {
    /// Yes.
    Done,
    /// No, for this reason (a code of the excuse CodeSystem).
    Excused(&'static str),
    /// No, and nobody says why.
    Left,
}

/// Plans a stay.
pub fn plan(seed: u64, patient: u32, admitted: Minute) -> Course {
    let mut rng = ChaCha8Rng::seed_from_u64(seed ^ u64::from(patient).wrapping_mul(0x9E37_79B9_7F4A_7C15));
    let rng = &mut rng;
    let person = somebody(rng);
    let mut ventilated = Vec::new();
    let mut died = false;
    let mut ends = admitted + rng.random_range(20 * HOUR..70 * HOUR);
    if rng.random_bool(0.92) {
        let from =
            admitted + if rng.random_bool(0.7) { rng.random_range(4..25) } else { rng.random_range(40..900) };
        (ends, died) = ventilation(from, &mut ventilated, rng);
    }
    let mut course = Course {
        patient,
        person,
        admitted,
        ends,
        died,
        ventilated,
        away: Vec::new(),
        moves: None,
        deeds: Vec::new(),
    };
    course.away = absences(&course, rng);
    let late_enough = course.admitted + 10 * HOUR..course.ends - 4 * HOUR;
    if !late_enough.is_empty() && rng.random_bool(0.4) {
        course.moves = Some(rng.random_range(late_enough));
    }
    course.deeds = deeds(&course, rng);
    course
}

/// Fills in the time on the ventilator; tells when the stay ends, and whether by death.
fn ventilation(from: Minute, out: &mut Vec<Ventilation>, rng: &mut ChaCha8Rng) -> (Minute, bool) {
    // Most are off within three days, some stay for a week and more.
    let hours = [9, 14, 20, 26, 34, 44, 54, 66, 80, 100, 130, 170].choose(rng).copied().unwrap_or(48);
    let to = from + hours * HOUR + rng.random_range(0..6 * HOUR);
    let tube = |span, extubated| Ventilation { span, tracheostomy: false, extubated };
    let roll: f64 = rng.random();
    if roll < 0.16 {
        out.push(tube((from, to), false));
        (to, true)
    } else if roll < 0.36 && to - from > 20 * HOUR {
        // The tube is changed for one through the neck in theatre; ventilation goes on.
        let changed = from + (to - from) / 2;
        let on = changed + rng.random_range(2..25);
        out.push(tube((from, changed), false));
        out.push(Ventilation { span: (on, to), tracheostomy: true, extubated: false });
        (to + if rng.random_bool(0.5) { 0 } else { rng.random_range(5 * HOUR..30 * HOUR) }, false)
    } else {
        out.push(tube((from, to), true));
        let again = match rng.random_range(0..100) {
            0..12 => Some(to + rng.random_range(12..58)),
            12..27 => Some(to + rng.random_range(2 * HOUR..20 * HOUR)),
            _ => None,
        };
        let last = again.map_or(to, |again| {
            let off = again + rng.random_range(14 * HOUR..60 * HOUR);
            out.push(tube((again, off), true));
            off
        });
        (last + rng.random_range(4 * HOUR..28 * HOUR), false)
    }
}

fn absences(course: &Course, rng: &mut ChaCha8Rng) -> Vec<Away> {
    let mut out = Vec::new();
    let changed = course.ventilated.iter().find(|v| v.tracheostomy).map(|v| v.span.0);
    if let Some(at) = changed {
        out.push(Away {
            span: (at - rng.random_range(40..70), at + rng.random_range(25..60)),
            theatre: true,
        });
    }
    let mut at = course.admitted + rng.random_range(3 * HOUR..30 * HOUR);
    loop {
        let theatre = rng.random_bool(0.4);
        let to = at + if theatre { rng.random_range(80..230) } else { rng.random_range(30..85) };
        if to + 2 * HOUR > course.ends {
            break;
        }
        // Nobody is taken out of intensive care for an hour around the change of an airway.
        let borders = course.ventilated.iter().flat_map(|v| [v.span.0, v.span.1]);
        let quiet =
            borders.chain(out.iter().map(|a: &Away| a.span.0)).all(|b| b + 4 * HOUR < at || b > to + HOUR);
        if quiet {
            out.push(Away { span: (at, to), theatre });
        }
        at = to + rng.random_range(8 * HOUR..50 * HOUR);
    }
    out.sort_by_key(|a| a.span);
    out
}

fn deeds(course: &Course, rng: &mut ChaCha8Rng) -> Vec<Deed> {
    let mut out = Vec::new();
    for span in episodes(course) {
        mouth(course, span, &mut out, rng);
        clockwork(course, span, Activity::SuctionSet, (60..300, 19 * HOUR..24 * HOUR), &mut out, rng);
        clockwork(course, span, Activity::CuffPressure, (20..150, 320..478), &mut out, rng);
    }
    let whole = (course.admitted, course.ends);
    clockwork(course, whole, Activity::Turning, (60..180, 150..260), &mut out, rng);
    out.retain(|d| at_bedside(course, d.at));
    out.sort_by_key(|d| d.at);
    out
}

/// Ventilation without the short breaks, as those at the bedside see it.
fn episodes(course: &Course) -> Vec<Span> {
    let mut out: Vec<Span> = Vec::new();
    for v in &course.ventilated {
        match out.last_mut() {
            Some(last) if v.span.0 - last.1 <= HOUR => last.1 = v.span.1,
            _ => out.push(v.span),
        }
    }
    out
}

fn at_bedside(course: &Course, at: Minute) -> bool {
    course.admitted <= at && at < course.ends && !course.away.iter().any(|a| a.span.0 <= at && at < a.span.1)
}

/// When someone who means to do something at `at` gets to it: after time away at once, or only later.
fn reached(course: &Course, at: Minute, rng: &mut ChaCha8Rng) -> Minute {
    let away = course.away.iter().find(|a| a.span.0 <= at && at < a.span.1);
    away.map_or(at, |a| {
        a.span.1 + if rng.random_bool(0.75) { rng.random_range(8..50) } else { rng.random_range(55..150) }
    })
}

/// Care of the mouth: cleaning or brushing, gel, suction, each with its own chance to be left.
fn mouth(course: &Course, span: Span, out: &mut Vec<Deed>, rng: &mut ChaCha8Rng) {
    let comfort = (course.died && rng.random_bool(0.5)).then(|| course.ends - 10 * HOUR);
    let mut brushed = None;
    let mut suctioned = span.0;
    let mut at = span.0 + rng.random_range(20..170);
    while at < span.1 {
        at = reached(course, at, rng);
        let half_day = (day_of(at), clock_minute(at) / (12 * HOUR));
        let clock = clock_minute(at) % (12 * HOUR);
        let wanted = (6 * HOUR..11 * HOUR).contains(&clock) && brushed != Some(half_day);
        let brush = wanted && rng.random_bool(0.72);
        let main = if brush { Activity::Brushing } else { Activity::Cleansing };
        if comfort.is_some_and(|c| at > c) {
            out.push(Deed { at, activities: vec![main], how: How::Excused("comfort-care") });
        } else if let Some(how) = left(rng) {
            out.push(Deed { at, activities: vec![main], how });
        } else {
            brushed = if brush { Some(half_day) } else { brushed };
            let look = at - suctioned > 100 && rng.random_bool(0.9);
            suctioned = if look { at } else { suctioned };
            round(at, main, look, out, rng);
        }
        at += next_round(at, rng);
        let gap = at - suctioned;
        if gap > 225 && rng.random_bool(0.85) {
            suctioned = reached(course, suctioned + rng.random_range(150..235), rng);
            let how = if rng.random_bool(0.04) { How::Excused(reason(rng)) } else { How::Done };
            out.push(Deed { at: suctioned, activities: vec![Activity::SuctionLook], how });
        }
    }
}

/// Why a round is not done; mostly it is.
fn left(rng: &mut ChaCha8Rng) -> Option<How> {
    match rng.random_range(0..1000) {
        0..14 => Some(How::Excused("refused")),
        14..24 => Some(How::Excused("contraindicated")),
        24..32 => Some(How::Excused("airway-at-risk")),
        32..42 => Some(How::Excused("procedure-in-progress")),
        42..54 => Some(How::Left),
        _ => None,
    }
}

/// One round at the bedside.
fn round(at: Minute, main: Activity, look: bool, out: &mut Vec<Deed>, rng: &mut ChaCha8Rng) {
    let mut together = vec![main];
    if look {
        together.push(Activity::SuctionLook);
    }
    let gel = match rng.random_range(0..100) {
        0..55 => Some(0),
        55..86 => Some(rng.random_range(1..=30)),
        86..90 => Some(-rng.random_range(1..=10)),
        90..94 => Some(rng.random_range(31..75)),
        94..96 => {
            let how = How::Excused(reason(rng));
            out.push(Deed { at: at + 5, activities: vec![Activity::Moisturising], how });
            None
        }
        _ => None,
    };
    match gel {
        Some(0) => together.push(Activity::Moisturising),
        Some(after) => {
            out.push(Deed { at: at + after, activities: vec![Activity::Moisturising], how: How::Done })
        }
        None => {}
    }
    out.push(Deed { at, activities: together, how: How::Done });
}

/// How long until the next round is begun.
fn next_round(at: Minute, rng: &mut ChaCha8Rng) -> Minute {
    let aim = rng.random_range(118..205);
    if rng.random_bool(0.012) {
        return aim + rng.random_range(200..420);
    }
    if rng.random_bool(put_off(at + aim)) { aim + rng.random_range(25..110) } else { aim }
}

/// What is done by the clock: first so long after the start, then again and again.
fn clockwork(
    course: &Course,
    span: Span,
    activity: Activity,
    (first, again): (std::ops::Range<Minute>, std::ops::Range<Minute>),
    out: &mut Vec<Deed>,
    rng: &mut ChaCha8Rng,
) {
    let late = (again.end / 12).max(40)..(again.end / 3).max(90);
    let mut at = span.0 + rng.random_range(first);
    while at < span.1.min(span.0 + 40 * DAY) {
        at = reached(course, at, rng);
        let how = if rng.random_bool(0.012) { How::Excused(reason(rng)) } else { How::Done };
        if at < span.1 {
            out.push(Deed { at, activities: vec![activity], how });
        }
        at += rng.random_range(again.clone());
        if rng.random_bool(0.06) {
            at += rng.random_range(late.clone());
        }
    }
}

fn reason(rng: &mut ChaCha8Rng) -> &'static str {
    ["refused", "contraindicated", "airway-at-risk", "procedure-in-progress"]
        .choose(rng)
        .copied()
        .unwrap_or("refused")
}
