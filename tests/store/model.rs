//! Random batches, against a model in a few lines.

use std::collections::BTreeMap;

use proptest::prelude::*;
use proptest::sample::select;
use terce::store::{Change, Identifier, Precondition, Query, Reconciled, Store, StoreError, Write};

use super::{batch, token};

const IDS: [&str; 4] = ["a", "b", "c", "d"];
const NAMES: [&str; 3] = ["1", "2", "3"];
const PATIENTS: [&str; 3] = ["p", "q", "r"];

/// One version: body (none: deleted), patient, identifiers.
type Version = (Option<Vec<u8>>, Option<String>, Vec<Identifier>);

#[derive(Clone, Default, Debug)]
struct Model {
    documents: BTreeMap<String, Vec<Version>>,
    /// By patient: the generation, counted in changes, and the one that was reconciled.
    subjects: BTreeMap<String, (u64, u64)>,
    changes: u64,
}

impl Model {
    fn matches(&self, value: &str) -> Vec<String> {
        let fits = |versions: &[Version]| {
            versions.last().is_some_and(|v| v.0.is_some() && v.2.iter().any(|i| i.value == value))
        };
        self.documents.iter().filter(|(_, v)| fits(v)).map(|(id, _)| id.clone()).collect()
    }

    /// What becomes of one write: the version and the change, or none if it is refused.
    fn write(&mut self, write: &Write) -> Option<(u64, Change)> {
        let given = write.id.clone().unwrap();
        let mut id = given.clone();
        match &write.precondition {
            Precondition::IfNoneExist(t) | Precondition::Match(t) | Precondition::Unmatched(t) => {
                let found = self.matches(&t.value);
                match (&write.precondition, found.as_slice()) {
                    (_, []) => {}
                    (_, [_, _, ..]) | (Precondition::Unmatched(_), _) => return None,
                    (Precondition::IfNoneExist(_), [one]) => {
                        return Some((self.documents[one].len() as u64, Change::Unchanged));
                    }
                    (_, [one]) if *one != given => return None,
                    (_, [one]) => id.clone_from(one),
                }
            }
            Precondition::None | Precondition::Absent | Precondition::Version(_) => {}
        }
        let versions = self.documents.entry(id).or_default();
        let last = versions.last().cloned().filter(|v| v.0.is_some());
        match write.precondition {
            Precondition::Absent if last.is_some() => return None,
            Precondition::Version(v) if last.is_none() || versions.len() as u64 != v => return None,
            _ => {}
        }
        let change = match (&last, &write.body) {
            (None, None) => Change::Unchanged,
            (Some(old), Some(new)) if old.0.as_ref() == Some(new) => Change::Unchanged,
            (Some(_), Some(_)) => Change::Updated,
            (Some(_), None) => Change::Deleted,
            (None, Some(_)) => Change::Created,
        };
        if change != Change::Unchanged {
            let before = versions.last().and_then(|v| v.1.clone());
            let kept = before.clone().filter(|_| write.body.is_none());
            let patient = write.patient.clone().or(kept);
            let names = if write.body.is_none() { Vec::new() } else { write.identifiers.clone() };
            versions.push((write.body.clone(), patient.clone(), names));
            self.changes += 1;
            for concerned in [before, patient].into_iter().flatten() {
                self.subjects.entry(concerned).or_default().0 = self.changes;
            }
        }
        Some((versions.len() as u64, change))
    }
}

#[derive(Clone, Debug)]
enum Step {
    Commit(Vec<Write>),
    Reconcile { patient: &'static str, stale: bool },
    Reopen,
}

fn precondition() -> impl Strategy<Value = Precondition> {
    let by = || select(&NAMES).prop_map(|value| token(None, value));
    prop_oneof![
        6 => Just(Precondition::None),
        1 => Just(Precondition::Absent),
        1 => (0..4_u64).prop_map(Precondition::Version),
        1 => by().prop_map(Precondition::IfNoneExist),
        1 => by().prop_map(Precondition::Unmatched),
        1 => by().prop_map(Precondition::Match),
    ]
}

fn write() -> impl Strategy<Value = Write> {
    let body = prop_oneof![1 => Just(None), 4 => (0..3_u8).prop_map(|n| Some(vec![b'x', n]))];
    let patient = prop_oneof![1 => Just(None), 5 => select(&PATIENTS).prop_map(Some)];
    let names = prop::collection::vec(select(&NAMES), 0..3);
    (select(&IDS), body, patient, names, precondition()).prop_map(
        |(id, body, patient, names, precondition)| Write {
            kind: "A".into(),
            id: Some(id.into()),
            body,
            patient: patient.map(Into::into),
            identifiers: names
                .into_iter()
                .map(|v| Identifier { system: "s".into(), value: v.into() })
                .collect(),
            precondition,
            dirty: true,
            ..Write::default()
        },
    )
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        12 => prop::collection::vec(write(), 1..5).prop_map(Step::Commit),
        3 => (select(&PATIENTS), any::<bool>()).prop_map(|(patient, stale)| Step::Reconcile { patient, stale }),
        1 => Just(Step::Reopen),
    ]
}

