//! The same numbers as the slow reading, and as the service that was told the same.

use std::collections::BTreeMap;
use std::sync::Arc;

use terce::care::ledger::{Cell, CellKey, Feed};
use terce::care::totals::Totals;
use terce::clock::Clock;
use terce::config::Config;
use terce::feed::Feeds;
use terce::stays::{Stays, What, Who};
use terce::store::Store;

use super::{asked, export, file, run, setup};
use crate::care::oracle::slow_reading;
use crate::measures::flat;

#[test]
fn two_thousand_stays_come_to_what_the_slow_reading_says() {
    let stays = export::stays(2_000);
    let folder = tempfile::tempdir().unwrap();
    let lines: Vec<String> = stays.iter().flat_map(|s| s.lines.clone()).collect();
    let input = file(folder.path(), "all.ndjson", &lines);
    let summary = run(&asked(&[input], &folder.path().join("out")));
    let rules = setup().site().unwrap().rules;
    let mut slow: BTreeMap<CellKey, Cell> = BTreeMap::new();
    for stay in &stays {
        let ledger = slow_reading(&stay.facts, &rules, Feed::unwatched(), export::until());
        ledger.cells.iter().for_each(|(key, cell)| slow.entry(key.clone()).or_default().add(cell));
    }
    // it draws the minutes around a stay too, in which there is nothing
    slow.retain(|_, cell| *cell != Cell::default());
    let met: u32 = slow.values().map(|c| c.met).sum();
    assert!(met > 10_000 && slow.values().any(|c| c.late_charted > 0 && c.excused > 0), "{met}");
    for (key, cell) in &slow {
        assert_eq!(summary.tally.cells.get(key), Some(cell), "{key:?}");
    }
    assert_eq!(summary.tally.cells.len(), slow.len());
}

#[tokio::test]
async fn a_service_that_was_told_the_same_in_another_order_comes_to_the_same_tallies() {
    let stays = export::stays(40);
    let mut lines: Vec<String> = stays.iter().flat_map(|s| s.lines.clone()).collect();
    // of two versions a service keeps the one that came last
    lines.retain(|l| !l.contains("\"versionId\":\"2\""));
    let folder = tempfile::tempdir().unwrap();
    let summary = run(&asked(&[file(folder.path(), "all.ndjson", &lines)], &folder.path().join("out")));

    let config = Config::parse(&format!("listen = \"127.0.0.1:0\"\n{}", setup().config.unwrap())).unwrap();
    let clock = Clock::settable(export::until());
    let store = Store::open_sqlite(None).await.unwrap();
    let (read, shown) = (store.clone(), Arc::new(config.clone()));
    let service = terce::service::serve_on(store, config, clock).await.unwrap();
    let client = reqwest::Client::new();
    let twice: Vec<&String> = lines.iter().rev().chain(lines.iter().step_by(3)).collect();
    let place = |n: usize| (n as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    let mut shuffled: Vec<(u64, &String)> =
        twice.into_iter().enumerate().map(|(n, l)| (place(n), l)).collect();
    shuffled.sort();
    for some in shuffled.chunks(200) {
        let entries: Vec<String> = some.iter().map(|(_, l)| format!("{{\"resource\":{l}}}")).collect();
        let bundle = format!(
            "{{\"resourceType\":\"Bundle\",\"type\":\"collection\",\"entry\":[{}]}}",
            entries.join(",")
        );
        let request =
            client.post(service.base()).header("content-type", "application/fhir+json").body(bundle);
        let answer = request.send().await.unwrap();
        assert!(answer.status().is_success(), "{}", answer.text().await.unwrap());
    }
    service.settle().await.unwrap();
    let (from, to) = ("2026-01-01".parse().unwrap(), "2026-12-31".parse().unwrap());
    let stays = Stays::open(read, shown, Feeds::default()).await.unwrap();
    let live = stays.totals(What::CountsAndDelays, &Who::All, (from, to), export::until()).await.unwrap();
    service.shutdown().await.unwrap();
    assert!(!summary.tally.cells.is_empty() && live.waiting == 0);
    assert_eq!(flat(&live.totals), flat(&Totals::of(&summary.tally, from, to, None)));
}
