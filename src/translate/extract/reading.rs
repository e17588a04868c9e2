//! A document being read: its times, its references, and what comes of it.

use std::borrow::Cow;
use std::cmp::Ordering;
use std::sync::Arc;

use chrono::{Datelike, NaiveDate};
use fhir_models::datatypes::{CodeableConcept, Meta, Period, Reference};
use fhir_models::json::scan;
use fhir_models::primitive::{DateTime, InstantTime, Point, Precision};
use fhir_models::{Procedure, Resource, parse_scanned};
use memchr::memmem;
use serde::Deserialize;

use super::charted::{Charted, Concept, Pointer};
use super::{Devices, Made, Said, Tell, Tells};
use crate::care::facts::When;
use crate::care::time::{Instant, Length};
use crate::translate::codes::{Codes, Meaning};
use crate::translate::document::{Bases, Stored, Target};

/// 1900-01-01T00:00:00Z.
const FIRST_SOUND: Instant = Instant::from_micros(-2_208_988_800_000_000);

/// A document being read.
pub(super) struct Reading<'a> {
    pub(super) stored: &'a Stored<'a>,
    pub(super) versions: &'a [Stored<'a>],
    pub(super) codes: &'a Codes,
    pub(super) bases: &'a Bases,
    made: Made,
    tells: Tells,
    doubts: Vec<Arc<str>>,
    by_version: bool,
    by_first: bool,
}

/// What was charted in place of a time that can be used.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Vague {
    /// Only a year or a month.
    Imprecise,
    /// Before 1900, or more than a year after it was received.
    Absurd,
}

impl Vague {
    pub(super) fn why(self) -> &'static str {
        match self {
            Vague::Imprecise => "its time is known only to the year or the month; it tells nothing",
            Vague::Absurd => "its time is before 1900 or more than a year ahead; it tells nothing",
        }
    }
}

