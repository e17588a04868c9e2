//! What people at the bedside call a stay: its bed, and, where the site says so, the patient's name.

use std::collections::BTreeMap;
use std::sync::Arc;

use fhir_models::codes::NameUse;
use fhir_models::datatypes::HumanName;
use fhir_models::{Location, Patient};

use super::Console;
use super::entry::Viewer;
use super::page::Absent;
use crate::access::Rights;
use crate::care::time::Instant;
use crate::stays::StayLedger;
use crate::translate::dossier::places_at;

/// What a stay is called.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct Called {
    /// The bed, if the record tells one.
    pub(super) bed: Option<String>,
    /// The patient's name, if it may be shown and there is one.
    pub(super) name: Option<String>,
}

/// How exactly a place tells where a patient lies.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Exact {
    Bed,
    Room,
    /// The record does not say what the place is.
    Unsaid,
}

/// Looks up what stays are called; a place is read once.
pub(super) struct Calling<'a> {
    console: &'a Console,
    named: bool,
    bedded: bool,
    /// What is read of each `Location`: how exact it is, and its name.
    places: BTreeMap<Arc<str>, Option<(Exact, String)>>,
}

impl<'a> Calling<'a> {
    /// For `viewer`: beds for those who may read places; names only where the configuration says so, for those who may
    /// read patients.
    pub(super) fn of(console: &'a Console, viewer: &Viewer) -> Self {
        let named = console.config.names && viewer.can("Patient", Rights::READ);
        let bedded = viewer.can("Location", Rights::READ);
        Calling { console, named, bedded, places: BTreeMap::new() }
    }

    /// What a stay is called at `now`.
    pub(super) async fn stay(&mut self, stay: &StayLedger, now: Instant) -> Result<Called, Absent> {
        let mut bed: Option<(Exact, String)> = None;
        let places = if self.bedded { places_at(&stay.places, now) } else { Vec::new() };
        for id in places.into_iter().filter(|id| stay.ledger.unit.as_ref() != Some(id)) {
            let Some(place) = self.place(id).await? else { continue };
            // of equals, where the patient came last
            if bed.as_ref().is_none_or(|bed| place.0 < bed.0) {
                bed = Some(place);
            }
        }
        let name = match self.named {
            true => {
                read::<Patient>(self.console, "Patient", &stay.patient).await?.and_then(|p| name_of(&p.name))
            }
            false => None,
        };
        Ok(Called { bed: bed.map(|(_, name)| name), name })
    }

    /// What is known of a `Location`, if it tells where in a unit somebody lies and has a name.
    async fn place(&mut self, id: Arc<str>) -> Result<Option<(Exact, String)>, Absent> {
        if let Some(known) = self.places.get(&id) {
            return Ok(known.clone());
        }
        let place = read::<Location>(self.console, "Location", &id).await?;
        let place = place.and_then(|place| Some((exact(&place)?, place.name?)));
        self.places.insert(id, place.clone());
        Ok(place)
    }
}

/// None for a unit, a building and what else is larger than a room.
fn exact(place: &Location) -> Option<Exact> {
    let codings = place.physical_type.iter().flat_map(|kind| &kind.coding);
    let codes: Vec<&str> = codings.filter_map(|coding| coding.code.as_deref()).collect();
    match codes.as_slice() {
        [] => Some(Exact::Unsaid),
        codes if codes.contains(&"bd") => Some(Exact::Bed),
        codes if codes.contains(&"ro") => Some(Exact::Room),
        _ => None,
    }
}

async fn read<T: fhir_models::Resource>(
    console: &Console,
    kind: &str,
    id: &str,
) -> Result<Option<T>, Absent> {
    let document = console.store.document(kind, id).await?;
    Ok(document.and_then(|document| fhir_models::parse(document.body.as_deref()?).ok()))
}

/// The name in use: as a text, or family name first.
fn name_of(names: &[HumanName]) -> Option<String> {
    let used =
        |name: &&HumanName| !matches!(name.r#use, Some(NameUse::Old | NameUse::Maiden | NameUse::Nickname));
    let official = names.iter().find(|name| name.r#use == Some(NameUse::Official));
    let name = official.or_else(|| names.iter().find(used))?;
    let whole = name.text.clone().unwrap_or_else(|| {
        let family = name.family.iter().cloned();
        family.chain([name.given.join(" ")]).filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ")
    });
    (!whole.trim().is_empty()).then_some(whole)
}
