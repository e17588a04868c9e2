//! The charting of an invented hospital, the same for the same number of stays: each stay has dice of its own, so the
//! first hundred of a thousand stays are the hundred stays.
//!
//! The codes are placeholders, no proposal to anyone. Nothing in it is about a person.

use std::fs::File;
use std::io::{self, Write};
use std::path::Path;

use chrono::{DateTime, Offset, TimeZone};

/// Where the hospital lies; its clocks change on the ninth day of the period.
pub const ZONE: chrono_tz::Tz = chrono_tz::America::Chicago;
/// 2025-02-25T00:00:00Z. Times below are seconds after it.
const EPOCH: i64 = 1_740_441_600;
/// Ventilation of the first stay can begin on 1 March, local midnight, and of the last one 30 days later.
const OPENING: i64 = 4 * DAY + 6 * HOUR;
const HOUR: i64 = 3_600;
const DAY: i64 = 86_400;
/// Hours for which the clock is laid out: more than the period and the longest stay.
const HOURS: i64 = 60 * 24;
const UNITS: [&str; 5] = ["north", "east", "south", "west", "hill"];
/// Written out at this size.
const BLOCK: usize = 1 << 20;

struct Kind {
    row: &'static str,
    code: &'static str,
    display: &'static str,
    per_day: f64,
}

const fn kind(row: &'static str, code: &'static str, display: &'static str, per_day: f64) -> Kind {
    Kind { row, code, display, per_day }
}

const KINDS: [Kind; 8] = [
    kind("FR-101", "990000101", "Mouth cleaned with swab", 7.0),
    kind("FR-102", "990000102", "Teeth brushed", 2.2),
    kind("FR-103", "990000103", "Lips and mouth moistened", 7.0),
    kind("FR-104", "990000104", "Mouth and throat suctioned", 12.0),
    kind("FR-105", "990000105", "Secretions above the cuff drained", 6.0),
    kind("FR-106", "990000106", "Position changed in bed", 12.0),
    kind("FR-107", "990000107", "Cuff pressure checked", 3.8),
    kind("FR-108", "990000108", "Airway suctioned", 10.0),
];

/// A stream of numbers that depends on where it begins only (splitmix64).
struct Dice(u64);

impl Dice {
    fn new(about: u64, which: u64) -> Self {
        let mut dice = Dice(about ^ which.wrapping_mul(0xd6e8_feb8_6659_fd93));
        dice.roll();
        dice
    }

