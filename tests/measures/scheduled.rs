//! Reports that are made by themselves, in a running service.

use chrono::NaiveDate;
use serde_json::{Value, json};
use std::sync::Arc;
use terce::care::protocol::Rules;
use terce::care::time::Instant;
use terce::config::Config;
use terce::reports::Reporter;
use terce::translate::measures::Step;
use terce::translate::measures::scheduled::{Slot, ready_at};

use crate::worklist::ward::{Ward, at};

const UNITS: &str =
    "[site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\n[[unit]]\nlocation = \"south\"\n";

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn instant(text: &str) -> Instant {
    Instant::from(at(text))
}

/// What makes the reports of a ward, under the test's own hand.
fn reporter(ward: &Ward, wanted: &str) -> Reporter {
    let config = Config::parse(&format!("listen = \"127.0.0.1:0\"\n{wanted}")).unwrap();
    let service = &ward.service;
    Reporter::new(
        service.store.clone(),
        service.stays.clone(),
        service.clock.clone(),
        config.reports,
        Arc::default(),
    )
}

const TWO: &str =
    "[reports]\nschedule = [\"day\", \"week\"]\nmeasures = [\"timeliness\", \"ventilator-days\"]\n";

async fn report(ward: &Ward, measure: &str, step: Step, first: &str, unit: Option<&str>) -> Value {
    let first = date(first);
    let slot = Slot { measure, step, period: (first, first), unit };
    ward.get(&format!("MeasureReport/{}", slot.id())).await
}

fn count(report: &Value, population: &str) -> i64 {
    let all = report["group"][0]["population"].as_array().unwrap_or_else(|| panic!("{report}"));
    all.iter().find(|p| p["id"] == population).unwrap()["count"].as_i64().unwrap()
}

fn extension<'a>(of: &'a Value, name: &str) -> Option<&'a Value> {
    of["extension"].as_array()?.iter().find(|e| e["url"].as_str().unwrap().rsplit('/').next() == Some(name))
}

/// A ward with care at 01:00 and 04:00 of the first day.
async fn charted() -> Ward {
    let ward = Ward::open(UNITS).await;
    ward.admit().await;
    for (id, when) in [("a", "01:00"), ("b", "04:00")] {
        ward.until(when).await;
        ward.care(id, "oral-cleansing", when).await;
    }
    ward
}

#[tokio::test]
async fn what_reports_are_written_is_recorded_as_the_services_own() {
    let ward = charted().await;
    ward.until("1:01:00").await;
    assert!(reporter(&ward, TWO).turn(instant("1:01:00")).await.unwrap() > 0);
    let rows = ward.service.store.audits_after(i64::MIN, 10_000).await.unwrap();
    let rows: Vec<_> = rows.into_iter().map(|found| found.row.audit().unwrap()).collect();
    let reports = rows.iter().filter(|row| row.things.iter().any(|t| t.kind == "MeasureReport"));
    let reports: Vec<_> = reports.collect();
    assert!(!reports.is_empty());
    for row in reports {
        assert_eq!((&*row.by, row.status), (terce::translate::audit::by::SERVICE, 200));
        assert!(row.things.iter().all(|t| t.deed == "create" && t.version == 1), "{row:?}");
    }
    assert_eq!(ward.service.store.walk_audits(Vec::new(), 100).await.unwrap().1, []);
}

