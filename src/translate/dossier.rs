//! All documents of one patient, put together into the facts of each stay.
//!
//! # Guarantees
//! - What comes out depends on the set of current documents, never on the order in which they were put.
//! - Every document whose extract says something, or could not be used, ends as a fact, as a doubt of a stay, or in
//!   [`Assembled::waiting`].
//! - Spans are handed over as charted: union, bridging and open ends are for [`crate::care`].
//!
//! # How a document finds its stay
//! By its encounter: the stay is the encounter at the top of `partOf`. Without one, by its time: the only stay that
//! covers it; among several, the only one in which the patient has a bed (an outpatient visit does not contend with an
//! admission). Else it waits, and so does one whose encounter has not arrived.

mod look;
mod place;
mod stays;
mod units;

use std::borrow::Borrow;
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use self::look::Look;
use super::Settings;
use super::extract::{Extract, name_of};
use crate::care::facts::{Facts, Source};
use crate::care::ledger::Doubt;
use crate::care::time::{Instant, Span};

/// The documents of one patient.
#[derive(Clone, Debug)]
pub struct Dossier {
    patient: Arc<str>,
    documents: BTreeMap<Named, Arc<Extract>>,
}

/// How the dossier asks for a document that is not the patient's own: type and id in, its extract out.
pub type Shared<'a> = &'a dyn Fn(&str, &str) -> Option<Arc<Extract>>;

/// The stays of a patient, and what could not be placed.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Assembled {
    /// In the order of their root encounters' ids.
    pub stays: Vec<StayFacts>,
    /// What could not be placed in any stay, and why.
    pub waiting: Vec<Doubt>,
    /// Type and id of the documents that are not the patient's own and were read, or would have been.
    pub depends: BTreeSet<(String, String)>,
}

/// The facts of one stay.
#[derive(Clone, PartialEq, Debug)]
pub struct StayFacts {
    /// What is known of it.
    pub facts: Facts,
    /// The `Patient` id.
    pub patient: Arc<str>,
    /// The ids of its encounters, the root first.
    pub encounters: Vec<Arc<str>>,
    /// Where its encounters say that the patient was, in no order.
    pub places: Vec<Stayed>,
    /// What of its documents could not be used, or only with a guess.
    pub doubts: Vec<Doubt>,
}

/// A time at a place, as charted: a bed, a room, a unit or where a patient is away.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Stayed {
    /// The `Location` id.
    pub location: Arc<str>,
    /// Start.
    pub from: Instant,
    /// End; none while it goes on.
    pub to: Option<Instant>,
}

/// The `Location` ids of the places where the patient is at `now`, the one that was reached last first.
pub fn places_at(places: &[Stayed], now: Instant) -> Vec<Arc<str>> {
    let mut all: Vec<&Stayed> =
        places.iter().filter(|place| Span::until(place.from, place.to).contains(now)).collect();
    all.sort_by(|a, b| (b.from, &a.location).cmp(&(a.from, &b.location)));
    all.into_iter().map(|place| place.location.clone()).collect()
}

/// An extract's source, ordered and found by `Type/id`.
#[derive(Clone, Debug)]
struct Named {
    source: Source,
    /// How much of it is `Type/id`.
    length: usize,
}

impl Named {
    fn new(source: &Source) -> Self {
        Named { source: source.clone(), length: name_of(source).len() }
    }

    fn name(&self) -> &str {
        self.source.0.get(..self.length).unwrap_or_default()
    }
}

impl PartialEq for Named {
    fn eq(&self, other: &Self) -> bool {
        self.name() == other.name()
    }
}

impl Eq for Named {}

impl PartialOrd for Named {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Named {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.name().cmp(other.name())
    }
}

impl Borrow<str> for Named {
    fn borrow(&self) -> &str {
        self.name()
    }
}

impl Dossier {
    /// No documents yet.
    pub fn new(patient: &str) -> Self {
        Dossier { patient: patient.into(), documents: BTreeMap::new() }
    }

    /// What the documents of a patient say, each document once; quickest in the order of their names.
    pub fn of(patient: &str, extracts: Vec<Extract>) -> Self {
        let documents = extracts.into_iter().map(|e| (Named::new(&e.source), Arc::new(e))).collect();
        Dossier { patient: patient.into(), documents }
    }

    /// The `Patient` id.
    pub fn patient(&self) -> &str {
        &self.patient
    }

    /// Adds what a document says, in place of what an earlier version of it said; an older version changes nothing.
    pub fn put(&mut self, extract: impl Into<Arc<Extract>>) {
        let extract = extract.into();
        match self.documents.entry(Named::new(&extract.source)) {
            Entry::Vacant(free) => {
                free.insert(extract);
            }
            Entry::Occupied(held) if held.get().version > extract.version => {}
            Entry::Occupied(held) => {
                held.remove_entry();
                self.documents.insert(Named::new(&extract.source), extract);
            }
        }
    }

    /// Forgets a document, whatever its version.
    pub fn forget(&mut self, kind: &str, id: &str) {
        self.documents.remove(format!("{kind}/{id}").as_str());
    }

    /// What is held of a document.
    pub fn get(&self, kind: &str, id: &str) -> Option<&Arc<Extract>> {
        self.documents.get(format!("{kind}/{id}").as_str())
    }

    /// How many documents are held.
    pub fn len(&self) -> usize {
        self.documents.len()
    }

    /// True if none are held.
    pub fn is_empty(&self) -> bool {
        self.documents.is_empty()
    }

    /// The stays of the patient and their facts.
    ///
    /// `shared` is asked for documents that are not the patient's own: Locations, Devices, Encounters that other
    /// documents name. Which were asked for is in [`Assembled::depends`], whether they were there or not.
    pub fn stays(&self, shared: Shared<'_>, settings: &Settings) -> Assembled {
        let look = Look::new(self, shared);
        let mut assembly = stays::Assembly::new(look, settings);
        assembly.find_stays();
        for extract in self.documents.values() {
            assembly.place(extract);
        }
        assembly.finish()
    }
}
