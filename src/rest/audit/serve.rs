//! AuditEvents as documents: they are made of the rows of the chain when they are asked for, and are then read, listed and
//! searched as what is stored is.

use fhir_models::Resource;

use crate::rest::refused::Refused;
use crate::rest::types::AUDIT;
use crate::rest::{Rest, limits, text};
use crate::store::{
    Among, Audit, AuditQuery, AuditRow, Document, Listed, Order, Page, Past, PastQuery, Query, Thing,
};
use crate::translate::audit::{Recorded, event};

/// What a row can be told apart into: far more than the entries of a Bundle that each find a page of patients.
const THINGS: i64 = 1 << 24;

/// Where an AuditEvent is: the number of its row, and which of its things it is about, from 1; 0 where the row has no
/// more than one.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct Place {
    number: i64,
    thing: i64,
}

impl Place {
    /// As lists have it: what was done with one request stays in its order where the newest comes first.
    fn key(self) -> i64 {
        self.number.saturating_mul(THINGS).saturating_add(THINGS - 1 - self.thing)
    }

    fn of_key(key: i64) -> Place {
        Place { number: key.div_euclid(THINGS), thing: THINGS - 1 - key.rem_euclid(THINGS) }
    }

    fn id(self) -> String {
        if self.thing == 0 { self.number.to_string() } else { format!("{}-{}", self.number, self.thing) }
    }

    fn of_id(id: &str) -> Option<Place> {
        let number = |text: &str| i64::try_from(text::version(text)?).ok();
        match id.split_once('-') {
            None => Some(Place { number: number(id)?, thing: 0 }),
            Some((row, thing)) => {
                let thing = number(thing).filter(|thing| *thing < THINGS)?;
                Some(Place { number: number(row)?, thing })
            }
        }
    }

    /// Those of a row.
    fn all(number: i64, audit: &Audit) -> impl DoubleEndedIterator<Item = Place> + use<> {
        let last = i64::try_from(audit.things.len()).unwrap_or(i64::MAX).min(THINGS - 1);
        let things = if last > 1 { 1..=last } else { 0..=0 };
        things.map(move |thing| Place { number, thing })
    }
}

/// What AuditEvents of one answer have in common.
struct Maker<'a> {
    rest: &'a Rest,
    base: &'a str,
    instance: String,
}

impl<'a> Maker<'a> {
    async fn new(rest: &'a Rest, base: &'a str) -> Result<Self, Refused> {
        Ok(Maker { rest, base, instance: rest.store.instance().await? })
    }

    /// The document at a place of a row that has it.
    fn document(&self, place: Place, row: &AuditRow, audit: &Audit) -> Document {
        let none = Thing::default();
        let thing = match usize::try_from(place.thing) {
            Ok(thing) => audit.things.get(thing.saturating_sub(1)).unwrap_or(&none),
            Err(_) => &none,
        };
        let id = place.id();
        let what = match (thing.id.as_str(), thing.version) {
            ("", _) => String::new(),
            (id, 0) => format!("{}/{id}", thing.kind),
            (id, version) => format!("{}/{id}/_history/{version}", thing.kind),
        };
        let recorded = Recorded {
            id: &id,
            at_us: row.at_us,
            deed: if thing.deed.is_empty() { &audit.deed } else { &thing.deed },
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
        let body = Some(event(&recorded).write());
        Document {
            seq: place.key(),
            kind: AUDIT.to_owned(),
            version: 1,
            first_us: row.at_us,
            received_us: row.at_us,
            digest: 0,
            patient: thing.patient.clone(),
            encounter: None,
            body,
            id,
        }
    }

    /// The document at a place, if there is one.
    async fn at(&self, place: Place) -> Result<Option<Document>, Refused> {
        let query = AuditQuery { before: place.number.checked_add(1), limit: 1, ..AuditQuery::default() };
        let rows = self.rest.store.audits(query).await?;
        let Some(row) = rows.iter().find(|row| row.number == place.number) else { return Ok(None) };
        let audit = row.audit().ok_or(Refused::Failed)?;
        let is_there = Place::all(row.number, &audit).any(|at| at == place);
        Ok(is_there.then(|| self.document(place, row, &audit)))
    }

    /// What a list holds of those that are named, and one more than is wanted if there are more.
    async fn named(&self, reach: &Reach<'_>, ids: &[String]) -> Result<Vec<Listed>, Refused> {
        let mut places: Vec<Place> = ids.iter().filter_map(|id| Place::of_id(id)).collect();
        places.retain(|place| reach.holds(*place));
        places.sort_unstable_by_key(|place| place.key());
        places.dedup();
        if reach.query.order == Order::NewestFirst {
            places.reverse();
        }
        let mut found = Vec::new();
        for place in places {
            let document = self.at(place).await?.filter(|d| reach.holds_time(d.received_us));
            found.extend(document.map(|document| Listed { place: place.key(), document }));
            if found.len() > reach.query.limit {
                break;
            }
        }
        Ok(found)
    }

    /// What a list holds, and one more than is wanted if there are more.
    async fn all(&self, reach: &Reach<'_>) -> Result<Vec<Listed>, Refused> {
        let (mut rows, order) = (reach.rows(), reach.query.order);
        let mut found = Vec::new();
        loop {
            let chunk = self.rest.store.audits(rows.clone()).await?;
            for row in &chunk {
                // what cannot be read is told of by `terce audit verify`
                let Some(audit) = row.audit() else { continue };
                let places = Place::all(row.number, &audit);
                let places: Vec<Place> = match order {
                    Order::NewestFirst => places.collect(),
                    Order::OldestFirst => places.rev().collect(),
                };
                for place in places.into_iter().filter(|place| reach.holds(*place)) {
                    found.push(Listed { place: place.key(), document: self.document(place, row, &audit) });
                    if found.len() > reach.query.limit {
                        return Ok(found);
                    }
                }
            }
            let Some(last) = chunk.last().filter(|_| chunk.len() == rows.limit) else { return Ok(found) };
            match order {
                Order::NewestFirst => rows.before = Some(last.number),
                Order::OldestFirst => rows.after = Some(last.number),
            }
        }
    }
}

/// What a list may hold.
struct Reach<'q> {
    query: &'q Query,
    /// The number of the last row that there was when its first page was answered.
    as_of: i64,
}

