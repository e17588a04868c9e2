//! From what was done to what is written about it, when, by whom, in which shape, and with which mistakes.

use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use serde_json::Value;

use crate::chart::{Activity, Chart, Request, Says};
use crate::course::{Course, Deed, How, Ventilation};
use crate::fhir::{self, Coded, LOCAL, NOT_DONE, Performed, Procedure, ROUND, SID, activity_code};
use crate::people::{Habit, Nurse, charting_delay, on_duty};
use crate::time::{HOUR, Minute, day_of};

/// All that is written about a stay, but for where the patient is; and what is done and never written.
pub fn chart(seed: u64, course: &Course) -> (Vec<Chart>, Vec<(Minute, Activity)>) {
    let seed = seed.rotate_left(17) ^ u64::from(course.patient).wrapping_mul(0xD1B5_4A32_D192_ED03);
    let mut pen = Pen {
        course,
        rng: ChaCha8Rng::seed_from_u64(seed),
        charts: Vec::new(),
        forgotten: Vec::new(),
        serial: 0,
    };
    pen.ventilation();
    for deed in &course.deeds {
        pen.deed(deed);
    }
    // By time of writing, and in the order of the pen where that is the same: later versions never overtake.
    pen.charts.sort_by_key(|c| c.written);
    (pen.charts, pen.forgotten)
}

struct Pen<'a> {
    course: &'a Course,
    rng: ChaCha8Rng,
    charts: Vec<Chart>,
    forgotten: Vec<(Minute, Activity)>,
    serial: u32,
}

