//! Which counts of a group are hidden because they are small, or would give small ones away.

use fhir_models::measure::MeasureGroup;

use super::group::Strata;
use super::kind::Counted;
use super::report::About;
use super::sum::Sum;
use crate::care::statistics::suppress::{Counts, Line, hidden};

/// What of a group is hidden.
pub(super) struct Hidden {
    pub(super) whole: bool,
    /// By stratifier and stratum, as these are in order.
    pub(super) strata: Vec<Vec<bool>>,
    /// By point of the chart.
    pub(super) points: Vec<bool>,
    /// The counts of the other period.
    pub(super) other: bool,
}

/// What of a group must be hidden: its whole, each of its strata and points is a cell, and the strata of a stratifier add
/// up to the whole, as the points do.
pub(super) fn of_group(
    about: &About<'_>,
    group: &MeasureGroup,
    whole: &Sum,
    strata: &[Strata<'_>],
    points: &[Sum],
    other: Option<&Sum>,
) -> Hidden {
    if !about.beside.hides() {
        return Hidden {
            whole: false,
            strata: strata.iter().map(|strata| vec![false; strata.len()]).collect(),
            points: vec![false; points.len()],
            other: false,
        };
    }
    let counted = about.kind.counts;
    let mut cells: Vec<Counts> = vec![whole.told(counted)];
    let mut lines = Vec::new();
    let mut add = |sums: &mut dyn Iterator<Item = &Sum>, adds_up: bool| {
        let from = cells.len();
        cells.extend(sums.map(|sum| sum.told(counted)));
        if adds_up && from < cells.len() {
            lines.push(Line { total: 0, parts: (from..cells.len()).collect() });
        }
    };
    for (stratifier, strata) in group.stratifier.iter().zip(strata) {
        // the days of the requirements are no parts of the days on which all was done
        let adds_up = counted != Counted::CompleteDays || stratifier.id.as_deref() != Some("requirement");
        add(&mut strata.iter().map(|(_, sum)| *sum), adds_up);
    }
    add(&mut points.iter(), true);
    add(&mut other.into_iter(), false);
    let mut found = hidden(&cells, &lines, about.beside.smallest).into_iter();
    let mut take = |many: usize| -> Vec<bool> { found.by_ref().take(many).collect() };
    Hidden {
        whole: take(1).contains(&true),
        strata: strata.iter().map(|strata| take(strata.len())).collect(),
        points: take(points.len()),
        other: take(usize::from(other.is_some())).contains(&true),
    }
}
