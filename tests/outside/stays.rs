//! Stays of an independent generator (clinosim 0.6.5): what they hold was read in its files, and what must come of
//! them was reasoned from the rules, before it was run.
//!
//! Shapes that are odd and real: an admission that is part of a visit to the emergency department which is over before
//! it begins; the use of a ventilator known to the day; intubation as a text without a code, and as a billing code with
//! the minutes of the procedure; beds and wards without periods, whose Locations were never sent; a device that is no
//! one's; a patient who died after discharge.

use std::collections::{BTreeMap, BTreeSet};

use terce::care::facts::{Ending, Proof, When};
use terce::care::ledger::Feed;
use terce::care::protocol::Rules;
use terce::care::reconcile::reconcile;
use terce::care::surveillance::charted::Charting;
use terce::care::tally::Tally;
use terce::care::time::{Instant, Length};
use terce::translate::Settings;
use terce::translate::codes::Codes;
use terce::translate::extract::{unmapped, watch};
use terce::translate::protocol::protocol;
use terce::translate::shipped;

use super::foreign::{Document, Set, at, doubts, mapped, sources};

/// The one with a ventilator.
const VENTILATED: &str = "pt-f32537a6acb8";
const SETS: [(&str, usize); 2] = [("copd", 8), ("aspiration", 4)];

fn settings() -> Settings {
    Settings::new(chrono_tz::UTC)
}

fn day(d: u32) -> When {
    When::Day(chrono::NaiveDate::from_ymd_opt(2024, 6, d).unwrap())
}

/// Types that tell no care by the rules, whatever their codes.
fn tells_no_care(document: &Document) -> bool {
    ["Condition", "MedicationAdministration"].contains(&document.kind)
}

#[test]
fn every_document_is_a_fact_or_irrelevant_by_its_codes_or_a_doubt() {
    let mapped = mapped();
    for (name, patients) in SETS {
        let set = Set::of(name);
        assert_eq!(set.patients().len(), patients, "{name}: another generator than the one that was read");
        let mut ends: BTreeMap<&str, usize> = BTreeMap::new();
        for patient in set.patients() {
            let assembled = set.assembled(patient, &settings());
            let facts: BTreeSet<String> = assembled.stays.iter().flat_map(|s| sources(&s.facts)).collect();
            let doubted: BTreeSet<String> =
                doubts(&assembled).into_iter().map(|(source, _)| source).collect();
            for document in set.documents.iter().filter(|d| d.patient() == Some(patient)) {
                let source = document.source();
                let matches = document.codings().iter().any(|coding| mapped.contains(coding));
                let coded = !document.codings().is_empty();
                let end = match (facts.contains(&source), doubted.contains(&source)) {
                    (true, _) => "fact",
                    (false, true) => "doubt",
                    (false, false) if document.is_described() => "described",
                    (false, false) if tells_no_care(document) => "of a type that tells no care",
                    (false, false) if document.kind == "DeviceUseStatement" => {
                        let device = document.json["device"]["reference"].as_str().unwrap();
                        let device = set.find("Device", device.strip_prefix("Device/").unwrap());
                        assert!(!device.codings().iter().any(|c| mapped.contains(c)), "{source} is lost");
                        "use of another device"
                    }
                    (false, false) => {
                        assert!(coded && !matches, "{source} is lost: {}", document.body);
                        "of another trade"
                    }
                };
                *ends.entry(end).or_default() += 1;
            }
        }
        let own = set.documents.iter().filter(|d| d.patient().is_some()).count();
        assert_eq!(ends.values().sum::<usize>(), own, "{name}: {ends:?}");
        assert!(own > 4000, "{name}: {own}");
    }
}

