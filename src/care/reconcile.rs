//! `facts + rules + feed + now -> ledger`.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::NaiveDate;

use super::ahead::{self, Ahead, until};
use super::airway::{Airway, airway};
use super::attribute::{Segment, Segments, segments};
use super::cells::{Column, cells, patient_days};
use super::deeds::Sign;
use super::delays::Delays;
use super::facts::{Code, Facts, When};
use super::kinds::{Ask, Chance, Frame, Ground, count};
use super::lapse::{Found, find_lapses};
use super::ledger::{Census, Doubt, Feed, Lapse, Ledger, Opportunities, Opportunity, Phase, Standing};
use super::line::{Line, Times};
use super::protocol::{Kind, Rules};
use super::record::Record;
use super::time::{Instant, Length, Span, TICK, local_instant, next_day};

/// How many instants that turn out to change nothing are passed over in the search for the next wake. The last one
/// tried is then taken: waking too early does no harm.
const WAKES_TRIED: usize = 200;

/// The ledger of the stay of `facts` at `now`.
///
/// # Guarantees
/// Depends on the set of facts only. With the same facts, rules and feed nothing but hours changes between `now` and
/// `wake`, and something does at `wake`.
pub fn reconcile(facts: &Facts, rules: &Rules, feed: Feed, now: Instant) -> Ledger {
    reconcile_ahead(facts, rules, feed, now).0
}

/// The same ledger, and the hours that go on by themselves until its `wake`.
///
/// # Guarantees
/// With the same facts, rules and feed, its cells and [`hours`](super::ahead::hours) ahead at an instant before `wake`
/// add up to the cells of the ledger at that instant.
pub fn reconcile_ahead(facts: &Facts, rules: &Rules, feed: Feed, now: Instant) -> (Ledger, Vec<Ahead>) {
    let record = Record::read(facts, rules);
    let draft = draft(&record, feed, now, Opportunities::Each);
    let mut from = now;
    let mut wake = None;
    let mut ahead = draft.wakes.clone();
    for _ in 0..WAKES_TRIED {
        ahead.retain(|w| *w > from && *w < Instant::LATEST);
        let Some(next) = ahead.iter().min().copied() else {
            wake = None;
            break;
        };
        wake = Some(next);
        let later = self::draft(&record, feed, next, Opportunities::Each);
        if !draft.says_what(&later) {
            break;
        }
        ahead.extend(later.wakes);
        from = next;
    }
    (Ledger { wake, ..draft.ledger }, until(draft.ahead, wake))
}

/// The same ledger, without the search for the next wake (`wake` is none): for counting what is past.
pub fn ledger_at(facts: &Facts, rules: &Rules, feed: Feed, now: Instant) -> Ledger {
    ledger_of(&Record::read(facts, rules), feed, now, Opportunities::Each)
}

/// The same of a record that was read before.
pub(super) fn ledger_of(record: &Record<'_>, feed: Feed, now: Instant, each: Opportunities) -> Ledger {
    draft(record, feed, now, each).ledger
}

/// A ledger without wake, and the instants at which it may change.
struct Draft {
    ledger: Ledger,
    wakes: Vec<Instant>,
    ahead: Vec<Ahead>,
}

impl Draft {
    /// True if `later` says the same but for hours.
    fn says_what(&self, later: &Draft) -> bool {
        let (a, b) = (&self.ledger, &later.ledger);
        let lapse = |l: &Lapse| Lapse { lapsed: Length::ZERO, ..l.clone() };
        a.state == b.state
            && a.unit == b.unit
            && a.standings == b.standings
            && a.opportunities == b.opportunities
            && a.census == b.census
            && a.patient_days == b.patient_days
            && a.doubts == b.doubts
            && a.held_until == b.held_until
            && a.lapses.len() == b.lapses.len()
            && a.lapses.iter().zip(&b.lapses).all(|(x, y)| lapse(x) == lapse(y))
    }
}

/// The stay as all lines share it.
pub(super) struct Scene<'a> {
    record: &'a Record<'a>,
    stay: Span,
    pub(super) airway: Airway,
}

