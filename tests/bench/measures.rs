//! How fast reports are over many units and years: `cargo bench --bench measures`. Prints a table; a benchmark, never a
//! test.
//!
//! Sums of ten million opportunities in a thousand units are written as reconciliations write them; then reports of any
//! year, any month and any unit are asked of the interface, in this process and on a database on disk. Last comes one
//! patient of ten days from documents, with nothing kept in memory.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::disallowed_methods,
    unreachable_pub,
    reason = "a benchmark that fails says so and ends"
)]

use std::sync::Arc;
use std::time::{Duration, Instant as Watch};

use axum::Router;
use axum::body::{Body, to_bytes};
use axum::http::Request;
use chrono::{Days, NaiveDate};
use serde_json::json;
use terce::care::ledger::{Cell, CellKey, Feed};
use terce::care::tally::{CensusCell, DayCell, Tally};
use terce::care::time::{Instant, Length};
use terce::clock::Clock;
use terce::config::Config;
use terce::feed::Feeds;
use terce::rest::{Rest, router};
use terce::stays::Stays;
use terce::store::{Batch, Part, Reconciled, Share, StayRow, Store};
use terce::translate::measures::MEASURES;
use terce::translate::tallies;
use tower::ServiceExt;

const UNITS: u64 = 1_000;
const STAYS: u64 = 42_000;
const STAY_DAYS: u64 = 10;
/// The stays begin within so many days: a year can be asked for in many ways.
const SPREAD_DAYS: u64 = 400;
const REQUIREMENTS: [&str; 6] =
    ["clean", "brush", "moisten", "suction-assessment", "suction-set", "cuff-pressure"];
const REPORTS: usize = 300;

struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % below
    }
}

fn first_day() -> NaiveDate {
    NaiveDate::from_ymd_opt(2025, 1, 1).unwrap()
}

/// What a stay of ten days contributes: 12 cells a day, some 24 opportunities.
fn stay(number: u64, dice: &mut Dice, opportunities: &mut u64) -> (StayRow, Vec<Share>) {
    let (name, unit) = (format!("e{number}"), format!("unit-{}", number % UNITS));
    let begins = dice.roll(SPREAD_DAYS);
    let mut shares = Vec::new();
    for day in 0..STAY_DAYS {
        let day = first_day() + Days::new(begins + day);
        let mut tally = Tally::default();
        let mut days = DayCell { complete: 0, of: 1, ..DayCell::default() };
        for requirement in REQUIREMENTS {
            for shift in ["day", "night"] {
                let [met, missed] = [1 + dice.roll(3), dice.roll(2)].map(|n| u32::try_from(n).unwrap());
                *opportunities += u64::from(met + missed);
                let (at_risk, covered) =
                    (Length::hours(12), Length::minutes(400 + dice.roll(300).cast_signed()));
                let late_charted = u32::try_from(dice.roll(2)).unwrap();
                let cell = Cell { met, missed, late_charted, at_risk, covered, ..Cell::default() };
                let key = CellKey {
                    unit: unit.as_str().into(),
                    day,
                    shift: shift.into(),
                    requirement: requirement.into(),
                };
                tally.cells.insert(key, cell);
                let delays = tally.delays.entry((unit.as_str().into(), day, shift.into())).or_default();
                for _ in 0..met {
                    delays.count(Length::minutes(dice.roll(45).cast_signed()), 1);
                }
                days.requirements.insert(requirement.into(), (1, 1));
            }
        }
        tally.days.insert((unit.as_str().into(), day), days);
        tally.census.insert((unit.as_str().into(), day), CensusCell { patients: 1, ventilated: 1 });
        for (day, parts) in tallies::parts_of(&tally) {
            let part = |part: tallies::Part| {
                let tallies::Part { topic, unit, name, numbers } = part;
                Part { topic, unit: unit.to_string(), name, numbers }
            };
            let parts = parts.into_iter().map(part).collect();
            shares.push(Share { stay: name.clone(), day: tallies::day_number(day), parts });
        }
    }
    let row = StayRow { stay: name, patient: format!("p{number}"), unit: Some(unit), ..StayRow::default() };
    (row, shares)
}

