//! `every`: a clock that care starts anew.

use terce::care::facts::Source;
use terce::care::ledger::{Basis, Outcome};
use terce::care::time::{Instant, Length};

use super::chart::Chart;
use super::track::{Mark, Stretch, Track};
use super::{Ask, Chance, Found, MINUTE};

/// The requirement's lengths, in one stretch.
struct Course<'a> {
    chart: &'a Chart<'a>,
    track: &'a Track<'a>,
    stretch: &'a Stretch,
    target: Length,
    limit: Length,
}

/// The state of the clock at a minute.
struct Clock {
    /// When the last care, excuse, or start makes it due.
    due: Instant,
    /// That care, excuse or start, or the last deadline that passed.
    anchor: Instant,
    evidence: Vec<Source>,
    unmoved: Instant,
    deadline: Instant,
    /// The first deadline after that care, excuse or start.
    first: Instant,
    last_met: Option<Instant>,
    last_excused: Option<Instant>,
}

/// Runs the clock through the minutes of each stretch.
pub(super) fn read(chart: &Chart, track: &Track, target: Length, limit: Length) -> Found {
    let mut found = Found::default();
    for stretch in &track.stretches {
        let course = Course { chart, track, stretch, target, limit };
        let clock = course.run(&mut found.chances);
        if chart.minutes[chart.minute_of(chart.now)].episode == Some(stretch.episode) {
            found.ask = Some(Ask { due: Some(clock.due), deadline: Some(clock.first), outstanding: 0 });
        }
    }
    found
}

impl Course<'_> {
    fn run(&self, chances: &mut Vec<Chance>) -> Clock {
        let (chart, track) = (self.chart, self.track);
        let mut clock = self.start();
        let apart =
            |last: Option<Instant>, t: Instant| last.is_none_or(|last| last <= t - self.target.half());
        for i in self.stretch.first..self.stretch.end {
            let t = chart.at(i);
            if t > chart.horizon() {
                break;
            }
            let (deed, outcome) = match track.marks[i] {
                Mark::Care => (&track.credits[&t], Outcome::Met),
                Mark::Excuse => (&track.excuses[&t], Outcome::Excused),
                Mark::Nothing => {
                    if t == clock.deadline && t < chart.cut {
                        chances.push(chance(&clock, Outcome::Missed, t, None, Vec::new()));
                        self.anchor(&mut clock, t, Vec::new());
                    }
                    continue;
                }
            };
            let last = match outcome {
                Outcome::Met => &mut clock.last_met,
                Outcome::Excused | Outcome::Missed => &mut clock.last_excused,
            };
            let counts = track.at_risk[i] && t < chart.cut && !chart.minutes[i].unverified;
            if counts && apart(*last, t) {
                *last = Some(t);
                let delay = (outcome == Outcome::Met).then(|| deed.delay(t));
                chances.push(chance(&clock, outcome, t, delay, deed.evidence()));
            }
            self.anchor(&mut clock, t, deed.evidence());
            clock.due = self.due(t + self.target);
            clock.first = clock.deadline;
        }
        clock
    }

    fn start(&self) -> Clock {
        let at = self.chart.at(self.stretch.first);
        let due = self.due(at + self.target);
        let (unmoved, evidence) = (at, Vec::new());
        let mut clock = Clock {
            due,
            anchor: at,
            evidence,
            unmoved,
            deadline: at,
            first: at,
            last_met: None,
            last_excused: None,
        };
        self.anchor(&mut clock, at, Vec::new());
        clock.first = clock.deadline;
        clock
    }

    fn anchor(&self, clock: &mut Clock, at: Instant, evidence: Vec<Source>) {
        clock.anchor = at;
        clock.evidence = evidence;
        clock.unmoved = at + self.limit;
        clock.deadline = self.moved(clock.unmoved);
    }

    /// A moment in a gap is put off to its end.
    fn due(&self, target: Instant) -> Instant {
        let mut ahead = self.chart.minute_of(target)..self.stretch.end;
        ahead.find(|i| self.track.at_risk[*i]).map_or(target, |i| self.chart.at(i))
    }

    /// A deadline in a gap, or too soon after one, is put off; again if that is in or too soon after the next one.
    fn moved(&self, deadline: Instant) -> Instant {
        let (chart, track) = (self.chart, self.track);
        let minutes = |length: Length| usize::try_from(length.as_micros() / MINUTE.as_micros()).unwrap();
        let regrace = minutes(chart.rules.regrace);
        let mut d = minutes(deadline.since(chart.at(0)));
        let hull = self.stretch.first..self.stretch.end;
        loop {
            let mut near = (d.saturating_sub(regrace)..=d).rev();
            let gap = near.find(|k| hull.contains(k) && !track.at_risk[*k]);
            let Some(inside) = gap else { return chart.at(d) };
            let back = (inside..hull.end).find(|k| track.at_risk[*k]).unwrap();
            d = back + regrace;
        }
    }
}

fn chance(
    clock: &Clock,
    outcome: Outcome,
    at: Instant,
    delay: Option<Length>,
    evidence: Vec<Source>,
) -> Chance {
    let basis = Basis::Every {
        anchor: clock.anchor,
        anchor_evidence: clock.evidence.clone(),
        unmoved: clock.unmoved,
    };
    Chance { outcome, at, due: clock.due, deadline: clock.deadline, delay, evidence, basis }
}
