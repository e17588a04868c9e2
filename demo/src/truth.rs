//! What the ward's own record amounts to, reckoned by hand: the yardstick for what Terce said.
//!
//! It shares no code with the service. It is slow and plain on purpose, works in whole minutes, and knows only the
//! six lines of the protocol `adult`. Every patient of this ward is in scope wherever the bed stands, so units play no
//! part; nothing is charted to the day only, so no time is unverified once the feed has caught up.

use std::collections::BTreeMap;

use chrono::NaiveDate;

use crate::chart::Activity;
use crate::time::{DAY, HOUR, Minute, NEVER, day_of, day_start};

/// Charting may take this long after a deadline before the miss is said aloud.
pub const ALLOWANCE: Minute = 30;
/// A break in ventilation of at most this is none.
const BRIDGE: Minute = 60;
/// After time away no deadline is nearer than this.
const REGRACE: Minute = 60;
/// Moisturising this long before the cleaning it belongs to still counts.
const LEAD: Minute = 10;

/// `[from, to)`
pub type Span = (Minute, Minute);

/// One line of the protocol.
#[derive(Clone, Copy, Debug)]
pub struct Requirement {
    /// Its id in the PlanDefinition.
    pub id: &'static str,
    /// What credits it.
    pub activities: &'static [Activity],
    /// How often.
    pub rule: Rule,
}

/// How often.
#[derive(Clone, Copy, Debug)]
pub enum Rule {
    /// Every so many minutes: aim, limit.
    Every(Minute, Minute),
    /// So often each local day.
    PerDay(i64),
    /// So many minutes after each care that credits `clean`.
    AfterClean(Minute),
}

/// What `clean` is credited by; `moisten` follows it.
const CLEANING: &[Activity] = &[Activity::Cleansing, Activity::Brushing];

/// The protocol `adult`.
pub const ADULT: [Requirement; 6] = [
    Requirement { id: "clean", activities: CLEANING, rule: Rule::Every(2 * HOUR, 4 * HOUR) },
    Requirement { id: "brush", activities: &[Activity::Brushing], rule: Rule::PerDay(2) },
    Requirement { id: "moisten", activities: &[Activity::Moisturising], rule: Rule::AfterClean(30) },
    Requirement {
        id: "suction-assessment",
        activities: &[Activity::SuctionLook],
        rule: Rule::Every(4 * HOUR, 4 * HOUR),
    },
    Requirement { id: "suction-set", activities: &[Activity::SuctionSet], rule: Rule::Every(DAY, DAY) },
    Requirement {
        id: "cuff-pressure",
        activities: &[Activity::CuffPressure],
        rule: Rule::Every(8 * HOUR, 8 * HOUR),
    },
];

/// What the record says of one stay at some moment.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// Start and, if charted, end of the stay.
    pub stay: (Minute, Option<Minute>),
    /// Ventilation, as charted; an end may be open.
    pub ventilated: Vec<(Minute, Option<Minute>)>,
    /// Extubations.
    pub extubated: Vec<Minute>,
    /// Time off the unit.
    pub away: Vec<(Minute, Option<Minute>)>,
    /// What was done.
    pub care: Vec<Event>,
    /// What was not done for a reason that counts.
    pub excuses: Vec<Event>,
}

/// Something charted that was at an instant.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Event {
    /// When it was.
    pub at: Minute,
    /// What it was.
    pub activities: Vec<Activity>,
    /// When the service could know, as it stands now.
    pub known: Minute,
}

/// Chances counted.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Counts {
    /// Done in time.
    pub met: u32,
    /// Not done in time.
    pub missed: u32,
    /// Not done, for a reason.
    pub excused: u32,
}

/// A time without care after a missed deadline.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Lapse {
    /// Which line of the protocol.
    pub requirement: &'static str,
    /// The first deadline missed.
    pub from: Minute,
    /// How it was over.
    pub over: Option<Over>,
}

