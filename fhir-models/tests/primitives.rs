//! Dates, times, numbers, ids and codes: what is read, what is refused, and what they mean.

use std::cmp::Ordering;

use fhir_models::codes::{EventStatus, TaskStatus};
use fhir_models::datatypes::Reference;
use fhir_models::primitive::{Date, DateTime, Decimal, InstantTime, Precision, Time, is_id};
use fhir_models::{IssueKind, ResourceType};

fn point(text: &str) -> DateTime {
    text.parse().unwrap_or_else(|e| panic!("{e}"))
}

#[test]
fn days_that_the_calendar_does_not_have_are_refused() {
    for text in [
        "2026-02-30",
        "2025-02-29",
        "2026-13-01",
        "1900-02-29",
        "2026-00-01",
        "2026-01-00",
        "2026-04-31",
        "0000",
        "0000-01-01",
    ] {
        let error = text.parse::<DateTime>().unwrap_err();
        assert_eq!(error.kind, IssueKind::Value, "{text}");
        assert!(error.message.contains(text), "{error}");
        assert!(text.parse::<Date>().is_err(), "{text}");
    }
    for text in ["2024-02-29", "2000-02-29", "0001-01-01", "9999-12-31", "0001", "9999-12"] {
        assert_eq!(point(text).as_str(), text);
    }
}

#[test]
fn forms_that_iso_knows_and_fhir_does_not_are_refused() {
    let refused = [
        "",
        "26",
        "2026-1-2",
        "2026-W01-1",
        "2026-001",
        "20260102",
        "2026/01/02",
        " 2026",
        "2026 ",
        "+2026",
        "-2026",
        "12026-01-01",
        "2026-01-02T",
        "2026-01-02T03",
        "2026-01-02T03:04",
        "2026-01-02T03:04Z",
        "2026-01-02T03:04:05",
        "2026-01-02 03:04:05Z",
        "2026-01-02t03:04:05Z",
        "2026-01-02T03:04:05z",
        "2026-01-02T24:00:00Z",
        "2026-01-02T23:60:00Z",
        "2026-01-02T23:59:61Z",
        "2026-01-02T03:04:05.Z",
        "2026-01-02T03:04:05,5Z",
        "2026-01-02T03:04:05+14:30",
        "2026-01-02T03:04:05+15:00",
        "2026-01-02T03:04:05-14:01",
        "2026-01-02T03:04:05+1:00",
        "2026-01-02T03:04:05+0100",
        "2026-01-02T03:04:05+01",
        "2026-01T03:04:05Z",
        "٢٠٢٦",
        "2026-01-02T03:04:05Z ",
        "２０２６-01-02",
        "2026-01-02T03:04:05+01:60",
    ];
    for text in refused {
        assert!(text.parse::<DateTime>().is_err(), "{text}");
        assert!(text.parse::<InstantTime>().is_err(), "{text}");
    }
}

#[test]
fn offsets_reach_fourteen_hours() {
    let utc = point("2026-01-02T12:00:00Z").instant_us().unwrap();
    for (text, hours) in
        [("+14:00", 14), ("-12:00", -12), ("-13:59", -13), ("-14:00", -14), ("+00:00", 0), ("-00:00", 0)]
    {
        let us = point(&format!("2026-01-02T12:00:00{text}")).instant_us().unwrap();
        let whole_hours = (utc - us) / 3_600_000_000;
        assert_eq!(whole_hours, hours, "{text}");
    }
}

#[test]
fn a_leap_second_is_read_kept_and_ordered_before_the_next_minute() {
    let leap = point("2016-12-31T23:59:60Z");
    assert_eq!(leap.as_str(), "2016-12-31T23:59:60Z");
    assert_eq!(leap.compare(&point("2016-12-31T23:59:59Z")), Some(Ordering::Greater));
    assert_eq!(leap.compare(&point("2016-12-31T23:59:59.999Z")), Some(Ordering::Equal));
    assert_eq!(leap.compare(&point("2017-01-01T00:00:00Z")), Some(Ordering::Less));
}