#[tokio::test]
async fn a_report_is_made_when_the_day_and_the_time_for_its_charting_are_over() {
    let ward = charted().await;
    let reporter = reporter(&ward, TWO);
    ward.until("1:00:29").await;
    // the days before have nothing, but are over
    assert_eq!(reporter.turn(instant("1:00:29")).await.unwrap(), 2 * 2 * 3);
    let now = instant("1:00:30");
    assert_eq!(Step::Day.next(instant("1:00:29"), &Rules::standard(chrono_tz::UTC)), now);
    ward.until("1:00:30").await;
    assert_eq!(reporter.turn(now).await.unwrap(), 2 * 3, "two measures for two units and everybody");
    let made = report(&ward, "timeliness", Step::Day, "2026-03-10", Some("north")).await;
    assert_eq!((&made["status"], &made["type"]), (&json!("complete"), &json!("summary")));
    assert_eq!(made["subject"]["reference"], "Location/north");
    assert_eq!(made["reporter"]["reference"], "Location/north");
    assert_eq!(made["period"]["start"], "2026-03-10");
    assert_eq!(extension(&made, "schedule").unwrap()["valueCode"], "day");
    assert_eq!(extension(&made, "replaces"), None);
    assert_eq!(count(&made, "numerator"), 2);
    // the same numbers as the report that is asked for
    let path = "Measure/timeliness/$evaluate-measure?periodStart=2026-03-10&periodEnd=2026-03-10";
    assert_eq!(made["group"], ward.get(&format!("{path}&subject=Location/north")).await["group"]);
    let all = report(&ward, "timeliness", Step::Day, "2026-03-10", None).await;
    assert_eq!(all["group"], ward.get(path).await["group"]);
    assert!(all.get("subject").is_none());
    let none = report(&ward, "ventilator-days", Step::Day, "2026-03-10", Some("south")).await;
    assert_eq!(count(&none, "initial-population"), 0);
    // found by what it is
    let identifier = made["identifier"][0]["value"].as_str().unwrap();
    assert_eq!(identifier, "timeliness/day/2026-03-10/north");
    let queries = [
        format!("identifier={identifier}"),
        "reporter=Location/north&status=complete".to_owned(),
        "subject=Location/north&measure=https://terce.example/fhir/Measure/timeliness".to_owned(),
        "subject=Location/north&period=2026-03-10".to_owned(),
    ];
    for query in queries {
        let found = ward.get(&format!("MeasureReport?{query}")).await;
        let ids: Vec<&Value> =
            found["entry"].as_array().unwrap().iter().map(|e| &e["resource"]["id"]).collect();
        assert!(ids.contains(&&made["id"]), "{query}: {found}");
        assert!(!ids.contains(&&none["id"]), "{query}: {found}");
    }
    ward.service.shutdown().await.unwrap();
}

#[tokio::test]
async fn a_restart_makes_no_report_twice_and_what_was_missed_is_made_up_for() {
    let ward = charted().await;
    ward.until("1:01:00").await;
    let first = reporter(&ward, TWO);
    assert!(first.turn(instant("1:01:00")).await.unwrap() > 0);
    assert_eq!(first.turn(instant("1:01:01")).await.unwrap(), 0);
    for minute in ["1:02:00", "1:05:00"] {
        // another process
        assert_eq!(reporter(&ward, TWO).turn(instant(minute)).await.unwrap(), 0);
    }
    ward.until("4:01:00").await;
    // three days and no week
    assert_eq!(reporter(&ward, TWO).turn(instant("4:01:00")).await.unwrap(), 3 * 2 * 3);
    let made = report(&ward, "timeliness", Step::Day, "2026-03-12", None).await;
    assert_eq!(made["meta"]["versionId"], "1");
    ward.service.shutdown().await.unwrap();
}

