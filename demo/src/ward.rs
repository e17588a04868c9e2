//! The ward from minute to minute: beds, admissions, moves and departures, and what reaches the service when.
//!
//! # Guarantees
//! All of it follows from the seed: the same minutes ticked give the same writings, so a ward can be put back where it
//! was by ticking it again.

use std::collections::BTreeMap;

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::chart::{Activity, Chart, Entry, Outages, Request, Says};
use crate::charting::chart;
use crate::course::{Course, plan};
use crate::fhir::{self, Stop, encounter_id, patient_id};
use crate::house::{AWAY, BEDS_PER_UNIT, UNITS, bed_id, unit_of};
use crate::time::{DAY, HOUR, Minute, opening};

/// How many beds are taken on the first morning.
const FIRST_MORNING: usize = 22;
/// How long a bed stays empty at least.
const MADE_READY: Minute = 45;

/// The ward.
pub struct Ward {
    seed: u64,
    rng: ChaCha8Rng,
    beds: Vec<Bed>,
    arrivals: Vec<Minute>,
    stays: BTreeMap<u32, Stay>,
    on_the_way: BTreeMap<(Minute, Minute, u64), Chart>,
    order: u64,
    /// When nothing reaches the service.
    pub outages: Outages,
}

struct Bed {
    patient: Option<u32>,
    empty_since: Minute,
}

/// One patient's stay, as it was and as it was written.
pub struct Stay {
    /// What happened.
    pub course: Course,
    /// What reached the service, in order.
    pub record: Vec<Entry>,
    /// What was done and never written.
    pub forgotten: Vec<(Minute, Activity)>,
    stops: Vec<Stop>,
    bed: usize,
    moved_in_record: Minute,
    gone: bool,
}

/// When the feed is down: once in the first days, then for some hours every fifth day.
pub fn outages(fast_days: u32) -> Outages {
    let fast = Minute::from(fast_days.max(1)) * DAY;
    let first = opening() + fast * 55 / 100 / 2 * 2;
    let length = (fast * 15 / 100).min(5 * HOUR) / 2 * 2;
    let later = (1..200).map(|n| (first + n * 5 * DAY, first + n * 5 * DAY + 3 * HOUR));
    Outages { spans: std::iter::once((first, first + length)).chain(later).collect() }
}

impl Ward {
    /// An empty ward before its first morning.
    pub fn new(seed: u64, outages: Outages) -> Ward {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let beds = (0..UNITS.len() * BEDS_PER_UNIT).map(|_| Bed { patient: None, empty_since: 0 }).collect();
        let mut arrivals: Vec<Minute> =
            (0..FIRST_MORNING).map(|_| opening() + rng.random_range(1..150)).collect();
        arrivals.sort_unstable_by(|a, b| b.cmp(a));
        let (stays, on_the_way) = (BTreeMap::new(), BTreeMap::new());
        Ward { seed, rng, beds, arrivals, stays, on_the_way, order: 0, outages }
    }

    /// All stays so far.
    pub fn stays(&self) -> impl Iterator<Item = &Stay> {
        self.stays.values()
    }

    /// How many patients are in.
    pub fn patients(&self) -> usize {
        self.beds.iter().filter(|b| b.patient.is_some()).count()
    }

    /// Lives through one minute; tells what reaches the service in it, in order. To be called for each minute once.
    pub fn tick(&mut self, now: Minute) -> Vec<Chart> {
        let present: Vec<u32> = self.beds.iter().filter_map(|b| b.patient).collect();
        for patient in present {
            self.follow(patient, now);
        }
        self.admissions(now);
        let mut arrived = Vec::new();
        while let Some(entry) = self.on_the_way.first_entry().filter(|e| e.key().0 <= now) {
            let chart = entry.remove();
            if let Some(stay) = self.stays.get_mut(&chart.patient).filter(|_| chart.says != Says::Nothing) {
                stay.record.push(Entry { key: chart.key.clone(), known: now, says: chart.says.clone() });
            }
            arrived.push(chart);
        }
        arrived
    }

    fn send(&mut self, mut chart: Chart) {
        chart.arrives = self.outages.arrival(chart.written);
        self.order += 1;
        self.on_the_way.insert((chart.arrives, chart.written, self.order), chart);
    }

    fn admissions(&mut self, now: Minute) {
        let expected = self.arrivals.pop_if(|at| *at <= now).is_some();
        let unplanned = self.rng.random_bool(1.0 / 170.0) && self.arrivals.is_empty();
        let made = |b: &Bed| b.patient.is_none() && b.empty_since + MADE_READY <= now;
        let free: Vec<usize> =
            self.beds.iter().enumerate().filter(|(_, b)| made(b)).map(|(i, _)| i).collect();
        let pick = self.rng.random_range(0..free.len().max(1));
        if let (true, Some(bed)) = (expected || unplanned, free.get(pick).copied()) {
            self.admit(bed, now);
        }
    }

