//! From what a document tells to a fact of a stay.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::stays::{Assembly, Stay};
use crate::care::facts::{
    AirwayRow, AwaySpan, CareEvent, Code, ConditionSpan, Excuse, Extubation, Proof, Source, UnderWay,
    Ventilated, When,
};
use crate::care::ledger::Doubt;
use crate::care::time::{Instant, Span, TICK};
use crate::translate::extract::{
    Care, ConditionSays, DeviceSays, DeviceUseSays, Devices, Extract, Made, RejectedSays, Tell,
};

/// A fact that is ready for whichever stay it belongs to, and the time by which it can be placed.
pub(super) struct Ready {
    time: Span,
    fact: Fact,
}

enum Fact {
    Care(CareEvent),
    Excuse(Excuse),
    UnderWay(UnderWay),
    Ventilated(Ventilated),
    Row(AirwayRow),
    Extubation(Extubation),
    Away(AwaySpan),
}

impl Assembly<'_> {
    /// Places what one document of the patient tells.
    pub(super) fn place(&mut self, extract: &Arc<Extract>) {
        let source = &extract.source;
        let mut ready = std::mem::take(&mut self.ready);
        let mut doubts: Vec<Arc<str>> = extract.doubts().to_vec();
        for tell in extract.tells() {
            match tell {
                // Read with the stays they make, or when others ask for them
                Tell::Encounter(_) => return,
                Tell::Patient(_) => return self.patient(extract),
                Tell::Location(_) => {}
                Tell::Device(device) => ready.extend(self.device(device, source)),
                Tell::Condition(condition) => self.condition(condition, source),
                Tell::DeviceUse(used) => ready.extend(self.device_use(used, source, &mut doubts)),
                Tell::Care(care) => {
                    if let Some(activities) = self.activities(&care.activities, &care.devices, &mut doubts) {
                        ready.push(self.care(care, activities, source));
                    }
                }
                Tell::Excuse(both) => {
                    let (care, reason) = &**both;
                    if let Some(activities) = self.activities(&care.activities, &care.devices, &mut doubts) {
                        ready.push(self.excuse(care, reason, activities, source));
                    }
                }
                Tell::Rejected(says) => ready.push(self.rejected(says, source)),
                Tell::UnderWay(says) => {
                    if let Some(activities) = self.activities(&says.activities, &says.devices, &mut doubts) {
                        let fact = UnderWay { since: says.since, activities, source: source.clone() };
                        let time = point(says.since.unwrap_or(says.told));
                        ready.push(Ready { time, fact: Fact::UnderWay(fact) });
                    }
                }
                Tell::Ventilated { from, to, proof } => {
                    ready.push(self.ventilated(*from, *to, *proof, source));
                }
                Tell::Row { at, invasive } => {
                    let fact = AirwayRow { at: *at, invasive: *invasive, source: source.clone() };
                    ready.push(Ready { time: point(*at), fact: Fact::Row(fact) });
                }
                Tell::Extubation { at } => {
                    let fact = Extubation { at: *at, source: source.clone() };
                    ready.push(Ready { time: point(*at), fact: Fact::Extubation(fact) });
                }
                Tell::Away { from, to } => {
                    let fact = AwaySpan { from: *from, to: *to, source: source.clone() };
                    ready.push(Ready { time: Span::until(*from, *to), fact: Fact::Away(fact) });
                }
            }
        }
        self.settle(extract, &mut ready, doubts);
        ready.clear();
        self.ready = ready;
    }

    /// Finds the stay of what is ready and adds it, or lets the document wait.
    fn settle(&mut self, extract: &Extract, ready: &mut Vec<Ready>, doubts: Vec<Arc<str>>) {
        let source = &extract.source;
        let named = match &extract.encounter {
            Made::In(_) | Made::Elsewhere if ready.is_empty() && doubts.is_empty() => return,
            Made::In(encounter) => Some(self.stay_of(encounter)),
            Made::Elsewhere => Some(Err("its encounter is not a document of this server; it is not counted")),
            Made::Unsaid => None,
        };
        let mut home = match &named {
            Some(Ok(stay)) => Some(stay.clone()),
            Some(Err(_)) | None => None,
        };
        for ready in ready.drain(..) {
            let stay = named.clone().unwrap_or_else(|| self.covering(ready.time));
            match stay {
                Ok(id) => {
                    home.get_or_insert_with(|| id.clone());
                    self.add(&id, ready, source);
                }
                Err(why) => self.waiting.push(Doubt::new(source, why)),
            }
        }
        for why in doubts {
            match home.as_ref().and_then(|id| self.stays.get_mut(id)) {
                Some(stay) => stay.doubt(source, why),
                None => self.waiting.push(Doubt::new(source, why)),
            }
        }
    }

    /// The only stay that covers `time`.
    fn covering(&self, time: Span) -> Result<Arc<str>, &'static str> {
        let within = |overlaps: &dyn Fn(Span) -> bool| -> Vec<&Arc<str>> {
            let all: Vec<_> = self.stays.iter().filter(|(_, stay)| overlaps(stay.window)).collect();
            let beds = all.iter().filter(|(_, stay)| !stay.visit).count();
            all.into_iter().filter(|(_, stay)| beds == 0 || !stay.visit).map(|(id, _)| id).collect()
        };
        let touching = within(&|window| !window.and(time).is_empty());
        let found = match touching.as_slice() {
            // Care at the very end of a stay belongs to it if no other begins there
            [] => within(&|window| window.to == time.from),
            [_] => touching,
            // A long span: the stay in which it began
            _ => within(&|window| window.contains(time.from)),
        };
        match found.as_slice() {
            [only] => Ok(Arc::clone(only)),
            [] => Err("it names no encounter and no stay of the patient covers its time; it waits for one"),
            _ => Err("it names no encounter and several stays of the patient cover its time; it waits"),
        }
    }

    fn add(&mut self, id: &Arc<str>, ready: Ready, source: &Source) {
        let born = self.born;
        let Some(stay) = self.stays.get_mut(id) else { return };
        if let Some(why) = outside(stay.window, born, ready.time) {
            return stay.doubt(source, why);
        }
        stay.take(ready.fact);
    }

    /// What is doubtful about the patient is told with every stay.
    fn patient(&mut self, extract: &Extract) {
        for why in extract.doubts() {
            for stay in self.stays.values_mut() {
                stay.doubt(&extract.source, why.clone());
            }
        }
    }

    /// A condition is the patient's: it holds in every stay that it touches.
    fn condition(&mut self, says: &ConditionSays, source: &Source) {
        let (from, to) = (self.first(says.from), says.to.map(|t| self.last(t)));
        for stay in self.stays.values_mut() {
            if !stay.window.and(Span::until(from, to)).is_empty() {
                stay.facts.facts.conditions.extend(says.names.iter().map(|name| ConditionSpan {
                    name: name.clone(),
                    from,
                    to,
                    source: source.clone(),
                }));
            }
        }
    }

    fn care(&self, care: &Care, activities: Arc<[Code]>, source: &Source) -> Ready {
        let Care { at, recorded, received, .. } = *care;
        let fact = CareEvent { at, activities, recorded, received, source: source.clone() };
        Ready { time: self.time(at), fact: Fact::Care(fact) }
    }

    fn excuse(&self, care: &Care, reason: &Code, activities: Arc<[Code]>, source: &Source) -> Ready {
        let Care { at, recorded, received, .. } = *care;
        let (reason, source, asked) = (reason.clone(), source.clone(), Vec::new());
        let fact = Excuse { at, activities, asked, reason, recorded, received, source };
        Ready { time: self.time(at), fact: Fact::Excuse(fact) }
    }

    fn rejected(&self, says: &RejectedSays, source: &Source) -> Ready {
        let RejectedSays { at, asked, reason } = says.clone();
        let (when, source, activities) = (When::At(at), source.clone(), Arc::default());
        let fact = Excuse { at: when, activities, asked, reason, recorded: at, received: at, source };
        Ready { time: point(at), fact: Fact::Excuse(fact) }
    }

    fn time(&self, when: When) -> Span {
        match when {
            When::At(at) => point(at),
            When::Day(_) => Span::new(self.first(when), self.last(when)),
        }
    }

    fn ventilated(&self, from: When, to: Option<When>, proof: Proof, source: &Source) -> Ready {
        let begin = self.first(from);
        let time = Span::until(begin, to.map(|t| self.last(t).max(begin + TICK)));
        Ready { time, fact: Fact::Ventilated(Ventilated { from, to, proof, source: source.clone() }) }
    }

    /// The care that a document tells, by its own code or by the devices that it used; none if it is no care.
    fn activities(
        &mut self,
        own: &Arc<[Code]>,
        devices: &Devices,
        doubts: &mut Vec<Arc<str>>,
    ) -> Option<Arc<[Code]>> {
        let Some(devices) = devices else { return Some(own.clone()) };
        let mut all = BTreeSet::new();
        let mut missing = false;
        for id in devices.iter() {
            match self.look.get("Device", id) {
                Some(extract) => {
                    all.extend(extract.device().into_iter().flat_map(|d| d.activities.iter().cloned()))
                }
                None => missing = true,
            }
        }
        if all.is_empty() {
            if missing {
                doubts.push("the device that it used has not arrived; it is counted when it does".into());
            } else {
                // A Procedure of another trade: what is odd about it concerns no one here
                doubts.clear();
            }
            return None;
        }
        Some(all.into_iter().collect())
    }

    fn device_use(
        &mut self,
        used: &DeviceUseSays,
        source: &Source,
        doubts: &mut Vec<Arc<str>>,
    ) -> Option<Ready> {
        let Some(extract) = self.look.get("Device", &used.device) else {
            doubts.push("the device that was used has not arrived; it is counted when it does".into());
            return None;
        };
        if !extract.device().is_some_and(|d| d.airways.device()) {
            return None;
        }
        doubts.extend(used.doubt.clone());
        let (from, to) = used.span?;
        Some(self.ventilated(from, to, Proof::DeviceUse, source))
    }

    fn device(&self, device: &DeviceSays, source: &Source) -> Vec<Ready> {
        let patient = self.look.dossier.patient();
        let spans = device.active.iter().filter(|s| s.patient.as_deref() == Some(patient));
        let to = |at: Option<Instant>| at.map(When::At);
        spans.map(|s| self.ventilated(When::At(s.from), to(s.to), Proof::DeviceStatus, source)).collect()
    }
}

impl Stay {
    fn take(&mut self, fact: Fact) {
        let facts = &mut self.facts.facts;
        match fact {
            Fact::Care(care) => facts.care.push(care),
            Fact::Excuse(excuse) => facts.excuses.push(excuse),
            Fact::UnderWay(under_way) => facts.under_way.push(under_way),
            Fact::Ventilated(span) => facts.ventilated.push(span),
            Fact::Row(row) => facts.airway_rows.push(row),
            Fact::Extubation(extubation) => facts.extubations.push(extubation),
            Fact::Away(span) => facts.away.push(span),
        }
    }
}

fn point(at: Instant) -> Span {
    Span::new(at, at + TICK)
}

/// Why a fact of that time is none of a stay of that window.
fn outside(window: Span, born: Option<Instant>, time: Span) -> Option<&'static str> {
    if born.is_some_and(|born| time.to <= born) {
        return Some("it was before the patient was born; it tells nothing");
    }
    if time.to <= window.from {
        return Some("it was before the stay began; it tells nothing");
    }
    (time.from > window.to).then_some("it was after the stay ended; it tells nothing")
}
