//! What is sent along with a page: what its resources refer to, and what refers to them.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::super::limits;
use super::super::parameters::Index;
use super::super::read as reading;
use super::super::refused::Refused;
use super::super::types::{self, Kind};
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
    for target in referred(walker, &controls.include, page) {
        match target {
            To::Here(kind, id) if known.insert((kind.name.to_owned(), id.clone())) => {
                found.extend(one(walker, kind, &id).await?);
            }
            To::Here(..) => {}
            To::Canonical(kind, url) => {
                let defined = defined(walker, kind, url).await?;
                found.extend(defined.into_iter().filter(|d| known.insert(key(d))));
            }
        }
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

/// What a reference leads to.
enum To {
    /// This document.
    Here(&'static Kind, String),
    /// The definition that has this address.
    Canonical(&'static Kind, String),
}

/// What the page refers to, each once.
fn referred(walker: &Walker<'_>, include: &[Include], page: &[Document]) -> Vec<To> {
    if include.is_empty() {
        return Vec::new();
    }
    let mut out = Vec::new();
    for document in page.iter().filter_map(read) {
        for include in include {
            let may = |kind: &&'static Kind| walker.who.may(kind.name, Rights::READ).is_ok();
            let meant = |kind: &str| match include.to {
                Some(to) => (to.name == kind).then_some(to),
                None => types::kind(kind).filter(may),
            };
            for found in Paths::new(include.param.expression).find(&document) {
                // an address by itself is a canonical one, which may name a version
                let canonical = found.value.as_str().and_then(|c| c.split('|').next());
                let address = canonical.or_else(|| found.value.get("reference")?.as_str());
                match (address.map(|a| walker.rest.own_bases.target_of(a)), canonical) {
                    (Some(Target::Here(kind, id)), _) => {
                        out.extend(meant(kind).map(|kind| To::Here(kind, id.to_owned())));
                    }
                    (_, Some(url)) => {
                        let kinds = include.param.targets.iter().filter_map(|kind| meant(kind));
                        out.extend(kinds.map(|kind| To::Canonical(kind, url.to_owned())));
                    }
                    (_, None) => {}
                }
            }
        }
    }
    let mut seen = BTreeSet::new();
    out.retain(|to| {
        seen.insert(match to {
            To::Here(kind, id) => (false, kind.name, id.clone()),
            To::Canonical(kind, url) => (true, kind.name, url.clone()),
        })
    });
    out
}

/// A document, or what comes with Terce under its id.
async fn one(walker: &Walker<'_>, kind: &'static Kind, id: &str) -> Result<Option<Document>, Refused> {
    match walker.rest.store.document(kind.name, id).await? {
        Some(document) => Ok(Some(document).filter(|d| d.body.is_some())),
        None => {
            let shipped = reading::definition(walker.rest, kind.name, id);
            Ok(shipped.map(|body| reading::unversioned(kind.name, id.to_owned(), body)))
        }
    }
}

/// The definitions that have an address.
async fn defined(walker: &Walker<'_>, kind: &'static Kind, url: String) -> Result<Vec<Document>, Refused> {
    let Some(param) = kind.parameter("url") else { return Ok(Vec::new()) };
    let criterion = Criterion { param, paths: Paths::new(param.expression), wanted: Wanted::Uri(vec![url]) };
    let query = Query { kind: kind.name.into(), ..Query::default() };
    Walker { kind, ..*walker }.every(query, Arc::new(vec![criterion]), true).await
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
