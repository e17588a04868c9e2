//! AuditEvents as they are read and searched: they are made of the rows of the chain when they are asked for.

use axum::http::StatusCode;
use axum::http::header::{ETAG, LAST_MODIFIED};
use fhir_models::datatypes::{Coding, Reference};
use fhir_models::{AuditEvent, Resource};

use crate::rest::answer::Answer;
use crate::rest::ask::{self, Ask};
use crate::rest::refused::Refused;
use crate::rest::search::{self};
use crate::rest::{Outcome, Rest, limits, text};
use crate::store::{Audit, AuditQuery, AuditRow, Thing};
use crate::translate::audit::{Recorded, event};

const KIND: &str = "AuditEvent";

/// The place of an AuditEvent: the number of its row, and which of its things it is about, from 1; 0 where the row has no
/// more than one.
type Place = (i64, usize);

/// The id of what is at a place.
fn id((number, thing): Place) -> String {
    if thing == 0 { number.to_string() } else { format!("{number}-{thing}") }
}

fn place(id: &str) -> Option<Place> {
    let (number, thing) = id.split_once('-').unwrap_or((id, ""));
    let thing = if thing.is_empty() && !id.contains('-') { 0 } else { text::version(thing)? };
    let number = i64::try_from(text::version(number)?).ok()?;
    Some((number, usize::try_from(thing).ok()?))
}

/// What AuditEvents of one answer have in common.
struct Server<'a> {
    base: &'a str,
    instance: String,
}

impl Server<'_> {
    /// The AuditEvents of a row, in their order.
    fn events(&self, row: &AuditRow, audit: &Audit) -> Vec<(Place, AuditEvent)> {
        match audit.things.as_slice() {
            [] => vec![self.event((row.number, 0), row, audit, &Thing::default())],
            [thing] => vec![self.event((row.number, 0), row, audit, thing)],
            all => (1..)
                .zip(all)
                .map(|(index, thing)| self.event((row.number, index), row, audit, thing))
                .collect(),
        }
    }

    fn event(&self, place: Place, row: &AuditRow, audit: &Audit, thing: &Thing) -> (Place, AuditEvent) {
        let deed = if thing.deed.is_empty() { &audit.deed } else { &thing.deed };
        let what = match (thing.id.as_str(), thing.version) {
            ("", _) => String::new(),
            (id, 0) => format!("{}/{id}", thing.kind),
            (id, version) => format!("{}/{id}/_history/{version}", thing.kind),
        };
        let recorded = Recorded {
            id: &id(place),
            at_us: row.at_us,
            deed,
            within: if matches!(&*audit.deed, "batch" | "transaction") { &audit.deed } else { "" },
            status: if thing.status == 0 { audit.status } else { thing.status },
            by: &audit.by,
            who: &audit.who,
            issuer: &audit.issuer,
            from: &audit.from,
            request: &audit.request,
            asked: if thing.asked.is_empty() { &audit.asked } else { &thing.asked },
            what: &what,
            patient: thing.patient.as_deref(),
            more: audit.more,
            base: self.base,
            instance: &self.instance,
        };
        (place, event(&recorded))
    }
}

async fn server<'a>(rest: &Rest, ask: &Ask<'a>) -> Result<Server<'a>, Refused> {
    Ok(Server { base: ask.base, instance: rest.store.instance().await? })
}

/// The AuditEvent of an id, and the row that it is made of.
async fn found(rest: &Rest, ask: &Ask<'_>, id: &str) -> Result<(AuditRow, AuditEvent), Refused> {
    let place = place(id).ok_or(Refused::NotFound)?;
    let before = place.0.checked_add(1);
    let query = AuditQuery { before, limit: 1, ..AuditQuery::default() };
    let row = rest.store.audits(query).await?.into_iter().find(|row| row.number == place.0);
    let row = row.ok_or(Refused::NotFound)?;
    let audit = row.audit().ok_or(Refused::Failed)?;
    let events = server(rest, ask).await?.events(&row, &audit);
    let (_, event) = events.into_iter().find(|(at, _)| *at == place).ok_or(Refused::NotFound)?;
    Ok((row, event))
}

