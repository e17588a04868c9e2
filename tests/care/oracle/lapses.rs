//! Lapses: from a miss, minute by minute, to the next care, excuse, or end.

use terce::care::facts::Source;
use terce::care::ledger::{Lapse, LapseEnd, LapseEnder, Outcome};
use terce::care::time::{Instant, Length};

use super::chart::Chart;
use super::track::{Mark, Track};
use super::{Chance, MINUTE};

/// The lapses that the misses among `chances` begin.
pub(super) fn walk(chart: &Chart, track: &Track, chances: &[Chance]) -> Vec<Lapse> {
    let misses: Vec<&Chance> = chances.iter().filter(|c| c.outcome == Outcome::Missed).collect();
    let Some(first) = misses.iter().map(|m| m.deadline).min() else { return Vec::new() };
    let mut out: Vec<Lapse> = Vec::new();
    let mut open: Option<(Lapse, Instant)> = None;
    for i in chart.minute_of(first)..chart.minutes.len() {
        let t = chart.at(i);
        if t > chart.horizon() {
            break;
        }
        out.extend(closed_by_deed(chart, track, &mut open, t));
        for miss in misses.iter().filter(|m| m.deadline == t) {
            let (lapse, _) = open.get_or_insert_with(|| begin(chart, track, miss));
            lapse.misses.push(t);
        }
        out.extend(closed_by_deed(chart, track, &mut open, t));
        out.extend(closed_by_end(chart, &mut open, t));
        if let (Some((lapse, _)), true) = (&mut open, track.at_risk[i] && !chart.minutes[i].unverified) {
            lapse.lapsed += chart.cut.since(t).min(MINUTE);
        }
    }
    out.extend(open.map(|(lapse, _)| lapse));
    out
}

fn begin(chart: &Chart, track: &Track, miss: &Chance) -> (Lapse, Instant) {
    let declared = miss.deadline + chart.rules.allowance;
    let ends = track.stretch_of(chart, miss.at).unwrap().ends;
    let lapse = Lapse {
        requirement: track.requirement.id.clone(),
        place: track.place,
        from: miss.deadline,
        due: miss.due,
        ended: None,
        misses: Vec::new(),
        basis: miss.basis.clone(),
        lapsed: Length::ZERO,
        declared,
        announced: stood(chart, track, miss.deadline, ends) && chart.watermark >= declared,
        unit: chart.unit_name(chart.minute_of(miss.at)).unwrap_or_default(),
    };
    (lapse, ends)
}

/// True if the lapse was open when it was declared, by what was known then; where nothing that ends it had happened
/// or nothing of it had reached the service.
fn stood(chart: &Chart, track: &Track, from: Instant, ends: Instant) -> bool {
    let declared = from + chart.rules.allowance;
    let mut deeds = track.credits_inside(chart).chain(track.excuses_inside(chart));
    let ended = deeds.any(|(at, deed)| from <= at && at <= declared && deed.known(declared));
    declared <= chart.now && declared < ends && !ended
}

/// The first declaration whose time has come but for the feed.
pub(super) fn held(chart: &Chart, track: &Track, lapses: &[Lapse], chances: &[Chance]) -> Option<Instant> {
    let ends = |lapse: &Lapse| {
        let miss = chances.iter().find(|c| c.outcome == Outcome::Missed && c.deadline == lapse.from).unwrap();
        track.stretch_of(chart, miss.at).unwrap().ends
    };
    let held = lapses.iter().filter(|l| !l.announced && stood(chart, track, l.from, ends(l)));
    held.map(|l| l.declared).min()
}

fn closed_by_end(chart: &Chart, open: &mut Option<(Lapse, Instant)>, t: Instant) -> Option<Lapse> {
    if open.as_ref().is_none_or(|(_, ends)| *ends != t) || t > chart.now {
        return None;
    }
    close(open, t, LapseEnder::EndOfStretch, Vec::new())
}

fn closed_by_deed(
    chart: &Chart,
    track: &Track,
    open: &mut Option<(Lapse, Instant)>,
    t: Instant,
) -> Option<Lapse> {
    let (by, deed) = match track.marks[chart.minute_of(t)] {
        Mark::Nothing => return None,
        Mark::Care => (LapseEnder::Care, &track.credits[&t]),
        Mark::Excuse => (LapseEnder::Excuse, &track.excuses[&t]),
    };
    track.stretch_of(chart, t)?;
    close(open, t, by, deed.evidence())
}

fn close(
    open: &mut Option<(Lapse, Instant)>,
    at: Instant,
    by: LapseEnder,
    evidence: Vec<Source>,
) -> Option<Lapse> {
    let (mut lapse, _) = open.take()?;
    lapse.ended = Some(LapseEnd { at, by, evidence });
    Some(lapse)
}
