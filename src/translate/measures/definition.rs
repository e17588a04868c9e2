//! A shipped Measure, made to fit the protocols of a site.

use std::sync::Arc;

use fhir_models::measure::MeasureGroup;
use fhir_models::{Measure, parse};

use super::kind::{Groups, Kind};
use crate::care::protocol::{Rules, UnitProtocol};
use crate::care::totals::Totals;

/// What a group is about.
pub(super) enum Subject {
    /// One requirement: its id and its title.
    Requirement(Arc<str>, Arc<str>),
    /// All of them together, or none in particular.
    Whole,
}

/// The Measure with one group for each of `subjects`. The first group of the shipped one is the pattern of all.
pub(super) fn measure(kind: &Kind, subjects: &[Subject]) -> Option<Measure> {
    let mut measure: Measure = parse(kind.shipped).ok()?;
    let pattern = measure.group.first()?.clone();
    measure.group = subjects.iter().map(|subject| group(&pattern, subject)).collect();
    Some(measure)
}

fn group(pattern: &MeasureGroup, subject: &Subject) -> MeasureGroup {
    let mut group = pattern.clone();
    if let Subject::Requirement(id, title) = subject {
        group.id = Some(id.to_string());
        if let Some(code) = &mut group.code {
            code.text = Some(title.to_string());
            code.coding.iter_mut().for_each(|coding| coding.code = Some(id.to_string()));
        }
    }
    group
}

/// What the groups of a measure are about, in the order of the protocols; then what only the totals know.
pub(super) fn subjects(kind: &Kind, rules: &Rules, totals: &Totals) -> Vec<Subject> {
    match kind.groups {
        Groups::Requirements => {
            let mut found = requirements(rules, kind.groups);
            let known: Vec<Arc<str>> = found.iter().map(|(id, _)| id.clone()).collect();
            let others = totals.requirements.sorted();
            let others =
                others.filter(|(id, place)| !known.contains(id) && totals.counts_requirement(*place));
            let others = others.map(|(id, _)| id);
            found.extend(others.map(|id| (id.clone(), id.clone())));
            found.into_iter().map(|(id, title)| Subject::Requirement(id, title)).collect()
        }
        Groups::CreditedBy(_) | Groups::Following(_) => {
            let found = requirements(rules, kind.groups);
            found.into_iter().map(|(id, title)| Subject::Requirement(id, title)).collect()
        }
        Groups::Whole => vec![Subject::Whole],
    }
}

/// Ids and titles of the requirements of the protocols in use; an id that two of them share stands once.
fn requirements(rules: &Rules, wanted: Groups) -> Vec<(Arc<str>, Arc<str>)> {
    let in_use = in_use(rules);
    let mut out: Vec<(Arc<str>, Arc<str>)> = Vec::new();
    for index in in_use {
        let protocol = rules.protocols.get(index);
        for requirement in protocol.iter().flat_map(|p| &p.requirements).filter(|r| wanted.hold(r)) {
            if !out.iter().any(|(id, _)| *id == requirement.id) {
                out.push((requirement.id.clone(), requirement.title.clone()));
            }
        }
    }
    out
}

/// Indexes of the protocols that hold anywhere, the default one first.
pub(super) fn in_use(rules: &Rules) -> Vec<usize> {
    let named = rules.units.values().filter_map(|unit| match unit.protocol {
        UnitProtocol::Named(index) => Some(index),
        UnitProtocol::Default | UnitProtocol::Nowhere => None,
    });
    let mut named: Vec<usize> = named.collect();
    named.sort_unstable();
    let mut out: Vec<usize> = Vec::new();
    for index in rules.default_protocol.into_iter().chain(named) {
        if !out.contains(&index) {
            out.push(index);
        }
    }
    out
}
