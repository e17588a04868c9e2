//! `$evaluate-measure`: a report of a measure over a period.

use std::collections::BTreeSet;
use std::sync::Arc;

use axum::body::Body;
use axum::http::{Method, StatusCode};
use chrono::{NaiveDate, TimeDelta};
use fhir_models::datatypes::Reference;
use fhir_models::{MeasureReport, Resource};

use super::whom::{self, Asked};
use super::{as_of, body_parameters};
use crate::care::facts::Source;
use crate::care::ledger::Feed;
use crate::care::tally::Tally;
use crate::care::time::Instant;
use crate::care::totals::Totals;
use crate::rest::answer::Answer;
use crate::rest::ask::{self, Ask};
use crate::rest::body::Takes;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;
use crate::rest::search::calendar;
use crate::rest::{Outcome, Rest, limits, table};
use crate::stays::{Counted, What, Who};
use crate::translate::BASE;
use crate::translate::measures::{self, COLUMNS, MEASURES, Scope, Whom};

/// What is asked.
#[derive(Default)]
struct Evaluate {
    measure: Option<String>,
    start: Option<NaiveDate>,
    end: Option<NaiveDate>,
    subject: Option<Asked>,
    about: Option<About>,
    unit: Option<String>,
    /// In microseconds.
    received_after: Option<i64>,
    as_of: Option<Instant>,
    compared_with: Option<Instant>,
}

/// `reportType`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum About {
    One,
    Each,
    All,
}

/// `GET` or `POST /fhir/Measure/$evaluate-measure`, or `/fhir/Measure/id/$evaluate-measure`.
pub(super) async fn evaluate(edge: &Edge, ask: &Ask<'_>, id: Option<&str>, body: Body) -> Outcome {
    let rest = &edge.rest;
    let mut asked = Evaluate::default();
    for (name, value) in ask::parameters(ask.query)? {
        if name != "_format" && name != "_pretty" {
            asked.parameter(&name, &value, rest)?;
        }
    }
    match ask.method {
        Method::GET => {}
        Method::POST => {
            let held = edge.receive(ask, body, Takes::MaybeJson).await?;
            if !held.bytes.is_empty() {
                for (name, value) in body_parameters(&held.bytes)? {
                    asked.parameter(&name, &value, rest)?;
                }
            }
        }
        _ => return Err(Refused::Method("GET, HEAD, POST")),
    }
    let id = match (id, asked.measure.take()) {
        (Some(id), None) => id.to_owned(),
        (None, Some(named)) => named,
        (None, None) => return Err(missing("measure", "expected the address or the id of a Measure")),
        (Some(_), Some(_)) => {
            return Err(contradiction("measure", "the address names the measure already"));
        }
    };
    if !MEASURES.contains(&id.as_str()) {
        return Err(match rest.store.document("Measure", &id).await? {
            Some(_) => {
                Refused::not_supported("measure", "only the measures that come with Terce are counted")
            }
            None => Refused::NotFound,
        });
    }
    report(rest, ask, &id, asked).await
}

fn contradiction(at: &str, why: &str) -> Refused {
    Refused::Contradiction { at: at.to_owned(), why: why.to_owned() }
}

fn missing(name: &str, expected: &str) -> Refused {
    Refused::Document(fhir_models::ParseError::new(fhir_models::IssueKind::Required, name, expected))
}

/// The id in a reference to one of the measures: its canonical address, with or without the version that is shipped, or
/// its place here.
fn measure_id(value: &str) -> Result<String, Refused> {
    let (address, version) = value.split_once('|').map_or((value, None), |(a, v)| (a, Some(v)));
    if version.is_some_and(|version| version != measures::VERSION) {
        let why = format!("only version {} is counted here", measures::VERSION);
        return Err(Refused::not_supported("measure", why));
    }
    let own = address.strip_prefix(BASE).map_or(address, |below| below.trim_start_matches('/'));
    Ok(own.strip_prefix("Measure/").unwrap_or(own).to_owned())
}

