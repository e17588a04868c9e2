//! Searching: criteria that are all understood, a page, and links that go on from it.

mod criteria;
mod dates;

pub(super) use dates::{calendar, span_of};

use axum::http::StatusCode;

use super::answer::Answer;
use super::ask::{self, Ask};
use super::refused::{Issue, Refused, outcome};
use super::types::{self, Kind};
use super::{Outcome, Rest, audit, read, text};
use crate::store::{Document, Page, Query};
use crate::translate::Refusal;
use criteria::Criteria;

/// `GET /fhir/Type?query`, and the same by `POST`.
pub(super) async fn search(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, query: &str) -> Outcome {
    if kind.name == types::AUDIT {
        return audit::search(rest, ask, query).await;
    }
    let zone = rest.stays.site().settings.zone;
    let criteria = Criteria::read(kind, query, ask.strict(), zone, &rest.own_bases)?;
    let page = page(rest, kind, &criteria).await?;
    // who is asked for is told of, too, if only that there is nothing
    rest.finds(ask.act, ask.entry, &page.documents, criteria.query.patient.as_deref()).await?;
    let total = total(rest, kind, &criteria, &page).await?;
    bundle(ask, kind, &criteria, &page, total).map(|body| Answer::json(StatusCode::OK, body))
}

/// From when and before when the value of a date parameter is, in microseconds; none if it is no date, or is what no
/// one span can be.
pub(super) fn one_span(value: &str, zone: chrono_tz::Tz) -> Option<(Option<i64>, Option<i64>)> {
    let (prefix, from, to) = dates::span(value, zone)?;
    match prefix {
        dates::Prefix::Eq => Some((Some(from), Some(to))),
        dates::Prefix::Ne => None,
        dates::Prefix::Gt => Some((Some(to), None)),
        dates::Prefix::Lt => Some((None, Some(from))),
        dates::Prefix::Ge => Some((Some(from), None)),
        dates::Prefix::Le => Some((None, Some(to))),
    }
}

/// What a subscription with these criteria is about.
///
/// # Errors
/// A parameter that is not known for the type, or that means nothing where nobody asks; it is named.
pub(super) fn followed(rest: &Rest, criteria: &str) -> Result<Query, Refusal> {
    let at = "Subscription.criteria";
    let (name, query) = criteria.split_once('?').unwrap_or((criteria, ""));
    let kind =
        types::kind(name).ok_or_else(|| Refusal::new(at, "resources of this type are not kept here"))?;
    let said = |refused: &Refused| {
        let issue = refused.issues().into_iter().next();
        let (expression, why) = issue.map(|i| (i.expression, i.diagnostics)).unwrap_or_default();
        let parameter =
            expression.filter(|e| e.bytes().all(|b| b.is_ascii_alphanumeric() || b"_-.:".contains(&b)));
        Refusal::new(at, format!("{}: {why}", parameter.as_deref().unwrap_or("a parameter")))
    };
    for (parameter, _) in ask::parameters(query).map_err(|r| said(&r))? {
        // how an answer is made, when something changed, and what is looked up first
        if (parameter.starts_with('_') && parameter != "_id") || parameter == "identifier" {
            let why = "a subscription cannot be narrowed by this parameter";
            return Err(said(&Refused::not_supported(parameter, why)));
        }
    }
    let zone = rest.stays.site().settings.zone;
    let criteria = Criteria::read(kind, query, true, zone, &rest.own_bases).map_err(|r| said(&r))?;
    criteria.followed().ok_or_else(|| Refusal::new(at, "no resource can fit these criteria"))
}

/// The query of the store, once what must be looked up has been; none if nothing can fit.
async fn query(rest: &Rest, kind: &'static Kind, criteria: &Criteria) -> Result<Option<Query>, Refused> {
    if criteria.impossible {
        return Ok(None);
    }
    let mut query = criteria.query.clone();
    for tokens in &criteria.identifiers {
        let mut found = Vec::new();
        for token in tokens {
            found.extend(rest.store.by_identifier(kind.name, token).await?);
        }
        if !query.ids.is_empty() {
            found.retain(|id| query.ids.contains(id));
        }
        if found.is_empty() {
            return Ok(None);
        }
        query.ids = found;
    }
    Ok(Some(query))
}

