//! When what had been announced of a requirement may have gone, or more may have been announced at once.

use super::super::deeds::{Deed, Sign};
use super::super::protocol::{Kind, Requirement};
use super::super::time::{Instant, Length, TICK};
use super::tasks::View;
use super::told::Told;

type At<'a> = Deed<'a, Instant>;

/// The instants at which something unsettling came to be known of `requirement`, which is told by `told` and, where it
/// follows other care, by `trigger`: borders of epochs; what reached us later than the charting allowance, unless it is
/// plain that no deadline rests on it; and care at an instant at which there had been a reason for none. In order, none
/// twice.
pub(super) fn unsettled(
    requirement: &Requirement,
    told: &Told<'_>,
    trigger: Option<&Told<'_>>,
    view: &View<'_>,
) -> Vec<Instant> {
    let rules = view.record.rules;
    let mut out: Vec<Instant> = view.epochs.iter().filter(|e| e.unsettles).map(|e| e.span.from).collect();
    match &requirement.kind {
        Kind::Every { target: _, limit } => {
            late(told, view, |n, deed| bridged(told, n, deed, *limit), &mut out)
        }
        Kind::PerDay { times: _ } => {
            // its day is not over, and it does not end a lapse of the day before
            let same_day = |deed: &At<'_>| {
                (deed.at - TICK).day(rules.zone) == (told.known(deed) - rules.allowance).day(rules.zone)
            };
            late(told, view, |_, deed| same_day(deed), &mut out);
            out.extend(told.deeds.days.iter().map(|d| d.received));
        }
        Kind::At { .. } => late(told, view, |_, _| false, &mut out),
        Kind::After { requirement: _, within } => {
            let lead = rules.lead;
            late(told, view, |n, deed| unneeded(told, trigger, (n, deed), *within, lead), &mut out);
            if let Some(trigger) = trigger {
                late(
                    trigger,
                    view,
                    |_, cause| answered(told, cause.at, *within, trigger.known(cause), None),
                    &mut out,
                );
            }
        }
    }
    out.retain(|at| *at <= view.until);
    out.sort_unstable();
    out.dedup();
    out
}

/// Adds when late deeds came to be known that are not harmless.
fn late(told: &Told<'_>, view: &View<'_>, harmless: impl Fn(usize, &At<'_>) -> bool, out: &mut Vec<Instant>) {
    let mut excused: Option<Instant> = None;
    for (index, deed) in told.deeds.dated.iter().enumerate().rev() {
        let instead = deed.sign == Sign::Credit && excused == Some(deed.at);
        if deed.sign == Sign::Excuse {
            excused = Some(deed.at);
        }
        let late = deed.received > deed.at + view.record.rules.allowance;
        if instead || (late && !harmless(index, deed)) {
            out.push(told.known(deed));
        }
    }
}

/// True if without `deed` the care before it and the care after it are no further apart than `limit`.
fn bridged(told: &Told<'_>, index: usize, deed: &At<'_>, limit: Length) -> bool {
    let (before, after) = told.deeds.dated.split_at(index);
    let other = |d: &&At<'_>| d.at != deed.at && told.known(d) < told.known(deed);
    let ends = before.iter().rev().find(other).zip(after.iter().find(other));
    ends.is_some_and(|(before, after)| after.at <= before.at + limit)
}

/// True if without `deed` all care around it that asks for an answer was answered, back to the answer before it.
fn unneeded(
    told: &Told<'_>,
    trigger: Option<&Told<'_>>,
    (index, deed): (usize, &At<'_>),
    within: Length,
    lead: Length,
) -> bool {
    let known = told.known(deed);
    let mut before = told.deeds.dated.iter().take(index).rev();
    let Some(before) = before.find(|d| d.at != deed.at && told.known(d) < known) else { return false };
    let causes = trigger.map(|t| t.among(before.at - within, deed.at + lead));
    causes.into_iter().flatten().all(|cause| answered(told, cause.at, within, known, Some(deed.at)))
}

/// True if by what was known just before `known` something else than the deed at `but` answered the care at `cause`.
fn answered(told: &Told<'_>, cause: Instant, within: Length, known: Instant, but: Option<Instant>) -> bool {
    let answers = told.among(cause, cause + within);
    answers.iter().any(|d| Some(d.at) != but && told.known(d) < known)
}
