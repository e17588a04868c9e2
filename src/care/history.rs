//! What would have been said of a stay, and when: the Tasks and DetectedIssues of a service that had been there all the
//! time, for charting that is past.

use std::sync::Arc;

use super::facts::{Facts, When};
use super::ledger::{Feed, Lapse, Ledger, Phase};
use super::plan::{
    Closing, Mitigation, Plan, Reason, Said, SaidIssue, SaidStatus, SaidTask, WantedTask, plan, why_gone,
};
use super::protocol::Rules;
use super::reconcile::{ledger_at, reconcile};
use super::time::{Instant, Span, TICK};

/// What would have been said of a stay.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct History {
    /// In order of time. They do not overlap; only the last can be open.
    pub tasks: Vec<PastTask>,
    /// In the order (requirement, first deadline).
    pub issues: Vec<PastIssue>,
}

/// A Task that would have been opened.
#[derive(Clone, PartialEq, Debug)]
pub struct PastTask {
    /// Names the Task together with the stay: the instant at which its first item became due.
    pub round: Instant,
    /// When it would have been written first.
    pub opened: Instant,
    /// The unit then, empty if not known.
    pub unit: Arc<str>,
    /// When and how it would have been closed; none if it is open.
    pub closed: Option<(Instant, PastClosing)>,
    /// The requirements that were due at any time while it was open, in the protocol's order.
    pub asked: Vec<Arc<str>>,
}

/// How a Task would have been closed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PastClosing {
    /// What was due had been charted.
    Completed,
    /// There was no longer anything to do.
    Cancelled(Reason),
}

/// A lapse that would have been announced.
#[derive(Clone, PartialEq, Debug)]
pub struct PastIssue {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// Index into the rules' protocols, and into that protocol's requirements.
    pub place: (usize, usize),
    /// The first missed deadline; with stay and requirement it names the issue.
    pub from: Instant,
    /// When it would have been announced.
    pub announced: Instant,
    /// The unit at the first deadline, empty if not known.
    pub unit: Arc<str>,
    /// What became of it.
    pub fate: Fate,
}

/// What became of an announced lapse.
#[derive(Clone, PartialEq, Debug)]
pub enum Fate {
    /// The ledger has it, open or ended.
    Standing(Lapse),
    /// Later charting took it away.
    Withdrawn {
        /// Since when it has been gone.
        at: Instant,
        /// Why, by all that is known.
        mitigation: Mitigation,
    },
}

/// The ledger of the stay at `until`, and what would have been said of it up to then. `facts` are what is known at
/// `until`: what they tell of later is left out, of the ledger too.
///
/// It is what [`plan`] would have asked for at each instant, had all documents reached the service when they say so:
/// care and excuses when they were received, everything else when it happened; care under way is not considered. The
/// feed counts as never silent, and nobody touches a Task by hand.
pub fn ledger_and_history(facts: &Facts, rules: &Rules, until: Instant) -> (Ledger, History) {
    let known = known_at(facts, rules, until);
    let ledger = ledger_at(&known, rules, Feed::unwatched(), until);
    let history = history(&known, rules, &ledger, until);
    (ledger, history)
}

/// What would have been said of the stay up to `until`, whose ledger then is `ledger`.
pub fn history(facts: &Facts, rules: &Rules, ledger: &Ledger, until: Instant) -> History {
    let mut past = Past { said: Said::default(), tasks: Vec::new(), issues: Vec::new() };
    let mut now = borders(facts, rules).into_iter().filter(|b| *b <= until).min();
    while let Some(at) = now {
        let known = known_at(facts, rules, at);
        let there = reconcile(&known, rules, Feed::unwatched(), at);
        past.carry_out(&plan(&there, &known, rules, &past.said), &there, at);
        let next = borders(facts, rules).into_iter().filter(|b| *b > at).chain(there.wake).min();
        now = next.filter(|next| *next <= until);
    }
    let fate = |issue: Announced| {
        let lapse = ledger.lapses.iter().find(|l| l.place == issue.place && l.from == issue.from);
        let said = SaidIssue { requirement: issue.requirement.clone(), from: issue.from };
        PastIssue {
            fate: match (lapse, issue.gone) {
                (Some(lapse), _) => Fate::Standing(lapse.clone()),
                (None, at) => {
                    Fate::Withdrawn { at: at.unwrap_or(until), mitigation: why_gone(&said, facts, rules) }
                }
            },
            requirement: issue.requirement,
            place: issue.place,
            from: issue.from,
            announced: issue.announced,
            unit: issue.unit,
        }
    };
    let mut issues: Vec<PastIssue> = past.issues.into_iter().map(fate).collect();
    issues.sort_by_key(|i| (i.place, i.from));
    History { tasks: past.tasks, issues }
}

struct Announced {
    requirement: Arc<str>,
    place: (usize, usize),
    from: Instant,
    announced: Instant,
    unit: Arc<str>,
    gone: Option<Instant>,
}

