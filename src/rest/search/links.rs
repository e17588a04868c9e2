//! Criteria on something else: on what a reference leads to (`patient.identifier`), or on what refers here
//! (`_has:Procedure:patient:code`). What fits there is looked up first, and then stands for a criterion of the type that
//! is searched.

use std::collections::BTreeSet;
use std::pin::Pin;
use std::sync::Arc;

use super::super::limits;
use super::super::parameters::{Index, Param, Sort};
use super::super::refused::Refused;
use super::super::types::{self, Kind};
use super::criteria::{Criterion, Reader};
use super::path::Paths;
use super::walk::{Walker, read};
use super::wanted::{Coded, Named, Wanted};
use crate::access::Rights;
use crate::store::{Document, Query};
use crate::translate::document::Target;

/// What a parameter says.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum Said {
    /// Something of the resource itself.
    Criterion(Criterion),
    /// Something of another.
    Link(Link),
}

/// A criterion on something else.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Link {
    /// The reference between them.
    param: &'static Param,
    /// The type of the other.
    other: &'static Kind,
    /// Whether the other refers here, rather than being referred to.
    refers: bool,
    /// What it must be.
    said: Box<Said>,
}

impl Link {
    /// The patients whom it names.
    pub(super) fn patients(&self) -> Vec<&str> {
        match self.said.as_ref() {
            Said::Criterion(criterion) => criterion.patients(self.other),
            Said::Link(further) => further.patients(),
        }
    }

    /// How many references it goes over.
    pub(super) fn length(&self) -> usize {
        match self.said.as_ref() {
            Said::Criterion(_) => 1,
            Said::Link(further) => 1 + further.length(),
        }
    }
}

impl Reader<'_> {
    /// Reads `reference.parameter`, `reference:Type.parameter` or `_has:Type:reference:parameter`, which may go on so;
    /// none if it is none of them.
    ///
    /// # Errors
    /// It goes nowhere, or too far.
    pub(super) fn link(&self, name: &str, value: &str) -> Result<Option<Link>, Refused> {
        let refuse = |why: &str| Refused::not_supported(name, why);
        if name.matches('.').count() + name.matches("_has:").count() > limits::LINKS {
            return Err(refuse("this goes over too many references"));
        }
        let (param, other, refers, rest) = if let Some(said) = name.strip_prefix("_has:") {
            let why = "expected _has:Type:reference:parameter, of a type that refers to this one";
            let mut parts = said.splitn(3, ':');
            let (other, reference, rest) = (parts.next(), parts.next(), parts.next());
            let other = other.and_then(types::kind).ok_or_else(|| refuse(why))?;
            let param = reference.and_then(|r| other.parameter(r));
            let param = param.filter(|p| p.targets.contains(&self.kind.name)).ok_or_else(|| refuse(why))?;
            (param, other, true, rest.ok_or_else(|| refuse(why))?)
        } else if let Some((reference, rest)) = name.split_once('.') {
            let (param, other) = self.target(name, reference, rest)?;
            (param, other, false, rest)
        } else {
            return Ok(None);
        };
        let there = Reader { kind: other, strict: true, ..*self };
        let said = there.said(rest, value)?.ok_or_else(|| refuse("this parameter is not known"))?;
        Ok(Some(Link { param, other, refers, said: Box::new(said) }))
    }

    /// The reference that a chain begins with, and the type that it leads to.
    fn target(
        &self,
        name: &str,
        reference: &str,
        rest: &str,
    ) -> Result<(&'static Param, &'static Kind), Refused> {
        let refuse = |why: &str| Refused::not_supported(name, why);
        let (plain, of) = reference.split_once(':').map_or((reference, None), |(n, t)| (n, Some(t)));
        let param = self.kind.parameter(plain).filter(|p| p.sort == Sort::Reference);
        let param = param
            .ok_or_else(|| refuse("this reference is not known for the type; see the CapabilityStatement"))?;
        let below = rest.split(['.', ':']).next().unwrap_or_default();
        let fits = |kind: &&'static Kind| match of {
            Some(of) => kind.name == of,
            None => param.targets.len() == 1 || kind.parameter(below).is_some(),
        };
        let mut found = param.targets.iter().filter_map(|t| types::kind(t)).filter(fits);
        match (found.next(), found.next()) {
            (Some(other), None) => Ok((param, other)),
            (None, _) => Err(refuse("the reference does not lead to such a type here")),
            (Some(_), Some(_)) => {
                Err(refuse("say the type that the reference leads to, as name:Type.parameter"))
            }
        }
    }
}