#[test]
fn fractions_are_kept_and_compared_to_the_nanosecond() {
    let long = format!("2026-01-02T03:04:05.{}Z", "1".repeat(1000));
    assert_eq!(point(&long).as_str(), long);
    assert!(format!("2026-01-02T03:04:05.{}Z", "1".repeat(1001)).parse::<DateTime>().is_err());
    let at = |fraction: &str| point(&format!("2026-01-02T03:04:05.{fraction}Z"));
    assert_eq!(at("123456789").compare(&at("123456788")), Some(Ordering::Greater));
    assert_eq!(at("1").compare(&at("10000000000")), Some(Ordering::Equal));
    assert_eq!(at("5").instant_us().unwrap() % 1_000_000, 500_000);
}

#[test]
fn the_instant_is_the_one_of_the_calendar() {
    for (text, us) in [
        ("1970-01-01T00:00:00Z", 0),
        ("1969-12-31T23:59:59.5Z", -500_000),
        ("2026-01-02T03:04:05+02:00", 1_767_315_845_000_000),
        ("0001-01-01T00:00:00Z", -62_135_596_800_000_000),
        ("9999-12-31T23:59:59Z", 253_402_300_799_000_000),
    ] {
        assert_eq!(point(text).instant_us(), Some(us), "{text}");
        assert_eq!(text.parse::<InstantTime>().unwrap().us(), us);
    }
}

#[test]
fn a_point_is_no_more_precise_than_it_was_said() {
    let cases = [("2026", Precision::Year), ("2026-01", Precision::Month), ("2026-01-02", Precision::Day)];
    for (text, precision) in cases {
        assert_eq!(point(text).precision(), precision);
        assert_eq!(point(text).instant_us(), None);
        assert_eq!(point(text).date().is_some(), precision == Precision::Day);
        assert!(text.parse::<InstantTime>().is_err());
    }
    let instant = point("2026-01-02T03:04:05Z");
    assert_eq!((instant.precision(), instant.date()), (Precision::Instant, None));
    assert!("2026-01-02T03:04:05Z".parse::<Date>().is_err());
}

#[test]
fn points_are_in_order_only_where_precision_allows() {
    let order = |a: &str, b: &str| point(a).compare(&point(b));
    assert_eq!(order("2026", "2027"), Some(Ordering::Less));
    assert_eq!(order("2026-02", "2026-01-31"), Some(Ordering::Greater));
    assert_eq!(order("2026", "2026-01"), None);
    assert_eq!(order("2026-01-02", "2026-01-02"), Some(Ordering::Equal));
    assert_eq!(order("2026-01-02", "2026-01-02T00:00:00Z"), None);
}

#[test]
fn instants_are_written_so_that_they_are_read_again() {
    for us in
        [0, -1, 1_767_315_845_000_000, 1_767_315_845_123_000, 1_767_315_845_123_456, -62_135_596_800_000_000]
    {
        assert_eq!(DateTime::from_us(us).unwrap().instant_us(), Some(us));
        assert_eq!(InstantTime::from_us(us).unwrap().us(), us);
    }
    assert_eq!(DateTime::from_us(1_767_315_845_123_000).unwrap().as_str(), "2026-01-02T01:04:05.123Z");
    assert_eq!(DateTime::from_us(-62_135_596_800_000_001), None);
    assert_eq!(DateTime::from_us(i64::MAX), None);
    assert_eq!(DateTime::from_us(i64::MIN), None);
}

#[test]
fn a_time_without_seconds_or_offset_says_what_it_lacks() {
    let error = "2026-01-02T03:04".parse::<DateTime>().unwrap_err();
    assert!(error.message.contains("seconds") && error.message.contains("offset"), "{error}");
}

