//! Going through documents: the store narrows by what it has an index of, and what it leaves is looked at one by one.
//!
//! Guarantees: a search holds still. Each document that there was when its first page was answered, that still is
//! there and fits, is on exactly one of its pages, as it is when that page is answered; what is written meanwhile
//! neither adds a row nor moves one. A page may be short, or empty, and have a next one all the same.

use std::sync::Arc;

use serde_json::{Value, json};

use super::super::access::Who;
use super::super::limits;
use super::super::parameters::Index;
use super::super::refused::Refused;
use super::super::types::{self, Kind, Origin};
use super::super::{Rest, audit, text};
use super::controls::Cursor;
use super::criteria::{Criteria, Criterion};
use super::dates::{Prefix, Span};
use super::rank::Rank;
use super::wanted::{Coded, Light, Wanted};
use crate::store::{self, Among, Document, Listed, Order, OutcomeQuery, Query, Token};

/// One page.
#[derive(Debug, Default)]
pub(super) struct Page {
    /// What fits.
    pub(super) rows: Vec<Document>,
    /// Where the next page begins; none: this is the last.
    pub(super) next: Option<Cursor>,
    /// How many fit in all, if it is known.
    pub(super) total: Option<u64>,
    /// There were too many to be counted, though that was asked for.
    pub(super) uncounted: bool,
}

/// Goes through what a search asks for.
pub(super) struct Walker<'a> {
    /// The service.
    pub(super) rest: &'a Rest,
    /// Its address as the client calls it.
    pub(super) base: &'a str,
    /// Who asks.
    pub(super) who: &'a Who,
    /// The type that is searched.
    pub(super) kind: &'static Kind,
    /// Now, in microseconds.
    pub(super) now_us: i64,
}

/// What fits, with its place.
type Rows = Vec<Listed>;

