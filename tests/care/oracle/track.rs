//! One requirement along the minutes: where it applies, and the care and excuses that bear on it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::NaiveDate;
use terce::care::facts::{Code, Source, When};
use terce::care::protocol::Requirement;
use terce::care::time::{Instant, Length};

use super::chart::Chart;

/// One requirement of one protocol.
pub(super) struct Track<'a> {
    pub(super) place: (usize, usize),
    pub(super) requirement: &'a Requirement,
    pub(super) at_risk: Vec<bool>,
    /// It would apply if the patient were not away.
    pub(super) but_for_away: Vec<bool>,
    /// For each minute: whether care or an excuse begins it.
    pub(super) marks: Vec<Mark>,
    pub(super) stretches: Vec<Stretch>,
    pub(super) credits: BTreeMap<Instant, Deed>,
    pub(super) excuses: BTreeMap<Instant, Deed>,
    pub(super) day_credits: Vec<(NaiveDate, Instant, Source)>,
    pub(super) day_excuses: Vec<(NaiveDate, Instant, Source)>,
}

/// What a minute begins with.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Mark {
    Nothing,
    Care,
    Excuse,
}

/// The minutes of one episode from the first to the last at which the requirement applies.
pub(super) struct Stretch {
    pub(super) episode: usize,
    pub(super) first: usize,
    /// The minute after the last.
    pub(super) end: usize,
    /// When it ends; `Instant::LATEST` if the record knows no end.
    pub(super) ends: Instant,
}

/// Care, or an excuse, at one instant.
pub(super) struct Deed {
    sources: BTreeSet<Source>,
    recorded: Instant,
    received: Instant,
}

impl Deed {
    pub(super) fn evidence(&self) -> Vec<Source> {
        self.sources.iter().cloned().collect()
    }

    /// True if it had reached the service at `then`.
    pub(super) fn known(&self, then: Instant) -> bool {
        self.received <= then
    }

    pub(super) fn delay(&self, at: Instant) -> Length {
        if self.recorded <= at { Length::ZERO } else { self.recorded.since(at) }
    }
}

impl Stretch {
    /// True from its first instant to before its last, gaps or not.
    pub(super) fn holds(&self, chart: &Chart, at: Instant) -> bool {
        chart.at(self.first) <= at && at < self.ends
    }
}

impl<'a> Track<'a> {
    pub(super) fn lay(chart: &'a Chart<'a>, place: (usize, usize)) -> Self {
        let requirement = &chart.rules.protocols[place.0].requirements[place.1];
        let applies = |i: usize| {
            let (m, t) = (&chart.minutes[i], chart.at(i));
            let holds = |name: &Code| {
                let mut named = chart.facts.conditions.iter().filter(|c| c.name == *name);
                named.any(|c| c.from <= t && c.to.is_none_or(|to| t < to))
            };
            m.episode.is_some()
                && m.in_stay
                && m.protocol == Some(place.0)
                && requirement.condition.as_ref().is_none_or(holds)
        };
        let ventilated_here: Vec<bool> = (0..chart.minutes.len()).map(applies).collect();
        let split = |away: bool| {
            let both = ventilated_here.iter().zip(&chart.minutes);
            both.map(|(applies, m)| *applies && m.away == away).collect::<Vec<bool>>()
        };
        let at_risk = split(false);
        let mut track = Track {
            place,
            requirement,
            stretches: stretches(chart, &at_risk),
            marks: vec![Mark::Nothing; at_risk.len()],
            at_risk,
            but_for_away: split(true),
            credits: BTreeMap::new(),
            excuses: BTreeMap::new(),
            day_credits: Vec::new(),
            day_excuses: Vec::new(),
        };
        track.gather(chart);
        track
    }

    /// The stretch in which an instant lies, in a gap of it or not.
    pub(super) fn stretch_of(&self, chart: &Chart, at: Instant) -> Option<&Stretch> {
        self.stretches.iter().find(|s| s.holds(chart, at))
    }

    /// Credits that lie in a stretch, in order.
    pub(super) fn credits_inside<'t>(
        &'t self,
        chart: &'t Chart,
    ) -> impl Iterator<Item = (Instant, &'t Deed)> {
        self.credits.iter().map(|(at, d)| (*at, d)).filter(|(at, _)| self.stretch_of(chart, *at).is_some())
    }

    /// Excuses that lie in a stretch, in order.
    pub(super) fn excuses_inside<'t>(
        &'t self,
        chart: &'t Chart,
    ) -> impl Iterator<Item = (Instant, &'t Deed)> {
        self.excuses.iter().map(|(at, d)| (*at, d)).filter(|(at, _)| self.stretch_of(chart, *at).is_some())
    }

    fn gather(&mut self, chart: &Chart) {
        let asked = |activities: &[Code]| activities.iter().any(|a| self.requirement.activities.contains(a));
        let named = |ids: &[Arc<str>]| ids.contains(&self.requirement.id);
        let note = |deeds: &mut BTreeMap<Instant, Deed>,
                    at,
                    recorded: Instant,
                    received: Instant,
                    source: &Source| {
            let deed = deeds.entry(at).or_insert(Deed { sources: BTreeSet::new(), recorded, received });
            deed.sources.insert(source.clone());
            deed.recorded = deed.recorded.min(recorded);
            deed.received = deed.received.min(received);
        };
        for care in chart.facts.care.iter().filter(|c| asked(&c.activities)) {
            match care.at {
                When::At(at) if at <= chart.horizon() => {
                    note(&mut self.credits, at, care.recorded, care.received, &care.source);
                }
                When::At(_) => {}
                When::Day(day) => self.day_credits.push((day, care.recorded, care.source.clone())),
            }
        }
        for excuse in chart.facts.excuses.iter().filter(|x| asked(&x.activities) || named(&x.asked)) {
            match excuse.at {
                When::At(at) if self.credits.contains_key(&at) || at > chart.horizon() => {}
                When::At(at) => note(&mut self.excuses, at, excuse.recorded, excuse.received, &excuse.source),
                When::Day(day) => self.day_excuses.push((day, excuse.recorded, excuse.source.clone())),
            }
        }
        self.day_credits.sort_by(|a, b| (a.0, &a.2).cmp(&(b.0, &b.2)));
        self.day_excuses.sort_by(|a, b| (a.0, &a.2).cmp(&(b.0, &b.2)));
        self.credits.keys().for_each(|at| self.marks[chart.minute_of(*at)] = Mark::Care);
        self.excuses.keys().for_each(|at| self.marks[chart.minute_of(*at)] = Mark::Excuse);
    }
}

fn stretches(chart: &Chart, at_risk: &[bool]) -> Vec<Stretch> {
    let mut out: Vec<Stretch> = Vec::new();
    for (i, _) in at_risk.iter().enumerate().filter(|(_, r)| **r) {
        let episode = chart.minutes[i].episode.unwrap();
        let ends = if i + 1 == at_risk.len() { Instant::LATEST } else { chart.at(i + 1) };
        match out.last_mut() {
            Some(last) if last.episode == episode => (last.end, last.ends) = (i + 1, ends),
            Some(_) | None => out.push(Stretch { episode, first: i, end: i + 1, ends }),
        }
    }
    out
}
