//! `after`: within a time after each care of another requirement.

use terce::care::ledger::{Basis, Outcome};
use terce::care::time::Length;

use super::chart::Chart;
use super::track::Track;
use super::{Ask, Chance, Found};

/// Goes through the care of the other requirement; each makes one obligation.
pub(super) fn read(chart: &Chart, track: &Track, trigger: &Track, within: Length) -> Found {
    let mut found = Found::default();
    for (x, cause) in &trigger.credits {
        let (x, i) = (*x, chart.minute_of(*x));
        if !trigger.at_risk[i] || !track.at_risk[i] {
            continue;
        }
        let stretch = track.stretch_of(chart, x).unwrap();
        let (opens, deadline, due) = (x - chart.rules.lead, x + within, x);
        let basis = Basis::After { trigger: x, trigger_evidence: cause.evidence() };
        let fits =
            |at: &terce::care::time::Instant| opens <= *at && *at <= deadline && stretch.holds(chart, *at);
        if let Some((at, deed)) = track.credits.iter().find(|(at, _)| fits(at)) {
            if x < chart.cut && *at < chart.cut && !chart.unverified(x) {
                let (outcome, at, evidence) = (Outcome::Met, *at, deed.evidence());
                let delay = Some(deed.delay(at));
                found.chances.push(Chance { outcome, at, due, deadline, delay, evidence, basis });
            }
            continue;
        }
        if let Some((at, deed)) = track.excuses.iter().find(|(at, _)| fits(at)) {
            if deadline.min(stretch.ends) < chart.cut && *at < chart.cut {
                let (outcome, at, evidence) = (Outcome::Excused, *at, deed.evidence());
                found.chances.push(Chance { outcome, at, due, deadline, delay: None, evidence, basis });
            }
            continue;
        }
        let still = stretch.holds(chart, deadline) && track.at_risk[chart.minute_of(deadline)];
        if still && deadline < chart.cut {
            let (outcome, at, evidence) = (Outcome::Missed, deadline, Vec::new());
            found.chances.push(Chance { outcome, at, due, deadline, delay: None, evidence, basis });
        }
        if found.ask.is_none() && chart.now <= deadline {
            found.ask = Some(Ask { due: Some(due), deadline: Some(deadline), outstanding: 0 });
        }
    }
    found
}