async fn seed(store: &Store) -> u64 {
    let (mut dice, mut opportunities) = (Dice(11), 0);
    let mut waiting = tokio::task::JoinSet::new();
    for number in 0..STAYS {
        let (row, shares) = stay(number, &mut dice, &mut opportunities);
        let patient = row.patient.clone();
        let reconciled = vec![Reconciled { patient, stays: vec![row], shares, ..Reconciled::default() }];
        let store = store.clone();
        waiting.spawn(async move { store.commit(Batch { reconciled, ..Batch::default() }).await });
        if waiting.len() > 200 {
            waiting.join_next().await.unwrap().unwrap().unwrap();
        }
    }
    while let Some(done) = waiting.join_next().await {
        done.unwrap().unwrap();
    }
    opportunities
}

async fn ask(router: &Router, path: &str) -> (Duration, usize) {
    let begun = Watch::now();
    let request = Request::builder().uri(path).header("host", "localhost").body(Body::empty()).unwrap();
    let response = router.clone().oneshot(request).await.unwrap();
    let status = response.status();
    let body = to_bytes(response.into_body(), usize::MAX).await.unwrap();
    let took = begun.elapsed();
    assert!(status.is_success(), "{path}: {}", String::from_utf8_lossy(&body));
    (took, body.len())
}

fn row(name: &str, mut times: Vec<Duration>, bytes: usize) {
    times.sort_unstable();
    let at = |share: f64| times[((times.len() as f64 * share).ceil() as usize).clamp(1, times.len()) - 1];
    let ms = |time: Duration| format!("{:.1}", time.as_secs_f64() * 1e3);
    let (p50, p95, p99, most) = (ms(at(0.5)), ms(at(0.95)), ms(at(0.99)), ms(at(1.0)));
    println!("| {name} | {} | {p50} | {p95} | {p99} | {most} | {} |", times.len(), bytes / 1024);
}

fn rest(store: &Store, config: &Arc<Config>, stays: Stays, now: Instant) -> Router {
    let clock = Clock::settable(now);
    let rest = Rest::new(
        store.clone(),
        stays,
        Feeds::default(),
        clock,
        Arc::default(),
        config.clone(),
        Arc::default(),
    );
    router(rest)
}

async fn reports(router: &Router) {
    println!("| report | asked | p50 ms | p95 ms | p99 ms | max ms | KiB |");
    println!("| --- | --- | --- | --- | --- | --- | --- |");
    let mut dice = Dice(3);
    let any = |days: u64, dice: &mut Dice| {
        let from = first_day() + Days::new(dice.roll(SPREAD_DAYS + STAY_DAYS - days.min(SPREAD_DAYS)));
        format!("periodStart={from}&periodEnd={}", from + Days::new(days - 1))
    };
    for (name, days, unit) in [
        ("any year, all units", 365, false),
        ("any month, all units", 30, false),
        ("any year, one unit", 365, true),
        ("any day, one unit", 1, true),
    ] {
        let (mut times, mut bytes) = (Vec::new(), 0);
        for n in 0..REPORTS {
            let unit = if unit { format!("&unit=unit-{}", dice.roll(UNITS)) } else { String::new() };
            let measure = MEASURES[n % MEASURES.len()];
            let period = any(days, &mut dice);
            let path = format!("/fhir/Measure/{measure}/$evaluate-measure?{period}{unit}");
            let (took, length) = ask(router, &path).await;
            times.push(took);
            bytes = bytes.max(length);
        }
        row(name, times, bytes);
    }
    for (name, many, more, unit) in [
        ("timeliness, any year, all units", REPORTS, "", false),
        ("the same by week, one unit", 40, "&chart=week", true),
        ("the same by week, all units", 10, "&chart=week", false),
        ("the same, counts below 11 hidden", 10, "&suppressBelow=11", false),
    ] {
        let (mut times, mut bytes) = (Vec::new(), 0);
        for _ in 0..many {
            let unit = if unit { format!("&unit=unit-{}", dice.roll(UNITS)) } else { String::new() };
            let period = any(365, &mut dice);
            let path = format!("/fhir/Measure/timeliness/$evaluate-measure?{period}{unit}{more}");
            let (took, length) = ask(router, &path).await;
            times.push(took);
            bytes = bytes.max(length);
        }
        row(name, times, bytes);
    }
}

