//! Tasks and DetectedIssues are put on another server, and what people make of them there comes back.

use std::collections::BTreeMap;
use std::time::Duration;

use serde_json::{Value, json};
use terce::care::time::Length;
use terce::store::{LetterQuery, Order, Query, Store, Way};

use super::elsewhere::{Elsewhere, Trouble};
use crate::worklist::ward::Ward;

/// What the configuration says of the worklist, beside `more`.
pub fn worklist(elsewhere: &Elsewhere, more: &str) -> String {
    worklist_asked(elsewhere, 30, more)
}

/// The same, where what has changed there is asked for every so many seconds.
fn worklist_asked(elsewhere: &Elsewhere, seconds: u32, more: &str) -> String {
    format!(
        "[[server]]\nname = \"worklist\"\nbase = \"{}\"\n[[deliver]]\nserver = \"worklist\"\nchanges_seconds = {seconds}\n{more}\
         [site]\nprotocol = \"minimal\"\n[[unit]]\nlocation = \"north\"\nowner = \"CareTeam/north\"\n",
        elsewhere.url
    )
}

async fn ward(elsewhere: &Elsewhere) -> Ward {
    let ward = Ward::open(&worklist(elsewhere, "")).await;
    elsewhere.by(&ward.service.clock);
    ward.admit().await;
    ward
}

/// A ward whose one Task is there, and its id.
async fn with_a_task(elsewhere: &Elsewhere) -> (Ward, Store, String) {
    let ward = ward(elsewhere).await;
    ward.until("02:30").await;
    let store = ward.service.store.clone();
    delivered(&store).await;
    let (id, _) = one(&elsewhere.all("Task"));
    (ward, store, id)
}

/// Whether all that was said is noted as wanted, and nothing waits.
async fn is_delivered(store: &Store) -> bool {
    for kind in ["DetectedIssue", "Task"] {
        let Some(mark) = store.mark(&format!("deliver.worklist.{kind}")).await.unwrap() else { return false };
        let after = Some(mark.parse().unwrap());
        let query =
            Query { kind: kind.into(), after, order: Order::OldestFirst, limit: 1, ..Query::default() };
        if !store.search(query).await.unwrap().documents.is_empty() {
            return false;
        }
    }
    store.outboxes().await.unwrap().is_empty()
}

/// Waits until everything is there; the clock stands.
pub async fn delivered(store: &Store) {
    let mut changed = store.changed();
    while !is_delivered(store).await {
        changed.changed().await.unwrap();
    }
}

/// Waits until everything is there, and lets seconds pass meanwhile: what failed is tried again after a while.
pub async fn delivered_in_time(ward: &Ward) {
    ward.service.settle().await.unwrap();
    let mut changed = ward.service.store.changed();
    while !is_delivered(&ward.service.store).await {
        let now = ward.service.clock.now();
        ward.service.clock.set(now + Length::seconds(10));
        ward.service.settle().await.unwrap();
        // whatever comes first: it is only looked again
        let _ = tokio::time::timeout(Duration::from_millis(20), changed.changed()).await;
    }
}