    fn roll(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let a = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let b = (a ^ (a >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        b ^ (b >> 31)
    }

    fn within(&mut self, from: i64, to: i64) -> i64 {
        from + ((u128::from(self.roll()) * (to - from) as u128) >> 64) as i64
    }

    fn share(&mut self) -> f64 {
        self.within(0, 1 << 30) as f64 / (1_i64 << 30) as f64
    }
}

/// Local time as it is written, from tables: the documents are told by the million.
struct Clock {
    /// Seconds east, by hour after [`EPOCH`].
    east: Vec<i64>,
    /// `2025-02-24`, by local day; the first is the day before [`EPOCH`].
    days: Vec<Vec<u8>>,
}

impl Clock {
    fn new() -> Self {
        let instant = |s: i64| DateTime::from_timestamp(EPOCH + s, 0).unwrap().naive_utc();
        let east = |h| i64::from(ZONE.offset_from_utc_datetime(&instant(h * HOUR)).fix().local_minus_utc());
        let day = |d: i64| instant((d - 1) * DAY).date().to_string().into_bytes();
        Clock { east: (0..HOURS).map(east).collect(), days: (0..HOURS / 24 + 2).map(day).collect() }
    }

    fn write(&self, out: &mut Vec<u8>, at: i64, millis: Option<i64>) {
        let east = self.east[(at / HOUR) as usize];
        let local = at + east + DAY;
        out.extend_from_slice(&self.days[(local / DAY) as usize]);
        let clock = local % DAY;
        for (mark, value) in [(b'T', clock / HOUR), (b':', clock / 60 % 60), (b':', clock % 60)] {
            out.push(mark);
            digits::<2>(out, value);
        }
        if let Some(millis) = millis {
            out.push(b'.');
            digits::<3>(out, millis);
        }
        out.push(b'-');
        digits::<2>(out, -east / HOUR);
        out.extend_from_slice(b":00");
    }

    fn say(&self, at: i64) -> String {
        let mut out = Vec::new();
        self.write(&mut out, at, None);
        String::from_utf8(out).unwrap()
    }
}

fn digits<const N: usize>(out: &mut Vec<u8>, mut value: i64) {
    let mut text = [b'0'; N];
    for place in text.iter_mut().rev() {
        *place = b'0' + (value % 10) as u8;
        value /= 10;
    }
    out.extend_from_slice(&text);
}

struct Stay {
    number: i64,
    admitted: i64,
    discharged: i64,
    /// Uses of a ventilator; the second may begin before the first ends.
    uses: Vec<(i64, i64)>,
}

impl Stay {
    fn new(number: i64, dice: &mut Dice) -> Self {
        let begin = OPENING + 60 * dice.within(0, 30 * 24 * 60);
        let (shape, part) = (dice.share(), dice.within(DAY, 4 * DAY));
        let uses = if shape < 0.5 {
            vec![(begin, begin + 5 * DAY)]
        } else if shape < 0.8 {
            let both = dice.within(60, 30 * 60);
            vec![(begin, begin + part + both), (begin + part, begin + 5 * DAY)]
        } else {
            let pause = dice.within(3 * HOUR, 20 * HOUR);
            vec![(begin, begin + part), (begin + part + pause, begin + 5 * DAY + pause)]
        };
        let admitted = begin - 60 * dice.within(10, 600);
        let discharged = uses[uses.len() - 1].1 + HOUR * dice.within(4, 96);
        Stay { number, admitted, discharged, uses }
    }

    fn unit(&self) -> &'static str {
        UNITS[self.number as usize % UNITS.len()]
    }

    /// All care of the stay as [`Event`]s. Care goes on while the ventilator pauses.
    fn care(&self, dice: &mut Dice, events: &mut Vec<Event>) {
        let end = self.uses[self.uses.len() - 1].1;
        let mut entry = 0;
        for (kind, Kind { per_day, .. }) in KINDS.iter().enumerate() {
            let mean = DAY as f64 / per_day;
            let mut at = self.uses[0].0 + 60 + (mean * dice.share()) as i64;
            while at < end {
                events.push(Event::new(at, self.number, entry, kind));
                entry += 1;
                // never closer than 0.45 of the mean, which for brushing is nearly five hours
                at += (mean * (0.45 + 1.1 * dice.share())) as i64;
            }
        }
    }
}

/// One care in a word, so that millions can be sorted by time: when it began, the stay, its number in it, its kind.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Event(u64);

impl Event {
    fn new(at: i64, stay: i64, entry: u64, kind: usize) -> Self {
        Event((at as u64) << 37 | (stay as u64) << 15 | entry << 3 | kind as u64)
    }