/// Commits to both, and compares the answers.
async fn commit(store: &Store, model: &mut Model, writes: Vec<Write>) {
    let mut next = model.clone();
    let want: Option<Vec<_>> = writes.iter().map(|w| next.write(w)).collect();
    match (store.commit(batch(1, writes)).await, want) {
        (Ok(got), Some(want)) => {
            let got: Vec<_> = got.written.iter().map(|w| (w.version, w.change)).collect();
            assert_eq!(got, want);
            *model = next;
        }
        (Err(_), None) => {}
        (got, want) => panic!("the store says {got:?}, the model {want:?}"),
    }
}

async fn reconcile(store: &Store, model: &mut Model, patient: &str, stale: bool) {
    let known = model.subjects.get(patient).copied().unwrap_or_default();
    let generation = store.documents_of(patient, 0).await.unwrap().generation - i64::from(stale);
    let reconciled = vec![Reconciled { patient: patient.into(), generation, ..Default::default() }];
    let outcome = store.commit(terce::store::Batch { reconciled, ..Default::default() }).await;
    if stale {
        assert_eq!(outcome, Err(StoreError::StaleGeneration { patient: patient.into() }));
    } else {
        outcome.unwrap();
        model.subjects.insert(patient.into(), (known.0, known.0));
    }
}

async fn compare(store: &Store, model: &Model) {
    for (id, versions) in &model.documents {
        let history = store.history("A", id, None, 999).await.unwrap();
        let got: Vec<_> = history.into_iter().rev().map(|d| (d.body, d.patient)).collect();
        let want: Vec<_> = versions.iter().map(|v| (v.0.clone(), v.1.clone())).collect();
        assert_eq!(got, want, "versions of {id}");
    }
    let alive =
        || model.documents.iter().filter_map(|(id, v)| Some((id, v.last()?))).filter(|(_, v)| v.0.is_some());
    let query = Query { kind: "A".into(), limit: 99, ..Query::default() };
    let page = store.search(query).await.unwrap();
    assert_eq!(page.documents.len(), alive().count());
    assert_eq!(store.count("A").await.unwrap(), alive().count() as u64);
    assert_eq!(
        store.counts().await.unwrap().documents.get("A").copied().unwrap_or(0),
        alive().count() as u64
    );
    for value in NAMES {
        assert_eq!(store.by_identifier("A", &token(None, value)).await.unwrap(), model.matches(value));
    }
    for patient in PATIENTS {
        let changes = store.documents_of(patient, 0).await.unwrap();
        let mut got: Vec<_> = changes.documents.iter().map(|d| &d.id).collect();
        got.sort();
        let of = |v: &[Version]| v.last().is_some_and(|v| v.1.as_deref() == Some(patient));
        let want: Vec<_> = model.documents.iter().filter(|(_, v)| of(v)).map(|(id, _)| id).collect();
        assert_eq!(got, want, "documents of {patient}");
    }
    let mut due = super::due(store, 9).await;
    due.sort();
    let want: Vec<_> = model.subjects.iter().filter(|(_, s)| s.0 > s.1).map(|(p, _)| p.clone()).collect();
    assert_eq!(due, want);
}

async fn agrees(steps: Vec<Step>) {
    let dir = tempfile::tempdir().unwrap();
    let mut store = super::file(dir.path()).await;
    let mut model = Model::default();
    for step in steps {
        match step {
            Step::Commit(writes) => commit(&store, &mut model, writes).await,
            Step::Reconcile { patient, stale } => reconcile(&store, &mut model, patient, stale).await,
            Step::Reopen => {
                store.close().await.unwrap();
                store = super::file(dir.path()).await;
            }
        }
        compare(&store, &model).await;
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_batches_do_what_the_model_does(steps in prop::collection::vec(step(), 1..20)) {
        tokio::runtime::Builder::new_current_thread().build().unwrap().block_on(agrees(steps));
    }
}