impl Walker<'_> {
    /// The page that is asked for.
    ///
    /// # Errors
    /// Too many to sort or to count; those of the store.
    pub(super) async fn page(&self, criteria: &Criteria) -> Result<Page, Refused> {
        let Some((all, among)) = self.narrowed(criteria).await? else {
            return Ok(Page { total: Some(0), ..Page::default() });
        };
        let extra = super::definitions(self.rest, self.kind.name).await?;
        let by_change = match criteria.controls.sort.as_slice() {
            // who looks through what was done begins with what was done last
            [] if self.is_audit() => Some(Order::NewestFirst),
            [] => Some(Order::OldestFirst),
            [key] if key.param.index == Index::Updated => {
                Some(if key.descending { Order::NewestFirst } else { Order::OldestFirst })
            }
            _ => None,
        };
        let query = Query { kind: self.kind.name.into(), among, ..bounded(&all) };
        match by_change.filter(|_| extra.is_empty()) {
            Some(order) => self.in_place(criteria, all, Query { order, ..query }).await,
            None => self.sorted(criteria, all, query, extra).await,
        }
    }

    /// Those of a query that fit; with what comes with Terce, if `shipped`. Nothing is left out: too many are refused.
    pub(super) async fn every(
        &self,
        query: Query,
        all: Arc<Vec<Criterion>>,
        shipped: bool,
    ) -> Result<Vec<Document>, Refused> {
        let extra = if shipped { super::definitions(self.rest, self.kind.name).await? } else { Vec::new() };
        let (rows, _) = self.all_of(query, all, extra).await?;
        Ok(rows.into_iter().map(|row| row.document).collect())
    }

    fn is_audit(&self) -> bool {
        self.kind.name == types::AUDIT
    }

    /// A part of the list of documents.
    async fn listed(&self, query: Query) -> Result<store::Page, Refused> {
        match self.is_audit() {
            true => audit::page(self.rest, self.base, &query).await,
            false => Ok(self.rest.store.search(query).await?),
        }
    }

    /// The version that has a place among all changes.
    async fn document_at(&self, place: i64) -> Result<Option<Document>, Refused> {
        match self.is_audit() {
            true => audit::document_at(self.rest, self.base, place).await,
            false => Ok(self.rest.store.document_at(place).await?),
        }
    }

    /// A page in the order of the last change.
    async fn in_place(
        &self,
        criteria: &Criteria,
        all: Arc<Vec<Criterion>>,
        query: Query,
    ) -> Result<Page, Refused> {
        let controls = &criteria.controls;
        if controls.rows == 0 {
            let total = self.counted(query, all).await?;
            let why = "too many to be counted; narrow the search";
            let total = total.ok_or_else(|| Refused::too_costly("_summary", why))?;
            return Ok(Page { total: Some(total), ..Page::default() });
        }
        let start = controls.cursor;
        let (mut after, mut as_of) = (start.map(|c| c.place), start.map(|c| c.as_of));
        let (mut rows, mut looked_at) = (Rows::new(), 0);
        let more = loop {
            // one more than is wanted tells whether there is a next page
            let limit = if all.is_empty() { controls.rows + 1 } else { limits::LOOKED_AT_ONCE };
            let page = self.listed(Query { after, as_of, limit, ..query.clone() }).await?;
            (after, as_of) = (page.next, Some(page.as_of));
            looked_at += page.documents.len();
            rows.extend(self.fitting(page.documents, all.clone()).await?);
            if rows.len() > controls.rows {
                rows.truncate(controls.rows);
                break rows.last().map(|row| row.place);
            }
            if after.is_none() || looked_at >= limits::LOOKED_AT {
                break after;
            }
        };
        let counts = start.is_none() && more.is_some() && controls.total;
        let total = match (start, more) {
            (None, None) => Some(rows.len() as u64),
            (None, Some(_)) if counts => self.counted(query, all).await?,
            (start, _) => start.and_then(|c| c.total),
        };
        let next = more.zip(as_of).map(|(place, as_of)| Cursor { as_of, place, total });
        let rows = rows.into_iter().map(|row| row.document).collect();
        Ok(Page { rows, next, total, uncounted: counts && total.is_none() })
    }

    /// A page in another order.
    async fn sorted(
        &self,
        criteria: &Criteria,
        all: Arc<Vec<Criterion>>,
        query: Query,
        extra: Vec<Listed>,
    ) -> Result<Page, Refused> {
        let controls = &criteria.controls;
        let (start, zone) = (controls.cursor, self.rest.stays.site().settings.zone);
        let as_of = start.map(|c| c.as_of);
        let at_start = match start {
            None => None,
            Some(cursor) => match extra.iter().find(|e| e.place == cursor.place) {
                Some(extra) => Some(extra.document.clone()),
                None => self.document_at(cursor.place).await?,
            },
        };
        let (rows, as_of) = self.all_of(Query { as_of, ..query }, all, extra).await?;
        let total = Some(rows.len() as u64);
        let mut keyed = Vec::with_capacity(rows.len());
        for row in rows {
            // sorted as it was when the first page was answered, or it would move between pages
            let was = if row.place > 0 && row.place != row.document.seq {
                self.document_at(row.place).await?
            } else {
                None
            };
            let was = was.as_ref().unwrap_or(&row.document);
            keyed.push((
                Rank::new(&controls.sort, &read(was).unwrap_or_default(), row.place, zone),
                row.document,
            ));
        }
        keyed.sort_by(|a, b| a.0.cmp(&b.0));
        if let (Some(start), Some(document)) = (start, at_start) {
            let rank = Rank::new(&controls.sort, &read(&document).unwrap_or_default(), start.place, zone);
            keyed.retain(|(key, _)| *key > rank);
        }
        let more = keyed.len() > controls.rows && controls.rows > 0;
        keyed.truncate(controls.rows);
        let place = keyed.last().map(|(key, _)| key.place).filter(|_| more);
        let next = place.map(|place| Cursor { as_of, place, total });
        let rows = keyed.into_iter().map(|(_, document)| document).collect();
        Ok(Page { rows, next, total, uncounted: false })
    }

    /// All that fit, and as of when.
    async fn all_of(
        &self,
        query: Query,
        all: Arc<Vec<Criterion>>,
        extra: Vec<Listed>,
    ) -> Result<(Rows, i64), Refused> {
        let mut rows = self.fitting(extra, all.clone()).await?;
        let (mut after, mut as_of, mut looked_at) = (None, query.as_of, 0);
        loop {
            let limit = limits::LOOKED_AT_ONCE;
            let page = self.listed(Query { after, as_of, limit, ..query.clone() }).await?;
            looked_at += page.documents.len();
            if looked_at > limits::SORTED {
                let (most, kind) = (limits::SORTED, self.kind.name);
                let why = format!(
                    "more than {most} of {kind} to look at; narrow the search, or sort by _lastUpdated"
                );
                return Err(Refused::too_costly("url", why));
            }
            rows.extend(self.fitting(page.documents, all.clone()).await?);
            (after, as_of) = (page.next, Some(page.as_of));
            if after.is_none() {
                return Ok((rows, page.as_of));
            }
        }
    }

    /// How many fit; none if there are too many to look at.
    async fn counted(&self, query: Query, all: Arc<Vec<Criterion>>) -> Result<Option<u64>, Refused> {
        if all.is_empty() && query.among == Among::All && !self.is_audit() {
            return Ok(Some(self.rest.store.count(self.kind.name).await?));
        }
        match self.all_of(Query { order: Order::OldestFirst, ..query }, all, Vec::new()).await {
            Ok((rows, _)) => Ok(Some(rows.len() as u64)),
            Err(Refused::TooCostly { .. }) => Ok(None),
            Err(error) => Err(error),
        }
    }

    /// Those that fit. They are read on a thread that may be busy.
    async fn fitting(&self, rows: Rows, all: Arc<Vec<Criterion>>) -> Result<Rows, Refused> {
        if all.is_empty() || rows.is_empty() {
            return Ok(rows);
        }
        let (zone, bases) = (self.rest.stays.site().settings.zone, self.rest.own_bases.clone());
        let now_us = self.now_us;
        let work = move || {
            let light = Light { zone, bases: &bases, system: None, now_us };
            rows.into_iter().filter(|row| fits(&row.document, &all, light)).collect()
        };
        tokio::task::spawn_blocking(work).await.map_err(|_| Refused::Failed)
    }

    /// What must be looked at, and by which index the store finds it; none if nothing can fit.
    async fn narrowed(&self, criteria: &Criteria) -> Result<Option<(Arc<Vec<Criterion>>, Among)>, Refused> {
        let mut all = criteria.all.as_ref().clone();
        for link in &criteria.links {
            let Some(criterion) = self.resolved(link).await? else { return Ok(None) };
            all.push(criterion);
        }
        let among = self.among(&all).await?;
        // an id is all that such a set is about
        Ok(among.map(|among| (Arc::new(all), among)))
    }

    /// The smallest set that the store can find and that holds all that fits; none if nothing can fit.
    pub(super) async fn among(&self, all: &[Criterion]) -> Result<Option<Among>, Refused> {
        let of = |index: Index| all.iter().filter(move |c| c.param.index == index);
        for criterion in of(Index::Id) {
            if let Wanted::Token(among) = &criterion.wanted {
                return Ok(Some(Among::Ids(among.iter().filter_map(|c| c.code.clone()).collect())));
            }
        }
        for criterion in of(Index::Identifier) {
            if let Wanted::Token(among) = &criterion.wanted
                && let Some(ids) = self.identified(among).await?
            {
                return Ok((!ids.is_empty()).then_some(Among::Ids(ids)));
            }
        }
        if let Some(ids) = of(Index::Patient).find_map(|c| ids(&c.wanted, "Patient")) {
            return Ok(Some(Among::Patients(ids)));
        }
        if let Some(ids) = of(Index::Encounter).find_map(|c| ids(&c.wanted, "Encounter")) {
            return Ok(Some(Among::Encounters(ids)));
        }
        if self.kind.origin == Origin::Feed {
            return Ok(Some(Among::All));
        }
        let mut outcome = OutcomeQuery::default();
        if let Some(Wanted::Token(among)) = of(Index::Status).map(|c| &c.wanted).next() {
            // a system by itself can be that of any status
            outcome.status = among.iter().map(|c| c.code.clone()).collect::<Option<_>>().unwrap_or_default();
        }
        if let Some(ids) = of(Index::Location).find_map(|c| ids(&c.wanted, "Location")) {
            outcome.location = ids;
        }
        Ok(Some(if outcome == OutcomeQuery::default() { Among::All } else { Among::Outcomes(outcome) }))
    }

    /// The ids of what has one of the identifiers; none if they do not say values, or too many have them.
    async fn identified(&self, among: &[Coded]) -> Result<Option<Vec<String>>, Refused> {
        let mut ids = Vec::new();
        for wanted in among {
            let Some(value) = wanted.code.clone() else { return Ok(None) };
            let token = Token { system: wanted.system.clone(), value };
            ids.extend(self.rest.store.by_identifier(self.kind.name, &token).await?);
            if ids.len() > limits::IDENTIFIED {
                return Ok(None);
            }
        }
        Ok(Some(ids))
    }
}

