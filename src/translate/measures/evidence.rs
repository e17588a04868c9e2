//! The documents that a patient's report rests on.

use std::collections::BTreeSet;

use chrono::NaiveDate;

use super::kind::{Counted, Kind};
use crate::care::facts::{Facts, Source};
use crate::care::ledger::{Basis, Ledger};
use crate::care::protocol::Rules;

/// The documents that the report of the measure `id` over the local days `period.0..=period.1` rests on, of one stay:
/// what its time at risk was read from, and the care and the excuses that were counted. Each with its version.
pub fn evidence(
    id: &str,
    facts: &Facts,
    ledger: &Ledger,
    rules: &Rules,
    period: (NaiveDate, NaiveDate),
) -> BTreeSet<Source> {
    let mut out = BTreeSet::new();
    let Some(kind) = Kind::of(id) else { return out };
    let within = |day: NaiveDate| period.0 <= day && day <= period.1;
    if !ledger.cells.keys().any(|key| within(key.day)) && !ledger.census.iter().any(|c| within(c.day)) {
        return out;
    }
    out.extend(facts.units.iter().map(|u| u.source.clone()));
    out.extend(facts.away.iter().map(|a| a.source.clone()));
    out.extend(facts.ends.iter().map(|e| e.source.clone()));
    out.extend(facts.ventilated.iter().map(|v| v.source.clone()));
    out.extend(facts.extubations.iter().map(|e| e.source.clone()));
    out.extend(facts.airway_rows.iter().map(|r| r.source.clone()));
    match kind.counts {
        Counted::VentilatorDays
        | Counted::PatientDays
        | Counted::Utilisation
        | Counted::Events
        | Counted::InfectedEvents => return out,
        Counted::Opportunities
        | Counted::Covered
        | Counted::Unverified
        | Counted::RequirementDays
        | Counted::CompleteDays
        | Counted::Charting => {}
    }
    out.extend(facts.conditions.iter().map(|c| c.source.clone()));
    let all = rules.protocols.iter().flat_map(|p| &p.requirements);
    let held: BTreeSet<&str> = all.filter(|r| kind.groups.hold(r)).map(|r| &*r.id).collect();
    let whole = kind.groups == super::kind::Groups::Whole;
    let counted = ledger.opportunities.iter().filter(|o| within(o.day));
    for opportunity in counted.filter(|o| whole || held.contains(&*o.requirement)) {
        out.extend(opportunity.evidence.iter().cloned());
        match &opportunity.basis {
            Basis::Every { anchor_evidence, .. } => out.extend(anchor_evidence.iter().cloned()),
            Basis::After { trigger_evidence, .. } => out.extend(trigger_evidence.iter().cloned()),
            Basis::PerDay { .. } | Basis::At { .. } => {}
        }
    }
    out
}