#[tokio::test]
async fn late_charting_replaces_the_report_and_the_two_can_be_told_apart_and_explained() {
    let ward = charted().await;
    let reporter = reporter(&ward, TWO);
    ward.until("1:00:30").await;
    reporter.turn(instant("1:00:30")).await.unwrap();
    let before = report(&ward, "timeliness", Step::Day, "2026-03-10", Some("north")).await;
    ward.until("1:03:00").await;
    ward.care("late", "oral-cleansing", "07:30").await;
    ward.until("1:03:00").await;
    assert_eq!(reporter.turn(instant("1:03:00")).await.unwrap(), 2, "of north and of everybody");
    let after = report(&ward, "timeliness", Step::Day, "2026-03-10", Some("north")).await;
    assert_eq!((before["id"].clone(), &after["meta"]["versionId"]), (after["id"].clone(), &json!("2")));
    assert_eq!((count(&before, "numerator"), count(&after, "numerator")), (2, 3));
    let replaces = extension(&after, "replaces").unwrap();
    let old = extension(replaces, "report").unwrap()["valueReference"]["reference"].as_str().unwrap();
    let kept = ward.get(old).await;
    assert_eq!(kept["group"], before["group"], "the old one is still there");
    assert_eq!(extension(replaces, "counted-at").unwrap()["valueDateTime"], before["date"]);
    let changes: Vec<&Value> =
        replaces["extension"].as_array().unwrap().iter().filter(|e| e["url"] == "change").collect();
    let numerator =
        changes.iter().find(|c| extension(c, "population").unwrap()["valueString"] == "numerator");
    let numerator = numerator.unwrap();
    assert_eq!(extension(numerator, "before").unwrap()["valueUnsignedInt"], 2);
    assert_eq!(extension(numerator, "after").unwrap()["valueUnsignedInt"], 3);
    // every difference, with the document that makes it
    let explanation = extension(replaces, "explanation").unwrap()["valueUri"].as_str().unwrap();
    let told = ward.get(explanation).await;
    let differences: Vec<String> = (told["parameter"].as_array().unwrap().iter())
        .filter(|p| p["name"] == "difference")
        .map(ToString::to_string)
        .collect();
    assert!(!differences.is_empty() && differences.iter().all(|d| d.contains("Procedure/late")), "{told}");
    let met = |change: &str| {
        let of = |d: &&String| d.contains(&format!("\"{change}\"")) && d.contains("\"met");
        i64::try_from(differences.iter().filter(of).count()).unwrap()
    };
    assert_eq!(met("added") - met("removed"), 1);
    // within the hour nothing is looked for again; what is the same afterwards is not written
    ward.care("more", "oral-cleansing", "11:00").await;
    ward.until("1:03:30").await;
    assert_eq!(reporter.turn(instant("1:03:30")).await.unwrap(), 0);
    ward.put(json!({ "resourceType": "Procedure", "id": "more", "status": "entered-in-error",
        "subject": { "reference": "Patient/p" }, "code": { "text": "x" }, "performedDateTime": at("11:00").to_rfc3339() }))
        .await;
    ward.until("1:04:30").await;
    assert_eq!(reporter.turn(instant("1:04:30")).await.unwrap(), 0);
    ward.service.shutdown().await.unwrap();
}

/// The PEEP rises on day 3; that is known when day 4 is over, and the report of day 3 was made before.
#[tokio::test]
async fn an_event_that_is_seen_later_is_put_into_the_report_of_its_day_though_the_stay_goes_on() {
    let ward = Ward::open(UNITS).await;
    ward.admit().await;
    let events = "[reports]\nschedule = [\"day\"]\nmeasures = [\"ventilator-associated-conditions\"]\n";
    let reporter = reporter(&ward, events);
    for (d, peep) in [5.0, 5.0, 9.0, 9.0, 9.0].into_iter().enumerate() {
        ward.until(&format!("{d}:11:30")).await;
        ward.put(json!({ "resourceType": "Observation", "id": format!("peep{d}"), "status": "final",
            "subject": { "reference": "Patient/p" }, "encounter": { "reference": "Encounter/e" },
            "effectiveDateTime": at(&format!("{d}:11:00")).to_rfc3339(),
            "code": { "coding": [{ "system": "http://loinc.org", "code": "20077-4" }] },
            "valueQuantity": { "value": peep, "system": "http://unitsofmeasure.org", "code": "cm[H2O]" } }))
            .await;
        reporter.turn(instant(&format!("{d}:11:30"))).await.unwrap();
    }
    let measure = "ventilator-associated-conditions";
    let made = report(&ward, measure, Step::Day, "2026-03-12", Some("north")).await;
    assert_eq!((count(&made, "numerator"), &made["meta"]["versionId"]), (1, &json!("2")), "{made}");
    assert!(extension(&made, "caution").is_some() && extension(&made, "replaces").is_some());
    let before = ward.get(&format!("MeasureReport/{}/_history/1", made["id"].as_str().unwrap())).await;
    assert_eq!(count(&before, "numerator"), 0);
    ward.service.shutdown().await.unwrap();
}

