//! Searching: criteria that are all understood, a page, and links that go on from it.
//!
//! What each type can be searched by is in [`super::parameters`]; the store finds by what it has an index of, and what
//! it finds is looked at here.

mod controls;
mod criteria;
mod dates;
mod include;
mod links;
mod numbers;
mod path;
mod rank;
mod walk;
mod wanted;

pub(super) use dates::{calendar, span};
pub(super) use path::CHOICES;

use std::sync::Arc;

use axum::http::StatusCode;

use super::answer::Answer;
use super::ask::{self, Ask};
use super::refused::{Issue, Refused, outcome};
use super::types::{self, Kind};
use super::{Outcome, Rest, limits, read, text};
use crate::store::{Document, Followed, Listed, Query};
use crate::translate::Refusal;
use controls::Cursor;
use criteria::{Criteria, Reader};
use walk::{Page, Walker};
use wanted::Light;

/// `GET /fhir/Type?query`, and the same by `POST`.
pub(super) async fn search(rest: &Rest, ask: &Ask<'_>, kind: &'static Kind, query: &str) -> Outcome {
    let zone = rest.stays.site().settings.zone;
    let reader = Reader { kind, strict: ask.strict(), zone, bases: &rest.own_bases };
    let criteria = reader.read(query)?;
    let walker = Walker { rest, base: ask.base, who: ask.who, kind, now_us: ask.now_us };
    let page = walker.page(&criteria).await?;
    let included = include::included(&walker, &criteria.controls, &page.rows).await?;
    // a list of AuditEvents that made as many more would soon hold nothing else
    let told: Vec<&Document> = page.rows.iter().chain(&included).filter(|d| d.kind != types::AUDIT).collect();
    // who is asked for is told of, too, if only that there is nothing
    rest.finds(ask.act, told, criteria.patients(kind)).await?;
    let bundle = Bundle { base: ask.base, kind, criteria: &criteria };
    bundle.text(&page, &included).map(|body| Answer::json(StatusCode::OK, body))
}

/// What a subscription with these criteria is about.
///
/// # Errors
/// A parameter that is not known for the type, or that means nothing where nobody asks; it is named.
pub(super) fn followed(rest: &Rest, criteria: &str) -> Result<Followed, Refusal> {
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
        // how an answer is made, when something changed, and what must be looked up elsewhere
        let plain = parameter.split(':').next().unwrap_or_default();
        if (plain.starts_with('_') && plain != "_id") || parameter.contains('.') {
            let why = "a subscription cannot be narrowed by this parameter";
            return Err(said(&Refused::not_supported(parameter, why)));
        }
    }
    let zone = rest.stays.site().settings.zone;
    let reader = Reader { kind, strict: true, zone, bases: &rest.own_bases };
    let criteria = reader.read(query).map_err(|r| said(&r))?;
    if criteria.is_about_nobody() {
        return Err(Refusal::new(at, "no resource can fit these criteria"));
    }
    let (all, bases) = (criteria.all, rest.own_bases.clone());
    let fits = move |document: &Document, now_us: i64| {
        walk::fits(document, &all, Light { zone, bases: &bases, system: None, now_us })
    };
    Ok(Followed { query: Query { kind: kind.name.into(), ..Query::default() }, fits: Arc::new(fits) })
}

/// Definitions of a type that come with Terce and that the site has not replaced. Their places come before all others.
async fn definitions(rest: &Rest, kind: &str) -> Result<Vec<Listed>, Refused> {
    let mut out = Vec::new();
    for (place, (id, body)) in (i64::MIN..).zip(read::definitions(rest, kind)) {
        if rest.store.document(kind, &id).await?.is_none() {
            out.push(Listed { place, document: read::unversioned(kind, id, body) });
        }
    }
    Ok(out)
}

/// The answer to a search.
struct Bundle<'a> {
    base: &'a str,
    kind: &'static Kind,
    criteria: &'a Criteria,
}

impl Bundle<'_> {
    fn text(&self, page: &Page, included: &[Document]) -> Result<String, Refused> {
        let all = || page.rows.iter().chain(included);
        let bytes: usize = all().filter_map(|d| d.body.as_ref()).map(|b| b.len() + 256).sum();
        let mut out = String::with_capacity(bytes + 1_024);
        out.push_str("{\"resourceType\":\"Bundle\",\"type\":\"searchset\"");
        if let Some(total) = page.total {
            out.push_str(&format!(",\"total\":{total}"));
        }
        out.push_str(",\"link\":[{\"relation\":\"self\",\"url\":");
        text::push_json(&mut out, &self.address(self.criteria.controls.cursor));
        if page.next.is_some() {
            out.push_str("},{\"relation\":\"next\",\"url\":");
            text::push_json(&mut out, &self.address(page.next));
        }
        out.push_str("}]");
        let mut entries = 0;
        for (document, mode) in
            page.rows.iter().map(|d| (d, "match")).chain(included.iter().map(|d| (d, "include")))
        {
            let Some(resource) = read::resource(document)? else { continue };
            let resource = self.criteria.controls.view.of(&document.kind, resource)?;
            out.push_str(if entries == 0 { ",\"entry\":[{\"fullUrl\":" } else { ",{\"fullUrl\":" });
            entries += 1;
            text::push_json(&mut out, &format!("{}/{}/{}", self.base, document.kind, document.id));
            out.push_str(",\"resource\":");
            out.push_str(&String::from_utf8(resource).map_err(|_| Refused::Failed)?);
            out.push_str(&format!(",\"search\":{{\"mode\":\"{mode}\"}}}}"));
        }
        let issues = self.issues(page);
        if !issues.is_empty() {
            out.push_str(if entries == 0 { ",\"entry\":[{\"resource\":" } else { ",{\"resource\":" });
            entries += 1;
            out.push_str(&outcome(&issues));
            out.push_str(",\"search\":{\"mode\":\"outcome\"}}");
        }
        out.push_str(if entries == 0 { "}" } else { "]}" });
        Ok(out)
    }

    /// The address of this search, with what was applied; with a cursor it goes on there.
    fn address(&self, cursor: Option<Cursor>) -> String {
        let Criteria { applied, controls, .. } = self.criteria;
        let mut out = format!("{}/{}", self.base, self.kind.name);
        let mut mark = '?';
        let mut add = |name: &str, value: &str| {
            out.push(std::mem::replace(&mut mark, '&'));
            text::push_encoded(&mut out, name);
            out.push('=');
            text::push_encoded(&mut out, value);
        };
        for (name, value) in applied.iter().filter(|(n, _)| n != "_cursor" && n != "_count") {
            add(name, value);
        }
        if applied.iter().any(|(n, _)| n == "_count") || cursor.is_some() {
            add("_count", &controls.rows.to_string());
        }
        if let Some(cursor) = cursor {
            add("_cursor", &cursor.text());
        }
        out
    }

    /// What was left out.
    fn issues(&self, page: &Page) -> Vec<Issue> {
        let warning = |at: &str, why: String| Issue {
            severity: "warning",
            code: "not-supported",
            expression: Some(at.to_owned()),
            diagnostics: why,
        };
        let ignored = self.criteria.ignored.iter().map(|name| {
            let why =
                "this parameter is not known for the type and was left out; see the CapabilityStatement";
            warning(name, why.to_owned())
        });
        let uncounted = page.uncounted.then(|| {
            let why = format!("more than {} would have to be looked at to count them", limits::SORTED);
            Issue { code: "too-costly", ..warning("_total", why) }
        });
        ignored.chain(uncounted).collect()
    }
}