impl<'a> Reading<'a> {
    pub(super) fn new(
        versions: &'a [Stored<'a>],
        stored: &'a Stored<'a>,
        codes: &'a Codes,
        bases: &'a Bases,
    ) -> Self {
        let (made, tells, doubts) = (Made::Unsaid, Tells::Nothing, Vec::new());
        Reading { stored, versions, codes, bases, made, tells, doubts, by_version: false, by_first: false }
    }

    pub(super) fn into_said(mut self) -> Said {
        self.doubts.dedup();
        let doubts = (!self.doubts.is_empty()).then(|| Box::new(self.doubts));
        // Where a document of another trade was made is nothing to wait for
        let silent = self.tells == Tells::Nothing && doubts.is_none();
        let encounter = if silent { Made::Unsaid } else { self.made };
        Said { encounter, tells: self.tells, doubts, by_version: self.by_version, by_first: self.by_first }
    }

    /// False, with a doubt, if something in the document may change the meaning of the rest. Such documents are
    /// refused at the door; those that came another way tell nothing.
    pub(super) fn meaning_is_whole(&mut self) -> bool {
        let body = self.stored.body;
        // Names can be written with escapes: where there is one, the strict reader decides
        let suspect = ["modifierExtension", "implicitRules", "\\u"];
        if suspect.iter().all(|s| memmem::find(body, s.as_bytes()).is_none()) {
            return true;
        }
        let why = match scan(body) {
            Ok(found) if found.has_modifier_extension => {
                "it has a modifierExtension, which is not understood"
            }
            Ok(found) if found.has_implicit_rules => "it has implicitRules, which are not understood",
            Ok(_) => return true,
            Err(_) => "it is not sound JSON",
        };
        self.doubt(format!("{why}; it tells nothing"));
        false
    }

    pub(super) fn typed<T: Resource>(&mut self, read: impl FnOnce(&T, &mut Self)) {
        match parse_scanned::<T>(self.stored.body) {
            Ok(resource) => read(&resource, self),
            Err(error) => self.doubt(format!("{error}; it tells nothing")),
        }
    }

    /// [`Reading::typed`] for a Procedure, read where it lies.
    pub(super) fn charted(&mut self, read: impl FnOnce(&Charted<'_>, &mut Self)) {
        match serde_json::from_slice::<Charted<'_>>(self.stored.body) {
            Ok(procedure) => read(&procedure, self),
            // the full reader says which element it is
            Err(error) => match parse_scanned::<Procedure>(self.stored.body) {
                Err(error) => self.doubt(format!("{error}; it tells nothing")),
                Ok(_) => self.doubt(format!("{error}; it tells nothing")),
            },
        }
    }

    pub(super) fn tell(&mut self, tell: Tell) {
        self.tells = match std::mem::replace(&mut self.tells, Tells::Nothing) {
            Tells::Nothing => Tells::One(tell),
            Tells::One(first) => Tells::Many(vec![first, tell]),
            Tells::Many(mut tells) => {
                tells.push(tell);
                Tells::Many(tells)
            }
        };
    }

    pub(super) fn doubt(&mut self, why: impl Into<Arc<str>>) {
        self.doubts.push(why.into());
    }

    /// Notes the encounter in which the document was made.
    pub(super) fn made_in(&mut self, encounter: Option<&Reference>) {
        self.made = match encounter {
            None => Made::Unsaid,
            Some(reference) => match self.bases.id(reference, "Encounter") {
                Some(id) => Made::In(id.into()),
                // Only an identifier, or only a text: as good as not said, and then subject and time decide
                None if reference.reference.is_none() => Made::Unsaid,
                None => Made::Elsewhere,
            },
        };
    }

    /// [`Reading::made_in`] for a document that is read where it lies.
    pub(super) fn made_at(&mut self, encounter: Option<&Pointer<'_>>) {
        self.made = match encounter {
            None => Made::Unsaid,
            Some(pointer) => match pointer.reference.as_ref() {
                None => Made::Unsaid,
                Some(text) => match self.bases.id_in(&text.0, "Encounter") {
                    Some(id) => Made::In(id.into()),
                    None => Made::Elsewhere,
                },
            },
        };
    }

    pub(super) fn concept(&self, concept: Option<&CodeableConcept>) -> Meaning {
        self.codes.concept(concept)
    }

    /// [`Reading::concept`] for a document that is read where it lies.
    pub(super) fn coded(&self, concept: Option<&Concept<'_>>) -> Cow<'a, Meaning> {
        let pairs = concept.into_iter().flat_map(|c| &c.coding);
        self.codes.all(pairs.filter_map(|pair| self.codes.code(&pair.system, &pair.code)))
    }

    pub(super) fn id(&self, reference: Option<&Reference>, kind: &str) -> Option<Arc<str>> {
        reference.and_then(|r| self.bases.id(r, kind)).map(Arc::from)
    }

    /// The ids of the devices among `references`; those inside the document add to `meaning` at once.
    pub(super) fn devices<'r>(
        &self,
        references: impl Iterator<Item = &'r Pointer<'r>>,
        inside: impl Fn(&str) -> Meaning,
        meaning: &mut Meaning,
    ) -> Devices {
        let mut ids: Vec<Arc<str>> = Vec::new();
        for reference in references.filter_map(|r| r.reference.as_ref()) {
            match self.bases.target_of(&reference.0) {
                Target::Here("Device", id) => ids.push(id.into()),
                Target::Inside(id) => *meaning = std::mem::take(meaning).with(&inside(id)),
                Target::Here(..) | Target::Elsewhere => {}
            }
        }
        (!ids.is_empty()).then(|| Box::new(ids))
    }
}