/// One patient of ten days with care every half hour or so.
async fn one_patient(store: &Store, config: &Arc<Config>, now: Instant) {
    let code = |system: &str, code: &str| json!({ "coding": [{ "system": format!("https://terce.example/fhir/CodeSystem/{system}"), "code": code }] });
    let at = |minutes: i64| {
        (Instant::from("2026-02-01T00:00:00Z".parse::<chrono::DateTime<chrono::Utc>>().unwrap())
            + Length::minutes(minutes))
        .to_string()
    };
    let subject = json!({ "reference": "Patient/one" });
    let encounter = json!({ "reference": "Encounter/one" });
    let mut documents = vec![
        json!({ "resourceType": "Patient", "id": "one" }),
        json!({ "resourceType": "Encounter", "id": "one", "status": "finished", "class": { "code": "IMP" }, "subject": subject,
            "period": { "start": at(0), "end": at(14_400) },
            "location": [{ "location": { "reference": "Location/unit-1" }, "period": { "start": at(0), "end": at(14_400) } }] }),
        json!({ "resourceType": "Procedure", "id": "v", "status": "completed", "subject": subject, "encounter": encounter,
            "code": code("airway", "invasive-ventilation"), "performedPeriod": { "start": at(10), "end": at(14_300) } }),
    ];
    let kinds = ["oral-cleansing", "oral-moisturising", "tooth-brushing", "cuff-pressure-check"];
    for n in 0..450_i64 {
        let kind = kinds[usize::try_from(n % 4).unwrap()];
        documents.push(json!({ "resourceType": "Procedure", "id": format!("c{n}"), "status": "completed",
            "subject": subject, "encounter": encounter, "code": code("activity", kind), "performedDateTime": at(20 + n * 31) }));
    }
    let entries: Vec<_> = documents.iter().map(|d| json!({ "resource": d })).collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "collection", "entry": entries });
    let open = || Stays::open(store.clone(), config.clone(), Feeds::default());
    let first = rest(store, config, open().await.unwrap(), now);
    let request = Request::builder().method("POST").uri("/fhir").header("host", "localhost");
    let request =
        request.header("content-type", "application/fhir+json").body(Body::from(bundle.to_string())).unwrap();
    assert!(first.oneshot(request).await.unwrap().status().is_success());
    let path = "/fhir/Measure/timeliness/$evaluate-measure?periodStart=2026-02-01&periodEnd=2026-02-28&subject=Patient/one";
    let (mut cold, mut warm, mut bytes) = (Vec::new(), Vec::new(), 0);
    for _ in 0..50 {
        // nothing is kept in memory
        let fresh = rest(store, config, open().await.unwrap(), now);
        let (took, length) = ask(&fresh, path).await;
        cold.push(took);
        warm.push(ask(&fresh, path).await.0);
        bytes = length;
    }
    row("one patient of ten days, from documents", cold, bytes);
    row("the same, read before", warm, bytes);
}

#[tokio::main]
async fn main() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open_sqlite(Some(&folder.path().join("terce.db"))).await.unwrap();
    let config =
        Arc::new(Config::parse("listen = \"127.0.0.1:0\"\n[site]\nzone = \"Europe/Vienna\"\n").unwrap());
    let now = Instant::from("2026-06-01T00:00:00Z".parse::<chrono::DateTime<chrono::Utc>>().unwrap());
    let begun = Watch::now();
    let opportunities = seed(&store).await;
    let took = begun.elapsed().as_secs_f64();
    println!("{opportunities} opportunities of {STAYS} stays in {UNITS} units, added up in {took:.0} s\n");
    let stays = Stays::open(store.clone(), config.clone(), Feeds::default()).await.unwrap();
    assert_eq!(stays.feed(now), Feed::unwatched());
    reports(&rest(&store, &config, stays, now)).await;
    one_patient(&store, &config, now).await;
    store.close().await.unwrap();
}
