//! The arithmetic of each item of a ledger, in words and with its sources.

use std::sync::Arc;

use super::facts::Source;
use super::ledger::{Basis, Lapse, LapseEnder, Ledger, Outcome, Phase, Standing};
use super::protocol::{Kind, Requirement, Rules};
use super::time::{Instant, Span};

/// One explained item.
#[derive(Clone, PartialEq, Debug)]
pub struct Explained {
    /// The requirement's id.
    pub requirement: Arc<str>,
    /// `met`, `missed`, `excused`, `lapse`, or the phase it stands in: `waiting`, `due`, `overdue`, `announced`,
    /// `suspended`, `not-at-risk`.
    pub what: &'static str,
    /// The instant it belongs to; none for what stands now without a due time.
    pub at: Option<Instant>,
    /// The time it is about.
    pub span: Option<Span>,
    /// The deadline it was or will be measured against.
    pub deadline: Option<Instant>,
    /// One sentence after the other: how this came about.
    pub arithmetic: Vec<String>,
    /// The documents it rests on.
    pub sources: Vec<Source>,
}

/// Everything in `ledger`: where each requirement stands, then what was counted, then the lapses.
pub fn explain(ledger: &Ledger, rules: &Rules) -> Vec<Explained> {
    let mut out = Vec::new();
    for standing in &ledger.standings {
        let protocol = rules.protocols.get(standing.protocol);
        if let Some(requirement) = protocol.and_then(|p| p.requirements.get(standing.index)) {
            out.push(explain_standing(standing, requirement, ledger, rules));
        }
    }
    for o in &ledger.opportunities {
        let mut sources = basis_sources(&o.basis);
        sources.extend(o.evidence.iter().cloned());
        let mut arithmetic = basis_words(&o.basis, o.deadline, &o.requirement, rules);
        let at = o.at.shown(rules.zone);
        arithmetic.push(match o.outcome {
            Outcome::Met if o.late_charted => {
                format!("done at {at}, in time, charted later than {}", rules.allowance)
            }
            Outcome::Met if matches!(o.basis, Basis::PerDay { .. }) => "done on that day".to_owned(),
            Outcome::Met => format!("done at {at}, in time"),
            Outcome::Missed => "no crediting care was charted for that time".to_owned(),
            Outcome::Excused => format!("not done, with a reason that counts, at {at}"),
        });
        out.push(Explained {
            requirement: o.requirement.clone(),
            what: match o.outcome {
                Outcome::Met => "met",
                Outcome::Missed => "missed",
                Outcome::Excused => "excused",
            },
            at: Some(o.at),
            span: None,
            deadline: Some(o.deadline),
            arithmetic,
            sources,
        });
    }
    out.extend(ledger.lapses.iter().map(|lapse| explain_lapse(lapse, rules)));
    out
}

fn explain_lapse(lapse: &Lapse, rules: &Rules) -> Explained {
    let mut arithmetic = basis_words(&lapse.basis, lapse.from, &lapse.requirement, rules);
    let more = lapse.misses.len();
    arithmetic.push(format!("{more} deadline(s) missed in it, {} at risk in it", lapse.lapsed));
    arithmetic.push(match &lapse.ended {
        None => "still open".to_owned(),
        Some(end) => {
            let by = match end.by {
                LapseEnder::Care => "care",
                LapseEnder::Excuse => "a documented reason",
                LapseEnder::EndOfStretch => "the end of the time in which this applied",
            };
            format!("ended at {} by {by}", end.at.shown(rules.zone))
        }
    });
    let declared = lapse.declared.shown(rules.zone);
    arithmetic.push(if lapse.announced {
        format!(
            "announced from {declared} on, a charting allowance of {} after the deadline",
            rules.allowance
        )
    } else {
        format!(
            "not announced before {declared}, a charting allowance of {} after the deadline",
            rules.allowance
        )
    });
    let mut sources = basis_sources(&lapse.basis);
    sources.extend(lapse.ended.iter().flat_map(|e| e.evidence.iter().cloned()));
    Explained {
        requirement: lapse.requirement.clone(),
        what: "lapse",
        at: Some(lapse.from),
        span: Some(Span::until(lapse.from, lapse.ended.as_ref().map(|e| e.at))),
        deadline: Some(lapse.from),
        arithmetic,
        sources,
    }
}