    fn admit(&mut self, bed: usize, now: Minute) {
        let patient = u32::try_from(self.stays.len()).unwrap_or(0) + 1;
        let course = plan(self.seed, patient, now);
        let (charts, forgotten) = chart(self.seed, &course);
        if let Some(bed) = self.beds.get_mut(bed) {
            bed.patient = Some(patient);
        }
        let who = Request::Put(fhir::patient(patient, &course.person, None));
        let stops = vec![in_bed(bed, now)];
        let stay =
            Stay { course, record: Vec::new(), forgotten, stops, bed, moved_in_record: now, gone: false };
        self.stays.insert(patient, stay);
        let written = now + self.rng.random_range(0..6);
        let key = patient_id(patient);
        let says = Says::Nothing;
        self.send(Chart { patient, written, arrives: written, key, request: who, says });
        self.chart_stay(patient, written);
        for chart in charts {
            self.send(chart);
        }
    }

    /// What happens to one patient in this minute.
    fn follow(&mut self, patient: u32, now: Minute) {
        let beds = &mut self.beds;
        let Some(stay) = self.stays.get_mut(&patient) else { return };
        let course = &stay.course;
        let out = course.away.iter().find(|a| a.span.0 == now);
        let back = course.away.iter().any(|a| a.span.1 == now);
        let away = stay.stops.last().is_some_and(|s| s.away);
        let mut died = false;
        if course.ends == now {
            stay.gone = true;
            died = course.died;
            stay.leave(now);
            if let Some(bed) = beds.get_mut(stay.bed) {
                (bed.patient, bed.empty_since) = (None, now);
            }
        } else if let Some(absence) = out {
            let place = if absence.theatre { AWAY.first() } else { AWAY.last() };
            let places = place.map(|p| p.0.to_owned()).into_iter().collect();
            stay.leave(now);
            stay.stops.push(Stop { places, from: now, to: None, away: true });
        } else if back {
            stay.leave(now);
            stay.stops.push(in_bed(stay.bed, now));
        } else if course.moves == Some(now) && !away {
            let unit = unit_of(stay.bed);
            let free = beds.iter().enumerate().find(|(i, b)| b.patient.is_none() && unit_of(*i) != unit);
            let Some(other) = free.map(|(i, _)| i) else { return };
            if let Some(bed) = beds.get_mut(stay.bed) {
                (bed.patient, bed.empty_since) = (None, now);
            }
            if let Some(bed) = beds.get_mut(other) {
                bed.patient = Some(patient);
            }
            stay.bed = other;
            stay.leave(now);
            stay.stops.push(in_bed(other, now));
        } else {
            return;
        }
        let lag = if self.rng.random_bool(0.85) { 1..9 } else { 20..90 };
        let written = now + self.rng.random_range(lag);
        self.chart_stay(patient, written);
        if died {
            self.chart_death(patient, now);
        }
    }

    fn chart_stay(&mut self, patient: u32, written: Minute) {
        let Some(stay) = self.stays.get_mut(&patient) else { return };
        // The admission office works through its list in order, however late.
        let written = written.max(stay.moved_in_record);
        stay.moved_in_record = written;
        let (begins, course) = (stay.course.admitted, &stay.course);
        let ends = stay.gone.then_some(course.ends);
        let body = fhir::encounter(patient, begins, ends, course.died && stay.gone, &stay.stops);
        let away = stay.stops.iter().filter(|s| s.away).map(|s| (s.from, s.to)).collect();
        let says = Says::Stay(begins, ends, away);
        let key = encounter_id(patient);
        let request = Request::Put(body);
        self.send(Chart { patient, written, arrives: written, key, request, says });
    }

    fn chart_death(&mut self, patient: u32, at: Minute) {
        let written = at + self.rng.random_range(2..60);
        let Some(stay) = self.stays.get(&patient) else { return };
        let request = Request::Put(fhir::patient(patient, &stay.course.person, Some(at)));
        let (key, says) = (patient_id(patient), Says::Died(at));
        self.send(Chart { patient, written, arrives: written, key, request, says });
    }
}

impl Stay {
    fn leave(&mut self, now: Minute) {
        if let Some(stop) = self.stops.last_mut() {
            stop.to = Some(now);
        }
    }
}

fn in_bed(bed: usize, from: Minute) -> Stop {
    Stop { places: vec![unit_of(bed).to_owned(), bed_id(bed)], from, to: None, away: false }
}

#[cfg(test)]
#[path = "ward_tests.rs"]
mod tests;