#[tokio::test]
async fn small_counts_are_hidden_in_what_is_kept_too() {
    let ward = charted().await;
    let wanted = "[reports]\nschedule = [\"day\"]\nmeasures = [\"timeliness\"]\nsuppress_below = 5\n";
    ward.until("1:00:30").await;
    reporter(&ward, wanted).turn(instant("1:00:30")).await.unwrap();
    let made = report(&ward, "timeliness", Step::Day, "2026-03-10", Some("north")).await;
    assert!(made["group"][0]["population"][0].get("count").is_none(), "{made}");
    assert_eq!(extension(&made, "suppressed-below").unwrap()["valueUnsignedInt"], 5);
    ward.service.shutdown().await.unwrap();
}

/// Off unless it is configured; on, the service makes them by itself.
#[tokio::test]
async fn the_service_makes_reports_where_the_configuration_says_so() {
    for (wanted, expected) in [("", 0), ("[reports]\nschedule = [\"day\"]\nmeasures = [\"timeliness\"]\n", 1)]
    {
        let ward = Ward::open(&format!("{UNITS}{wanted}")).await;
        ward.admit().await;
        ward.until("1:00:30").await;
        let slot = Slot {
            measure: "timeliness",
            step: Step::Day,
            period: (date("2026-03-10"), date("2026-03-10")),
            unit: None,
        };
        let mut found = 0;
        for _ in 0..2_000 {
            // each look is a request, and lets the service go on
            let all = ward.get(&format!("MeasureReport?_id={}", slot.id())).await;
            found = all["entry"].as_array().map_or(0, Vec::len);
            if found == expected && expected > 0 {
                break;
            }
            if expected == 0 && ward.service.store.next_wake().await.unwrap() != Some(i64::MIN) {
                break;
            }
        }
        assert_eq!(found, expected);
        ward.service.shutdown().await.unwrap();
    }
}

#[test]
fn a_report_can_be_made_half_an_hour_after_its_last_midnight_whatever_the_clock_does() {
    let mut rules = Rules::standard(chrono_tz::Europe::Vienna);
    // the night on which clocks go forward, and the one on which they go back
    for (last, ready) in [
        ("2026-03-28", "2026-03-28T23:30:00Z"),
        ("2026-03-29", "2026-03-29T22:30:00Z"),
        ("2026-10-25", "2026-10-25T23:30:00Z"),
    ] {
        let expected: chrono::DateTime<chrono::Utc> = ready.parse().unwrap();
        assert_eq!(ready_at(date(last), &rules), Instant::from(expected), "{last}");
    }
    rules.zone = chrono_tz::UTC;
    let periods = |step: Step, made: Option<&str>, now: &str| -> Vec<String> {
        let now: chrono::DateTime<chrono::Utc> = now.parse().unwrap();
        let over = step.over(made.map(date), Instant::from(now), &rules, 5);
        over.iter().map(|(from, to)| format!("{from}..{to}")).collect()
    };
    assert_eq!(periods(Step::Month, None, "2026-03-01T00:29:59Z"), ["2026-01-01..2026-01-31"]);
    assert_eq!(periods(Step::Month, None, "2026-03-01T00:30:00Z"), ["2026-02-01..2026-02-28"]);
    assert_eq!(
        periods(Step::Week, Some("2026-03-01"), "2026-03-16T00:30:00Z"),
        ["2026-03-02..2026-03-08", "2026-03-09..2026-03-15"]
    );
    assert_eq!(
        periods(Step::Day, Some("2020-01-01"), "2026-03-16T12:00:00Z").len(),
        5,
        "the oldest are left out"
    );
    assert_eq!(periods(Step::Day, Some("2026-03-15"), "2026-03-16T12:00:00Z"), [""; 0]);
}

#[test]
fn a_schedule_that_cannot_be_kept_is_refused_with_what_to_write() {
    for (wanted, said) in [
        ("schedule = [\"year\"]", "expected day, week, month"),
        ("schedule = [\"day\", \"day\"]", "is there already"),
        ("measures = [\"timelines\"]", "expected some of timeliness"),
    ] {
        let errors = Config::parse(&format!("[reports]\n{wanted}\n")).unwrap_err();
        assert!(errors.iter().any(|e| e.contains(said)), "{errors:?}");
    }
}