pub(super) fn scene<'a>(record: &'a Record<'a>, now: Instant) -> Scene<'a> {
    let facts = record.facts;
    let stay = Span::until(facts.begins.unwrap_or(Instant::EARLIEST), facts.ends.as_ref().map(|e| e.at));
    Scene { record, stay, airway: airway(&record.charted, record.rules, stay, now) }
}

fn draft(record: &Record<'_>, feed: Feed, now: Instant, each: Opportunities) -> Draft {
    let (facts, rules, places) = (record.facts, record.rules, &record.places);
    let scene = scene(record, now);
    let frame = Frame {
        rules,
        now,
        cut: feed.cut(now),
        watermark: feed.watermark(),
        horizon: feed.horizon(),
        unverified: &scene.airway.unverified,
    };
    let by_protocol = lines(&scene, now + rules.ahead);
    let begin = by_protocol.iter().flatten().filter_map(|l| l.at_risk.hull()).map(|h| h.from).min();
    let segments = segments(Span::new(begin.unwrap_or(now), now + rules.ahead + TICK), places, rules);
    let mut wakes = scene.wakes(now, frame.horizon);
    let mut ledger = scene.ledger(feed, &frame);
    let episode = scene.airway.episodes.iter().find(|e| e.contains(now));
    let (mut columns, mut ahead): (Vec<Column<'_>>, Vec<Ahead>) = (Vec::new(), Vec::new());
    let mut delays: Vec<Delays> = segments.iter().map(|_| Delays::default()).collect();
    for lines in &by_protocol {
        for line in lines {
            let counted = count(line, lines, &frame);
            let found = find_lapses(line, &counted.chances, &frame);
            ledger.standings.push(stand(line, &counted.ask, &found, episode));
            let mut column = Column::hours(line, &found, &frame, &segments);
            ahead.extend(ahead::ahead(line, &found, &frame, places));
            for lapse in found {
                // with no allowance a miss is announced once its deadline is past
                wakes.push(lapse.declared.max(lapse.from + TICK));
                if lapse.stands && lapse.declared <= now && lapse.declared > frame.watermark {
                    ledger.held_until = ledger.held_until.into_iter().chain([lapse.declared]).min();
                }
                let unit = segments.at(lapse.at).map(|s| s.unit.clone()).unwrap_or_default();
                ledger.lapses.push(lapse.lapse(line, &frame, unit));
            }
            for chance in counted.chances {
                let index = segments.index(chance.at);
                column.count(index, &chance, rules.allowance);
                if let (Some(delay), Some(of)) = (chance.delay, delays.get_mut(index)) {
                    of.count(delay, 1);
                }
                if each == Opportunities::Each {
                    ledger.opportunities.push(opportunity(
                        line,
                        chance,
                        segments.get(index),
                        rules.allowance,
                    ));
                }
            }
            columns.push(column);
            wakes.extend(counted.wakes);
        }
    }
    ledger.cells = cells(&columns, &segments);
    ledger.delays = by_segment(delays, &segments);
    ledger.patient_days = patient_days(&columns, &frame, &segments);
    ledger.doubts.extend(unusable_days(facts, &by_protocol));
    ledger.doubts.sort();
    ledger.doubts.dedup();
    let counted = ledger.census.last().map(|c| next_day(c.day));
    wakes.extend(counted.map(|day| local_instant(day, rules.census_at, rules.zone) + TICK));
    Draft { ledger, wakes, ahead }
}

/// The lines of each protocol that ever applied to the stay.
pub(super) fn lines<'a>(scene: &Scene<'a>, seen: Instant) -> Vec<Vec<Line<'a>>> {
    let (record, rules) = (scene.record, scene.record.rules);
    let (mut out, mut rest) = (Vec::new(), record.deeds.as_slice());
    for (p, (protocol, scope)) in rules.protocols.iter().zip(&record.scopes).enumerate() {
        let own;
        (own, rest) = rest.split_at(protocol.requirements.len().min(rest.len()));
        let scope = scene.airway.episodes.and(scope);
        if scope.is_empty() {
            continue;
        }
        let times = Times { scope: &scope, away: &record.away, episodes: &scene.airway.episodes };
        let mut lines = Vec::with_capacity(own.len());
        for ((index, requirement), deeds) in protocol.requirements.iter().enumerate().zip(own) {
            let mut line = Line::new((p, index), requirement, times, &record.facts.conditions);
            if !line.at_risk.is_empty() {
                line.read(deeds, rules, seen, Instant::LATEST);
                lines.push(line);
            }
        }
        out.push(lines);
    }
    out
}