/// Whether a document fits all criteria.
pub(super) fn fits(document: &Document, all: &[Criterion], light: Light<'_>) -> bool {
    read(document).is_some_and(|document| all.iter().all(|c| c.fits(&document, light)))
}

/// The ids that a reference may have, if it can have no others.
pub(super) fn ids(wanted: &Wanted, kind: &str) -> Option<Vec<String>> {
    let Wanted::Reference(among) = wanted else { return None };
    among.iter().map(|named| named.of(kind).map(str::to_owned)).collect()
}

/// The times within which the last change of what fits must lie.
fn bounded(all: &[Criterion]) -> Query {
    let mut query = Query::default();
    for criterion in all.iter().filter(|c| c.param.index == Index::Updated) {
        let Wanted::Date(among) = &criterion.wanted else { continue };
        let [(prefix, Span { from, to })] = among.as_slice() else { continue };
        let (since, until) = match prefix {
            Prefix::Eq => (Some(*from), Some(*to)),
            Prefix::Gt | Prefix::Sa => (Some(*to), None),
            Prefix::Ge => (Some(*from), None),
            Prefix::Lt | Prefix::Eb => (None, Some(*from)),
            Prefix::Le => (None, Some(*to)),
            Prefix::Ne | Prefix::Ap => (None, None),
        };
        query.updated_from_us = query.updated_from_us.max(since);
        query.updated_to_us = match (query.updated_to_us, until) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        };
    }
    query
}

/// A document as it is served, to be looked at; none if it is deleted.
pub(super) fn read(document: &Document) -> Option<Value> {
    let mut read: Value = serde_json::from_slice(document.body.as_ref()?).ok()?;
    let members = read.as_object_mut()?;
    members.insert("id".to_owned(), json!(document.id));
    if document.seq > 0 {
        let meta = members.entry("meta").or_insert_with(|| json!({}));
        meta.as_object_mut()?.insert("lastUpdated".to_owned(), json!(text::instant(document.received_us)));
    }
    Some(read)
}
