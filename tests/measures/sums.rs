//! What is added up with each reconciliation, against everything counted anew from the documents.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde_json::{Value, json};
use terce::care::tally::Tally;
use terce::care::time::{Instant, Length};
use terce::care::totals::Totals;
use terce::clock::Clock;
use terce::config::Config;
use terce::feed::Feeds;
use terce::stays::{Stays, What, Who};
use terce::store::Store;

use super::{flat, watched};
use crate::replay::export;

const PATIENTS: u64 = 24;
const ROUNDS: usize = 40;
const CORRECTIONS: usize = 75;

struct Dice(u64);

impl Dice {
    fn roll(&mut self, below: usize) -> usize {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        usize::try_from(self.0 >> 33).unwrap() % below
    }
}

/// The documents as they stand, by type and id.
struct Record(BTreeMap<String, Value>);

impl Record {
    fn new() -> Self {
        let lines = export::stays(PATIENTS).into_iter().flat_map(|stay| stay.lines);
        let documents = lines.map(|line| {
            let mut document: Value = serde_json::from_str(&line).unwrap();
            document.as_object_mut().unwrap().remove("meta");
            let name = format!(
                "{}/{}",
                document["resourceType"].as_str().unwrap(),
                document["id"].as_str().unwrap()
            );
            (name, document)
        });
        Record(documents.collect())
    }

    /// One entry of a batch: some document corrected, moved, withdrawn, deleted or brought back.
    fn correction(&mut self, dice: &mut Dice) -> Value {
        let names: Vec<String> = self.0.keys().cloned().collect();
        let name = names[dice.roll(names.len())].clone();
        let shift = Length::minutes(i64::try_from(dice.roll(2_000)).unwrap() - 1_000);
        let document = self.0.get_mut(&name).unwrap();
        let put = |document: &Value| json!({"resource": document, "request": {"method": "PUT", "url": name}});
        if name.starts_with("Patient/") {
            return put(document);
        }
        if name.starts_with("Encounter/") {
            let places = document["location"].as_array_mut().unwrap();
            let units = ["north", "south", "theatre", "west"];
            let place = dice.roll(places.len());
            places[place]["location"]["reference"] = format!("Location/{}", units[dice.roll(4)]).into();
            return put(document);
        }
        if let Some(at) = document.get("performedDateTime").and_then(Value::as_str).map(str::to_owned) {
            match dice.roll(5) {
                0 => document["status"] = "entered-in-error".into(),
                1 => document["status"] = "completed".into(),
                2 | 3 if at.contains('T') => {
                    let at: chrono::DateTime<chrono::Utc> = at.parse().unwrap();
                    document["performedDateTime"] = (Instant::from(at) + shift).to_string().into();
                }
                _ => return json!({"request": {"method": "DELETE", "url": name}}),
            }
            return put(document);
        }
        // an airway: sometimes its end is charted, sometimes it is gone
        match dice.roll(3) {
            0 => json!({"request": {"method": "DELETE", "url": name}}),
            _ => put(document),
        }
    }
}

/// Counted from the documents alone.
async fn anew(store: &Store, config: &Arc<Config>, now: Instant) -> Tally {
    let stays = Stays::open(store.clone(), config.clone(), Feeds::default()).await.unwrap();
    let mut tally = Tally::default();
    for patient in store.subjects(None, 1_000).await.unwrap() {
        for survey in stays.surveys(&patient.patient, now).await.unwrap() {
            tally.add(&survey.stay.ledger);
            // of a stay that goes on it is not kept
            if survey.is_kept() {
                tally.add_watched(&survey.watched);
            }
        }
    }
    tally
}