/// The patient whom an AuditEvent is about.
fn patient(event: &AuditEvent) -> Option<&str> {
    let is_patient = |role: Option<&Coding>| role.and_then(|r| r.code.as_deref()) == Some("1");
    let entity = event.entity.iter().find(|e| is_patient(e.role.as_ref()))?;
    entity.what.as_ref()?.reference.as_deref()?.strip_prefix("Patient/")
}

/// `GET /fhir/AuditEvent/id`.
pub(in crate::rest) async fn read(rest: &Rest, ask: &Ask<'_>, id: &str) -> Outcome {
    shown(rest, ask, id, "read").await
}

/// `GET /fhir/AuditEvent/id/_history/version`: there is only the first.
pub(in crate::rest) async fn version(rest: &Rest, ask: &Ask<'_>, id: &str, version: &str) -> Outcome {
    if version != "1" {
        return Err(Refused::NotFound);
    }
    shown(rest, ask, id, "vread").await
}

async fn shown(rest: &Rest, ask: &Ask<'_>, id: &str, deed: &'static str) -> Outcome {
    let (row, event) = found(rest, ask, id).await?;
    ask.act.saw_other(deed, KIND, id, patient(&event));
    let tag = text::etag(1);
    if ask.has(&tag) {
        return Ok(Answer::empty(StatusCode::NOT_MODIFIED).with(ETAG, tag));
    }
    Ok(Answer::json(StatusCode::OK, event.write())
        .with(ETAG, tag)
        .with(LAST_MODIFIED, text::http_date(row.at_us)))
}

/// `GET /fhir/AuditEvent/id/_history`: what was written once.
pub(in crate::rest) async fn history(rest: &Rest, ask: &Ask<'_>, id: &str) -> Outcome {
    let (row, event) = found(rest, ask, id).await?;
    ask.act.saw_other("history-instance", KIND, id, patient(&event));
    let address = format!("{}/{KIND}/{id}", ask.base);
    let mut out = String::from(
        "{\"resourceType\":\"Bundle\",\"type\":\"history\",\"link\":[{\"relation\":\"self\",\"url\":",
    );
    text::push_json(&mut out, &format!("{address}/_history"));
    out.push_str("}],\"entry\":[{\"fullUrl\":");
    text::push_json(&mut out, &address);
    out.push_str(",\"resource\":");
    out.push_str(&String::from_utf8_lossy(&event.write()));
    out.push_str(&format!(
        ",\"request\":{{\"method\":\"POST\",\"url\":\"{KIND}\"}},\"response\":{{\"status\":\"201\",\"etag\":\"W/\\\"1\\\"\",\"lastModified\":\"{}\"}}}}]}}",
        text::instant(row.at_us)
    ));
    Ok(Answer::json(StatusCode::OK, out))
}

/// What is searched for.
#[derive(Default)]
struct Criteria {
    /// What the store is asked.
    query: AuditQuery,
    /// Of each list one must fit.
    fits: Vec<(Test, Vec<String>)>,
    /// Where to go on after.
    after: Option<Place>,
    /// How many are wanted.
    rows: usize,
    /// What was applied, for links.
    applied: Vec<(String, String)>,
}

/// What is compared of an AuditEvent; R4's search parameters of that name.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Test {
    Id,
    Action,
    Address,
    Agent,
    Entity,
    Outcome,
    Patient,
    Subtype,
    Type,
}

/// R4's search parameters of AuditEvent that can be asked for, beside dates.
const TESTS: &[(&str, Test)] = &[
    ("_id", Test::Id),
    ("action", Test::Action),
    ("address", Test::Address),
    ("agent", Test::Agent),
    ("agent:identifier", Test::Agent),
    ("entity", Test::Entity),
    ("outcome", Test::Outcome),
    ("patient", Test::Patient),
    ("patient:Patient", Test::Patient),
    ("subtype", Test::Subtype),
    ("type", Test::Type),
];

