//! Sources that are read from by searching them for what has changed.
//!
//! Each type has its own place, the latest time of change that has been taken in; a round asks for what was changed since
//! a little before it. Pages are cut by that time, not by a server's page links, wherever the answer is sorted by it: then
//! nothing is skipped when documents change while pages are read. What is read again has no effect. A round in which
//! every type was read whole is the source's word that it has told everything up to when the round began.
//!
//! Where an answer has an ETag, the same is asked again with it, and an answer that nothing has changed is believed.
//!
//! R4's search does not tell of deletions: `deletions` has histories asked for them.

use std::collections::BTreeMap;

use reqwest::header::{ETAG, IF_NONE_MATCH};

use super::intake::Told;
use super::limits;
use super::reader::{Parts, Trouble};
use crate::care::time::Instant;
use crate::config::Poll;
use crate::outward::{Page, Request, Server};
use crate::store::StoreError;

/// How one source is searched.
#[derive(Debug)]
pub(super) struct Search {
    poll: Poll,
    server: Server,
    /// What was asked last of each type where the answer was the last page, and its ETag.
    unchanged: BTreeMap<String, (String, String)>,
}

impl Search {
    pub(super) fn new(poll: Poll, server: Server) -> Self {
        Search { poll, server, unchanged: BTreeMap::new() }
    }

    /// Reads every type once; returns how many documents were new or changed.
    pub(super) async fn round(&mut self, parts: &Parts, began: Instant) -> Result<usize, Trouble> {
        let mut taken = 0;
        let mut trouble = None;
        for kind in self.poll.types.clone() {
            match self.of_kind(parts, &kind).await {
                Ok(some) => taken += some,
                // what is wrong with one type holds up no other, but then not everything has been told
                Err(Trouble { why, pause_us }) => {
                    trouble.get_or_insert(Trouble { why: format!("{kind}: {why}"), pause_us });
                }
            }
        }
        if let Some(trouble) = trouble {
            return Err(trouble);
        }
        fail::fail_point!("poll-over", |_| std::process::abort());
        parts.heard(began).await?;
        fail::fail_point!("poll-heard", |_| std::process::abort());
        Ok(taken)
    }

    fn place(parts: &Parts, kind: &str) -> String {
        format!("poll.{}.{kind}", parts.source)
    }

    async fn of_kind(&mut self, parts: &Parts, kind: &str) -> Result<usize, Trouble> {
        let place =
            parts.store.mark(&Self::place(parts, kind)).await?.and_then(|text| text.parse::<i64>().ok());
        let overlap_us = i64::from(self.poll.overlap_seconds) * 1_000_000;
        let first = self.poll.since.as_deref().and_then(fhir_models::primitive::Point::read);
        let first_us = first.and_then(|point| point.instant_us());
        let mut since_us = place.map(|us| us.saturating_sub(overlap_us)).or(first_us);
        let began_us = since_us;
        let (mut to, mut latest_us, mut taken) = (self.query(kind, since_us), place, 0);
        for _ in 0..limits::PAGES {
            let Some((page, tag)) = self.page(parts, &to, self.tag_of(kind, &to)).await? else {
                // as it was: nothing was changed since, and nothing is waiting
                return Ok(taken);
            };
            fail::fail_point!("poll-fetched", |_| std::process::abort());
            let next = page.next();
            let told: Vec<Told> = page.found().map(Told::Document).collect();
            let changed: Vec<Option<i64>> = told.iter().map(Told::changed_us).collect();
            taken += parts.took(parts.intake.take(&parts.source, &told).await?);
            let last_us = changed.iter().flatten().max().copied();
            fail::fail_point!("poll-taken", |_| std::process::abort());
            latest_us = latest_us.max(last_us);
            let sorted = changed.is_sorted() && changed.iter().all(Option::is_some);
            // some servers cut a page short and do not say so
            let more = next.is_some() || told.len() >= self.poll.page as usize;
            if more && sorted && last_us > since_us {
                // a place in time, which what changes meanwhile does not move
                Self::reached(parts, kind, latest_us).await?;
                since_us = last_us;
                to = self.query(kind, last_us);
            } else if let Some(next) = next {
                to = next;
            } else {
                Self::reached(parts, kind, latest_us).await?;
                fail::fail_point!("poll-marked", |_| std::process::abort());
                match tag {
                    Some(tag) => self.unchanged.insert(kind.to_owned(), (to, tag)),
                    None => self.unchanged.remove(kind),
                };
                if self.poll.deletions
                    && let Some(since_us) = began_us
                {
                    taken += self.deletions(parts, kind, since_us).await?;
                }
                return Ok(taken);
            }
        }
        Err(Trouble::new("its pages come to no end"))
    }

    /// What was deleted since.
    async fn deletions(&self, parts: &Parts, kind: &str, since_us: i64) -> Result<usize, Trouble> {
        let since = Instant::from_micros(since_us);
        let mut to = format!("{kind}/_history?_since={since}&_count={}", self.poll.page);
        let mut taken = 0;
        for _ in 0..limits::PAGES {
            let Some((page, _)) = self.page(parts, &to, None).await? else { return Ok(taken) };
            let next = page.next();
            let gone = page.deleted(kind).into_iter();
            let gone: Vec<Told> =
                gone.map(|(id, at_us)| Told::Deleted { kind: kind.to_owned(), id, at_us }).collect();
            taken += parts.intake.take(&parts.source, &gone).await?;
            let Some(next) = next else { return Ok(taken) };
            to = next;
        }
        Err(Trouble::new("its history comes to no end"))
    }

    fn query(&self, kind: &str, since_us: Option<i64>) -> String {
        let since =
            since_us.map_or_else(String::new, |us| format!("_lastUpdated=ge{}&", Instant::from_micros(us)));
        format!("{kind}?{since}_sort=_lastUpdated&_count={}", self.poll.page)
    }

    async fn reached(parts: &Parts, kind: &str, latest_us: Option<i64>) -> Result<(), StoreError> {
        match latest_us {
            Some(latest_us) => parts.mark(Self::place(parts, kind), latest_us.to_string()).await,
            None => Ok(()),
        }
    }

    /// What the same was answered with the last time, if it was the same and histories are not asked besides.
    fn tag_of(&self, kind: &str, to: &str) -> Option<&str> {
        let (asked, tag) = self.unchanged.get(kind).filter(|_| !self.poll.deletions)?;
        (asked == to).then_some(tag.as_str())
    }

    /// A page with its ETag; none if it is the one with `tag` still.
    async fn page(
        &self,
        parts: &Parts,
        to: &str,
        tag: Option<&str>,
    ) -> Result<Option<(Page, Option<String>)>, Trouble> {
        let now_us = parts.clock.now().micros();
        let mut request = Request::get(to);
        if let Some(tag) = tag {
            request = request.with(IF_NONE_MATCH, tag);
        }
        let answer = self.server.ask(request, now_us).await?;
        if answer.status == 304 && tag.is_some() {
            return Ok(None);
        }
        if answer.status != 200 {
            return Err(Trouble::answered("the search", &answer, now_us));
        }
        let tag = answer.headers.get(ETAG).and_then(|tag| tag.to_str().ok()).map(str::to_owned);
        let page = Page::read(&answer);
        let page = page.ok_or_else(|| Trouble::new("the answer is no Bundle in FHIR's JSON"))?;
        Ok(Some((page, tag)))
    }
}