/// Temperatures in degrees Celsius and white cells in a microlitre, each a document of its own.
#[test]
fn surveillance_reads_every_temperature_and_white_cell_count() {
    let codes = Codes::shipped();
    let (mut charting, mut doubts, mut there) = (Charting::default(), Vec::new(), [0, 0]);
    for (name, _) in SETS {
        for document in &Set::of(name).documents {
            watch(&document.stored(), &codes, &settings(), &mut charting, &mut doubts);
            for (count, code) in there.iter_mut().zip(["8310-5", "6690-2"]) {
                *count += usize::from(document.codings().iter().any(|(_, c)| c == code));
            }
        }
    }
    assert_eq!([charting.temperature.len(), charting.white_cells.len()], there);
    assert_eq!((there, doubts), ([844, 108], vec![]));
    assert!(charting.temperature.iter().all(|t| (34_000..=42_000).contains(&t.value)));
    assert!(charting.white_cells.iter().all(|c| (1_000..=60_000).contains(&c.value)));
    assert!(charting.given.is_empty(), "its medications are coded in a system that a site would map");
}

#[test]
fn an_admission_lasts_though_the_visit_it_is_part_of_was_over_before() {
    let set = Set::of("copd");
    let assembled = set.assembled(VENTILATED, &settings());
    let [stay] = assembled.stays.as_slice() else { panic!("{:?}", assembled.stays) };
    assert_eq!(&*stay.facts.stay, "enc-83047c0de9de", "the root is the visit to the emergency department");
    assert_eq!(
        stay.encounters.iter().map(|e| &**e).collect::<Vec<_>>(),
        ["enc-83047c0de9de", "enc-9332191c98d7"]
    );
    assert_eq!(stay.facts.begins, Some(at("2024-06-15T01:02:00Z")));
    let end = stay.facts.ends.as_ref().unwrap();
    assert_eq!((end.at, end.how), (at("2024-06-23T12:32:00Z"), Ending::Discharged));
}

#[test]
fn use_of_a_ventilator_known_to_the_day_is_one_span_of_whole_days() {
    let set = Set::of("copd");
    let assembled = set.assembled(VENTILATED, &settings());
    let facts = &assembled.stays[0].facts;
    let spans: Vec<_> =
        facts.ventilated.iter().map(|v| (v.from, v.to, v.proof, v.source.to_string())).collect();
    let statement = "DeviceUseStatement/dus-aa46daf9ebc6/_history/1".to_owned();
    assert_eq!(spans, [(day(15), Some(day(23)), Proof::DeviceUse, statement)]);
    for patient in set.patients().into_iter().filter(|p| *p != VENTILATED) {
        let others = set.assembled(patient, &settings());
        assert!(others.stays.iter().all(|s| s.facts.ventilated.is_empty()), "{patient}: {others:?}");
    }
}

#[test]
fn intubation_that_is_only_a_text_is_a_doubt_and_no_ventilation() {
    let set = Set::of("copd");
    let mut found = Vec::new();
    for document in set.documents.iter().filter(|d| d.kind == "Procedure" && d.codings().is_empty()) {
        assert!(
            document.json["code"]["text"]
                .as_str()
                .unwrap()
                .starts_with("Intubation_and_mechanical_ventilation")
        );
        let assembled = set.assembled(document.patient().unwrap(), &settings());
        let why: Vec<_> = doubts(&assembled).into_iter().filter(|(s, _)| *s == document.source()).collect();
        assert!(matches!(why.as_slice(), [(_, why)] if why.contains("code")), "{why:?}");
        assert!(assembled.waiting.is_empty(), "its encounter is known: the doubt belongs to the stay");
        found.push(document.id.as_str());
    }
    assert_eq!(found, ["proc-0105f4552f84", "proc-0addba89ac12", "proc-a01c5ee48f1b"]);
}

#[test]
fn intubation_as_a_billing_code_counts_for_nothing_and_is_listed_as_not_mapped() {
    let set = Set::of("aspiration");
    let intubation = set.find("Procedure", "proc-81468cec47e3");
    let listed = unmapped("Procedure", intubation.body.as_bytes(), &set.codes);
    let cpt = listed.iter().any(|u| u.system == "http://www.ama-assn.org/go/cpt" && u.code == "31500");
    assert!(cpt, "{listed:?}");
    for patient in set.patients() {
        let assembled = set.assembled(patient, &settings());
        assert!(assembled.stays.iter().all(|s| s.facts.ventilated.is_empty() && s.facts.care.is_empty()));
    }
}

