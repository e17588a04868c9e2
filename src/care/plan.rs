//! `ledger + what has been said -> what must be said`: at most one open Task for a stay, one DetectedIssue for a lapse.

use std::sync::Arc;

use super::facts::{Ending, Facts, Source, When};
use super::ledger::{Lapse, LapseEnder, Ledger, Phase, Standing, State};
use super::protocol::{Requirement, Rules};
use super::time::{Instant, Length};

/// Care that is charted as under way is shown so for at most this long; a charting that is never finished would
/// otherwise look like care for ever.
pub const UNDER_WAY_AT_MOST: Length = Length::hours(2);

/// A Task that a person has put on hold, with a reason, does not become more urgent for at most this long: a turn to
/// prone or a bronchoscopy is over by then, and a hold that nobody ended must not keep neglect quiet. This project's
/// choice, no source.
pub const HOLD_AT_MOST: Length = Length::hours(2);

/// How long before its Task was opened care may have been done and still be named as what closed the Task.
const OUTPUT_LOOKS_BACK: Length = Length::hours(12);

/// How long before a deadline care that was charted late may have been done and still explain why the miss is gone.
const LATE_LOOKS_BACK: Length = Length::hours(24);

/// What the world has been told about a stay.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Said {
    /// The open Task, else the one that was closed last.
    pub task: Option<SaidTask>,
    /// All DetectedIssues of the stay.
    pub issues: Vec<SaidIssue>,
}

/// A Task as it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct SaidTask {
    /// Names the Task together with the stay.
    pub round: Instant,
    /// When it was written first.
    pub opened: Instant,
    /// Open, or closed.
    pub status: SaidStatus,
    /// A person has put it on hold and says why; none if it is closed.
    pub hold: Option<Hold>,
}

/// A Task is on hold, by a person.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Hold {
    /// Since when.
    pub since: Instant,
    /// How urgent the Task was said to be; it is never said to be more so while it is on hold.
    pub priority: Priority,
}

/// Whether a Task is open, and who closed it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SaidStatus {
    /// Not closed.
    Open,
    /// Closed by us, or by a person who has taken that back since.
    Closed {
        /// When.
        at: Instant,
    },
    /// Closed by a person: completed, rejected, failed or cancelled by hand.
    ClosedByHand {
        /// When.
        at: Instant,
    },
}

/// A DetectedIssue as it stands.
#[derive(Clone, PartialEq, Debug)]
pub struct SaidIssue {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// The first missed deadline; with stay and requirement it names the issue.
    pub from: Instant,
}

/// What must be said.
#[derive(Clone, PartialEq, Debug)]
pub struct Plan {
    /// The Task.
    pub task: WantedTask,
    /// The DetectedIssues, in the order of the lapses; cancelled ones last.
    pub issues: Vec<WantedIssue>,
    /// When this changes by itself, apart from the ledger's own wake.
    pub wake: Option<Instant>,
}

/// What must become of the Task.
#[derive(Clone, PartialEq, Debug)]
pub enum WantedTask {
    /// Nothing to do for the patient, and no Task open.
    Nothing,
    /// The Task that is open, or must be opened, and what it says.
    Open(Round),
    /// Leave it as it stands: nothing is known that would change it.
    AsItStands,
    /// The open Task must be closed.
    Close {
        /// Names the Task.
        round: Instant,
        /// How.
        how: Closing,
    },
}

/// How a Task is closed.
#[derive(Clone, PartialEq, Debug)]
pub enum Closing {
    /// What was due has been charted.
    Completed {
        /// The care charted while it was open, in order of its time.
        outputs: Vec<Source>,
    },
    /// There is no longer anything to do.
    Cancelled(Reason),
}

/// Why there is no longer anything to do.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Reason {
    /// The artificial airway was removed.
    Extubated,
    /// The stay ended.
    Ended(Ending),
    /// The patient is in a unit where no protocol holds.
    OutOfScope,
    /// The record was corrected: the patient is not ventilated.
    NotVentilated,
}