/// Lets time pass, so many seconds at once, until what has changed there was asked for twice more.
async fn looked(ward: &Ward, elsewhere: &Elsewhere, seconds: u32) {
    let until = elsewhere.looks() + 2;
    while elsewhere.looks() < until {
        ward.service.clock.set(ward.service.clock.now() + Length::seconds(seconds.into()));
        ward.service.settle().await.unwrap();
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
}

/// Waits until the documents there are so.
async fn until(store: &Store, is: impl AsyncFn() -> bool) {
    let mut changed = store.changed();
    while !is().await {
        changed.changed().await.unwrap();
    }
}

fn one(all: &BTreeMap<String, Value>) -> (String, Value) {
    assert_eq!(all.len(), 1, "{all:?}");
    let (id, document) = all.iter().next().unwrap();
    (id.clone(), document.clone())
}

/// A document without what is each server's own.
pub fn bare(document: &Value) -> Value {
    let mut document = document.clone();
    document.as_object_mut().unwrap().remove("meta");
    document
}

#[tokio::test]
async fn a_task_is_there_under_its_id_and_closes_there_when_care_is_charted() {
    let elsewhere = Elsewhere::start().await;
    let ward = ward(&elsewhere).await;
    ward.until("04:31").await;
    delivered(&ward.service.store).await;
    let task = ward.task().await.unwrap();
    let (id, there) = one(&elsewhere.all("Task"));
    assert_eq!((id.as_str(), bare(&there)), (task["id"].as_str().unwrap(), bare(&task)));
    let (issue, _) = one(&elsewhere.all("DetectedIssue"));
    assert_eq!(there["reasonReference"]["reference"], format!("DetectedIssue/{issue}"));
    ward.care("c", "oral-cleansing", "04:32").await;
    ward.until("04:33").await;
    delivered(&ward.service.store).await;
    assert_eq!(one(&elsewhere.all("Task")).1["status"], "completed");
    assert!(elsewhere.writes().iter().all(|(_, _, status)| *status < 300), "{:?}", elsewhere.writes());
}

#[tokio::test]
async fn what_changes_while_the_server_is_away_is_written_once_as_it_is_at_last() {
    let elsewhere = Elsewhere::start().await;
    elsewhere.is_in(Trouble { down: true, ..Trouble::default() });
    let ward = ward(&elsewhere).await;
    for when in ["02:00", "04:31", "08:31"] {
        ward.until(when).await;
    }
    let store = &ward.service.store;
    let is_told = async || {
        let waiting = store.deliveries_waiting("worklist", 9).await.unwrap();
        waiting.len() == 2 && waiting.iter().any(|d| d.why.is_some())
    };
    while !is_told().await {
        ward.service.clock.set(ward.service.clock.now() + Length::seconds(1));
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    let asked = elsewhere.requests();
    assert!(asked < 12, "a server that is away is left alone: {asked} requests");
    elsewhere.is_in(Trouble::default());
    delivered_in_time(&ward).await;
    let (_, there) = one(&elsewhere.all("Task"));
    assert_eq!(bare(&there), bare(&ward.task().await.unwrap()));
    let written =
        elsewhere.writes().iter().filter(|(_, path, s)| path.starts_with("Task/") && *s < 300).count();
    assert_eq!(written, 1);
}

#[tokio::test]
async fn what_a_nurse_sets_there_comes_back_and_stays() {
    let elsewhere = Elsewhere::start().await;
    let (ward, store, id) = with_a_task(&elsewhere).await;
    elsewhere.change(&format!("Task/{id}"), |task| {
        task["status"] = "in-progress".into();
        task["owner"] = json!({"reference": "Practitioner/n1"});
        let mut notes = task["note"].as_array().unwrap().clone();
        notes.push(json!({"text": "in a minute", "authorString": "N. One"}));
        task["note"] = notes.into();
        task["groupIdentifier"] = json!({"value": "their own"});
    });
    ward.until("02:31").await;
    until(&store, async || ward.task().await.is_some_and(|task| task["status"] == "in-progress")).await;
    let task = ward.task().await.unwrap();
    assert_eq!(task["owner"]["reference"], "Practitioner/n1");
    assert!(task["note"].as_array().unwrap().iter().any(|note| note["text"] == "in a minute"));
    // it becomes overdue: what is ours changes there, what is theirs stays
    ward.until("04:31").await;
    delivered(&store).await;
    let there = &elsewhere.all("Task")[&id];
    assert_eq!((&there["status"], &there["priority"]), (&"in-progress".into(), &"urgent".into()));
    assert_eq!(
        (&there["owner"]["reference"], &there["groupIdentifier"]["value"]),
        (&"Practitioner/n1".into(), &"their own".into())
    );
    ward.care("c", "oral-cleansing", "04:35").await;
    ward.until("04:36").await;
    delivered(&store).await;
    let there = &elsewhere.all("Task")[&id];
    assert_eq!(
        (&there["status"], &there["owner"]["reference"]),
        (&"completed".into(), &"Practitioner/n1".into())
    );
    assert!(there["note"].as_array().unwrap().iter().any(|note| note["text"] == "in a minute"));
}

#[tokio::test]
async fn what_is_told_of_changes_may_be_old_and_takes_no_note_away() {
    let elsewhere = Elsewhere::start().await;
    let (ward, _, id) = with_a_task(&elsewhere).await;
    let note = |text: &str| {
        let note = json!({"text": text, "authorString": "N. One"});
        elsewhere.change(&format!("Task/{id}"), |task| task["note"].as_array_mut().unwrap().push(note));
    };
    elsewhere.tells_old();
    for (when, text) in [("02:31", "first"), ("02:32", "second"), ("04:31", "third")] {
        note(text);
        ward.until(when).await;
        looked(&ward, &elsewhere, 31).await;
        delivered_in_time(&ward).await;
    }
    let noted = |task: &Value| {
        let notes = task["note"].as_array().unwrap().iter();
        notes.filter(|n| n["authorString"] == "N. One").map(|n| n["text"].clone()).collect::<Vec<_>>()
    };
    assert_eq!(noted(&ward.task().await.unwrap()), ["first", "second", "third"]);
    assert_eq!(noted(&one(&elsewhere.all("Task")).1), ["first", "second", "third"]);
}

#[tokio::test]
async fn a_server_that_is_slow_to_tell_what_has_changed_is_written_to_all_the_same() {
    let elsewhere = Elsewhere::start().await;
    // by the ward's clock it takes longer than the time after which it is asked again
    elsewhere.thinks(Duration::from_millis(60));
    let ward = Ward::open(&worklist_asked(&elsewhere, 1, "")).await;
    elsewhere.by(&ward.service.clock);
    ward.admit().await;
    ward.until("04:31").await;
    tokio::time::timeout(Duration::from_secs(20), delivered_in_time(&ward)).await.unwrap();
    let (_, there) = one(&elsewhere.all("Task"));
    assert_eq!(bare(&there), bare(&ward.task().await.unwrap()));
}

#[tokio::test]
async fn what_may_not_be_set_there_is_a_dead_letter_and_stays_there_as_it_was_set() {
    let elsewhere = Elsewhere::start().await;
    let (ward, store, id) = with_a_task(&elsewhere).await;
    elsewhere.change(&format!("Task/{id}"), |task| task["status"] = "draft".into());
    ward.until("02:31").await;
    let letters = async || {
        store.letters(LetterQuery { limit: 9, way: Some(Way::In), ..LetterQuery::default() }).await.unwrap()
    };
    until(&store, async || !letters().await.is_empty()).await;
    assert!(letters().await[0].why.contains("can be made"), "{:?}", letters().await);
    ward.until("04:31").await;
    delivered(&store).await;
    let there = &elsewhere.all("Task")[&id];
    assert_eq!((&there["status"], &there["priority"]), (&"draft".into(), &"urgent".into()));
}

#[tokio::test]
async fn where_ids_are_given_documents_are_found_by_identifier_and_refer_to_each_other() {
    for configured in [false, true] {
        let elsewhere = Elsewhere::start().await;
        elsewhere.gives_ids();
        let more = if configured { "gives_ids = true\n" } else { "" };
        let ward = Ward::open(&worklist(&elsewhere, more)).await;
        elsewhere.by(&ward.service.clock);
        ward.admit().await;
        let store = ward.service.store.clone();
        ward.until("04:31").await;
        delivered(&store).await;
        let (issue, _) = one(&elsewhere.all("DetectedIssue"));
        let (id, there) = one(&elsewhere.all("Task"));
        assert!(id.starts_with("there-"));
        assert_eq!(there["reasonReference"]["reference"], format!("DetectedIssue/{issue}"));
        elsewhere.change(&format!("Task/{id}"), |task| task["status"] = "accepted".into());
        ward.until("04:32").await;
        until(&store, async || ward.task().await.is_some_and(|task| task["status"] == "accepted")).await;
        ward.care("c", "oral-cleansing", "04:35").await;
        ward.until("04:36").await;
        delivered(&store).await;
        let (same, there) = one(&elsewhere.all("Task"));
        assert_eq!((same, &there["status"]), (id, &"completed".into()));
    }
}

#[tokio::test]
async fn what_a_server_refuses_is_a_dead_letter_that_holds_up_nobody_and_can_be_sent_again() {
    let elsewhere = Elsewhere::start().await;
    elsewhere.refuses(Some("Encounter/e"));
    let ward = ward(&elsewhere).await;
    let store = ward.service.store.clone();
    ward.put(json!({"resourceType": "Patient", "id": "q"})).await;
    for mut document in [ward.ventilation(None)] {
        document["id"] = "v2".into();
        document["subject"]["reference"] = "Patient/q".into();
        document["encounter"]["reference"] = "Encounter/f".into();
        ward.put(document).await;
    }
    ward.put(json!({"resourceType": "Encounter", "id": "f", "subject": {"reference": "Patient/q"},
        "status": "in-progress", "period": {"start": "2026-03-10T00:00:00Z"},
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "location": [{"location": {"reference": "Location/north"}}]}))
        .await;
    ward.until("02:00").await;
    delivered(&store).await;
    let (_, there) = one(&elsewhere.all("Task"));
    assert_eq!(there["encounter"]["reference"], "Encounter/f");
    let letters = store.letters(LetterQuery { limit: 9, ..LetterQuery::default() }).await.unwrap();
    assert_eq!((letters.len(), letters[0].about.way), (1, Way::Out));
    assert!(letters[0].why.contains("422"));
    let asked = elsewhere.requests();
    ward.until("02:20").await;
    delivered(&store).await;
    let writes = elsewhere.writes().len();
    assert!(asked > 0 && writes <= 3, "it is not tried again and again: {:?}", elsewhere.writes());
    elsewhere.refuses(None);
    ward.post(&format!("/feed/letters/{}/replay", letters[0].number)).await;
    until(&store, async || elsewhere.all("Task").len() == 2).await;
    delivered(&store).await;
    assert!(store.letters(LetterQuery { limit: 9, ..LetterQuery::default() }).await.unwrap().is_empty());
}

#[tokio::test]
async fn what_was_deleted_there_is_not_written_anew_unless_somebody_says_so() {
    let elsewhere = Elsewhere::start().await;
    let ward = ward(&elsewhere).await;
    let store = ward.service.store.clone();
    ward.until("02:00").await;
    delivered(&store).await;
    let (id, _) = one(&elsewhere.all("Task"));
    elsewhere.delete(&format!("Task/{id}"));
    // the stub knows of no versions of what is gone: it is asked for once more after the refusal
    elsewhere.gives_ids();
    ward.until("04:31").await;
    delivered(&store).await;
    assert!(elsewhere.all("Task").is_empty());
    let letters = store.letters(LetterQuery { limit: 9, ..LetterQuery::default() }).await.unwrap();
    assert!(letters[0].why.contains("deleted it there"), "{letters:?}");
    ward.post(&format!("/feed/letters/{}/replay", letters[0].number)).await;
    until(&store, async || elsewhere.all("Task").len() == 1).await;
}

/// What is not the same here and there, but for the notes of others.
async fn differing(ward: &Ward, elsewhere: &Elsewhere) -> Vec<String> {
    let mut out = Vec::new();
    for kind in ["Task", "DetectedIssue"] {
        let query = Query { kind: kind.into(), limit: 10_000, ..Query::default() };
        let here = ward.service.store.search(query).await.unwrap().documents;
        let there = elsewhere.all(kind);
        let here: BTreeMap<String, Value> = here
            .into_iter()
            .map(|row| (row.document.id, serde_json::from_slice(&row.document.body.unwrap()).unwrap()))
            .collect();
        if here.keys().ne(there.keys()) {
            out.push(format!("{kind}: {} here, {} there", here.len(), there.len()));
        }
        for (id, here) in &here {
            let (mut here, there) = (bare(here), there.get(id).map(bare).unwrap_or_default());
            here["id"] = id.as_str().into();
            let names = here.as_object().unwrap().keys().filter(|name| *name != "note");
            let other = names.filter(|name| here.get(name) != there.get(name));
            out.extend(
                other.map(|name| format!("{kind}/{id}: {name}: {} here, {} there", here[name], there[name])),
            );
        }
    }
    out
}

/// Seeded: a ward whose worklist is away for twelve hours, then answers badly, while nurses change what they find.
#[tokio::test(flavor = "multi_thread")]
async fn whatever_goes_wrong_there_is_in_the_end_what_is_here_once_and_what_nurses_wrote_stays() {
    const STAYS: usize = 30;
    // seconds go by in a moment here: asked more often, it would be asked for nothing else
    const LOOKS: u32 = 300;
    // `tests/long/steps` asks for a thousand
    #[allow(clippy::disallowed_methods, reason = "the command for longer runs says how many")]
    let races = std::env::var("TERCE_RACES").ok().and_then(|races| races.parse().ok()).unwrap_or(100);
    let elsewhere = Elsewhere::start().await;
    let ward = Ward::open(&worklist_asked(&elsewhere, LOOKS, "")).await;
    elsewhere.by(&ward.service.clock);
    for n in 0..STAYS {
        ward.admit_another(n).await;
    }
    elsewhere.is_in(Trouble { down: true, ..Trouble::default() });
    let care = async |n: usize, when: &str| {
        let mut care =
            ward.procedure(&format!("c{n}-{}", when.replace(':', "-")), "oral-cleansing", "completed", when);
        care["subject"]["reference"] = format!("Patient/p{n}").into();
        care["encounter"]["reference"] = format!("Encounter/e{n}").into();
        ward.put(care).await;
    };
    for hour in 2..14 {
        ward.until(&format!("{hour:02}:10")).await;
        for n in (hour % 3..STAYS).step_by(3) {
            care(n, &format!("{hour:02}:09")).await;
        }
    }
    // back, with half of the answers to writes lost, and nurses who write whenever somebody reads
    elsewhere.is_in(Trouble { lost: 50, throttled: 10, broken: 10, raced: 70, ..Trouble::default() });
    let mut hour = 14;
    while elsewhere.raced() < races {
        let when = format!("{}:{:02}", hour / 24, hour % 24);
        ward.until(&format!("{when}:10")).await;
        for n in (hour % 2..STAYS).step_by(4) {
            care(n, &format!("{when}:09")).await;
        }
        delivered_in_time(&ward).await;
        hour += 1;
    }
    println!(
        "{} races until the hour {hour}, {} of them about Tasks",
        elsewhere.raced(),
        elsewhere.raced_tasks()
    );
    elsewhere.is_in(Trouble::default());
    delivered_in_time(&ward).await;
    // what nurses wrote last comes back with the next look that begins; when one more has begun, that is taken in
    looked(&ward, &elsewhere, LOOKS).await;
    delivered_in_time(&ward).await;
    assert_eq!(differing(&ward, &elsewhere).await, [""; 0]);
    let letters =
        ward.service.store.letters(LetterQuery { limit: 9, ..LetterQuery::default() }).await.unwrap();
    assert_eq!(letters, [], "nothing was given up");
    let tasks = elsewhere.all("Task");
    let notes = tasks.values().flat_map(|task| task["note"].as_array().cloned().unwrap_or_default());
    let noted = notes.filter(|note| note["authorString"] == "a nurse").count();
    let of_tasks = elsewhere.raced_tasks();
    assert_eq!(noted, of_tasks, "no nurse's note was overwritten");
}