#[test]
fn ventilation_through_a_mask_is_known_and_does_not_count() {
    let set = Set::of("copd");
    let mask = set.find("Procedure", "proc-b1c7a53b7601");
    assert!(mask.codings().iter().any(|(_, code)| code == "47545007"));
    assert_eq!(unmapped("Procedure", mask.body.as_bytes(), &set.codes), []);
    assert_eq!(mask.extract.tells(), []);
}

/// Bed and ward stand side by side, both left, neither with a period, and no Location was sent: the time is that of
/// their encounter, and the ward is the unit as soon as the site says that it is one.
#[test]
fn beds_and_wards_without_periods_last_as_long_as_their_encounter() {
    let set = Set::of("copd");
    let mut settings = settings();
    settings.units.insert("loc-ward-4E".into());
    let assembled = set.assembled(VENTILATED, &settings);
    let (visit, from, to) =
        ("loc-dept-internal-medicine", at("2024-06-15T01:02:00Z"), at("2024-06-15T04:32:00Z"));
    let mut units: Vec<_> = assembled.stays[0].facts.units.iter().map(|u| (&*u.unit, u.from, u.to)).collect();
    units.sort();
    assert_eq!(units, [(visit, from, Some(to)), ("loc-ward-4E", to, Some(at("2024-06-23T12:32:00Z")))]);
}

#[test]
fn death_after_discharge_does_not_lengthen_a_stay() {
    let set = Set::of("aspiration");
    let assembled = set.assembled("pt-d8c578334574", &settings());
    let end = assembled.stays[0].facts.ends.as_ref().unwrap();
    assert_eq!((end.at, end.how), (at("2024-06-24T00:18:00Z"), Ending::Discharged));
}

fn rules() -> Rules {
    let adult = shipped::document("PlanDefinition", "adult").unwrap();
    let mut rules = Rules::standard(chrono_tz::UTC);
    rules.protocols = vec![protocol("adult", adult.body, &Codes::shipped()).unwrap()];
    rules.default_protocol = Some(0);
    rules
}

/// The tally of all stays of the set with a ventilator, counted after all of them were over.
pub(super) fn tally() -> (Tally, Rules, Instant) {
    let (set, rules, now) = (Set::of("copd"), rules(), at("2024-07-10T00:00:00Z"));
    let mut tally = Tally::default();
    for patient in set.patients() {
        for stay in &set.assembled(patient, &settings()).stays {
            tally.add(&reconcile(&stay.facts, &rules, Feed::unwatched(), now));
        }
    }
    (tally, rules, now)
}

/// On the ventilator from some time on 15 June to some time on 23 June, in a stay from 01:02 on the 15th to 12:32 on the
/// 23rd: 7 days of 24 hours are known, and 22:58 + 12:32 hours of the days at the ends are not. No care was charted.
///
/// * clean, missed every 4 hours from the start of the clock at 01:02: on the known days at 01:02, 05:02 ... 21:02, which
///   is 6 a day; what was missed on the 15th is not counted. Covered: the 62 minutes before the first counted one.
/// * brush, twice a day: 14. At the daily count at midnight the patient was there from the 16th to the 23rd.
#[test]
fn seven_days_on_a_ventilator_without_charted_care_come_to_what_was_reasoned_by_hand() {
    let (tally, ..) = tally();
    let sums = tally.by_requirement();
    let clean = sums["clean"];
    assert_eq!((clean.met, clean.missed, clean.excused), (0, 42, 0));
    assert_eq!(clean.at_risk, Length::hours(7 * 24));
    assert_eq!(clean.covered, Length::minutes(62));
    assert_eq!(clean.unverified, Length::minutes(22 * 60 + 58 + 12 * 60 + 32));
    let brush = sums["brush"];
    assert_eq!((brush.met, brush.missed, brush.excused), (0, 14, 0));
    let days: (u32, u32) = tally.days.values().fold((0, 0), |sum, d| (sum.0 + d.complete, sum.1 + d.of));
    assert_eq!(days, (0, 7));
    assert_eq!(tally.census.values().map(|c| c.ventilated).sum::<u32>(), 8);
}
