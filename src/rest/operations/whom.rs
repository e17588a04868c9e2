//! Whom a question is about: a patient, a group of patients, the units of a place or of an organization.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use fhir_models::datatypes::Reference;
use fhir_models::{Group, Location};

use crate::rest::refused::Refused;
use crate::rest::{Rest, limits};
use crate::stays::Who;
use crate::store::StayQuery;
use crate::translate::measures::Whom;

/// A subject, by its logical id.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Asked {
    /// One patient.
    Patient(String),
    /// The members of a group, or the patients of the units that it names.
    Group(String),
    /// A unit, or a larger place.
    Location(String),
    /// The units that it manages.
    Organization(String),
}

impl From<Asked> for Whom {
    fn from(asked: Asked) -> Whom {
        match asked {
            Asked::Patient(id) => Whom::Patient(id),
            Asked::Group(id) => Whom::Group(id),
            Asked::Location(id) => Whom::Location(id),
            Asked::Organization(id) => Whom::Organization(id),
        }
    }
}

/// Reads a reference to a subject.
///
/// # Errors
/// No reference to a type that can be one.
pub(super) fn asked(name: &str, value: &str, rest: &Rest) -> Result<Asked, Refused> {
    let id = |kind: &str| rest.own_bases.id_in(value, kind).map(str::to_owned);
    let found = (id("Patient").map(Asked::Patient))
        .or_else(|| id("Group").map(Asked::Group))
        .or_else(|| id("Location").map(Asked::Location))
        .or_else(|| id("Organization").map(Asked::Organization));
    if found.is_none() && ["Practitioner", "PractitionerRole"].iter().any(|kind| id(kind).is_some()) {
        let why = "care is counted by patient and unit, never by who gave it";
        return Err(Refused::not_supported(name, why));
    }
    let expected = "expected Patient/id, Group/id, Location/id or Organization/id";
    found.ok_or_else(|| Refused::value(name, expected))
}

/// Whose care is counted.
///
/// # Errors
/// A subject that is not known here; a group of too many, or of other things than patients and units.
pub(super) async fn who(rest: &Rest, asked: Option<&Asked>, unit: Option<&str>) -> Result<Who, Refused> {
    let unit = unit.map(|unit| vec![Arc::from(unit)]);
    match asked {
        None => Ok(unit.map_or(Who::All, Who::Units)),
        Some(Asked::Patient(patient)) => {
            if rest.store.document("Patient", patient).await?.is_none()
                && rest.store.subject(patient).await?.is_none()
            {
                return Err(Refused::NotFound);
            }
            Ok(Who::Patients(vec![patient.clone()], unit))
        }
        Some(Asked::Group(group)) => of_group(rest, group, unit).await,
        Some(Asked::Location(place)) => Ok(Who::Units(Places::read(rest).await?.below(rest, place).await?)),
        Some(Asked::Organization(id)) => {
            let units = Places::read(rest).await?.of_organization(id);
            if units.is_empty() { Err(Refused::NotFound) } else { Ok(Who::Units(units)) }
        }
    }
}

async fn of_group(rest: &Rest, id: &str, unit: Option<Vec<Arc<str>>>) -> Result<Who, Refused> {
    let document = rest.store.document("Group", id).await?.ok_or(Refused::NotFound)?;
    let group: Group = fhir_models::parse(document.body.as_deref().ok_or(Refused::Gone)?)?;
    let members = group.member.iter().filter(|member| member.inactive != Some(true));
    let patients: BTreeSet<String> =
        members.filter_map(|m| rest.own_bases.id(&m.entity, "Patient").map(str::to_owned)).collect();
    if patients.len() > limits::GROUP_PATIENTS {
        let why = format!("a group has at most {} patients here", limits::GROUP_PATIENTS);
        return Err(Refused::too_costly("subject", why));
    }
    if !patients.is_empty() {
        return Ok(Who::Patients(patients.into_iter().collect(), unit));
    }
    let named = group.characteristic.iter().filter(|c| !c.exclude);
    let named: Vec<&str> = named
        .filter_map(|c| c.value_reference.as_ref())
        .filter_map(|reference| rest.own_bases.id(reference, "Location"))
        .collect();
    if named.is_empty() || unit.is_some() {
        return Err(Refused::Unprocessable {
            at: "subject".to_owned(),
            why: "expected a Group with patients as members, or with units as characteristics".to_owned(),
        });
    }
    let places = Places::read(rest).await?;
    let mut units = BTreeSet::new();
    for place in named {
        units.extend(places.below(rest, place).await?);
    }
    Ok(Who::Units(units.into_iter().collect()))
}

/// Which place is part of which, and whose each is.
struct Places(BTreeMap<String, Place>);

#[derive(Default)]
struct Place {
    above: Option<String>,
    organization: Option<String>,
}

impl Places {
    async fn read(rest: &Rest) -> Result<Self, Refused> {
        let mut all = BTreeMap::new();
        for (id, body) in rest.stays.documents("Location").await? {
            let Ok(location) = fhir_models::parse::<Location>(&body) else { continue };
            let id_of = |reference: Option<&Reference>, kind: &str| {
                reference.and_then(|r| rest.own_bases.id(r, kind)).map(str::to_owned)
            };
            let above = id_of(location.part_of.as_ref(), "Location");
            let organization = id_of(location.managing_organization.as_ref(), "Organization");
            all.insert(id, Place { above, organization });
        }
        Ok(Places(all))
    }

    /// A place and what is above it, from the inside out.
    fn chain<'a>(&'a self, id: &'a str) -> impl Iterator<Item = &'a str> {
        let mut seen = 0;
        std::iter::successors(Some(id), move |id| {
            // a place that is part of itself has no end
            seen += 1;
            self.0.get(*id).and_then(|p| p.above.as_deref()).filter(|_| seen <= self.0.len())
        })
    }

    /// A place with everything that is part of it.
    async fn below(&self, rest: &Rest, place: &str) -> Result<Vec<Arc<str>>, Refused> {
        let mut units: BTreeSet<Arc<str>> = self
            .0
            .keys()
            .filter(|id| self.chain(id).any(|above| above == place))
            .map(|id| id.as_str().into())
            .collect();
        if units.is_empty() {
            let query = StayQuery { unit: Some(place.to_owned()), limit: 1, ..StayQuery::default() };
            let known = rest.stays.site().rules.units.contains_key(place)
                || !rest.store.stays(query).await?.is_empty();
            if !known {
                return Err(Refused::NotFound);
            }
        }
        units.insert(place.into());
        Ok(units.into_iter().collect())
    }

    /// The places whose nearest organization, from the inside out, is this one.
    fn of_organization(&self, organization: &str) -> Vec<Arc<str>> {
        let of = |id: &str| self.chain(id).find_map(|id| self.0.get(id)?.organization.as_deref());
        self.0.keys().filter(|id| of(id) == Some(organization)).map(|id| id.as_str().into()).collect()
    }
}