/// What takes its time, with its type written out as it is called by itself.
type Later<'a, T> = Pin<Box<dyn Future<Output = Result<T, Refused>> + Send + 'a>>;

impl Walker<'_> {
    /// A link as a criterion of the type that is searched; none if nothing can fit.
    ///
    /// # Errors
    /// What it leads to may not be searched, or is too much; those of the store.
    pub(super) fn resolved<'a>(&'a self, link: &'a Link) -> Later<'a, Option<Criterion>> {
        Box::pin(async move {
            self.who.may(link.other.name, Rights::SEARCH)?;
            let there = Walker { kind: link.other, ..*self };
            let criterion = match link.said.as_ref() {
                Said::Criterion(criterion) => Some(criterion.clone()),
                Said::Link(further) => there.resolved(further).await?,
            };
            let Some(criterion) = criterion else { return Ok(None) };
            let found = there.linked(vec![criterion]).await?;
            Ok(if link.refers { self.referred_to(link, &found) } else { refers_to(link, &found) })
        })
    }

    /// What fits there.
    async fn linked(&self, all: Vec<Criterion>) -> Result<Vec<Document>, Refused> {
        let Some(among) = self.among(&all).await? else { return Ok(Vec::new()) };
        let query = Query { kind: self.kind.name.into(), among, ..Query::default() };
        let found = self.every(query, Arc::new(all), true).await?;
        if found.len() > limits::LINKED {
            let why = format!("more than {} of {} fit; narrow it", limits::LINKED, self.kind.name);
            return Err(Refused::too_costly(self.kind.name, why));
        }
        Ok(found)
    }

    /// That it is one of those that `found` refer to.
    fn referred_to(&self, link: &Link, found: &[Document]) -> Option<Criterion> {
        let paths = Paths::new(link.param.expression);
        let mut ids = BTreeSet::new();
        for document in found.iter().filter_map(read) {
            for reference in paths.find(&document) {
                let address = reference.value.as_str().and_then(|c| c.split('|').next());
                let address = address.or_else(|| reference.value.get("reference")?.as_str());
                if let Some(Target::Here(kind, id)) = address.map(|a| self.rest.own_bases.target_of(a))
                    && kind == self.kind.name
                {
                    ids.insert(id.to_owned());
                }
            }
        }
        let param = self.kind.all_parameters().find(|p| p.index == Index::Id)?;
        let wanted = ids.into_iter().map(|id| Coded { system: None, code: Some(id) }).collect::<Vec<_>>();
        let paths = Paths::new(param.expression);
        (!wanted.is_empty()).then_some(Criterion { param, paths, wanted: Wanted::Token(wanted) })
    }
}

/// That it refers to one of `found`.
fn refers_to(link: &Link, found: &[Document]) -> Option<Criterion> {
    let named = |d: &Document| Named::Here(Some(d.kind.clone()), d.id.clone());
    // a definition is referred to by its address
    let url = |d: &Document| Some(Named::Elsewhere(read(d)?.get("url")?.as_str()?.to_owned()));
    let wanted = Wanted::Reference(found.iter().map(named).chain(found.iter().filter_map(url)).collect());
    let (param, paths) = (link.param, Paths::new(link.param.expression));
    (!found.is_empty()).then_some(Criterion { param, paths, wanted })
}
