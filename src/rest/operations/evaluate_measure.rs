//! `$evaluate-measure`: a report of a measure over a period.

use std::collections::BTreeSet;
use std::sync::Arc;

use axum::body::Body;
use axum::http::StatusCode;
use chrono::NaiveDate;
use fhir_models::datatypes::Reference;
use fhir_models::{MeasureReport, Resource};

use super::as_of;
use super::asked::{About, Evaluate, contradiction, missing};
use super::whom::{self, Asked};
use crate::access::Rights;
use crate::care::facts::Source;
use crate::care::ledger::Feed;
use crate::care::tally::Tally;
use crate::care::time::Instant;
use crate::care::totals::Totals;
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;
use crate::rest::{Outcome, Rest, limits, table};
use crate::stays::{Counted, Steps, What, Who};
use crate::translate::measures::{self, Beside, COLUMNS, MEASURES, Other, Scope, Series, Whom};

/// `GET` or `POST /fhir/Measure/$evaluate-measure`, or `/fhir/Measure/id/$evaluate-measure`.
pub(super) async fn evaluate(edge: &Edge, ask: &Ask<'_>, id: Option<&str>, body: Body) -> Outcome {
    let rest = &edge.rest;
    let mut asked = Evaluate::default();
    for (name, value) in super::parameters(edge, ask, body).await? {
        asked.parameter(&name, &value, rest)?;
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

async fn report(rest: &Rest, ask: &Ask<'_>, id: &str, asked: Evaluate) -> Outcome {
    let period = asked.period()?;
    asked.check(id)?;
    let smallest = asked.smallest(rest.smallest);
    // of what both hold, a count that is hidden in one could be what the other one has more
    let overlaps = asked.other()?.is_some_and(|(from, to)| from <= period.1 && period.0 <= to);
    if smallest > 1 && overlaps {
        let why = "small counts are hidden here: expected a period that has no day in common with the other";
        return Err(contradiction("otherStart", why));
    }
    if smallest > 1 && asked.about == Some(About::Each) {
        let why = "small counts are hidden here, and a list of subjects would tell them";
        return Err(contradiction("reportType", why));
    }
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
        // it names patients, and the documents of their care
        let told = ["Patient", "Encounter", "Procedure", "Observation"];
        told.into_iter().try_for_each(|kind| ask.who.may(kind, Rights::READ))?;
        return as_of::compare(rest, ask, &wanted, (other.min(now), asked.as_of.unwrap_or(now).min(now)))
            .await;
    }
    if let Some(at) = asked.as_of {
        let at = at.min(now);
        let site = as_of::site_at(rest, at).await?;
        let totals = as_of::totals_at(rest, &wanted, at, &site).await?;
        let scope = Scope { known_at: Some(at), heard_until: None, ..scope };
        let beside = Beside { smallest, ..Beside::default() };
        let made = measures::evaluate_beside(id, &totals, &site.rules, period, &scope, &beside, now);
        return shown(ask, &made.ok_or(Refused::NotFound)?);
    }
    let made = match (asked.about, &asked.subject) {
        (_, Some(Asked::Patient(patient))) => {
            ask.act.tells_of([patient.as_str()].into_iter());
            individual(rest, id, (patient, &asked), period, &scope, now).await?
        }
        (Some(About::Each), _) => each(rest, ask, id, &who, period, scope, now).await?,
        (Some(About::One | About::All) | None, _) => {
            let mut beside = Beside { smallest, ..Beside::default() };
            let counted = many(rest, &wanted, &asked, &mut beside, now).await?;
            let Counted { totals, waiting, unsurveyed } = counted;
            let scope = Scope { waiting, unsurveyed, ..scope };
            let site = rest.stays.site();
            let rules = &site.rules;
            if !ask.wants("text/csv") {
                let bytes = measures::written(id, &totals, rules, period, &scope, &beside, now);
                return Ok(Answer::json(StatusCode::OK, bytes.ok_or(Refused::NotFound)?));
            }
            measures::evaluate_beside(id, &totals, rules, period, &scope, &beside, now)
                .ok_or(Refused::NotFound)?
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

/// The sums of many patients, and what is told beside them.
async fn many(
    rest: &Rest,
    wanted: &as_of::Wanted<'_>,
    asked: &Evaluate,
    beside: &mut Beside,
    now: Instant,
) -> Result<Counted, Refused> {
    let (what, who) = (What::of(wanted.measure), wanted.who);
    let mut missing = Counted::default();
    if let Some(period) = asked.other()? {
        let other = rest.stays.totals(what, who, period, now).await?;
        beside.other = Some(Other { period, totals: other.totals.in_one() });
        missing = other;
    }
    let mut counted = match asked.chart {
        None => rest.stays.totals(what, who, wanted.period, now).await?,
        Some(step) => {
            let pieces = step.pieces(wanted.period, limits::CHART_POINTS);
            if pieces.len() > limits::CHART_POINTS {
                let why = format!("at most {} points; ask for longer ones", limits::CHART_POINTS);
                return Err(Refused::too_costly("chart", why));
            }
            let Steps { whole, parts } = rest.stays.in_steps(what, who, &pieces, now).await?;
            let points = pieces.into_iter().zip(parts.iter().map(Totals::in_one)).collect();
            beside.series = Some(Series { step, points });
            whole
        }
    };
    counted.waiting = counted.waiting.max(missing.waiting);
    counted.unsurveyed = counted.unsurveyed.max(missing.unsurveyed);
    Ok(counted)
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
    if measures::tells_events(id) {
        for survey in rest.stays.surveys(patient, now).await? {
            tally.add_watched(&survey.watched);
            let within = |day: NaiveDate| period.0 <= day && day <= period.1;
            let events = survey.survey.events.iter().filter(|event| within(event.date));
            evidence.extend(events.flat_map(|event| event.sources()));
        }
    }
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
        let tally = rest.stays.counts_of(What::of(id), &patient, period, now).await?;
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