struct Past {
    said: Said,
    tasks: Vec<PastTask>,
    issues: Vec<Announced>,
}

impl Past {
    fn carry_out(&mut self, plan: &Plan, ledger: &Ledger, at: Instant) {
        match &plan.task {
            WantedTask::Nothing | WantedTask::AsItStands => {}
            WantedTask::Open(round) => {
                if self.said.task.as_ref().is_none_or(|t| t.status != SaidStatus::Open) {
                    self.said.task =
                        Some(SaidTask { round: round.round, opened: at, status: SaidStatus::Open });
                    self.tasks.push(PastTask {
                        round: round.round,
                        opened: at,
                        unit: round.unit.clone(),
                        closed: None,
                        asked: Vec::new(),
                    });
                }
                let now_asked = ledger.standings.iter().filter(|s| s.phase >= Phase::Due);
                if let Some(task) = self.tasks.last_mut() {
                    for standing in now_asked {
                        if !task.asked.contains(&standing.requirement) {
                            task.asked.push(standing.requirement.clone());
                        }
                    }
                }
            }
            WantedTask::Close { how, .. } => {
                if let Some(said) = &mut self.said.task {
                    said.status = SaidStatus::Closed { at };
                }
                if let Some(task) = self.tasks.last_mut() {
                    let how = match how {
                        Closing::Completed { .. } => PastClosing::Completed,
                        Closing::Cancelled(reason) => PastClosing::Cancelled(*reason),
                    };
                    task.closed = Some((at, how));
                }
            }
        }
        for wanted in &plan.issues {
            let same = |i: &&mut Announced| i.requirement == wanted.requirement && i.from == wanted.from;
            match (self.issues.iter_mut().find(same), &wanted.lapse) {
                (Some(issue), Some(_)) => issue.gone = None,
                (Some(issue), None) => issue.gone = issue.gone.or(Some(at)),
                (None, Some(lapse)) => {
                    self.issues.push(Announced {
                        requirement: lapse.requirement.clone(),
                        place: lapse.place,
                        from: lapse.from,
                        announced: at,
                        unit: lapse.unit.clone(),
                        gone: None,
                    });
                    self.said
                        .issues
                        .push(SaidIssue { requirement: lapse.requirement.clone(), from: lapse.from });
                }
                (None, None) => {}
            }
        }
    }
}

/// Every instant at which a document reaches the service, or something it tells of begins or ends.
fn borders(facts: &Facts, rules: &Rules) -> Vec<Instant> {
    let mut out: Vec<Instant> = facts.begins.into_iter().chain(facts.ends.iter().map(|e| e.at)).collect();
    let begins = |when: When| match when {
        When::At(at) => at,
        When::Day(day) => Span::day(day, rules.zone).from,
    };
    let ends = |when: When| match when {
        When::At(at) => at,
        When::Day(day) => Span::day(day, rules.zone).to,
    };
    for v in &facts.ventilated {
        out.push(begins(v.from));
        out.extend(v.to.map(ends));
    }
    out.extend(facts.airway_rows.iter().map(|r| r.at));
    out.extend(facts.extubations.iter().map(|e| e.at));
    out.extend(facts.units.iter().flat_map(|u| [Some(u.from), u.to]).flatten());
    out.extend(facts.away.iter().flat_map(|a| [Some(a.from), a.to]).flatten());
    out.extend(facts.conditions.iter().flat_map(|c| [Some(c.from), c.to]).flatten());
    out.extend(facts.care.iter().map(|c| c.received).chain(facts.excuses.iter().map(|x| x.received)));
    let after: Vec<Instant> = out.iter().map(|at| *at + TICK).collect();
    out.extend(after);
    out
}

/// What of `facts` is known at `now`.
fn known_at(facts: &Facts, rules: &Rules, now: Instant) -> Facts {
    let begun = |when: When| match when {
        When::At(at) => at <= now,
        When::Day(day) => Span::day(day, rules.zone).from <= now,
    };
    let over = |when: &When| match when {
        When::At(at) => *at <= now,
        When::Day(day) => Span::day(*day, rules.zone).to <= now,
    };
    let mut known = facts.clone();
    known.ends = known.ends.filter(|e| e.at <= now);
    known.ventilated.retain(|v| begun(v.from));
    known.ventilated.iter_mut().for_each(|v| v.to = v.to.filter(over));
    known.airway_rows.retain(|r| r.at <= now);
    known.extubations.retain(|e| e.at <= now);
    known.units.retain(|u| u.from <= now);
    known.units.iter_mut().for_each(|u| u.to = u.to.filter(|to| *to <= now));
    known.away.retain(|a| a.from <= now);
    known.away.iter_mut().for_each(|a| a.to = a.to.filter(|to| *to <= now));
    known.conditions.retain(|c| c.from <= now);
    known.conditions.iter_mut().for_each(|c| c.to = c.to.filter(|to| *to <= now));
    known.care.retain(|c| c.received <= now);
    known.excuses.retain(|x| x.received <= now);
    known.under_way.clear();
    known
}
