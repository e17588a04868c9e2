//! The history of a stay by living through it: at each instant at which anything can change, the ledger of what is known
//! then, the plan that follows from it, and the plan carried out.

use std::sync::Arc;

use terce::care::facts::{Facts, When};
use terce::care::history::{PastClosing, PastTask};
use terce::care::ledger::{Feed, Lapse, Ledger, Phase};
use terce::care::plan::{Closing, Mitigation, Plan, Said, SaidIssue, SaidStatus, SaidTask, WantedTask, plan};
use terce::care::protocol::Rules;
use terce::care::reconcile::reconcile;
use terce::care::time::{Instant, Span, TICK};

/// What was said, and the last ledger.
pub(super) struct Lived {
    pub(super) ledger: Ledger,
    pub(super) tasks: Vec<PastTask>,
    pub(super) issues: Vec<Announced>,
}

/// An issue, and what the last plan says of it.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Announced {
    pub(super) requirement: Arc<str>,
    pub(super) place: (usize, usize),
    pub(super) from: Instant,
    pub(super) announced: Instant,
    pub(super) unit: Arc<str>,
    /// Since when it has been gone.
    pub(super) gone: Option<Instant>,
    pub(super) lapse: Option<Lapse>,
    pub(super) mitigation: Option<Mitigation>,
}

/// Lives through the stay up to `until`.
pub(super) fn live(facts: &Facts, rules: &Rules, until: Instant) -> Lived {
    let borders = borders(facts, rules);
    let known = known_at(facts, rules, until);
    let ledger = reconcile(&known, rules, Feed::unwatched(), until);
    let mut lived = Lived { ledger, tasks: Vec::new(), issues: Vec::new() };
    let mut said = Said::default();
    let mut now = borders.first().copied().filter(|b| *b <= until);
    while let Some(at) = now {
        let known = known_at(facts, rules, at);
        let ledger = reconcile(&known, rules, Feed::unwatched(), at);
        lived.carry_out(&plan(&ledger, &known, rules, &said), &mut said, &ledger, at);
        let next = borders.get(borders.partition_point(|b| *b <= at)).copied();
        now = next.into_iter().chain(ledger.wake).min().filter(|next| *next <= until);
    }
    // once more at the end: what a plan says of its issues may have changed with what is known
    let plan = plan(&lived.ledger, &known, rules, &said);
    let ledger = lived.ledger.clone();
    lived.carry_out(&plan, &mut said, &ledger, until);
    lived.issues.sort_by_key(|i| (i.place, i.from));
    let order =
        |id: &Arc<str>| rules.protocols.iter().flat_map(|p| &p.requirements).position(|r| r.id == *id);
    lived.tasks.iter_mut().for_each(|t| t.asked.sort_by_key(order));
    lived
}

impl Lived {
    fn carry_out(&mut self, plan: &Plan, said: &mut Said, ledger: &Ledger, at: Instant) {
        match &plan.task {
            WantedTask::Nothing | WantedTask::AsItStands => {}
            WantedTask::Open(round) => {
                if said.task.as_ref().is_none_or(|t| t.status != SaidStatus::Open) {
                    let status = SaidStatus::Open;
                    said.task = Some(SaidTask { round: round.round, opened: at, status, hold: None });
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
                if let Some(task) = &mut said.task {
                    task.status = SaidStatus::Closed { at };
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
            let lapse = wanted.lapse.as_ref().map(|(lapse, _)| lapse);
            match (self.issues.iter_mut().find(same), lapse) {
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
                        lapse: None,
                        mitigation: None,
                    });
                    said.issues.push(SaidIssue { requirement: lapse.requirement.clone(), from: lapse.from });
                }
                (None, None) => {}
            }
            let issue = self.issues.iter_mut().find(same).unwrap();
            (issue.lapse, issue.mitigation) = (lapse.cloned(), wanted.mitigation.clone());
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
    out.sort();
    out.dedup();
    out
}

/// What of `facts` is known at `now`.
pub(super) fn known_at(facts: &Facts, rules: &Rules, now: Instant) -> Facts {
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