impl Scene<'_> {
    /// The ledger before anything is counted.
    fn ledger(&self, feed: Feed, frame: &Frame<'_>) -> Ledger {
        Ledger {
            stay: self.record.facts.stay.clone(),
            now: frame.now,
            state: self.record.state(&self.airway.episodes, frame.now),
            unit: self.record.places.last_known(frame.now).cloned(),
            unverified_since: feed.silent_since(frame.now),
            standings: Vec::new(),
            opportunities: Vec::new(),
            lapses: Vec::new(),
            cells: BTreeMap::new(),
            patient_days: Vec::new(),
            census: self.census(frame.cut),
            doubts: self.doubts(frame.now),
            held_until: None,
            delays: BTreeMap::new(),
            wake: None,
        }
    }

    /// The borders of what the lines rest on.
    fn wakes(&self, now: Instant, horizon: Instant) -> Vec<Instant> {
        let mut out: Vec<Instant> = Vec::new();
        let mut border = |at: Instant| {
            if at >= now {
                out.extend([at, at + TICK]);
            }
        };
        for spans in [&self.airway.episodes, &self.record.away, &self.airway.unverified] {
            spans.iter().for_each(|s| [s.from, s.to].into_iter().for_each(&mut border));
        }
        self.record.places.borders().for_each(&mut border);
        for condition in &self.record.facts.conditions {
            border(condition.from);
            condition.to.into_iter().for_each(&mut border);
        }
        self.airway.runs_out.into_iter().for_each(&mut border);
        self.record.facts.ends.iter().for_each(|e| border(e.at));
        let events =
            self.record.facts.care.iter().map(|c| c.at).chain(self.record.facts.excuses.iter().map(|x| x.at));
        for when in events {
            if let When::At(at) = when
                && at > now
            {
                border(at - self.record.rules.ahead);
            }
        }
        self.first_count(now).into_iter().filter(|at| *at < horizon).for_each(border);
        out
    }

    /// The first daily count after `now`, where none has been yet.
    fn first_count(&self, now: Instant) -> Option<Instant> {
        let from = self.counted_from()?.max(now);
        let day = from.day(self.record.rules.zone);
        let counts = [day, next_day(day)]
            .map(|d| local_instant(d, self.record.rules.census_at, self.record.rules.zone));
        counts.into_iter().find(|at| *at >= from && self.stay.contains(*at))
    }

    fn counted_from(&self) -> Option<Instant> {
        self.record.facts.begins.or(self.airway.episodes.hull().map(|h| h.from))
    }

    /// The daily counts of the stay.
    fn census(&self, cut: Instant) -> Vec<Census> {
        let Some(from) = self.counted_from() else { return Vec::new() };
        let (zone, time) = (self.record.rules.zone, self.record.rules.census_at);
        let until = cut.min(self.stay.to);
        let (mut out, mut day) = (Vec::new(), from.day(zone));
        while day <= until.day(zone) {
            let at = local_instant(day, time, zone);
            if from <= at && at < until {
                let unit = self.record.places.at(at).cloned().unwrap_or_default();
                out.push(Census { day, unit, ventilated: self.airway.episodes.contains(at) });
            }
            day = next_day(day);
        }
        out
    }

    fn doubts(&self, now: Instant) -> Vec<Doubt> {
        let seen = now + self.record.rules.ahead;
        let ahead = |when: When| matches!(when, When::At(at) if at > seen);
        let care = self.record.facts.care.iter().filter(|c| ahead(c.at)).map(|c| &c.source);
        let excuses = self.record.facts.excuses.iter().filter(|x| ahead(x.at)).map(|x| &x.source);
        let why = "lies in the future; it counts when its time has come";
        let mut doubts: Vec<Doubt> = care.chain(excuses).map(|source| Doubt::new(source, why)).collect();
        doubts.extend(self.airway.doubts.iter().cloned());
        doubts.sort();
        doubts.dedup();
        doubts
    }
}

