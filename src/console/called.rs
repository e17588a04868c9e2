//! What people at the bedside call a stay: its bed, and, where the site says so, the patient's name.

use std::collections::BTreeMap;

use fhir_models::codes::{EncounterLocationStatus, NameUse};
use fhir_models::datatypes::HumanName;
use fhir_models::encounter::EncounterLocation;
use fhir_models::{Encounter, Location, Patient};

use super::Console;
use super::entry::Viewer;
use super::page::Absent;
use crate::access::Rights;
use crate::care::time::Instant;
use crate::translate::document::Bases;

/// What a stay is called.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub(super) struct Called {
    /// The bed, if the record tells one.
    pub(super) bed: Option<String>,
    /// The patient's name, if it may be shown and there is one.
    pub(super) name: Option<String>,
}

/// Looks up what stays are called; a place is read once.
pub(super) struct Calling<'a> {
    console: &'a Console,
    bases: Bases,
    named: bool,
    /// The name of each `Location` that was read, and whether it is a bed.
    places: BTreeMap<String, Option<(String, bool)>>,
}

impl<'a> Calling<'a> {
    /// For `viewer`; names are shown only where the configuration says so, to those who may read patients.
    pub(super) fn of(console: &'a Console, viewer: &Viewer) -> Self {
        let named = console.config.names && viewer.can("Patient", Rights::READ);
        let bases = console.config.bases();
        Calling { console, bases, named, places: BTreeMap::new() }
    }

    /// What the stay of a patient in a unit is called at `now`.
    pub(super) async fn stay(
        &mut self,
        stay: &str,
        patient: &str,
        unit: Option<&str>,
        now: Instant,
    ) -> Result<Called, Absent> {
        let Some(encounter) = read::<Encounter>(self.console, "Encounter", stay).await? else {
            return Ok(Called::default());
        };
        let mut bed: Option<(String, bool)> = None;
        let places = encounter.location.iter().filter(|place| is_now(place, now));
        for id in places.filter_map(|place| self.bases.id(&place.location, "Location")) {
            if Some(id) == unit {
                continue;
            }
            let Some(place) = place(self.console, &mut self.places, id).await? else { continue };
            // of what is told besides, a bed is the most exact
            if place.1 || bed.is_none() {
                bed = Some(place);
            }
        }
        let patient =
            if self.named { read::<Patient>(self.console, "Patient", patient).await? } else { None };
        Ok(Called { bed: bed.map(|(name, _)| name), name: patient.and_then(|p| name_of(&p.name)) })
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

/// The name of a `Location`, and whether it is a bed; none if it has no name.
async fn place(
    console: &Console,
    known: &mut BTreeMap<String, Option<(String, bool)>>,
    id: &str,
) -> Result<Option<(String, bool)>, Absent> {
    if let Some(known) = known.get(id) {
        return Ok(known.clone());
    }
    let place = read::<Location>(console, "Location", id).await?.and_then(|place| {
        let codings = place.physical_type.iter().flat_map(|kind| &kind.coding);
        let is_bed = codings.into_iter().any(|coding| coding.code.as_deref() == Some("bd"));
        Some((place.name?, is_bed))
    });
    known.insert(id.to_owned(), place.clone());
    Ok(place)
}

/// Whether the patient is there at `now`, by what the encounter tells.
fn is_now(place: &EncounterLocation, now: Instant) -> bool {
    let is_active = place.status.is_none_or(|status| status == EncounterLocationStatus::Active);
    let end = place.period.as_ref().and_then(|period| period.end.as_ref()?.instant_us());
    is_active && end.is_none_or(|end| end > now.micros())
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