/// How a lapse was over.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Over {
    /// When.
    pub at: Minute,
    /// When the care or excuse that ended it was known; none: ventilation ended.
    pub known: Option<Minute>,
}

impl Lapse {
    /// True if nobody needs to hear of it: it was over, and that was charted, before the charting allowance was.
    pub fn made_good(&self) -> bool {
        let declared = self.from + ALLOWANCE;
        self.over.is_some_and(|over| over.at <= declared && over.known.is_none_or(|known| known <= declared))
    }
}

/// The reckoning of one stay.
#[derive(Clone, Debug, Default)]
pub struct Reckoning {
    /// By requirement id.
    pub counts: BTreeMap<&'static str, Counts>,
    /// In no particular order.
    pub lapses: Vec<Lapse>,
    /// Minutes ventilated on the unit, up to now.
    pub at_risk: Minute,
}

/// One episode of ventilation.
struct Episode {
    /// Time at risk, in pieces.
    pieces: Vec<Span>,
    /// From the first to the last of it.
    hull: Span,
    /// The time between the pieces.
    gaps: Vec<Span>,
}

/// What was charted for one requirement: instants done, and instants excused (done wins).
struct Events {
    credits: Vec<Minute>,
    excuses: Vec<Minute>,
    /// When each of them was known first.
    known: BTreeMap<Minute, Minute>,
}

impl Events {
    fn end(&self, at: Minute) -> Over {
        Over { at, known: self.known.get(&at).copied() }
    }
}

/// Counts one stay as of `now`.
pub fn reckon(facts: &Facts, now: Minute) -> Reckoning {
    let episodes = episodes(facts);
    let mut out = Reckoning::default();
    let pieces = episodes.iter().flat_map(|e| &e.pieces);
    out.at_risk = pieces.map(|p| (p.1.min(now) - p.0.min(now)).max(0)).sum();
    for requirement in &ADULT {
        let events = events(facts, requirement.activities);
        let (counts, lapses) = match requirement.rule {
            Rule::Every(aim, limit) => every(&episodes, &events, aim, limit, now),
            Rule::PerDay(times) => per_day(&episodes, &events, times, now),
            Rule::AfterClean(within) => {
                after(&episodes, &self::events(facts, CLEANING), &events, within, now)
            }
        };
        out.counts.insert(requirement.id, counts);
        out.lapses.extend(lapses.into_iter().map(|(from, over)| Lapse {
            requirement: requirement.id,
            from,
            over,
        }));
    }
    out
}

fn events(facts: &Facts, activities: &[Activity]) -> Events {
    let of = |all: &[Event]| -> BTreeMap<Minute, Minute> {
        let mut first = BTreeMap::new();
        for event in all.iter().filter(|e| e.activities.iter().any(|a| activities.contains(a))) {
            let known = first.entry(event.at).or_insert(event.known);
            *known = event.known.min(*known);
        }
        first
    };
    let (care, mut excuses) = (of(&facts.care), of(&facts.excuses));
    excuses.retain(|at, _| !care.contains_key(at));
    let (credits, excused) = (care.keys().copied().collect(), excuses.keys().copied().collect());
    Events { credits, excuses: excused, known: care.into_iter().chain(excuses).collect() }
}

fn episodes(facts: &Facts) -> Vec<Episode> {
    let (begins, ends) = (facts.stay.0, facts.stay.1.unwrap_or(NEVER));
    let mut spans: Vec<Span> = Vec::new();
    for (from, to) in &facts.ventilated {
        let pulled = facts.extubated.iter().copied().filter(|x| x > from).min();
        let to = to.or(pulled).unwrap_or(NEVER);
        spans.push((*from.max(&begins), to.min(ends)));
    }
    spans.retain(|s| s.0 < s.1);
    spans.sort_unstable();
    let mut joined: Vec<Span> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span.0 <= last.1 + BRIDGE => last.1 = last.1.max(span.1),
            _ => joined.push(span),
        }
    }
    joined.into_iter().filter_map(|span| episode(span, &facts.away)).collect()
}