impl Criteria {
    fn read(rest: &Rest, query: &str) -> Result<Criteria, Refused> {
        let zone = rest.stays.site().settings.zone;
        let mut criteria = Criteria { rows: limits::PAGE_ROWS, ..Criteria::default() };
        for (name, value) in ask::parameters(query)? {
            match name.as_ref() {
                "_count" => {
                    let count = value.parse::<usize>().ok().filter(|c| *c > 0);
                    let why = "expected a positive number";
                    let count = count.ok_or_else(|| Refused::value("_count", why))?;
                    criteria.rows = count.min(limits::PAGE_ROWS_MAX);
                }
                "_cursor" => {
                    let why = "expected what a link said";
                    criteria.after = Some(place(&value).ok_or_else(|| Refused::value("_cursor", why))?);
                    continue;
                }
                "_format" | "_pretty" => continue,
                "_sort" if matches!(value.as_ref(), "-date" | "-_lastUpdated") => {}
                "_sort" => return Err(Refused::not_supported("_sort", "expected -date")),
                "date" | "_lastUpdated" => {
                    let why = "expected a date or time after ge, gt, le, lt, eq or nothing";
                    let (from, to) =
                        search::one_span(&value, zone).ok_or_else(|| Refused::value(&*name, why))?;
                    let query = &mut criteria.query;
                    query.from_us = query.from_us.max(from);
                    query.to_us = [query.to_us, to].into_iter().flatten().min();
                }
                other => criteria.test(rest, other, &value)?,
            }
            criteria.applied.push((name.into_owned(), value.into_owned()));
        }
        Ok(criteria)
    }

    fn test(&mut self, rest: &Rest, name: &str, value: &str) -> Result<(), Refused> {
        let Some((_, test)) = TESTS.iter().find(|(known, _)| *known == name) else {
            // to leave out what is not known would show more than was asked for
            let why = "AuditEvents are searched by what the CapabilityStatement names, without modifiers";
            return Err(Refused::not_supported(name, why));
        };
        let mut values: Vec<String> = value.split(',').map(str::to_owned).collect();
        if values.iter().any(String::is_empty) || values.len() > limits::QUERY_ALTERNATIVES {
            return Err(Refused::value(name, "expected some values with a comma between two"));
        }
        if *test == Test::Patient {
            for value in &mut values {
                let id = rest.own_bases.id_in(value, "Patient").unwrap_or(value.as_str());
                if !fhir_models::primitive::is_id(id) {
                    return Err(Refused::value(name, "expected Patient/id"));
                }
                *value = id.to_owned();
            }
            if let ([one], None) = (values.as_slice(), &self.query.patient) {
                self.query.patient = Some(one.clone());
            }
        }
        self.fits.push((*test, values));
        Ok(())
    }

    /// The one that is asked for by its id, if one is; none inside: there can be none of that id.
    fn one(&self) -> Option<Option<Place>> {
        self.fits.iter().find_map(|(test, values)| match (test, values.as_slice()) {
            (Test::Id, [one]) => Some(place(one)),
            _ => None,
        })
    }

    fn fit(&self, event: &AuditEvent) -> bool {
        self.fits.iter().all(|(test, values)| values.iter().any(|value| fits(*test, value, event)))
    }

    /// The address of this search, from `cursor` on.
    fn address(&self, base: &str, cursor: Option<Place>) -> String {
        let mut out = format!("{base}/{KIND}");
        let cursor = cursor.map(|at| ("_cursor".to_owned(), id(at)));
        for (index, (name, value)) in self.applied.iter().chain(cursor.as_ref()).enumerate() {
            out.push(if index == 0 { '?' } else { '&' });
            text::push_encoded(&mut out, name);
            out.push('=');
            text::push_encoded(&mut out, value);
        }
        out
    }
}

