//! The announced lapses.
//!
//! A lapse that is announced rests on what happened up to its deadline, and what reaches us by its charting allowance is
//! counted before it is announced. So only something unsettling (what was received later than that, and a border of an
//! epoch) takes away what was announced, or lets more be announced at once. Looking just before each of these, and at
//! the end, misses none.

use super::super::kinds::{Frame, count};
use super::super::lapse::find_lapses;
use super::super::ledger::{Basis, Lapse};
use super::super::line::Line;
use super::super::plan::{SaidIssue, why_gone};
use super::super::protocol::Kind;
use super::super::time::{Instant, TICK};
use super::asked::Track;
use super::epochs::Epoch;
use super::tasks::View;
use super::told::Told;
use super::unsettled::unsettled;
use super::{Fate, PastIssue};

/// A lapse at some instant.
struct Seen {
    from: Instant,
    /// The instant that the first miss belongs to.
    at: Instant,
    announced: bool,
}

/// An announced lapse.
struct Said {
    from: Instant,
    at: Instant,
    announced: Instant,
    gone: Option<Instant>,
}

/// The tracks of all requirements, epoch by epoch.
pub(super) type Tracks<'a> = [Vec<Track<'a>>];

/// The issues of the requirement with this `number`, of whose lapses at the end the ledger says `lapses`.
pub(super) fn issues<'a>(
    number: usize,
    tracks: &'a Tracks<'a>,
    told: &[Told<'_>],
    lapses: &[Lapse],
    view: &View<'_>,
    out: &mut Vec<PastIssue>,
) {
    let Some(any) = tracks.iter().flatten().find(|t| t.number == number) else { return };
    let place = any.line.place;
    let of_place = |l: &&Lapse| l.place == place;
    let mut said: Vec<Said> = Vec::new();
    let mut since = Instant::EARLIEST;
    let requirement = any.line.requirement;
    let before = match requirement.kind {
        Kind::After { requirement, within: _ } => told.get(number - place.1 + requirement),
        Kind::Every { .. } | Kind::PerDay { .. } | Kind::At { .. } => None,
    };
    for at in unsettled(requirement, any.told, before, view) {
        let before = at - TICK;
        let index = view.epochs.partition_point(|e| e.span.to <= before);
        if let (Some(epoch), Some(tracks)) = (view.epochs.get(index), tracks.get(index))
            && let Some(track) = tracks.iter().find(|t| t.number == number)
            && epoch.span.contains(before)
        {
            let seen = look(track, tracks, epoch, view, before);
            note(&seen, Some(track), since, &mut said, view);
        } else {
            note(&[], None, since, &mut said, view);
        }
        since = at;
    }
    let last = tracks.last().and_then(|tracks| tracks.iter().find(|t| t.number == number));
    let at = |l: &Lapse| match l.basis {
        Basis::PerDay { .. } => l.from - TICK,
        Basis::Every { .. } | Basis::At { .. } | Basis::After { .. } => l.from,
    };
    let seen = |l: &Lapse| Seen { from: l.from, at: at(l), announced: l.announced };
    let seen: Vec<Seen> = lapses.iter().filter(of_place).map(seen).collect();
    note(&seen, last, since, &mut said, view);
    for said in said {
        let requirement = any.line.id();
        let unit = || view.record.places.at(said.at).cloned().unwrap_or_default();
        let standing = lapses.iter().filter(of_place).find(|l| l.from == said.from);
        out.push(PastIssue {
            place,
            from: said.from,
            announced: said.announced,
            unit: standing.map_or_else(unit, |l| l.unit.clone()),
            fate: match standing {
                Some(lapse) => Fate::Standing(lapse.clone()),
                None => Fate::Withdrawn {
                    at: said.gone.unwrap_or(view.until),
                    mitigation: why_gone(
                        &SaidIssue { requirement: requirement.clone(), from: said.from },
                        view.record.facts,
                        view.record.rules,
                    ),
                },
            },
            requirement,
        });
    }
}

/// The track of the care that that of `track` follows.
fn trigger<'t, 'a>(track: &Track<'a>, tracks: &'t [Track<'a>]) -> Option<&'t Track<'a>> {
    let Kind::After { requirement, within: _ } = track.line.requirement.kind else { return None };
    tracks.iter().find(|t| t.line.place == (track.line.place.0, requirement))
}

/// The lapses of `track` as they were known at `now`.
fn look(track: &Track<'_>, tracks: &[Track<'_>], epoch: &Epoch, view: &View<'_>, now: Instant) -> Vec<Seen> {
    let frame = Frame {
        rules: view.record.rules,
        now,
        cut: now,
        watermark: Instant::LATEST,
        horizon: Instant::LATEST,
        unverified: &epoch.airway.unverified,
    };
    let lines: Vec<Line<'_>> = [Some(track), trigger(track, tracks)]
        .into_iter()
        .flatten()
        .map(|track| {
            let mut line = epoch.known_at(&track.line, now);
            line.read(track.told.deeds, view.record.rules, now + view.record.rules.ahead, now);
            line
        })
        .collect();
    let Some(line) = lines.first() else { return Vec::new() };
    let counted = count(line, &lines, &frame);
    let found = find_lapses(line, &counted.chances, &frame);
    found.iter().map(|f| Seen { from: f.from, at: f.at, announced: f.announced }).collect()
}

/// Notes what was `seen` at the end of a time that began at `since` and in which nothing unsettling happened.
fn note(seen: &[Seen], track: Option<&Track<'_>>, since: Instant, said: &mut Vec<Said>, view: &View<'_>) {
    for said in said.iter_mut() {
        let there = seen.iter().any(|s| s.from == said.from);
        said.gone = if there { None } else { said.gone.or(Some(since)) };
    }
    for lapse in seen.iter().filter(|s| s.announced) {
        if said.iter().any(|s| s.from == lapse.from) {
            continue;
        }
        let announced = announced(lapse, track, view).max(since);
        said.push(Said { from: lapse.from, at: lapse.at, announced, gone: None });
    }
}

/// When `lapse` was announced, if nothing unsettling came between.
fn announced(lapse: &Seen, track: Option<&Track<'_>>, view: &View<'_>) -> Instant {
    let declared = lapse.from + view.record.rules.allowance;
    let mut earliest = declared.max(lapse.from + TICK);
    let mut stretches = track.into_iter().flat_map(|t| t.line.stretches.iter().rev());
    // while the patient is away the stretch may be over: what is declared then waits for the return
    if let Some(stretch) = stretches.find(|s| s.hull.from <= lapse.from)
        && let Some(piece) = stretch.pieces.iter().find(|p| p.to > declared)
    {
        earliest = earliest.max(piece.from);
    }
    // what lies behind the last row waits for the next one
    let later = view.epochs.iter().skip(view.epochs.partition_point(|e| e.span.to <= earliest));
    let verified = later.map(|e| (e.span.from, &e.airway.unverified)).find(|(_, u)| !u.contains(lapse.at));
    verified.map_or(earliest, |(from, _)| earliest.max(from))
}