#[tokio::test]
async fn sums_are_what_the_documents_come_to_after_thousands_of_corrections() {
    let text = "listen = \"127.0.0.1:0\"\n[site]\nzone = \"America/New_York\"\naway = [\"theatre\"]\n";
    let config = Config::parse(text).unwrap();
    let begin: chrono::DateTime<chrono::Utc> = "2026-03-07T12:00:00Z".parse().unwrap();
    let clock = Clock::settable(Instant::from(begin));
    let store = Store::open_sqlite(None).await.unwrap();
    let kept = Arc::new(config.clone());
    let service = terce::service::serve_on(store.clone(), config, clock).await.unwrap();
    let client = reqwest::Client::new();
    let (mut record, mut dice) = (Record::new(), Dice(7));
    let send = async |entries: Vec<Value>| {
        let bundle = json!({"resourceType": "Bundle", "type": "batch", "entry": entries});
        let request = client.post(service.base()).header("content-type", "application/fhir+json");
        let answer = request.body(bundle.to_string()).send().await.unwrap();
        assert!(answer.status().is_success(), "{}", answer.text().await.unwrap());
    };
    let all = record
        .0
        .iter()
        .map(|(name, document)| json!({"resource": document, "request": {"method": "PUT", "url": name}}));
    send(all.collect()).await;
    let (mut corrected, mut met, mut seen) = (0, 0, 0);
    for round in 0..ROUNDS {
        send((0..CORRECTIONS).map(|_| record.correction(&mut dice)).collect()).await;
        corrected += CORRECTIONS;
        let now = service.clock.now() + Length::minutes(i64::try_from(dice.roll(500)).unwrap());
        service.clock.set(now);
        service.settle().await.unwrap();
        // some time may pass before the next reconciliation is due
        let wake = store.next_wake().await.unwrap().map_or(Instant::LATEST, Instant::from_micros);
        let passed = Instant::from_micros(wake.micros().saturating_sub(1)).min(now + Length::minutes(50));
        let now = if round % 3 == 1 { passed.max(now) } else { now };
        let stays = Stays::open(store.clone(), kept.clone(), Feeds::default()).await.unwrap();
        let tally = anew(&store, &kept, now).await;
        met += tally.cells.values().map(|cell| cell.met).sum::<u32>();
        let day = |text: &str| text.parse::<chrono::NaiveDate>().unwrap();
        for (from, to) in [
            (day("2026-01-01"), day("2026-12-31")),
            (day("2026-03-08"), day("2026-03-08")),
            (day("2026-03-03"), day("2026-03-11")),
        ] {
            let summed = stays.totals(What::CountsAndDelays, &Who::All, (from, to), now).await.unwrap();
            assert_eq!(summed.waiting, 0);
            assert_eq!(flat(&summed.totals), flat(&Totals::of(&tally, from, to, None)), "round {round}");
            assert_eq!(
                watched(&summed.totals),
                watched(&Totals::of(&tally, from, to, None)),
                "round {round}"
            );
            seen += watched(&summed.totals).len();
            let units: Vec<Arc<str>> = vec!["south".into(), "".into()];
            let who = Who::Units(units.clone());
            let summed = stays.totals(What::CountsAndDelays, &who, (from, to), now).await.unwrap();
            let expected = Totals::of(&tally, from, to, Some(&units));
            assert_eq!(flat(&summed.totals), flat(&expected), "round {round}");
        }
        for n in [0, 11, 23] {
            let (from, to) = (day("2026-03-07"), day("2026-03-09"));
            let who = Who::Patients(vec![format!("p{n}")], None);
            let summed = stays.totals(What::CountsAndDelays, &who, (from, to), now).await.unwrap();
            let mut tally = Tally::default();
            for stay in stays.ledgers(&format!("p{n}"), now).await.unwrap() {
                tally.add(&stay.ledger);
            }
            assert_eq!(flat(&summed.totals), flat(&Totals::of(&tally, from, to, None)), "round {round}");
        }
    }
    assert!(corrected >= 3_000 && met > 10_000 && seen > 10, "{corrected} {met} {seen}");
    service.shutdown().await.unwrap();
}

/// What was written a moment ago is in the next report, reconciled or not; where too many wait, the report says so.
#[tokio::test]
async fn what_was_just_charted_is_counted_or_said_to_wait() {
    let store = Store::open_sqlite(None).await.unwrap();
    let text = "listen = \"127.0.0.1:0\"\n[site]\nzone = \"America/New_York\"\naway = [\"theatre\"]\n";
    let config = Arc::new(Config::parse(text).unwrap());
    let now = Instant::from("2026-03-20T00:00:00Z".parse::<chrono::DateTime<chrono::Utc>>().unwrap());
    let stays = Stays::open(store.clone(), config.clone(), Feeds::default()).await.unwrap();
    let (from, to) = ("2026-01-01".parse().unwrap(), "2026-12-31".parse().unwrap());
    let mut told = 0;
    for (n, stay) in export::stays(20).into_iter().enumerate() {
        let writes = stay.lines.iter().map(|line| {
            let document: Value = serde_json::from_str(line).unwrap();
            let kind = document["resourceType"].as_str().unwrap().to_owned();
            let of = terce::translate::document::read(&kind, line.as_bytes(), &Default::default()).unwrap();
            terce::store::Write {
                kind: kind.into(),
                id: Some(document["id"].as_str().unwrap().to_owned()),
                body: Some(line.trim().as_bytes().to_vec()),
                patient: of.links.patient,
                encounter: of.links.encounter,
                dirty: true,
                ..Default::default()
            }
        });
        let batch =
            terce::store::Batch { now_us: now.micros(), writes: writes.collect(), ..Default::default() };
        store.commit(batch).await.unwrap();
        let counted = stays.totals(What::Counts, &Who::All, (from, to), now).await.unwrap();
        if n < 16 {
            assert_eq!(counted.waiting, 0);
            told = flat(&counted.totals).len();
            assert!(told > 10);
        } else {
            assert_eq!(counted.waiting, n as u64 + 1);
            assert!(flat(&counted.totals).is_empty(), "none of them is half counted");
        }
    }
    assert!(told > 20, "{told}");
}
