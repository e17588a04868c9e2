//! From the times in which something was asked for to the Tasks.

use std::sync::Arc;

use super::super::ledger::State;
use super::super::plan::Reason;
use super::super::protocol::Requirement;
use super::super::record::Record;
use super::super::time::{Instant, Spans};
use super::asked::Asked;
use super::epochs::Epoch;
use super::{PastClosing, PastTask};

/// What is needed to tell how a stay stood at any instant.
pub(super) struct View<'a> {
    pub(super) record: &'a Record<'a>,
    pub(super) epochs: &'a [Epoch],
    pub(super) until: Instant,
}

/// A time in which something was asked for without a break.
struct Run<'a> {
    asked: &'a [Asked],
    from: Instant,
    to: Instant,
    due: Instant,
}

/// The Tasks that `asked` makes.
pub(super) fn tasks(asked: &mut [Asked], view: &View<'_>) -> Vec<PastTask> {
    asked.sort_unstable();
    let mut out: Vec<PastTask> = Vec::new();
    let mut rest = &*asked;
    // the requirements of the open Task
    let mut numbers: Vec<usize> = Vec::new();
    while let Some(run) = next_run(&mut rest) {
        let open = out.last().is_some_and(|t| t.closed.is_none());
        if !open {
            let before = out.last().and_then(|t| t.closed).map(|(at, _)| at);
            out.push(PastTask {
                round: run.due.max(before.unwrap_or(run.due)),
                opened: run.from,
                unit: view.record.places.last_known(run.from).cloned().unwrap_or_default(),
                closed: None,
                asked: Vec::new(),
            });
            numbers.clear();
        }
        numbers.extend(run.asked.iter().map(|a| a.number));
        numbers.sort_unstable();
        numbers.dedup();
        let next = rest.first().map(|a| a.span.from);
        if let Some(task) = out.last_mut() {
            task.closed = view.closing(run.to, next);
            task.asked = names(&numbers, &view.record.requirements);
        }
    }
    out
}

/// Each id once, in the order of the protocols.
fn names(numbers: &[usize], requirements: &[&Requirement]) -> Vec<Arc<str>> {
    let mut out: Vec<Arc<str>> = Vec::with_capacity(numbers.len());
    for requirement in numbers.iter().filter_map(|n| requirements.get(*n)) {
        if !out.contains(&requirement.id) {
            out.push(requirement.id.clone());
        }
    }
    out
}

fn next_run<'a>(rest: &mut &'a [Asked]) -> Option<Run<'a>> {
    let first = rest.first()?;
    let (mut to, mut due, mut count) = (first.span.to, first.due, 0);
    for asked in rest.iter().take_while(|a| a.span.from <= first.span.from) {
        due = due.min(asked.due);
    }
    for asked in rest.iter() {
        if asked.span.from > to {
            break;
        }
        to = to.max(asked.span.to);
        count += 1;
    }
    let (asked, later) = rest.split_at(count);
    *rest = later;
    Some(Run { asked, from: first.span.from, to, due })
}

impl View<'_> {
    /// How an open Task is closed where nothing has been asked for since `from`, and something is again from `next` on.
    fn closing(&self, from: Instant, next: Option<Instant>) -> Option<(Instant, PastClosing)> {
        if from > self.until {
            return None;
        }
        if let Some(how) = self.how(from) {
            return Some((from, how));
        }
        // on hold while the patient is away
        let mut borders: Vec<Instant> =
            self.record.places.borders().chain(self.record.facts.ends.iter().map(|e| e.at)).collect();
        let episodes = self.epochs.iter().flat_map(|e| e.airway.episodes.iter());
        borders.extend(self.record.away.iter().chain(episodes).flat_map(|s| [s.from, s.to]));
        borders.extend(self.epochs.iter().map(|e| e.span.from));
        borders.retain(|at| from < *at && *at <= self.until && next.is_none_or(|next| *at < next));
        borders.sort_unstable();
        borders.into_iter().find_map(|at| Some((at, self.how(at)?)))
    }

    /// How a Task with nothing to do is closed at `at`; none if it stays.
    fn how(&self, at: Instant) -> Option<PastClosing> {
        let epoch = self.epochs.partition_point(|e| e.span.to <= at);
        let none = Spans::none();
        let episodes = self.epochs.get(epoch).map_or(&none, |e| &e.airway.episodes);
        match self.record.state(episodes, at) {
            State::Ended { how, .. } => Some(PastClosing::Cancelled(Reason::Ended(how))),
            State::Extubated { .. } => Some(PastClosing::Cancelled(Reason::Extubated)),
            State::OutOfScope { .. } => Some(PastClosing::Cancelled(Reason::OutOfScope)),
            State::NotVentilated => Some(PastClosing::Cancelled(Reason::NotVentilated)),
            State::Away { .. } => None,
            State::AtRisk { .. } => Some(PastClosing::Completed),
        }
    }
}