fn fits(test: Test, value: &str, event: &AuditEvent) -> bool {
    let token = |coding: &Coding| is_token(value, coding.system.as_deref(), coding.code.as_deref());
    let code = |system: &str, code: Option<String>| is_token(value, Some(system), code.as_deref());
    match test {
        Test::Id => event.id.as_deref() == Some(value),
        Test::Action => {
            let system = "http://hl7.org/fhir/audit-event-action";
            code(system, event.action.as_ref().map(ToString::to_string))
        }
        Test::Outcome => {
            let system = "http://terminology.hl7.org/CodeSystem/audit-event-outcome";
            code(system, event.outcome.as_ref().map(ToString::to_string))
        }
        Test::Address => event.agent.iter().any(|agent| {
            let address = agent.network.as_ref().and_then(|n| n.address.as_deref()).unwrap_or_default();
            address.get(..value.len()).is_some_and(|start| start.eq_ignore_ascii_case(value))
        }),
        Test::Agent => event.agent.iter().filter_map(|agent| agent.who.as_ref()).any(|who| {
            let identifier = who.identifier.as_deref();
            identifier.is_some_and(|i| is_token(value, i.system.as_deref(), i.value.as_deref()))
        }),
        Test::Entity => event.entity.iter().any(|e| e.what.as_ref().is_some_and(|what| is_of(value, what))),
        Test::Patient => patient(event) == Some(value),
        Test::Subtype => event.subtype.iter().any(token),
        Test::Type => token(&event.r#type),
    }
}

/// Whether `code`, `system|code`, `|code` or `system|` is meant by what is there.
fn is_token(value: &str, system: Option<&str>, code: Option<&str>) -> bool {
    match value.split_once('|') {
        None => code == Some(value),
        Some((wanted, "")) => system == Some(wanted),
        Some((wanted, named)) => system.unwrap_or_default() == wanted && code == Some(named),
    }
}

/// Whether a reference is to this document or a version of it.
fn is_of(value: &str, what: &Reference) -> bool {
    let is_it = |reference: &str| {
        let below = reference.strip_prefix(value);
        below.is_some_and(|below| below.is_empty() || below.starts_with("/_history/"))
    };
    what.reference.as_deref().is_some_and(is_it)
}

/// `GET /fhir/AuditEvent?query`, and the same by `POST`: the newest first.
pub(in crate::rest) async fn search(rest: &Rest, ask: &Ask<'_>, query: &str) -> Outcome {
    let mut criteria = Criteria::read(rest, query)?;
    let server = server(rest, ask).await?;
    let (mut events, mut next) = (Vec::new(), None);
    let mut looked = 0;
    // the row of the cursor may have more to show
    let mut before = criteria.after.map(|(number, _)| number.saturating_add(1));
    let one = criteria.one();
    if let Some(one) = one {
        before = Some(one.map_or(i64::MIN, |(number, _)| number.saturating_add(1)));
    }
    let most = if one.is_some() { 1 } else { limits::AUDIT_CHUNK };
    'rows: loop {
        let chunk = AuditQuery { before, limit: most, ..criteria.query.clone() };
        let rows = rest.store.audits(chunk).await?;
        for row in &rows {
            before = Some(row.number);
            // what cannot be read is told of by `terce audit verify`
            let Some(audit) = row.audit() else { continue };
            for (at, event) in server.events(row, &audit) {
                let is_told = criteria.after.is_some_and(|(number, thing)| number == at.0 && at.1 <= thing);
                if is_told || !criteria.fit(&event) {
                    continue;
                }
                if events.len() == criteria.rows {
                    next = events.last().map(|(at, _)| *at);
                    break 'rows;
                }
                events.push((at, event));
            }
        }
        looked += rows.len();
        if rows.len() < limits::AUDIT_CHUNK {
            break;
        }
        if looked >= limits::AUDIT_ROWS {
            next = before.map(|number| (number, usize::MAX));
            break;
        }
    }
    let asked = std::mem::take(&mut criteria.query.patient);
    ask.act.found(ask.entry, asked.as_deref().into_iter());
    Ok(Answer::json(StatusCode::OK, bundle(ask, &criteria, &events, next)))
}

fn bundle(ask: &Ask<'_>, criteria: &Criteria, events: &[(Place, AuditEvent)], next: Option<Place>) -> String {
    let mut out = String::from(
        "{\"resourceType\":\"Bundle\",\"type\":\"searchset\",\"link\":[{\"relation\":\"self\",\"url\":",
    );
    text::push_json(&mut out, &criteria.address(ask.base, criteria.after));
    if next.is_some() {
        out.push_str("},{\"relation\":\"next\",\"url\":");
        text::push_json(&mut out, &criteria.address(ask.base, next));
    }
    out.push_str("}]");
    for (index, (at, event)) in events.iter().enumerate() {
        out.push_str(if index == 0 { ",\"entry\":[{\"fullUrl\":" } else { ",{\"fullUrl\":" });
        text::push_json(&mut out, &format!("{}/{KIND}/{}", ask.base, id(*at)));
        out.push_str(",\"resource\":");
        out.push_str(&String::from_utf8_lossy(&event.write()));
        out.push_str(",\"search\":{\"mode\":\"match\"}}");
    }
    out.push_str(if events.is_empty() { "}" } else { "]}" });
    out
}