async fn page(rest: &Rest, kind: &'static Kind, criteria: &Criteria) -> Result<Page, Refused> {
    match query(rest, kind, criteria).await? {
        None => Ok(Page { total: Some(0), ..Page::default() }),
        Some(query) => {
            let mut page = rest.store.search(query).await?;
            page.documents.retain(|d| criteria.except.iter().all(|(from, to)| !inside(d, *from, *to)));
            Ok(page)
        }
    }
}

fn inside(document: &Document, from_us: i64, to_us: i64) -> bool {
    from_us <= document.received_us && document.received_us < to_us
}

/// How many fit in all, if it is asked for or known anyway.
async fn total(
    rest: &Rest,
    kind: &'static Kind,
    criteria: &Criteria,
    page: &Page,
) -> Result<Option<u64>, Refused> {
    let whole = criteria.query.after.is_none() && page.next.is_none() && criteria.query.limit > 0;
    if whole {
        return Ok(Some(page.documents.len() as u64));
    }
    let Some(mut total) = page.total else { return Ok(None) };
    for (from, to) in &criteria.except {
        let Some(mut query) = query(rest, kind, criteria).await? else { return Ok(Some(0)) };
        query.updated_from_us = Some(query.updated_from_us.map_or(*from, |f| f.max(*from)));
        query.updated_to_us = Some(query.updated_to_us.map_or(*to, |t| t.min(*to)));
        query.limit = 0;
        query.total = true;
        total = total.saturating_sub(rest.store.search(query).await?.total.unwrap_or(0));
    }
    Ok(Some(total))
}

fn bundle(
    ask: &Ask<'_>,
    kind: &'static Kind,
    criteria: &Criteria,
    page: &Page,
    total: Option<u64>,
) -> Result<String, Refused> {
    let bytes: usize = page.documents.iter().filter_map(|d| d.body.as_ref()).map(|b| b.len() + 256).sum();
    let mut out = String::with_capacity(bytes + 1_024);
    out.push_str("{\"resourceType\":\"Bundle\",\"type\":\"searchset\"");
    if let Some(total) = total {
        out.push_str(&format!(",\"total\":{total}"));
    }
    out.push_str(",\"link\":[{\"relation\":\"self\",\"url\":");
    let cursor = criteria.query.after;
    text::push_json(&mut out, &criteria.address(ask.base, kind.name, cursor));
    if let Some(next) = page.next {
        out.push_str("},{\"relation\":\"next\",\"url\":");
        text::push_json(&mut out, &criteria.address(ask.base, kind.name, Some(next)));
    }
    out.push_str("}]");
    let mut entries = 0;
    for document in &page.documents {
        let Some(resource) = read::resource(document)? else { continue };
        out.push_str(if entries == 0 { ",\"entry\":[{\"fullUrl\":" } else { ",{\"fullUrl\":" });
        entries += 1;
        text::push_json(&mut out, &format!("{}/{}/{}", ask.base, document.kind, document.id));
        out.push_str(",\"resource\":");
        let resource = String::from_utf8(resource).map_err(|_| Refused::Failed)?;
        out.push_str(&resource);
        out.push_str(",\"search\":{\"mode\":\"match\"}}");
    }
    if !criteria.ignored.is_empty() {
        out.push_str(if entries == 0 { ",\"entry\":[{\"resource\":" } else { ",{\"resource\":" });
        entries += 1;
        let issues: Vec<Issue> = criteria.ignored.iter().map(|name| ignored(name)).collect();
        out.push_str(&outcome(&issues));
        out.push_str(",\"search\":{\"mode\":\"outcome\"}}");
    }
    out.push_str(if entries == 0 { "}" } else { "]}" });
    Ok(out)
}

fn ignored(name: &str) -> Issue {
    Issue {
        severity: "warning",
        code: "not-supported",
        expression: Some(name.to_owned()),
        diagnostics: "this parameter is not known for the type and was left out; see the CapabilityStatement"
            .to_owned(),
    }
}