fn explain_standing(
    standing: &Standing,
    requirement: &Requirement,
    ledger: &Ledger,
    rules: &Rules,
) -> Explained {
    let mut arithmetic = vec![asks(requirement)];
    arithmetic.push(match &standing.last {
        Some((at, _)) => format!("last done at {}", at.shown(rules.zone)),
        None => "not yet done in this episode of ventilation".to_owned(),
    });
    if let (Some(due), Some(deadline)) = (standing.due, standing.deadline) {
        arithmetic.push(format!(
            "due from {}, deadline {}",
            due.shown(rules.zone),
            deadline.shown(rules.zone)
        ));
    }
    if standing.misses > 0 {
        arithmetic.push(format!("{} deadline(s) missed since", standing.misses));
    }
    if let Some(since) = ledger.unverified_since {
        arithmetic.push(format!("charting after {} has not reached us: unverified", since.shown(rules.zone)));
    }
    Explained {
        requirement: standing.requirement.clone(),
        what: match standing.phase {
            Phase::NotAtRisk => "not-at-risk",
            Phase::Suspended => "suspended",
            Phase::Waiting => "waiting",
            Phase::Due => "due",
            Phase::Overdue => "overdue",
            Phase::Announced => "announced",
        },
        at: standing.due,
        span: None,
        deadline: standing.deadline,
        arithmetic,
        sources: standing.last.iter().flat_map(|(_, sources)| sources.iter().cloned()).collect(),
    }
}

/// What a requirement asks for, in words.
pub fn asks(requirement: &Requirement) -> String {
    let title = &requirement.title;
    match &requirement.kind {
        Kind::Every { target, limit } if target == limit => format!("{title}: at least every {limit}"),
        Kind::Every { target, limit } => {
            format!("{title}: due {target} after the last, at the latest {limit} after it")
        }
        Kind::PerDay { times } => format!("{title}: at least {times} time(s) each local day"),
        Kind::At { times, tolerance } => {
            let times: Vec<String> = times.iter().map(|t| t.format("%H:%M").to_string()).collect();
            format!("{title}: at {}, {tolerance} before or after", times.join(", "))
        }
        Kind::After { within, .. } => format!("{title}: within {within} after the care that it follows"),
    }
}

/// The documents that a deadline rests on.
pub fn basis_sources(basis: &Basis) -> Vec<Source> {
    match basis {
        Basis::Every { anchor_evidence, .. } => anchor_evidence.clone(),
        Basis::After { trigger_evidence, .. } => trigger_evidence.clone(),
        Basis::PerDay { .. } | Basis::At { .. } => Vec::new(),
    }
}

/// How a deadline came about, one sentence after the other.
pub fn basis_words(basis: &Basis, deadline: Instant, requirement: &str, rules: &Rules) -> Vec<String> {
    let shown = |at: Instant| at.shown(rules.zone);
    match basis {
        Basis::Every { anchor, unmoved, .. } => {
            let mut words = vec![format!(
                "{requirement}: clock set at {}, plus {} is {}",
                shown(*anchor),
                unmoved.since(*anchor),
                shown(*unmoved)
            )];
            if deadline != *unmoved {
                let grace = rules.regrace;
                words.push(format!("moved by time away to {}, {grace} after the return", shown(deadline)));
            }
            words
        }
        Basis::PerDay { day, at_risk, length, need, done } => {
            vec![format!(
                "{requirement}: on {day} at risk {at_risk} of {length}, so {need} were asked for; {done} were done"
            )]
        }
        Basis::At { slot } => {
            vec![format!("{requirement}: set for {}, latest {}", shown(*slot), shown(deadline))]
        }
        Basis::After { trigger, .. } => {
            vec![format!(
                "{requirement}: follows the care at {}, latest {}",
                shown(*trigger),
                shown(deadline)
            )]
        }
    }
}