fn episode(span: Span, away: &[(Minute, Option<Minute>)]) -> Option<Episode> {
    let mut pieces = vec![span];
    for (from, to) in away {
        let to = to.unwrap_or(NEVER);
        let cut = |p: Span| [(p.0, p.1.min(*from)), (p.0.max(to), p.1)];
        pieces = pieces.into_iter().flat_map(cut).filter(|p| p.0 < p.1).collect();
    }
    pieces.sort_unstable();
    let hull = (pieces.first()?.0, pieces.last()?.1);
    let gaps =
        pieces.iter().zip(pieces.iter().skip(1)).map(|(a, b)| (a.1, b.0)).filter(|g| g.0 < g.1).collect();
    Some(Episode { pieces, hull, gaps })
}

impl Episode {
    fn at_risk(&self, at: Minute) -> bool {
        self.pieces.iter().any(|p| p.0 <= at && at < p.1)
    }

    fn spans(&self, at: Minute) -> bool {
        self.hull.0 <= at && at < self.hull.1
    }

    /// Where a deadline falls once time away is allowed for.
    fn moved(&self, deadline: Minute) -> Minute {
        self.gaps.iter().fold(deadline, |d, g| if g.0 <= d && d < g.1 + REGRACE { g.1 + REGRACE } else { d })
    }

    /// The end of the episode, if it is known.
    fn end(&self) -> Option<Over> {
        (self.hull.1 < NEVER).then_some(Over { at: self.hull.1, known: None })
    }

    /// All that happened in the episode, in order; true: care, false: an excuse.
    fn happened(&self, events: &Events) -> Vec<(Minute, bool)> {
        let credits = events.credits.iter().map(|at| (*at, true));
        let mut all: Vec<_> = credits.chain(events.excuses.iter().map(|at| (*at, false))).collect();
        all.retain(|(at, _)| self.spans(*at));
        all.sort_unstable();
        all
    }
}

type Lapsed = Vec<(Minute, Option<Over>)>;
type Found = (Counts, Lapsed);

fn every(episodes: &[Episode], events: &Events, aim: Minute, limit: Minute, now: Minute) -> Found {
    let mut counts = Counts::default();
    let mut lapses = Vec::new();
    for episode in episodes {
        let (mut last_met, mut last_excused) = (-NEVER, -NEVER);
        let mut anchor = episode.hull.0;
        let happened = episode.happened(events).into_iter().map(|(at, care)| (at, Some(care)));
        for (at, care) in happened.chain([(episode.hull.1, None)]) {
            let mut deadline = episode.moved(anchor + limit);
            let mut lapse = None;
            while deadline < at && deadline < now {
                counts.missed += 1;
                lapse.get_or_insert(deadline);
                deadline = episode.moved(deadline + limit);
            }
            let over = if care.is_some() { Some(events.end(at)) } else { episode.end() };
            lapses.extend(lapse.map(|from| (from, over)));
            let counted = episode.at_risk(at) && at < now;
            match care {
                Some(true) if counted && at - last_met >= aim / 2 => {
                    counts.met += 1;
                    last_met = at;
                }
                Some(false) if counted && at - last_excused >= aim / 2 => {
                    counts.excused += 1;
                    last_excused = at;
                }
                Some(true | false) | None => {}
            }
            anchor = at;
        }
    }
    (counts, lapses)
}

