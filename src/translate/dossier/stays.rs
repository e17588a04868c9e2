//! Which encounters make a stay, when it begins and how it ends.

use std::collections::BTreeMap;
use std::sync::Arc;

use fhir_models::codes::EncounterStatus;

use super::look::{DEEPEST, Look};
use super::place::Ready;
use super::{Assembled, StayFacts};
use crate::care::facts::{Ending, Facts, Source, StayEnd, When};
use crate::care::ledger::Doubt;
use crate::care::time::{Instant, Span};
use crate::translate::Settings;
use crate::translate::extract::{EncounterSays, Extract, Made};

/// Stays being put together.
pub(super) struct Assembly<'a> {
    pub(super) look: Look<'a>,
    pub(super) settings: &'a Settings,
    pub(super) stays: BTreeMap<Arc<str>, Stay>,
    /// Encounters that were asked for: the stay each belongs to, or why it has none.
    found: BTreeMap<Arc<str>, Result<Arc<str>, &'static str>>,
    pub(super) waiting: Vec<Doubt>,
    /// When the patient was born, if that is known to the day.
    pub(super) born: Option<Instant>,
    /// Of one document after the other, before it is placed.
    pub(super) ready: Vec<Ready>,
}

/// One stay being put together.
pub(super) struct Stay {
    pub(super) facts: StayFacts,
    /// From its begin (or ever) to its end (or for ever).
    pub(super) window: Span,
    /// No time in a bed.
    pub(super) visit: bool,
    /// When the root encounter ended.
    root_end: Option<Instant>,
    /// When the last of its encounters ended, as charted; none while one goes on.
    charted: Option<StayEnd>,
}

impl Stay {
    pub(super) fn doubt(&mut self, source: &Source, why: impl Into<Arc<str>>) {
        self.facts.doubts.push(Doubt::new(source, why));
    }
}

impl<'a> Assembly<'a> {
    pub(super) fn new(look: Look<'a>, settings: &'a Settings) -> Self {
        let (stays, found, waiting) = (BTreeMap::new(), BTreeMap::new(), Vec::new());
        let mut assembly = Assembly { look, settings, stays, found, waiting, born: None, ready: Vec::new() };
        assembly.born = assembly.birth();
        assembly
    }

    fn birth(&self) -> Option<Instant> {
        let dossier = self.look.dossier;
        let born = dossier.get("Patient", dossier.patient())?.patient()?.born?;
        Some(self.first(When::Day(born)))
    }

    /// All stays: of the patient's encounters, and of those that documents name.
    pub(super) fn find_stays(&mut self) {
        let dossier = self.look.dossier;
        let mut before: Option<&str> = None;
        for extract in dossier.documents.values() {
            let encounter = match &extract.encounter {
                Made::In(encounter) => Some(&**encounter),
                Made::Unsaid | Made::Elsewhere => extract.encounter().map(|_| extract.id()),
            };
            // What has no stay is told when the documents that name it are placed
            let _ = encounter.filter(|e| before != Some(e)).map(|encounter| self.stay_of(encounter));
            before = encounter.or(before);
        }
    }