impl Pen<'_> {
    fn write(&mut self, written: Minute, key: &str, request: Request, says: Says) {
        let patient = self.course.patient;
        self.charts.push(Chart { patient, written, arrives: written, key: key.to_owned(), request, says });
    }

    fn next_id(&mut self, prefix: &str) -> String {
        self.serial += 1;
        format!("{prefix}-{:04}-{:05}", self.course.patient, self.serial)
    }

    fn deed(&mut self, deed: &Deed) {
        let nurse = on_duty(self.course.patient, deed.at);
        let written = deed.at + charting_delay(nurse.habit, deed.at, &mut self.rng);
        let round = [Activity::Cleansing, Activity::SuctionLook, Activity::Moisturising];
        if nurse.local_codes && nurse.habit != Habit::Flowsheet && deed.activities == round {
            return self.care(deed, ROUND, &round, nurse, written);
        }
        for activity in &deed.activities {
            let code = activity_code(*activity, nurse.local_codes);
            if deed.how == How::Done && *activity != Activity::Turning && self.rng.random_bool(0.025) {
                self.forgotten.push((deed.at, *activity));
            } else {
                self.care(deed, code, &[*activity], nurse, written);
            }
        }
    }

    fn care(&mut self, deed: &Deed, code: Coded, activities: &[Activity], nurse: Nurse, written: Minute) {
        let at = deed.at;
        let means = |at| match (deed.how, activities) {
            (_, [Activity::Turning]) | (How::Left, _) => Says::Nothing,
            (How::Done, all) => Says::Care(at, all.to_vec()),
            (How::Excused(_), all) => Says::Excuse(at, all.to_vec()),
        };
        if nurse.habit == Habit::Flowsheet && !matches!(deed.how, How::Excused(_)) {
            return self.row(deed, code, nurse, written, &means);
        }
        let id = self.next_id("pr");
        let (status, reason) = match deed.how {
            How::Done => ("completed", None),
            How::Excused(reason) => ("not-done", Some(reason_code(reason, nurse.local_codes))),
            How::Left => ("not-done", None),
        };
        let performed = match self.rng.random_range(0..100) {
            0..60 => Performed::At(at),
            60..98 => Performed::Period(at - self.rng.random_range(3..12), Some(at)),
            _ if status == "completed" => Performed::Period(at, None),
            _ => Performed::At(at),
        };
        let in_encounter = self.rng.random_bool(0.97);
        let patient = self.course.patient;
        let identifier = id.clone();
        let procedure = Procedure {
            id: Some(id),
            identifier,
            status,
            code,
            reason,
            patient,
            in_encounter,
            performed,
            nurse,
        };
        let done = deed.how == How::Done;
        match self.rng.random_range(0..1000) {
            0..260 => self.posted(procedure, written, means(at)),
            260..310 if done && nurse.habit == Habit::Prompt => {
                self.watched(procedure, at, written, means(at))
            }
            310..340 if done => self.mistimed(procedure, at, written, &means),
            340..358 if done => {
                self.put(&procedure, written, means(at));
                self.invented(procedure, at, written, &means);
            }
            358..400 => {
                // The reply was lost, or the interface sends twice: the same again, at once or a little later.
                self.put(&procedure, written, means(at));
                let again =
                    written + if self.rng.random_bool(0.5) { 0 } else { self.rng.random_range(1..25) };
                self.put(&procedure, again, means(at));
            }
            _ => self.put(&procedure, written, means(at)),
        }
    }

    fn put(&mut self, procedure: &Procedure, written: Minute, says: Says) {
        let key = procedure.identifier.clone();
        self.write(written, &key, Request::Put(procedure.body()), says);
    }

    /// Sent without an id of its own; its identifier keeps a repeated sending from making two.
    fn posted(&mut self, mut procedure: Procedure, written: Minute, says: Says) {
        procedure.id = None;
        let identifier = format!("{SID}|{}", procedure.identifier);
        let request = Request::Post { body: procedure.body(), identifier };
        self.write(written, &procedure.identifier, request, says);
    }

    /// Charted when begun, and completed when done.
    fn watched(&mut self, done: Procedure, at: Minute, written: Minute, says: Says) {
        let begun = (at - self.rng.random_range(4..15)).max(self.course.admitted);
        let mut going = done.clone();
        (going.status, going.performed) = ("in-progress", Performed::Period(begun, None));
        self.put(&going, begun, Says::Withdrawn);
        self.put(&Procedure { performed: Performed::Period(begun, Some(at)), ..done }, written, says);
    }

    /// The wrong time at first, put right later.
    fn mistimed(&mut self, right: Procedure, at: Minute, written: Minute, means: &dyn Fn(Minute) -> Says) {
        let wrong = (at - self.rng.random_range(30..240)).max(self.course.admitted);
        let first = Procedure { performed: Performed::At(wrong), ..right.clone() };
        self.put(&first, written, means(wrong));
        let seen = written + self.rng.random_range(10..200);
        self.put(&right, seen, means(at));
    }

    /// Another entry that belongs to another patient, and is taken back when that is seen.
    fn invented(&mut self, like: Procedure, at: Minute, written: Minute, means: &dyn Fn(Minute) -> Says) {
        let other = (at - self.rng.random_range(15..100)).max(self.course.admitted);
        let id = self.next_id("pr");
        let wrong =
            Procedure { id: Some(id.clone()), identifier: id, performed: Performed::At(other), ..like };
        self.put(&wrong, written, means(other));
        let seen = written + self.rng.random_range(10..260);
        self.put(&Procedure { status: "entered-in-error", ..wrong }, seen, Says::Withdrawn);
    }

    /// A row of the flowsheet.
    fn row(
        &mut self,
        deed: &Deed,
        code: Coded,
        nurse: Nurse,
        written: Minute,
        means: &dyn Fn(Minute) -> Says,
    ) {
        let id = self.next_id("ob");
        let value = (deed.how == How::Left).then_some(NOT_DONE);
        let row = Procedure {
            id: Some(id.clone()),
            identifier: id.clone(),
            status: "final",
            code,
            reason: None,
            patient: self.course.patient,
            in_encounter: true,
            performed: Performed::At(deed.at),
            nurse,
        };
        let put = |row: &Procedure, at, issued| Request::Put(fhir::observation(row, at, issued, value));
        if deed.how == How::Done && self.rng.random_bool(0.03) {
            let wrong = (deed.at - self.rng.random_range(20..120)).max(self.course.admitted);
            let seen = written + self.rng.random_range(10..120);
            self.write(written, &id, put(&row, wrong, written), means(wrong));
            let right = Procedure { status: "corrected", ..row };
            self.write(seen, &id, put(&right, deed.at, seen), means(deed.at));
        } else {
            self.write(written, &id, put(&row, deed.at, written), means(deed.at));
        }
    }

    fn ventilation(&mut self) {
        let patient = self.course.patient;
        if self.course.ventilated.is_empty() {
            return;
        }
        let ventilator = format!("dv-{patient:04}-vent");
        let shape = self.rng.random_range(0..100);
        for (turn, ventilation) in self.course.ventilated.clone().into_iter().enumerate() {
            let known = ventilation.span.0 + self.lag();
            // Never before the use is charted: a device that is active at a patient already says something of him.
            if turn == 0 {
                let body = fhir::device(&ventilator, patient, Coded("airway", "ventilator", "Ventilator"));
                self.write(known, &ventilator, Request::Put(body), Says::Nothing);
            }
            let tube = self.tube(turn, ventilation, known);
            let over = ventilation.span.1 + self.lag();
            let over = over.max(known + 1);
            if ventilation.extubated {
                self.extubation(ventilation.span.1, over);
            }
            let single = self.course.ventilated.len() == 1;
            let closes = over + self.rng.random_range(0..20);
            if shape < 55 {
                let dies_with_it = ventilation.span.1 == self.course.ends && self.rng.random_bool(0.3);
                self.by_procedure(ventilation, known, (!dies_with_it).then_some(closes));
            } else if shape < 80 || !single {
                self.by_device(&tube, ventilation, (known, closes), false);
            } else {
                // The devices' record knows only days; the procedure beside it knows better, and comes first.
                self.by_procedure(ventilation, known, Some(closes));
                self.by_device(&ventilator, ventilation, (known + 3, closes + 3), true);
            }
        }
    }

    /// How long an event of the airway takes to be charted.
    fn lag(&mut self) -> Minute {
        match self.rng.random_range(0..100) {
            0..85 => self.rng.random_range(2..22),
            85..96 => self.rng.random_range(25..90),
            _ => self.rng.random_range(2 * HOUR..5 * HOUR),
        }
    }

    fn tube(&mut self, turn: usize, ventilation: Ventilation, known: Minute) -> String {
        let id = format!("dv-{:04}-tube-{turn}", self.course.patient);
        let kind = if ventilation.tracheostomy {
            Coded("airway", "tracheostomy-tube", "Tracheostomy tube")
        } else {
            Coded("airway", "endotracheal-tube", "Endotracheal tube")
        };
        let body = fhir::device(&id, self.course.patient, kind);
        self.write(known, &id, Request::Put(body), Says::Nothing);
        id
    }

    fn extubation(&mut self, at: Minute, written: Minute) {
        let nurse = on_duty(self.course.patient, at);
        let code = if nurse.local_codes {
            Coded(LOCAL, "TUBE-OUT", "Tube out")
        } else {
            Coded("airway", "extubation", "Extubation")
        };
        let procedure = self.airway(code, "completed", Performed::At(at), nurse);
        self.put(&procedure, written, Says::Extubated(at));
    }

    fn airway(&mut self, code: Coded, status: &'static str, performed: Performed, nurse: Nurse) -> Procedure {
        let id = self.next_id("aw");
        let (patient, identifier) = (self.course.patient, id.clone());
        let (reason, in_encounter) = (None, true);
        Procedure { id: Some(id), identifier, status, code, reason, patient, in_encounter, performed, nurse }
    }

    fn by_procedure(&mut self, ventilation: Ventilation, known: Minute, closes: Option<Minute>) {
        let (from, to) = ventilation.span;
        let nurse = on_duty(self.course.patient, from);
        let code = if nurse.local_codes {
            Coded(LOCAL, "VENT-INV", "Ventilated, invasive")
        } else {
            Coded("airway", "invasive-ventilation", "Invasive ventilation")
        };
        let going = self.airway(code, "in-progress", Performed::Period(from, None), nurse);
        self.put(&going, known, Says::Ventilated(from, None));
        if let Some(closes) = closes {
            let over =
                Procedure { status: "completed", performed: Performed::Period(from, Some(to)), ..going };
            self.put(&over, closes, Says::Ventilated(from, Some(to)));
        }
    }

    fn by_device(&mut self, device: &str, v: Ventilation, (known, closes): (Minute, Minute), days: bool) {
        let patient = self.course.patient;
        let (from, to) = v.span;
        // A day alone says nothing that the procedure's exact time does not, but that the use goes on.
        let days = days && day_of(from) != day_of(to);
        let id = self.next_id("du");
        let put = |end: Option<Minute>, written| -> (Value, Minute, Says) {
            (fhir::device_use(&id, device, patient, (from, end), days), written, Says::Ventilated(from, end))
        };
        for (body, written, says) in [put(None, known), put(Some(to), closes)] {
            self.write(written, &id, Request::Put(body), says);
        }
    }
}

fn reason_code(reason: &'static str, local: bool) -> Coded {
    let item = match reason {
        "refused" => "R-REF",
        "contraindicated" => "R-CI",
        "airway-at-risk" => "R-AIR",
        "procedure-in-progress" => "R-PROC",
        _ => "R-COMF",
    };
    if local { Coded(LOCAL, item, "Not done: see item") } else { Coded("excuse", reason, reason) }
}