fn per_day(episodes: &[Episode], events: &Events, times: i64, now: Minute) -> Found {
    let mut counts = Counts::default();
    let mut misses = Vec::new();
    let Some(first) = episodes.first() else { return (counts, Vec::new()) };
    let pieces: Vec<Span> = episodes.iter().flat_map(|e| e.pieces.iter().copied()).collect();
    let days = first.hull.0..now.max(first.hull.0 + 1);
    let mut day: Option<NaiveDate> = Some(day_of(days.start));
    while let Some(date) = day.filter(|d| day_start(*d) < days.end) {
        day = date.succ_opt();
        let Some(next) = day else { break };
        let (dawn, dusk) = (day_start(date), day_start(next));
        let today = |p: &Span| (p.0.max(dawn), p.1.min(dusk));
        let here: Vec<Span> = pieces.iter().map(today).filter(|p| p.0 < p.1).collect();
        let minutes: Minute = here.iter().map(|p| p.1 - p.0).sum();
        let need = times * minutes / (dusk - dawn);
        let closes = here.iter().map(|p| p.1).max().unwrap_or(dawn);
        if need == 0 || closes > now {
            continue;
        }
        let spaced = |all: &[Minute]| {
            let inside = |at: &Minute| dawn <= *at && *at < dusk && episodes.iter().any(|e| e.spans(*at));
            let mut last = -NEVER;
            let mut count = 0_i64;
            for at in all.iter().copied().filter(inside) {
                if at - last >= DAY / (4 * times) {
                    (last, count) = (at, count + 1);
                }
            }
            count
        };
        let excused = spaced(&events.excuses).min(need);
        let met = spaced(&events.credits).min(need - excused);
        let count = |n: i64| u32::try_from(n).unwrap_or(0);
        counts.excused += count(excused);
        counts.met += count(met);
        counts.missed += count(need - excused - met);
        if need > excused + met && closes < now {
            misses.push(closes);
        }
    }
    let at_risk_before = |e: &&Episode, at: Minute| e.at_risk(at - 1);
    let lapses = misses.into_iter().filter_map(|at| {
        let episode = episodes.iter().find(|e| at_risk_before(e, at))?;
        Some((at, lapse_end(at, episode, events)))
    });
    (counts, joined(lapses.collect()))
}

fn after(episodes: &[Episode], cleaning: &Events, events: &Events, within: Minute, now: Minute) -> Found {
    let mut counts = Counts::default();
    let mut lapses = Vec::new();
    for episode in episodes {
        let inside = |window: Span, all: &[Minute]| {
            all.iter().copied().find(|at| window.0 <= *at && *at <= window.1 && episode.spans(*at))
        };
        for clean in cleaning.credits.iter().copied().filter(|at| episode.at_risk(*at)) {
            let deadline = clean + within;
            let window = (clean - LEAD, deadline);
            if let Some(credit) = inside(window, &events.credits) {
                counts.met += u32::from(clean < now && credit < now);
            } else if inside(window, &events.excuses).is_some() {
                counts.excused += u32::from(deadline.min(episode.hull.1) < now);
            } else if episode.at_risk(deadline) && deadline < now {
                counts.missed += 1;
                lapses.push((deadline, lapse_end(deadline, episode, events)));
            }
        }
    }
    (counts, joined(lapses))
}

/// The next care or excuse from `from` on, or the end of the episode, whichever is first.
fn lapse_end(from: Minute, episode: &Episode, events: &Events) -> Option<Over> {
    let next = events.credits.iter().chain(&events.excuses).copied();
    let next = next.filter(|at| *at >= from && episode.spans(*at)).min();
    next.map(|at| events.end(at)).or(episode.end())
}

/// A deadline missed while a lapse is open belongs to it, and so does one at the very end of ventilation.
fn joined(misses: Lapsed) -> Lapsed {
    let mut out = Lapsed::new();
    let holds = |over: &Over, at| at < over.at || (at == over.at && over.known.is_none());
    for (from, over) in misses {
        match out.last() {
            Some((_, open)) if open.as_ref().is_none_or(|over| holds(over, from)) => {}
            _ => out.push((from, over)),
        }
    }
    out
}

#[cfg(test)]
#[path = "truth_tests.rs"]
mod tests;