impl Reach<'_> {
    fn holds(&self, place: Place) -> bool {
        let is_left = self.query.after.is_none_or(|after| match self.query.order {
            Order::OldestFirst => place.key() > after,
            Order::NewestFirst => place.key() < after,
        });
        is_left && place.number <= self.as_of
    }

    fn holds_time(&self, us: i64) -> bool {
        self.query.updated_from_us.is_none_or(|from| us >= from)
            && self.query.updated_to_us.is_none_or(|to| us < to)
    }

    /// The rows in which it is.
    fn rows(&self) -> AuditQuery {
        let patients = match &self.query.among {
            Among::Patients(ids) => ids.clone(),
            Among::All | Among::Ids(_) | Among::Encounters(_) | Among::Outcomes(_) => Vec::new(),
        };
        // the row of the place before may have more to show
        let from = self.query.after.map(|after| Place::of_key(after).number);
        let (after, last) = match self.query.order {
            Order::OldestFirst => (from.map(|from| from.saturating_sub(1)), self.as_of),
            Order::NewestFirst => (None, from.map_or(self.as_of, |from| from.min(self.as_of))),
        };
        AuditQuery {
            patients,
            from_us: self.query.updated_from_us,
            to_us: self.query.updated_to_us,
            after,
            before: Some(last.saturating_add(1)),
            oldest_first: self.query.order == Order::OldestFirst,
            limit: self.query.limit.saturating_add(1).min(limits::AUDIT_CHUNK),
        }
    }
}

/// The AuditEvent of an id.
pub(in crate::rest) async fn document(
    rest: &Rest,
    base: &str,
    id: &str,
) -> Result<Option<Document>, Refused> {
    match Place::of_id(id) {
        Some(place) => Maker::new(rest, base).await?.at(place).await,
        None => Ok(None),
    }
}

/// The AuditEvent at a place of a list.
pub(in crate::rest) async fn document_at(
    rest: &Rest,
    base: &str,
    place: i64,
) -> Result<Option<Document>, Refused> {
    Maker::new(rest, base).await?.at(Place::of_key(place)).await
}

/// A part of the list of AuditEvents. As they never change, it holds still by itself.
pub(in crate::rest) async fn page(rest: &Rest, base: &str, query: &Query) -> Result<Page, Refused> {
    let as_of = match query.as_of {
        Some(as_of) => as_of,
        None => rest.store.audit_head().await?.number,
    };
    let (reach, maker) = (Reach { query, as_of }, Maker::new(rest, base).await?);
    let mut documents = match &query.among {
        Among::Ids(ids) => maker.named(&reach, ids).await?,
        Among::Patients(ids) if ids.is_empty() => Vec::new(),
        // rows are found by number, time and patient: of anything else what is found is looked at
        Among::All | Among::Patients(_) | Among::Encounters(_) | Among::Outcomes(_) => {
            maker.all(&reach).await?
        }
    };
    let has_more = documents.len() > query.limit;
    documents.truncate(query.limit);
    let next = documents.last().map(|row| row.place).filter(|_| has_more);
    Ok(Page { documents, as_of, next })
}

/// The versions of AuditEvents, the newest first: each has one.
pub(in crate::rest) async fn past(rest: &Rest, base: &str, query: &PastQuery) -> Result<Vec<Past>, Refused> {
    let query = Query {
        kind: AUDIT.into(),
        among: query.id.clone().map_or(Among::All, |id| Among::Ids(vec![id])),
        updated_from_us: query.since_us,
        // it is current from when it was written on
        updated_to_us: query.at_us.map(|(_, to)| to),
        order: Order::NewestFirst,
        after: query.before,
        as_of: None,
        limit: query.limit,
    };
    let found = page(rest, base, &query).await?.documents.into_iter();
    Ok(found.map(|row| Past { document: row.document, created: true }).collect())
}