impl Evaluate {
    fn parameter(&mut self, name: &str, value: &str, rest: &Rest) -> Result<(), Refused> {
        let day = |last: bool| {
            let days = calendar(value).map(|(from, to)| if last { to } else { from });
            days.ok_or_else(|| {
                Refused::value(name, "expected a date, such as 2026-01-31: whole local days are counted")
            })
        };
        match name {
            "measure" => self.measure = Some(measure_id(value)?),
            // the end is inclusive, to the end of what it implies
            "periodStart" => self.start = Some(day(false)?),
            "periodEnd" => self.end = Some(day(true)?),
            "subject" => self.subject = Some(whom::asked(name, value, rest)?),
            "reportType" => {
                self.about = Some(match value {
                    "summary" | "population" => About::All,
                    "subject-list" => About::Each,
                    "subject" | "individual" => About::One,
                    _ => {
                        return Err(Refused::not_supported(
                            name,
                            "expected population, subject-list or subject",
                        ));
                    }
                });
            }
            "unit" => {
                let id = value.strip_prefix("Location/").unwrap_or(value);
                if !fhir_models::primitive::is_id(id) {
                    return Err(Refused::value(name, "expected Location/id"));
                }
                self.unit = Some(id.to_owned());
            }
            "lastReceivedOn" => {
                let zone = rest.stays.site().rules.zone;
                let span = crate::rest::search::span_of(value, zone);
                let (from, _) = span
                    .ok_or_else(|| Refused::value(name, "expected a date or an instant with its offset"))?;
                self.received_after = Some(from);
            }
            "asOf" => self.as_of = Some(instant(name, value, rest)?),
            "comparedWith" => self.compared_with = Some(instant(name, value, rest)?),
            "practitioner" => {
                let why = "care is counted by patient and unit, never by who gave it";
                return Err(Refused::not_supported(name, why));
            }
            _ => return Err(Refused::not_supported(name, "not a parameter of this operation here")),
        }
        Ok(())
    }

    /// The local days, first and last.
    fn period(&self) -> Result<(NaiveDate, NaiveDate), Refused> {
        let expected = "expected a date, such as 2026-01-31";
        let from = self.start.ok_or_else(|| missing("periodStart", expected))?;
        let to = self.end.ok_or_else(|| missing("periodEnd", expected))?;
        if to < from {
            return Err(contradiction("periodEnd", "expected a day that is not before periodStart"));
        }
        if to.signed_duration_since(from) > TimeDelta::days(limits::REPORT_DAYS) {
            return Err(Refused::too_costly("periodEnd", format!("at most {} days", limits::REPORT_DAYS)));
        }
        Ok((from, to))
    }

    /// Refuses what does not go together.
    fn check(&self) -> Result<(), Refused> {
        let one = matches!(self.subject, Some(Asked::Patient(_)));
        match self.about {
            Some(About::One) if !one => {
                return Err(contradiction("subject", "a report about a subject says which patient"));
            }
            Some(About::All | About::Each) if one => {
                return Err(contradiction(
                    "reportType",
                    "a report about one patient is a report of type subject",
                ));
            }
            Some(About::One | About::Each | About::All) | None => {}
        }
        let known = self.as_of.or(self.compared_with).is_some();
        if known && (self.about == Some(About::Each) || self.received_after.is_some()) {
            let why = "a report of the record as it was known earlier lists neither subjects nor documents";
            return Err(contradiction("asOf", why));
        }
        if self.received_after.is_some() && !one {
            return Err(contradiction("lastReceivedOn", "only a report about one patient takes it"));
        }
        if self.unit.is_some() && matches!(self.subject, Some(Asked::Location(_) | Asked::Organization(_))) {
            return Err(contradiction("unit", "the subject says which units already"));
        }
        Ok(())
    }
}

/// An instant, or the end of a day.
fn instant(name: &str, value: &str, rest: &Rest) -> Result<Instant, Refused> {
    let span = crate::rest::search::span_of(value, rest.stays.site().rules.zone);
    let (_, to) =
        span.ok_or_else(|| Refused::value(name, "expected an instant with its offset, or a day"))?;
    Ok(Instant::from_micros(to - 1))
}

/// What must be read for a measure.
fn what(id: &str) -> What {
    if measures::tells_delays(id) { What::CountsAndDelays } else { What::Counts }
}

async fn report(rest: &Rest, ask: &Ask<'_>, id: &str, asked: Evaluate) -> Outcome {
    let period = asked.period()?;
    asked.check()?;
    let now = Instant::from_micros(ask.now_us);
    let who = whom::who(rest, asked.subject.as_ref(), asked.unit.as_deref()).await?;
    let heard_until = match rest.stays.feed(now) {
        feed if feed == Feed::unwatched() => None,
        Feed::Live { watermark } | Feed::Silent { watermark } => Some(watermark),
    };
    let whom = asked.subject.clone().map_or(Whom::All, Whom::from);
    let scope = Scope { whom, unit: asked.unit.clone(), heard_until, ..Scope::default() };
    let wanted = as_of::Wanted { measure: id, who: &who, period };
    if let Some(Asked::Patient(patient)) = asked.subject.as_ref().filter(|_| asked.as_of.is_some()) {
        ask.act.tells_of([patient.as_str()].into_iter());
    }
    if let Some(other) = asked.compared_with {
        return as_of::compare(rest, ask, &wanted, (other.min(now), asked.as_of.unwrap_or(now).min(now)))
            .await;
    }
    if let Some(at) = asked.as_of {
        let at = at.min(now);
        let site = as_of::site_at(rest, at).await?;
        let totals = as_of::totals_at(rest, &wanted, at, &site).await?;
        let scope = Scope { known_at: Some(at), heard_until: None, ..scope };
        let made = measures::evaluate(id, &totals, &site.rules, period, &scope, now);
        return shown(ask, &made.ok_or(Refused::NotFound)?);
    }
    let made = match (asked.about, &asked.subject) {
        (_, Some(Asked::Patient(patient))) => {
            ask.act.tells_of([patient.as_str()].into_iter());
            individual(rest, id, (patient, &asked), period, &scope, now).await?
        }
        (Some(About::Each), _) => each(rest, ask, id, &who, period, scope, now).await?,
        (Some(About::One | About::All) | None, _) => {
            let Counted { totals, waiting } = rest.stays.totals(what(id), &who, period, now).await?;
            let scope = Scope { waiting, ..scope };
            let site = rest.stays.site();
            measures::evaluate(id, &totals, &site.rules, period, &scope, now).ok_or(Refused::NotFound)?
        }
    };
    shown(ask, &made)
}