    fn parts(self) -> (i64, i64, i64, usize) {
        let bits = |from: u32, count: u32| (self.0 >> from & ((1 << count) - 1)) as i64;
        (bits(37, 27), bits(15, 22), bits(3, 12), bits(0, 3) as usize)
    }
}

fn stays(count: u64) -> (Vec<Stay>, Vec<Event>) {
    let (mut stays, mut events) = (Vec::new(), Vec::new());
    for number in 0..count {
        let mut dice = Dice::new(0x7465_7263_6521, number);
        let stay = Stay::new(number as i64, &mut dice);
        stay.care(&mut dice, &mut events);
        stays.push(stay);
    }
    events.sort_unstable();
    (stays, events)
}

fn patient(out: &mut Vec<u8>, stay: &Stay, clock: &Clock) {
    let (n, at) = (stay.number, clock.say(stay.admitted));
    let (year, gender) = (1935 + n % 60, if n % 2 == 0 { "female" } else { "male" });
    writeln!(out, r#"{{"resourceType":"Patient","id":"p{n:06}","meta":{{"versionId":"1","lastUpdated":"{at}"}},"identifier":[{{"use":"usual","type":{{"coding":[{{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"MR"}}]}},"system":"https://record.hospital.example/patients","value":"{}"}}],"active":true,"name":[{{"use":"official","family":"Invented{n}","given":["Person"]}}],"gender":"{gender}","birthDate":"{year}-{:02}-{:02}"}}"#,
        70_000_000 + n, 1 + n % 12, 1 + n % 28).unwrap();
}

fn encounter(out: &mut Vec<u8>, stay: &Stay, clock: &Clock) {
    let (n, unit) = (stay.number, stay.unit());
    let (from, to) = (clock.say(stay.admitted), clock.say(stay.discharged));
    writeln!(out, r#"{{"resourceType":"Encounter","id":"e{n:06}","meta":{{"versionId":"2","lastUpdated":"{to}"}},"identifier":[{{"system":"https://record.hospital.example/visits","value":"{}"}}],"status":"finished","class":{{"system":"http://terminology.hl7.org/CodeSystem/v3-ActCode","code":"IMP","display":"inpatient encounter"}},"subject":{{"reference":"Patient/p{n:06}"}},"period":{{"start":"{from}","end":"{to}"}},"location":[{{"location":{{"reference":"Location/{unit}","display":"Unit {unit}"}},"status":"completed","period":{{"start":"{from}","end":"{to}"}}}}]}}"#,
        40_000_000 + n).unwrap();
}

fn devices(out: &mut Vec<u8>, stay: &Stay, clock: &Clock) {
    let n = stay.number;
    for (k, (from, _)) in stay.uses.iter().enumerate() {
        let at = clock.say(*from);
        writeln!(out, r#"{{"resourceType":"Device","id":"ventilator-{n:06}-{k}","meta":{{"versionId":"1","lastUpdated":"{at}"}},"identifier":[{{"system":"https://record.hospital.example/devices","value":"{}"}}],"status":"active","type":{{"coding":[{{"system":"http://snomed.info/sct","code":"706172005","display":"Ventilator"}}]}},"patient":{{"reference":"Patient/p{n:06}"}}}}"#,
            n * 2 + k as i64).unwrap();
    }
}

fn uses(out: &mut Vec<u8>, stay: &Stay, clock: &Clock) {
    let n = stay.number;
    for (k, (from, to)) in stay.uses.iter().enumerate() {
        let (from, to) = (clock.say(*from), clock.say(*to));
        writeln!(out, r#"{{"resourceType":"DeviceUseStatement","id":"use-{n:06}-{k}","meta":{{"versionId":"2","lastUpdated":"{to}"}},"status":"completed","subject":{{"reference":"Patient/p{n:06}"}},"timingPeriod":{{"start":"{from}","end":"{to}"}},"recordedOn":"{from}","device":{{"reference":"Device/ventilator-{n:06}-{k}"}}}}"#).unwrap();
    }
}

/// What differs from one Procedure to the next.
#[derive(Clone, Copy)]
enum Slot {
    Stay,
    Entry,
    Charted,
    Message,
    Number,
    Status,
    Code,
    Row,
    Display,
    Begun,
    Ended,
    Nurse,
    Unit,
    Bed,
    Kit,
    Nothing,
}

/// A Procedure, each text followed by what fills the slot after it.
const PROCEDURE: [(&str, Slot); 22] = [
    (r#"{"resourceType":"Procedure","id":"c-"#, Slot::Stay),
    ("-", Slot::Entry),
    (r#"","meta":{"versionId":"1","lastUpdated":""#, Slot::Charted),
    (r#"","source":"urn:uuid:5d1c7a60-4b0e-4f0a-"#, Slot::Message),
    (
        r#"","profile":["https://record.hospital.example/fhir/StructureDefinition/care-at-the-bedside"]},"identifier":[{"use":"usual","type":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v2-0203","code":"FILL","display":"Filler Identifier"}]},"system":"https://record.hospital.example/flowsheet/entries","value":"E"#,
        Slot::Number,
    ),
    (r#""}],"status":""#, Slot::Status),
    (
        r#"","category":{"coding":[{"system":"http://snomed.info/sct","code":"990000001","display":"Care by nurses"}]},"code":{"coding":[{"system":"http://snomed.info/sct","code":""#,
        Slot::Code,
    ),
    (r#"","display":""#, Slot::Display),
    (r#""},{"system":"https://record.hospital.example/flowsheet/rows","code":""#, Slot::Row),
    (r#"","display":""#, Slot::Display),
    (r#""}],"text":""#, Slot::Display),
    (r#""},"subject":{"reference":"Patient/p"#, Slot::Stay),
    (r#""},"encounter":{"reference":"Encounter/e"#, Slot::Stay),
    (r#""},"performedPeriod":{"start":""#, Slot::Begun),
    (r#"","end":""#, Slot::Ended),
    (
        r#""},"performer":[{"function":{"coding":[{"system":"http://snomed.info/sct","code":"990000002","display":"Nurse at the bedside"}]},"actor":{"reference":"Practitioner/nurse-"#,
        Slot::Nurse,
    ),
    (r#"","display":"Nurse "#, Slot::Nurse),
    (r#""}}],"location":{"reference":"Location/"#, Slot::Unit),
    ("-bed-", Slot::Bed),
    (r#""},"usedReference":[{"reference":"Device/kit-"#, Slot::Stay),
    // no Device of this name is ever told, as records tell no disposable
    ("-", Slot::Kit),
    ("\"}]}\n", Slot::Nothing),
];

fn procedure(out: &mut Vec<u8>, event: Event, clock: &Clock) {
    let (begun, stay, entry, kind) = event.parts();
    let Kind { row, code, display, .. } = &KINDS[kind];
    let mut dice = Dice::new(0x6361_7265, (stay as u64) << 12 | entry as u64);
    let ended = begun + dice.within(60, 840);
    let (charted, millis) = (ended + dice.within(0, 1_800), dice.within(0, 1_000));
    let nurse = dice.within(0, 300);
    let status = match dice.within(0, 1_000) {
        0..10 => "entered-in-error",
        10..40 => "not-done",
        _ => "completed",
    };
    for (text, slot) in PROCEDURE {
        out.extend_from_slice(text.as_bytes());
        match slot {
            Slot::Stay => digits::<6>(out, stay),
            Slot::Entry => digits::<4>(out, entry),
            Slot::Charted => clock.write(out, charted, Some(millis)),
            Slot::Message => {
                out.push(b'8');
                digits::<3>(out, entry);
                out.push(b'-');
                digits::<12>(out, stay);
            }
            Slot::Number => digits::<10>(out, stay * 4_096 + entry),
            Slot::Status => out.extend_from_slice(status.as_bytes()),
            Slot::Code => out.extend_from_slice(code.as_bytes()),
            Slot::Row => out.extend_from_slice(row.as_bytes()),
            Slot::Display => out.extend_from_slice(display.as_bytes()),
            Slot::Begun => clock.write(out, begun, None),
            Slot::Ended => clock.write(out, ended, None),
            Slot::Nurse => digits::<3>(out, nurse),
            Slot::Unit => out.extend_from_slice(UNITS[stay as usize % UNITS.len()].as_bytes()),
            Slot::Bed => digits::<2>(out, stay / 5 % 24),
            Slot::Kit => digits::<2>(out, entry % 40),
            Slot::Nothing => {}
        }
    }
}

/// Writes one document of each of `all` to `out`, in blocks.
fn tell<T>(out: &mut impl Write, all: &[T], mut document: impl FnMut(&mut Vec<u8>, &T)) -> io::Result<()> {
    let mut block = Vec::with_capacity(BLOCK + 4_096);
    for one in all {
        document(&mut block, one);
        if block.len() >= BLOCK {
            out.write_all(&block)?;
            block.clear();
        }
    }
    out.write_all(&block)
}

/// All documents to one stream: first those about patients and devices, then the care in order of time.
pub fn to_stream(count: u64, out: &mut impl Write) -> io::Result<()> {
    let (stays, events) = stays(count);
    let clock = Clock::new();
    for document in [patient, encounter, devices, uses] {
        tell(out, &stays, |block, stay| document(block, stay, &clock))?;
    }
    tell(out, &events, |block, event| procedure(block, *event, &clock))?;
    out.flush()
}

/// A file for each type; returns the number of Procedures. The folder is named last: one that is there is whole.
pub fn to_folder(count: u64, folder: &Path) -> io::Result<usize> {
    let (stays, events) = stays(count);
    let clock = Clock::new();
    let part = folder.with_extension("part");
    std::fs::create_dir_all(&part)?;
    let file = |kind: &str| File::create(part.join(kind).with_extension("ndjson"));
    type Document = fn(&mut Vec<u8>, &Stay, &Clock);
    let kinds: [(&str, Document); 4] =
        [("Patient", patient), ("Encounter", encounter), ("Device", devices), ("DeviceUseStatement", uses)];
    for (kind, document) in kinds {
        tell(&mut file(kind)?, &stays, |block, stay| document(block, stay, &clock))?;
    }
    tell(&mut file("Procedure")?, &events, |block, event| procedure(block, *event, &clock))?;
    std::fs::rename(part, folder)?;
    Ok(events.len())
}