/// What an open Task says.
#[derive(Clone, PartialEq, Debug)]
pub struct Round {
    /// Names the Task together with the stay: the instant at which its first item became due.
    pub round: Instant,
    /// The unit, empty if not known.
    pub unit: Arc<str>,
    /// Each requirement that applies now, in the protocol's order.
    pub items: Vec<Standing>,
    /// The instant from which the Task makes sense: the earliest due.
    pub due: Instant,
    /// The deadline that comes, or came, first.
    pub deadline: Option<Instant>,
    /// How urgent.
    pub priority: Priority,
    /// First missed deadlines of the open, announced lapses: the issues that the Task rests on.
    pub lapses: Vec<(Arc<str>, Instant)>,
    /// The care that is under way.
    pub under_way: Vec<Source>,
    /// True while the patient is off the unit.
    pub away: bool,
    /// Since when charting does not reach us.
    pub unverified_since: Option<Instant>,
}

/// How urgent a Task is; it rises as announced misses add up over the requirements.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Priority {
    /// Nothing missed.
    Routine,
    /// One miss.
    Urgent,
    /// Two misses.
    Asap,
    /// Three or more.
    Stat,
}

/// How grave a lapse is; it rises with its misses. The steps are this project's choice, no source.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Severity {
    /// One miss.
    Low,
    /// Two misses.
    Moderate,
    /// Three or more.
    High,
}

/// What a DetectedIssue must say.
#[derive(Clone, PartialEq, Debug)]
pub struct WantedIssue {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// The first missed deadline.
    pub from: Instant,
    /// The lapse and how grave it is; none if it is gone.
    pub lapse: Option<(Lapse, Severity)>,
    /// What was done about it.
    pub mitigation: Option<Mitigation>,
}

/// What was done about a lapse, or why it is none.
#[derive(Clone, PartialEq, Debug)]
pub enum Mitigation {
    /// Care was given later.
    CareGiven {
        /// When.
        at: Instant,
        /// Which.
        evidence: Vec<Source>,
    },
    /// Care was excused later.
    Excused {
        /// When.
        at: Instant,
        /// Where it is charted.
        evidence: Vec<Source>,
    },
    /// The requirement no longer applied.
    NoLongerAtRisk {
        /// From when on.
        at: Instant,
    },
    /// Care had been given, or excused, in time and was charted late: there was no lapse.
    ChartedLate {
        /// When it was given or excused.
        at: Instant,
        /// Where it is charted.
        evidence: Vec<Source>,
    },
    /// The record of ventilation, place or care was corrected: there was no lapse.
    RecordCorrected,
}

/// Plans what must be said of the stay of `facts`.
///
/// # Guarantees
/// Depends on its arguments only; said again after it has been carried out, it asks for the same.
pub fn plan(ledger: &Ledger, facts: &Facts, rules: &Rules, said: &Said) -> Plan {
    let (task, wake) = task(ledger, facts, rules, said);
    Plan { task, issues: issues(ledger, facts, rules, said), wake }
}

impl Said {
    fn was_said(&self, lapse: &Lapse) -> bool {
        self.issues.iter().any(|s| s.requirement == lapse.requirement && s.from == lapse.from)
    }
}

/// Whether a lapse is, or has been, announced. While the feed is silent none is announced anew, though it lay before
/// the silence: what is charted about that time may still be on its way, and comes piece by piece.
fn announced(ledger: &Ledger, said: &Said, lapse: &Lapse) -> bool {
    said.was_said(lapse) || (lapse.announced && ledger.unverified_since.is_none())
}

fn task(ledger: &Ledger, facts: &Facts, rules: &Rules, all: &Said) -> (WantedTask, Option<Instant>) {
    let said = all.task.as_ref();
    let asked = |s: &&Standing| matches!(s.phase, Phase::Due | Phase::Overdue | Phase::Announced);
    let first_due = ledger.standings.iter().filter(asked).filter_map(|s| s.due).min();
    let open = said.filter(|t| t.status == SaidStatus::Open);
    match (first_due, open) {
        (Some(due), Some(open)) => {
            let (mut round, wake) = round(ledger, facts, all, (open.round, due));
            let until = open.hold.map(|h| h.since + HOLD_AT_MOST).filter(|until| ledger.now < *until);
            if let Some((hold, _)) = open.hold.zip(until) {
                round.priority = round.priority.min(hold.priority);
            }
            (WantedTask::Open(round), wake.into_iter().chain(until).min())
        }
        (Some(due), None) => {
            if ledger.unverified_since.is_some() {
                return (WantedTask::Nothing, None);
            }
            let key = match said.map(|t| t.status) {
                None | Some(SaidStatus::Open) => due,
                Some(SaidStatus::Closed { at }) => due.max(at),
                Some(SaidStatus::ClosedByHand { at }) => {
                    let again = at + rules.allowance;
                    if ledger.now < again {
                        return (WantedTask::Nothing, Some(again));
                    }
                    due.max(again)
                }
            };
            let (round, wake) = round(ledger, facts, all, (key, due));
            (WantedTask::Open(round), wake)
        }
        (None, Some(open)) => (close(ledger, facts, open), None),
        (None, None) => (WantedTask::Nothing, None),
    }
}