#[test]
fn a_time_of_day_has_seconds_and_no_offset() {
    assert_eq!("08:30:15.5".parse::<Time>().unwrap().seconds(), 8 * 3600 + 30 * 60 + 15);
    assert_eq!("23:59:60".parse::<Time>().unwrap().seconds(), 86_399);
    for text in ["24:00:00", "08:30", "8:30:00", "08:30:00Z", "08:60:00", "08:30:61", ""] {
        assert!(text.parse::<Time>().is_err(), "{text}");
    }
}

#[test]
fn a_decimal_keeps_its_digits() {
    for text in ["0.10", "12345678901234567890.12345678901234567890", "1.2E+2", "-0", "1e-400"] {
        let decimal: Decimal = text.parse().unwrap();
        assert_eq!(decimal.as_str(), text);
        assert_eq!(serde_json::to_string(&decimal).unwrap(), text);
    }
    for text in ["", "x", "\"1\"", "true", "null", "[1]", "01", "1.", &"1".repeat(65)] {
        assert!(text.parse::<Decimal>().is_err(), "{text}");
    }
    assert_eq!(Decimal::from(4_u32).as_str(), "4");
    assert_ne!("1.0".parse::<Decimal>().unwrap(), "1.00".parse().unwrap());
}

#[test]
fn an_id_is_a_segment_of_a_path() {
    for id in ["a", "A-1.b", &"x".repeat(64), "...", "-"] {
        assert!(is_id(id), "{id}");
    }
    for id in ["", &"x".repeat(65), ".", "..", "../..", "%2e%2e%2f", "a b", "a/b", "a\r\n", "a\0", "é", "a_b"]
    {
        assert!(!is_id(id), "{id}");
    }
}

#[test]
fn a_code_outside_its_binding_is_named_with_what_is_expected() {
    let error = "cancelledd".parse::<TaskStatus>().unwrap_err();
    assert_eq!(error.kind, IssueKind::CodeInvalid);
    let start =
        "\"cancelledd\" is not a code of http://hl7.org/fhir/task-status; expected one of draft, requested";
    assert!(error.message.starts_with(start), "{error}");
    let error = "x".repeat(1000).parse::<TaskStatus>().unwrap_err();
    assert!(error.message.len() < 400, "{error}");
    assert_eq!("not-done".parse(), Ok(EventStatus::NotDone));
    for code in TaskStatus::ALL {
        assert_eq!(code.as_str().parse(), Ok(*code));
    }
}

#[test]
fn a_type_that_is_not_read_here_is_not_supported() {
    assert_eq!("Task".parse(), Ok(ResourceType::Task));
    for name in ["Account", "task", "Tasks", ""] {
        assert_eq!(name.parse::<ResourceType>().unwrap_err().kind, IssueKind::NotSupported, "{name}");
    }
}

#[test]
fn a_reference_is_relative_contained_a_urn_or_absolute() {
    let to = |text: &str| Reference { reference: Some(text.to_owned()), ..Reference::default() };
    assert_eq!(to("Patient/1").relative(), Some(("Patient", "1")));
    assert_eq!(to("Patient/1/_history/2").relative(), Some(("Patient", "1")));
    assert_eq!(Reference::to("Patient", "1").relative(), Some(("Patient", "1")));
    let foreign = [
        "http://ehr/Patient/1",
        "https://ehr/fhir/Patient/1",
        "urn:uuid:1",
        "#p1",
        "Patient",
        "Patient/",
        "/Patient/1",
        "patient/1",
        "Patient/../1",
        "Patient/..",
        "Patient/1/",
        "Patient/1/_history",
        "Patient/1/_history/2/3",
        "Patient/1/history/2",
        "Patient/1?x=y",
        "Patient?identifier=1",
        "file:/Patient/1",
        "../Patient/1",
        "",
    ];
    for text in foreign {
        assert_eq!(to(text).relative(), None, "{text}");
    }
    assert_eq!(to("#p1").contained(), Some("p1"));
    assert_eq!(to("urn:uuid:1").urn(), Some("urn:uuid:1"));
    assert_eq!(to("http://ehr/Patient/1").absolute(), Some("http://ehr/Patient/1"));
    assert_eq!(to("javascript:alert(1)").absolute(), None);
}