    /// The stay that an encounter belongs to, or why it has none.
    pub(super) fn stay_of(&mut self, encounter: &str) -> Result<Arc<str>, &'static str> {
        if let Some(known) = self.found.get(encounter) {
            return known.clone();
        }
        let stay = self.climb(encounter);
        self.found.insert(encounter.into(), stay.clone());
        stay
    }

    fn climb(&mut self, encounter: &str) -> Result<Arc<str>, &'static str> {
        let Some(extract) = self.look.get("Encounter", encounter) else {
            return Err("its encounter has not arrived; it is counted when it does");
        };
        let says = self.own(&extract)?;
        if says.status == Some(EncounterStatus::Planned) && says.part_of.is_none() {
            return Err("its encounter is only planned; it is counted when the patient has come");
        }
        let (root, why) = self.top(&extract, &says);
        let root_extract =
            if root == encounter.into() { Some(extract.clone()) } else { self.look.get("Encounter", &root) };
        let root_extract = root_extract.unwrap_or_else(|| extract.clone());
        self.open(&root, &root_extract)?;
        if root != encounter.into() {
            self.join(&root, &extract, &says);
        }
        if let (Some(why), Some(stay)) = (why, self.stays.get_mut(&root)) {
            stay.doubt(&extract.source, why);
        }
        Ok(root)
    }

    /// What an encounter says, if it is one of this patient.
    fn own(&self, extract: &Extract) -> Result<EncounterSays, &'static str> {
        let Some(says) = extract.encounter() else {
            return Err("its encounter cannot be read or was deleted; it is not counted");
        };
        if says.subject.as_deref().is_some_and(|s| s != self.look.dossier.patient()) {
            return Err("its encounter is another patient's; it is not counted");
        }
        if says.status == Some(EncounterStatus::EnteredInError) {
            return Err("its encounter was entered in error; it is not counted");
        }
        Ok(says.clone())
    }

    /// The encounter at the top of `partOf`, and what is wrong on the way.
    fn top(&mut self, extract: &Extract, says: &EncounterSays) -> (Arc<str>, Option<&'static str>) {
        let mut path: Vec<Arc<str>> = vec![extract.id().into()];
        let mut at: Arc<str> = extract.id().into();
        let mut next = says.part_of.clone();
        while let Some(above) = next {
            if let Some(start) = path.iter().position(|seen| *seen == above) {
                // All of a loop must find the same stay
                let least = path.iter().skip(start).min().cloned().unwrap_or(above);
                return (least, Some("encounters are part of each other in a circle; taken as one stay"));
            }
            if path.len() > DEEPEST {
                return (
                    at,
                    Some("encounters are part of each other too deep; the stay may be another's part"),
                );
            }
            let Some(found) = self.look.get("Encounter", &above) else {
                return (
                    at,
                    Some(
                        "the encounter that it is part of has not arrived; taken as a stay of its own until then",
                    ),
                );
            };
            let Ok(says) = self.own(&found) else {
                return (
                    at,
                    Some(
                        "the encounter that it is part of is none of this patient's; taken as a stay of its own",
                    ),
                );
            };
            path.push(above.clone());
            at = above;
            next = says.part_of;
        }
        (at, None)
    }

    fn open(&mut self, root: &Arc<str>, extract: &Extract) -> Result<(), &'static str> {
        if self.stays.contains_key(root) {
            return Ok(());
        }
        let says = self.own(extract)?;
        let mut doubts = Vec::new();
        let mut doubt = |why: &'static str| doubts.push(Doubt::new(&extract.source, why));
        let begins = says.from.map(|f| self.first(f));
        if matches!(says.from, Some(When::Day(_))) || matches!(says.to, Some(When::Day(_))) {
            doubt("the period of the stay is known only to the day; taken as whole days");
        }
        let charted = self.end(extract, &says, &mut doubt);
        if let Some((_, source)) = self.death().filter(|(died, _)| begins.is_some_and(|b| *died < b)) {
            doubts.push(Doubt::new(&source, "died before the stay began; the stay is not ended by it"));
        }
        let facts = Facts { stay: root.clone(), begins, ..Facts::default() };
        let patient = self.look.dossier.patient.clone();
        let facts = StayFacts { facts, patient, encounters: vec![root.clone()], places: Vec::new(), doubts };
        let window = Span::until(begins.unwrap_or(Instant::EARLIEST), None);
        let root_end = charted.as_ref().map(|e| e.at);
        let mut stay = Stay { facts, window, visit: says.visit, root_end, charted };
        self.settle_end(&mut stay);
        let window = stay.window;
        stay.facts.doubts.extend(extract.doubts().iter().map(|why| Doubt::new(&extract.source, why.clone())));
        self.whereabouts(&mut stay, extract, &says, window);
        self.stays.insert(root.clone(), stay);
        Ok(())
    }

    fn join(&mut self, root: &Arc<str>, extract: &Extract, says: &EncounterSays) {
        let Some(mut stay) = self.stays.remove(root) else { return };
        stay.facts.encounters.push(extract.id().into());
        stay.facts.doubts.extend(extract.doubts().iter().map(|why| Doubt::new(&extract.source, why.clone())));
        let here = !matches!(says.status, Some(EncounterStatus::Planned | EncounterStatus::Cancelled));
        if here {
            stay.visit &= says.visit;
            self.outlast(&mut stay, extract, says);
            let from = says.from.map_or(stay.window.from, |f| self.first(f));
            let over = (says.status == Some(EncounterStatus::Finished)).then_some(says.told);
            let to = says.to.map(|t| self.last(t)).or(over).unwrap_or(stay.window.to);
            let window = Span::new(from, to);
            self.whereabouts(&mut stay, extract, says, window);
        }
        self.stays.insert(root.clone(), stay);
    }

    /// A part may last longer than the whole, as an admission does that is part of a visit to the emergency
    /// department: the stay is over when the last of its encounters is. A part that began within the whole and has no
    /// end ends with it.
    fn outlast(&self, stay: &mut Stay, extract: &Extract, says: &EncounterSays) {
        let Some(so_far) = stay.charted.take() else { return };
        let mut doubts = Vec::new();
        let part = self.end(extract, says, &mut |why| doubts.push(Doubt::new(&extract.source, why)));
        stay.facts.doubts.extend(doubts);
        let later = says.from.is_some_and(|f| stay.root_end.is_some_and(|end| self.first(f) >= end));
        stay.charted = match part {
            _ if so_far.how == Ending::Cancelled => Some(so_far),
            Some(part) if part.at > so_far.at => Some(part),
            None if later => None,
            Some(_) | None => Some(so_far),
        };
        self.settle_end(stay);
    }

    /// The end as charted, or death before it.
    fn settle_end(&self, stay: &mut Stay) {
        let begins = stay.facts.facts.begins;
        let mut ends = stay.charted.clone();
        if let Some((at, source)) = self.death().filter(|(died, _)| begins.is_none_or(|b| b <= *died))
            && ends.as_ref().is_none_or(|e| at < e.at)
        {
            ends = Some(StayEnd { at, how: Ending::Died, source });
        }
        stay.window = Span::until(begins.unwrap_or(Instant::EARLIEST), ends.as_ref().map(|e| e.at));
        stay.facts.facts.ends = ends;
    }

    fn end(
        &self,
        extract: &Extract,
        says: &EncounterSays,
        doubt: &mut impl FnMut(&'static str),
    ) -> Option<StayEnd> {
        let how = if says.status == Some(EncounterStatus::Cancelled) {
            Ending::Cancelled
        } else {
            Ending::Discharged
        };
        let over = matches!(says.status, Some(EncounterStatus::Finished | EncounterStatus::Cancelled));
        let at = match says.to {
            Some(to) => self.last(to),
            None if over => {
                doubt("the stay is over and has no end; taken to have ended when that was charted");
                says.told
            }
            None => return None,
        };
        Some(StayEnd { at, how, source: extract.source.clone() })
    }

    /// When the patient died, and where it says so.
    fn death(&self) -> Option<(Instant, Source)> {
        let dossier = self.look.dossier;
        let extract = dossier.get("Patient", dossier.patient())?;
        let died = extract.patient()?.died?;
        Some((self.last(died), extract.source.clone()))
    }

    /// The first instant of what was charted.
    pub(super) fn first(&self, when: When) -> Instant {
        match when {
            When::At(at) => at,
            When::Day(day) => Span::day(day, self.settings.zone).from,
        }
    }

    /// The first instant after what was charted, where it is an end.
    pub(super) fn last(&self, when: When) -> Instant {
        match when {
            When::At(at) => at,
            When::Day(day) => Span::day(day, self.settings.zone).to,
        }
    }

    pub(super) fn finish(self) -> Assembled {
        let mut stays: Vec<StayFacts> = self.stays.into_values().map(|s| s.facts).collect();
        for stay in &mut stays {
            stay.doubts.sort_unstable();
            stay.doubts.dedup();
            if let Some((_, parts)) = stay.encounters.split_first_mut() {
                parts.sort_unstable();
            }
        }
        let mut waiting = self.waiting;
        waiting.sort_unstable();
        waiting.dedup();
        Assembled { stays, waiting, depends: self.look.depends }
    }
}