fn round(
    ledger: &Ledger,
    facts: &Facts,
    said: &Said,
    (round, due): (Instant, Instant),
) -> (Round, Option<Instant>) {
    let applies = |s: &&Standing| s.phase != Phase::NotAtRisk;
    let items: Vec<Standing> = ledger.standings.iter().filter(applies).cloned().collect();
    let asked = items.iter().filter(|s| s.phase >= Phase::Due);
    let open = |l: &&Lapse| l.announced && l.ended.is_none() && announced(ledger, said, l);
    let misses: usize = ledger.lapses.iter().filter(open).map(|l| l.misses.len()).sum();
    let (under_way, wake) = under_way(ledger, facts);
    let round = Round {
        round,
        unit: ledger.unit.clone().unwrap_or_default(),
        due,
        deadline: asked.filter_map(|s| s.deadline).min(),
        priority: match misses {
            0 => Priority::Routine,
            1 => Priority::Urgent,
            2 => Priority::Asap,
            _ => Priority::Stat,
        },
        lapses: ledger.lapses.iter().filter(open).map(|l| (l.requirement.clone(), l.from)).collect(),
        under_way,
        away: false,
        unverified_since: ledger.unverified_since,
        items,
    };
    (round, wake)
}

/// Nothing is due any more, but a Task is open.
fn close(ledger: &Ledger, facts: &Facts, open: &SaidTask) -> WantedTask {
    let cancelled = |reason| WantedTask::Close { round: open.round, how: Closing::Cancelled(reason) };
    match ledger.state {
        State::Ended { how, .. } => cancelled(Reason::Ended(how)),
        State::Extubated { .. } => cancelled(Reason::Extubated),
        State::OutOfScope { .. } => cancelled(Reason::OutOfScope),
        State::NotVentilated => cancelled(Reason::NotVentilated),
        State::Away { .. } => {
            let items: Vec<Standing> =
                ledger.standings.iter().filter(|s| s.phase == Phase::Suspended).cloned().collect();
            WantedTask::Open(Round {
                round: open.round,
                unit: ledger.unit.clone().unwrap_or_default(),
                items,
                due: open.round,
                deadline: None,
                priority: Priority::Routine,
                lapses: Vec::new(),
                under_way: Vec::new(),
                away: true,
                unverified_since: ledger.unverified_since,
            })
        }
        State::AtRisk { .. } if ledger.unverified_since.is_some() => WantedTask::AsItStands,
        State::AtRisk { .. } => {
            let outputs = outputs(ledger, facts, open);
            WantedTask::Close { round: open.round, how: Closing::Completed { outputs } }
        }
    }
}

/// Care that reached us while the Task was open.
fn outputs(ledger: &Ledger, facts: &Facts, open: &SaidTask) -> Vec<Source> {
    let earliest = open.opened - OUTPUT_LOOKS_BACK;
    let credits: Vec<&Source> =
        ledger.standings.iter().filter_map(|s| s.last.as_ref()).flat_map(|(_, e)| e).collect();
    let counted = ledger.opportunities.iter().flat_map(|o| &o.evidence);
    let credited: Vec<&Source> = counted.chain(credits).collect();
    let mut found: Vec<(Instant, &Source)> = Vec::new();
    for care in &facts.care {
        if let When::At(at) = care.at
            && at >= earliest
            && care.received >= open.opened
            && credited.contains(&&care.source)
        {
            found.push((at, &care.source));
        }
    }
    found.sort();
    found.dedup();
    found.into_iter().map(|(_, source)| source.clone()).collect()
}

