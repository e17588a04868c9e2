//! What is sent along with a page: what its resources refer to, and what refers to them.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::super::limits;
use super::super::parameters::Index;
use super::super::refused::Refused;
use super::super::types;
use super::controls::{Controls, Include};
use super::criteria::Criterion;
use super::path::Paths;
use super::walk::{Walker, read};
use super::wanted::{Named, Wanted};
use crate::access::Rights;
use crate::store::{Among, Document, OutcomeQuery, Query};
use crate::translate::document::Target;

/// The resources that are sent along, each once, and none that is on the page itself.
///
/// # Errors
/// There are too many; those of the store.
pub(super) async fn included(
    walker: &Walker<'_>,
    controls: &Controls,
    page: &[Document],
) -> Result<Vec<Document>, Refused> {
    let key = |d: &Document| (d.kind.clone(), d.id.clone());
    check_rights(walker, controls)?;
    let mut known: BTreeSet<(String, String)> = page.iter().map(key).collect();
    let mut found = Vec::new();
    for (kind, id) in referred(walker, &controls.include, page) {
        if !known.insert((kind.clone(), id.clone())) {
            continue;
        }
        let document = walker.rest.store.document(&kind, &id).await?;
        found.extend(document.filter(|d| d.body.is_some()));
        check(&found)?;
    }
    for include in &controls.reverse {
        for document in referring(walker, *include, page).await? {
            if known.insert(key(&document)) {
                found.push(document);
                check(&found)?;
            }
        }
    }
    Ok(found)
}

/// Refuses to include what may not be seen. Where a reference can lead to several types and none of them is named, those
/// are left out that may not be read.
fn check_rights(walker: &Walker<'_>, controls: &Controls) -> Result<(), Refused> {
    for include in &controls.include {
        let may = |kind: &str| walker.who.may(kind, Rights::READ);
        match include.to {
            Some(to) => may(to.name)?,
            None if include.param.targets.iter().any(|kind| may(kind).is_ok()) => {}
            None => include.param.targets.iter().try_for_each(|kind| may(kind))?,
        }
    }
    controls.reverse.iter().try_for_each(|include| walker.who.may(include.from.name, Rights::SEARCH))
}

fn check(found: &[Document]) -> Result<(), Refused> {
    if found.len() <= limits::INCLUDED {
        return Ok(());
    }
    let why =
        format!("more than {} resources to include; ask for smaller pages with _count", limits::INCLUDED);
    Err(Refused::too_costly("_include", why))
}

/// Types and ids of what the page refers to.
fn referred(walker: &Walker<'_>, include: &[Include], page: &[Document]) -> Vec<(String, String)> {
    if include.is_empty() {
        return Vec::new();
    }
    let mut out = Vec::new();
    for document in page.iter().filter_map(read) {
        for include in include {
            for found in Paths::new(include.param.expression).find(&document) {
                // an address by itself is a canonical one, which may name a version
                let address = found.value.as_str().and_then(|c| c.split('|').next());
                let address = address.or_else(|| found.value.get("reference")?.as_str());
                let target = address.map(|a| walker.rest.own_bases.target_of(a));
                let meant = |kind: &str| match include.to {
                    Some(to) => to.name == kind,
                    None => types::kind(kind).is_some() && walker.who.may(kind, Rights::READ).is_ok(),
                };
                if let Some(Target::Here(kind, id)) =
                    target.filter(|t| matches!(t, Target::Here(k, _) if meant(k)))
                {
                    out.push((kind.to_owned(), id.to_owned()));
                }
            }
        }
    }
    out
}

/// What refers to the page.
async fn referring(
    walker: &Walker<'_>,
    include: Include,
    page: &[Document],
) -> Result<Vec<Document>, Refused> {
    if page.is_empty() {
        return Ok(Vec::new());
    }
    let ids: Vec<String> = page.iter().map(|d| d.id.clone()).collect();
    let named = |d: &Document| Named::Here(Some(d.kind.clone()), d.id.clone());
    let among = match include.param.index {
        Index::Patient => Among::Patients(ids),
        Index::Encounter => Among::Encounters(ids),
        Index::Location => Among::Outcomes(OutcomeQuery { location: ids, ..OutcomeQuery::default() }),
        Index::Within => {
            let patients: BTreeSet<String> = page.iter().filter_map(|d| d.patient.clone()).collect();
            Among::Patients(patients.into_iter().collect())
        }
        Index::None | Index::Id | Index::Updated | Index::Identifier | Index::Status => return Ok(Vec::new()),
    };
    let criterion = Criterion {
        param: include.param,
        paths: Paths::new(include.param.expression),
        wanted: Wanted::Reference(page.iter().map(named).collect()),
    };
    let query = Query { kind: include.from.name.into(), among, ..Query::default() };
    let walker = Walker { kind: include.from, ..*walker };
    walker.every(query, Arc::new(vec![criterion]), false).await
}