/// Times.
impl Reading<'_> {
    pub(super) fn received(&self) -> Instant {
        Instant::from_micros(self.stored.received_us)
    }

    /// When what was charted for `at` was recorded: as the document says itself, else when its first version was told.
    ///
    /// A version cannot have told of care that lay ahead of it (a Procedure that was planned before it was done):
    /// then it was this one.
    pub(super) fn recorded(
        &mut self,
        issued: Option<&InstantTime>,
        said: Option<Instant>,
        at: When,
    ) -> Instant {
        if let Some(issued) = issued {
            return Instant::from_micros(issued.us()).min(self.received());
        }
        self.by_first = true;
        let this = told(self.stored, said);
        let first = match self.versions.first() {
            Some(first) if first.version == 1 && first.version != self.stored.version => told_by(first),
            Some(_) | None if self.stored.version == 1 => this,
            Some(_) | None => Instant::from_micros(self.stored.first_us),
        };
        match at {
            When::At(at) if first < at => this,
            When::At(_) | When::Day(_) => first.min(this),
        }
    }

    /// When what the current version says of its status was first told, as far as the versions at hand show.
    pub(super) fn told_since(&mut self, said: Option<Instant>, same: impl Fn(&Outline) -> bool) -> Instant {
        self.by_version = true;
        let mut since = told(self.stored, said);
        for earlier in self.versions.iter().rev().skip(1) {
            match Outline::of(earlier) {
                Some(outline) if same(&outline) => since = since.min(outline.told(earlier)),
                Some(_) | None => break,
            }
        }
        since
    }

    pub(super) fn when(&self, said: &DateTime) -> Result<When, Vague> {
        self.when_at(said.point())
    }

    /// [`Reading::when`] of what the text means.
    pub(super) fn when_at(&self, said: Point) -> Result<When, Vague> {
        match (said.precision(), said.instant_us(), said.date()) {
            (Precision::Instant, Some(us), _) => self.sound(Instant::from_micros(us)),
            (Precision::Day, _, Some(day)) => {
                let sound = day.year() >= 1900 && day <= self.latest().utc().date_naive();
                if sound { Ok(When::Day(day)) } else { Err(Vague::Absurd) }
            }
            _ => Err(Vague::Imprecise),
        }
    }

    /// The instant of an `instant`, which is never vague but may be absurd.
    pub(super) fn when_instant(&self, said: &InstantTime) -> Result<When, Vague> {
        self.sound(Instant::from_micros(said.us()))
    }

    fn sound(&self, at: Instant) -> Result<When, Vague> {
        let sound = FIRST_SOUND <= at && at <= self.latest();
        if sound { Ok(When::At(at)) } else { Err(Vague::Absurd) }
    }

    /// What was charted for later is absurd.
    fn latest(&self) -> Instant {
        self.received() + Length::hours(366 * 24)
    }

    /// Start and end of a period; an error says why it tells nothing.
    pub(super) fn period(&self, period: &Period) -> Result<(Option<When>, Option<When>), &'static str> {
        self.between(period.start.as_ref().map(DateTime::point), period.end.as_ref().map(DateTime::point))
    }

    /// [`Reading::period`] of its two ends.
    pub(super) fn between(
        &self,
        start: Option<Point>,
        end: Option<Point>,
    ) -> Result<(Option<When>, Option<When>), &'static str> {
        let backwards = start.zip(end).and_then(|(s, e)| s.compare(&e));
        if backwards == Some(Ordering::Greater) {
            return Err("its period ends before it starts; it tells nothing");
        }
        let side = |said: Option<Point>| said.map(|p| self.when_at(p)).transpose().map_err(Vague::why);
        Ok((side(start)?, side(end)?))
    }
}

/// When a version was told: as it says itself, but not after it was received; else when it was received.
pub(super) fn told(stored: &Stored<'_>, said: Option<Instant>) -> Instant {
    let received = Instant::from_micros(stored.received_us);
    said.map_or(received, |said| said.min(received))
}

/// When a version says that it was told.
pub(super) fn said_at(meta: Option<&Meta>) -> Option<Instant> {
    meta.and_then(|m| m.last_updated.as_ref()).map(|u| Instant::from_micros(u.us()))
}

fn told_by(stored: &Stored<'_>) -> Instant {
    Outline::of(stored).map_or(Instant::from_micros(stored.received_us), |outline| outline.told(stored))
}

/// As much of a version as tells when its status was told.
#[derive(Deserialize, Default, PartialEq)]
#[serde(rename_all = "camelCase", default)]
pub(super) struct Outline {
    pub(super) status: Option<String>,
    pub(super) deceased_boolean: Option<bool>,
    pub(super) patient: Option<OutlineReference>,
    meta: Option<OutlineMeta>,
}

#[derive(Deserialize, Default, PartialEq)]
#[serde(rename_all = "camelCase", default)]
struct OutlineMeta {
    last_updated: Option<InstantTime>,
}

/// The patient of an earlier version.
#[derive(Deserialize, Default, PartialEq)]
#[serde(default)]
pub(super) struct OutlineReference {
    pub(super) reference: Option<String>,
}

impl Outline {
    pub(super) fn of(stored: &Stored<'_>) -> Option<Outline> {
        if stored.deleted { None } else { serde_json::from_slice(stored.body).ok() }
    }

    pub(super) fn told(&self, stored: &Stored<'_>) -> Instant {
        let received = Instant::from_micros(stored.received_us);
        let said = self.meta.as_ref().and_then(|m| m.last_updated.as_ref());
        said.map_or(received, |said| Instant::from_micros(said.us()).min(received))
    }
}

/// The day of a birth date that is known to the day.
pub(super) fn day(date: Option<&fhir_models::primitive::Date>) -> Option<NaiveDate> {
    date.and_then(fhir_models::primitive::Date::date)
}