/// Where a line stands. An open lapse outweighs what else it asks for; a day that was missed is over and asks for
/// nothing.
fn stand(line: &Line<'_>, ask: &Ask, lapses: &[Found<'_>], episode: Option<Span>) -> Standing {
    let last = episode.and_then(|e| line.signed(Sign::Credit).filter(|m| e.contains(m.at)).last());
    let mut standing = Standing {
        protocol: line.place.0,
        index: line.place.1,
        requirement: line.id(),
        phase: ask.phase,
        last: last.map(|credit| (credit.at, credit.evidence.sources())),
        due: ask.due,
        deadline: ask.deadline,
        outstanding: ask.outstanding,
        misses: 0,
    };
    let Some(open) = lapses.last().filter(|l| l.ended.is_none()) else { return standing };
    standing.misses = 1 + open.more.len() as u32;
    let daily = matches!(open.ground, Ground::PerDay { .. });
    if !daily && matches!(standing.phase, Phase::Waiting | Phase::Due) {
        standing.phase = if open.announced { Phase::Announced } else { Phase::Overdue };
        standing.deadline = Some(open.from);
        standing.due = Some(open.due);
        standing.outstanding = 1;
    }
    standing
}

fn opportunity(
    line: &Line<'_>,
    chance: Chance<'_>,
    segment: Option<&Segment>,
    allowance: Length,
) -> Opportunity {
    Opportunity {
        requirement: line.id(),
        outcome: chance.outcome,
        at: chance.at,
        deadline: chance.deadline,
        basis: chance.ground.basis(),
        late_charted: chance.delay.is_some_and(|delay| delay > allowance),
        delay: chance.delay,
        evidence: chance.evidence.sources(),
        unit: segment.map(|s| s.unit.clone()).unwrap_or_default(),
        day: segment.map(|s| s.day).unwrap_or_default(),
        shift: segment.map(|s| s.shift.clone()).unwrap_or_default(),
    }
}

/// Delays by segment, added up by the unit, day and shift that they belong to.
fn by_segment(delays: Vec<Delays>, segments: &Segments) -> BTreeMap<(Arc<str>, NaiveDate, Arc<str>), Delays> {
    let mut out: BTreeMap<(Arc<str>, NaiveDate, Arc<str>), Delays> = BTreeMap::new();
    for (segment, delays) in segments.iter().zip(delays).filter(|(_, delays)| !delays.is_empty()) {
        let key = (segment.unit.clone(), segment.day, segment.shift.clone());
        out.entry(key).or_default().add(&delays);
    }
    out
}

/// Care of which only the day is known, where some requirement wants it but none that counts by the day.
fn unusable_days(facts: &Facts, lines: &[Vec<Line<'_>>]) -> Vec<Doubt> {
    let by_day = |l: &&Line<'_>| matches!(l.requirement.kind, Kind::PerDay { .. });
    let wants = |l: &&Line<'_>, codes: &[Code]| codes.iter().any(|c| l.requirement.activities.contains(c));
    let useless = |when: When, codes: &[Code]| {
        let mut wanted = lines.iter().flatten().filter(|l| wants(l, codes)).peekable();
        matches!(when, When::Day(_)) && wanted.peek().is_some() && !wanted.any(|l| by_day(&l))
    };
    let care = facts.care.iter().filter(|c| useless(c.at, &c.activities)).map(|c| &c.source);
    let excuses = facts.excuses.iter().filter(|x| useless(x.at, &x.activities)).map(|x| &x.source);
    let why = "only the day is known; no requirement that it could credit counts by the day";
    care.chain(excuses).map(|source| Doubt::new(source, why)).collect()
}
