//! A shipped Measure, made to fit the protocols of a site.

use std::sync::Arc;

use fhir_models::measure::MeasureGroup;
use fhir_models::{Measure, parse};

use super::Kind;
use crate::care::facts::Code;
use crate::care::protocol::{Requirement, Rules, UnitProtocol};
use crate::care::tally::Tally;

/// What a group is about.
pub(super) enum Subject {
    /// One requirement: its id and its title.
    Requirement(Arc<str>, Arc<str>),
    /// All of them together, or none in particular.
    Whole,
}

/// The Measure with one group for each of `subjects`. The first group of the shipped one is the pattern of all.
pub(super) fn measure(kind: Kind, subjects: &[Subject]) -> Option<Measure> {
    let mut measure: Measure = parse(kind.shipped()).ok()?;
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

/// What the groups of a measure are about, in the order of the protocols; then what only the tally knows.
pub(super) fn subjects(kind: Kind, rules: &Rules, tally: &Tally) -> Vec<Subject> {
    match kind {
        Kind::Timeliness | Kind::HoursCovered => {
            let mut found = requirements(rules, |_| true);
            let known: Vec<Arc<str>> = found.iter().map(|(id, _)| id.clone()).collect();
            let others = tally.by_requirement().into_keys().filter(|id| !known.contains(id));
            found.extend(others.map(|id| (id.clone(), id)));
            found.into_iter().map(|(id, title)| Subject::Requirement(id, title)).collect()
        }
        Kind::DailyBrushing => {
            let found = requirements(rules, is_brushing);
            found.into_iter().map(|(id, title)| Subject::Requirement(id, title)).collect()
        }
        Kind::CompleteDay | Kind::VentilatorDays => vec![Subject::Whole],
    }
}

/// Nothing but brushing credits it. A cleaning that brushing also credits says nothing about brushing.
fn is_brushing(requirement: &Requirement) -> bool {
    let brushing = Code::new("tooth-brushing");
    !requirement.activities.is_empty() && requirement.activities.iter().all(|a| *a == brushing)
}

/// Ids and titles of the requirements of the protocols in use; an id that two of them share stands once.
fn requirements(rules: &Rules, wanted: impl Fn(&Requirement) -> bool) -> Vec<(Arc<str>, Arc<str>)> {
    let in_use = in_use(rules);
    let mut out: Vec<(Arc<str>, Arc<str>)> = Vec::new();
    for index in in_use {
        let protocol = rules.protocols.get(index);
        for requirement in protocol.iter().flat_map(|p| &p.requirements).filter(|r| wanted(r)) {
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