/// Care under way that would credit a requirement, and when it will no longer be shown so.
fn under_way(ledger: &Ledger, facts: &Facts) -> (Vec<Source>, Option<Instant>) {
    let mut wake: Option<Instant> = None;
    let mut sources: Vec<Source> = Vec::new();
    for care in &facts.under_way {
        let until = care.since.map_or(Instant::LATEST, |s| s + UNDER_WAY_AT_MOST);
        if ledger.now < until && !care.activities.is_empty() {
            sources.push(care.source.clone());
            wake = Some(wake.map_or(until, |w| w.min(until)));
        }
    }
    sources.sort();
    sources.dedup();
    (sources, wake.filter(|w| *w < Instant::LATEST))
}

fn issues(ledger: &Ledger, facts: &Facts, rules: &Rules, said: &Said) -> Vec<WantedIssue> {
    let stands = |l: &&Lapse| announced(ledger, said, l);
    let mut wanted: Vec<WantedIssue> = ledger.lapses.iter().filter(stands).map(standing_issue).collect();
    let cut = ledger.unverified_since.unwrap_or(Instant::LATEST);
    for issue in &said.issues {
        let lapse = ledger.lapses.iter().any(|l| l.requirement == issue.requirement && l.from == issue.from);
        // what lies in time that charting does not reach stays as it was said
        if !lapse && issue.from < cut {
            wanted.push(WantedIssue {
                requirement: issue.requirement.clone(),
                from: issue.from,
                lapse: None,
                mitigation: Some(why_gone(issue, facts, rules)),
            });
        }
    }
    wanted
}

fn standing_issue(lapse: &Lapse) -> WantedIssue {
    let mitigation = lapse.ended.as_ref().map(|end| match end.by {
        LapseEnder::Care => Mitigation::CareGiven { at: end.at, evidence: end.evidence.clone() },
        LapseEnder::Excuse => Mitigation::Excused { at: end.at, evidence: end.evidence.clone() },
        LapseEnder::EndOfStretch => Mitigation::NoLongerAtRisk { at: end.at },
    });
    let severity = match lapse.misses.len() {
        0 | 1 => Severity::Low,
        2 => Severity::Moderate,
        _ => Severity::High,
    };
    WantedIssue {
        requirement: lapse.requirement.clone(),
        from: lapse.from,
        lapse: Some((lapse.clone(), severity)),
        mitigation,
    }
}

/// Why a lapse that was announced is none: care or an excuse in time that reached us after it was announced, else a
/// correction.
pub(super) fn why_gone(issue: &SaidIssue, facts: &Facts, rules: &Rules) -> Mitigation {
    let requirement =
        rules.protocols.iter().flat_map(|p| &p.requirements).find(|r| r.id == issue.requirement);
    let wanted = |codes: &[super::facts::Code]| {
        requirement.is_some_and(|r: &Requirement| codes.iter().any(|c| r.activities.contains(c)))
    };
    let asked = |ids: &[Arc<str>]| ids.contains(&issue.requirement);
    let declared = issue.from + rules.allowance;
    let care = facts.care.iter().filter(|c| wanted(&c.activities)).map(|c| (c.at, c.received, &c.source));
    let excuses = facts.excuses.iter().filter(|x| wanted(&x.activities) || asked(&x.asked));
    let excuses = excuses.map(|x| (x.at, x.received, &x.source));
    let in_time = |when: When| match when {
        When::At(at) => (at <= issue.from && at >= issue.from - LATE_LOOKS_BACK).then_some(at),
        When::Day(day) => {
            let whole = super::time::Span::day(day, rules.zone);
            (whole.from < issue.from && issue.from <= whole.to).then_some(whole.from)
        }
    };
    let late = care.chain(excuses).filter(|(_, received, _)| *received > declared);
    let last = late.filter_map(|(when, _, source)| Some((in_time(when)?, source))).max();
    match last {
        Some((at, source)) => Mitigation::ChartedLate { at, evidence: vec![source.clone()] },
        None => Mitigation::RecordCorrected,
    }
}