fn shown(ask: &Ask<'_>, made: &MeasureReport) -> Outcome {
    if ask.wants("text/csv") {
        return table::csv(&COLUMNS, measures::rows(made));
    }
    Ok(Answer::json(StatusCode::OK, made.write()))
}

/// The report of one patient, with the documents that it rests on.
async fn individual(
    rest: &Rest,
    id: &str,
    (patient, asked): (&str, &Evaluate),
    period: (NaiveDate, NaiveDate),
    scope: &Scope,
    now: Instant,
) -> Result<MeasureReport, Refused> {
    let site = rest.stays.site();
    let (mut tally, mut evidence) = (Tally::default(), BTreeSet::new());
    for stay in rest.stays.ledgers(patient, now).await? {
        tally.add(&stay.ledger);
        evidence.append(&mut measures::evidence(id, &stay.facts, &stay.ledger, &site.rules, period));
    }
    let unit = scope.unit.as_deref().map(|unit| [Arc::from(unit)]);
    let units = unit.as_ref().map(<[Arc<str>; 1]>::as_slice);
    let totals = Totals::of(&tally, period.0, period.1, units);
    let made = measures::evaluate(id, &totals, &site.rules, period, scope, now);
    let mut made = made.ok_or(Refused::NotFound)?;
    for source in evidence.into_iter().take(limits::EVALUATED_RESOURCES) {
        if let Some(after) = asked.received_after
            && received(rest, &source).await?.is_none_or(|received| received <= after)
        {
            continue;
        }
        let reference = Some(source.0.to_string());
        made.evaluated_resource.push(Reference { reference, ..Reference::default() });
    }
    Ok(made)
}

/// When a version of a document was received, in microseconds.
async fn received(rest: &Rest, source: &Source) -> Result<Option<i64>, Refused> {
    let mut parts = source.0.split('/');
    let (Some(kind), Some(id), _, version) = (parts.next(), parts.next(), parts.next(), parts.next()) else {
        return Ok(None);
    };
    let version = version.and_then(|version| version.parse().ok()).unwrap_or(1);
    Ok(rest.store.version(kind, id, version).await?.map(|document| document.received_us))
}

/// The report of many, with the report of each.
async fn each(
    rest: &Rest,
    ask: &Ask<'_>,
    id: &str,
    who: &Who,
    period: (NaiveDate, NaiveDate),
    scope: Scope,
    now: Instant,
) -> Result<MeasureReport, Refused> {
    let (patients, units) = match who {
        Who::Patients(patients, units) => (patients.clone(), units.clone()),
        Who::All => (rest.stays.patients_of(period, limits::SUBJECTS + 1).await?, None),
        Who::Units(units) => {
            (rest.stays.patients_of(period, limits::SUBJECTS + 1).await?, Some(units.clone()))
        }
    };
    if patients.len() > limits::SUBJECTS {
        let why = format!("at most {} patients are listed; ask for a shorter period", limits::SUBJECTS);
        return Err(Refused::too_costly("reportType", why));
    }
    let site = rest.stays.site();
    let (mut whole, mut individuals) = (Totals::default(), Vec::new());
    for patient in patients {
        let tally = rest.stays.tally_of(&patient, period, now).await?;
        let own = Totals::of(&tally, period.0, period.1, units.as_deref());
        if own == Totals::default() {
            continue;
        }
        whole.add(&tally, period.0, period.1, units.as_deref());
        ask.act.tells_of([patient.as_str()].into_iter());
        let scope = Scope { whom: Whom::Patient(patient), ..scope.clone() };
        individuals.extend(measures::evaluate(id, &own, &site.rules, period, &scope, now));
    }
    let made = measures::evaluate(id, &whole, &site.rules, period, &scope, now);
    Ok(measures::with_subjects(made.ok_or(Refused::NotFound)?, individuals))
}
