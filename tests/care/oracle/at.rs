//! `at`: at fixed local times.

use std::collections::BTreeSet;

use chrono::NaiveTime;
use terce::care::ledger::{Basis, Outcome};
use terce::care::time::{Instant, Length};

use super::chart::Chart;
use super::track::Track;
use super::{Ask, Chance, Found};

/// Walks the slots in order; each takes what no earlier one took.
pub(super) fn read(chart: &Chart, track: &Track, times: &[NaiveTime], tolerance: Length) -> Found {
    let mut found = Found::default();
    let (mut used, mut used_excuses) = (BTreeSet::new(), BTreeSet::new());
    for i in slots(chart, track, times) {
        let slot = chart.at(i);
        let (opens, deadline) = (slot - tolerance, slot + tolerance);
        let due = opens.max(piece_start(chart, track, i));
        let basis = Basis::At { slot };
        let stretch = track.stretch_of(chart, slot).unwrap();
        let fits = |at: Instant| opens <= at && at <= deadline;
        let credit = track.credits_inside(chart).find(|(at, _)| fits(*at) && !used.contains(at));
        if let Some((at, deed)) = credit {
            used.insert(at);
            if slot < chart.cut && at < chart.cut && !chart.unverified(slot) {
                let delay = Some(deed.delay(at));
                let (outcome, evidence) = (Outcome::Met, deed.evidence());
                found.chances.push(Chance { outcome, at, due, deadline, delay, evidence, basis });
            }
            continue;
        }
        let excuse = track.excuses_inside(chart).find(|(at, _)| fits(*at) && !used_excuses.contains(at));
        if let Some((at, deed)) = excuse {
            used_excuses.insert(at);
            let settled = deadline.min(stretch.ends);
            if settled < chart.cut && at < chart.cut {
                let (outcome, evidence) = (Outcome::Excused, deed.evidence());
                found.chances.push(Chance { outcome, at, due, deadline, delay: None, evidence, basis });
            }
            continue;
        }
        // a new episode starts afresh: what was open when the last one ended is let go
        let still = stretch.holds(chart, deadline) && track.at_risk[chart.minute_of(deadline)];
        if still && deadline < chart.cut {
            let (outcome, at, evidence) = (Outcome::Missed, deadline, Vec::new());
            found.chances.push(Chance { outcome, at, due, deadline, delay: None, evidence, basis });
        }
        if found.ask.is_none() && chart.now <= deadline && slot <= chart.now + Length::hours(48) {
            found.ask = Some(Ask { due: Some(due), deadline: Some(deadline), outstanding: 0 });
        }
    }
    found
}

/// The minutes of the slots, in order. A clock change may bring two times together: that is one slot, for the hour
/// between them did not take place.
fn slots(chart: &Chart, track: &Track, times: &[NaiveTime]) -> Vec<usize> {
    let mut out = Vec::new();
    for day in chart.days() {
        out.extend(times.iter().filter_map(|time| chart.clock_shows(day, *time)));
    }
    out.retain(|i| track.at_risk[*i]);
    out.sort_unstable();
    out.dedup();
    out
}

fn piece_start(chart: &Chart, track: &Track, minute: usize) -> Instant {
    let first = (0..minute).rev().find(|i| !track.at_risk[*i]).map_or(0, |i| i + 1);
    chart.at(first)
}
