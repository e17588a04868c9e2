//! One step of one subscription: begin it, tell it what has changed, or end it.

use fhir_models::Subscription;
use fhir_models::codes::SubscriptionStatus;
use reqwest::{Method, Url};

use super::call::{Call, Failure, call};
use super::{Parts, limits};
use crate::store::{
    Audit, Batch, Document, Followed, Order, OutcomeRow, Precondition, Query, StoreError, Thing, Write,
};
use crate::translate::Refusal;
use crate::translate::audit;
use crate::translate::subscription::notice::{self, Standing};
use crate::translate::subscription::{
    Content, Event, Hook, Level, Pending, Progress, Subscriber, event_mark, event_text, mark, with_status,
};

/// A subscription at the beginning of a step.
pub(super) struct Turn {
    pub(super) document: Document,
    pub(super) hook: Hook,
    pub(super) progress: Option<Progress>,
    /// Who wrote it, if that is known.
    pub(super) subscriber: Option<Subscriber>,
    /// Failures in a row before.
    pub(super) tries: u32,
    /// A heartbeat is due unless there is something to tell.
    pub(super) beats: bool,
    /// More subscriptions are asked for than are served, and this is one of the last.
    pub(super) surplus: bool,
    /// What was numbered in this step: it is stored, so that it can be asked for again.
    pub(super) numbered: Option<Pending>,
    /// What the subscriber has taken in this step; none: nothing. It is stored with the position.
    pub(super) taken: Option<Vec<Thing>>,
    pub(super) now_us: i64,
}

/// What a step came to.
pub(super) enum Came {
    /// There is nothing to tell.
    Idle(Progress),
    /// It was told something, and there may be more.
    More(Progress),
    /// Of what was looked at nothing is for it, and there is more.
    Further(Progress),
    /// The Subscription was written.
    Changed,
    /// It was not reached.
    Failed { progress: Progress, failure: Failure, waiting: usize },
}

/// What has changed and fits.
struct Found {
    documents: Vec<Document>,
    /// Up to where was looked.
    upto: i64,
    /// Whether something is left to look at.
    more: bool,
}

impl Found {
    /// What a step came to that found nothing to tell: what was looked at is not looked at again.
    fn nothing(&self, progress: Progress) -> Came {
        let progress = Progress { seq: self.upto, ..progress };
        if self.more { Came::Further(progress) } else { Came::Idle(progress) }
    }
}

impl Turn {
    /// Makes the step.
    ///
    /// # Errors
    /// The store.
    pub(super) async fn step(mut self, parts: &Parts) -> Result<Came, StoreError> {
        let progress = self.progress.take().unwrap_or_else(|| Progress::from(self.document.seq));
        let is_over = self.hook.end_us.is_some_and(|end| end <= self.now_us);
        match self.hook.status {
            SubscriptionStatus::Requested | SubscriptionStatus::Active if is_over => {
                self.write(parts, SubscriptionStatus::Off, None, &progress).await
            }
            SubscriptionStatus::Requested if self.surplus => {
                let why = format!("more than {} subscriptions are asked for", limits::SUBSCRIPTIONS);
                self.failed(parts, progress, Failure::Never { why }, limits::GIVE_UP_US).await
            }
            SubscriptionStatus::Requested | SubscriptionStatus::Active => match self.followed(parts) {
                Ok(_) if self.hook.status == SubscriptionStatus::Requested => {
                    self.begin(parts, progress).await
                }
                Ok(followed) => self.tell(parts, progress, followed).await,
                // the rules of searching are others than when it was let in, or who may do what is
                Err(refusal) => {
                    let why = format!("{}: {}", refusal.path, refusal.why);
                    self.failed(parts, progress, Failure::Never { why }, limits::GIVE_UP_US).await
                }
            },
            SubscriptionStatus::Error | SubscriptionStatus::Off => Ok(Came::Idle(progress)),
        }
    }

    /// What it is about, if who wrote it may be told.
    fn followed(&self, parts: &Parts) -> Result<Followed, Refusal> {
        (parts.follows)(&self.hook.criteria, self.subscriber.as_ref())
    }

    fn standing<'a>(&'a self, parts: &'a Parts, events: u64) -> Standing<'a> {
        Standing::of(&self.hook, &parts.base, &self.document.id, events, self.now_us)
    }

    /// Makes a subscription that was asked for active; by the guide only once the subscriber has answered.
    async fn begin(self, parts: &Parts, progress: Progress) -> Result<Came, StoreError> {
        if let Content::Notice(_) = self.hook.content {
            let body = notice::handshake(&self.standing(parts, progress.events));
            if let Err(failure) = self.post(parts, Some(body)).await {
                return self.failed(parts, progress, failure, limits::HANDSHAKE_US).await;
            }
        }
        let progress = Progress { failing_since_us: None, ..progress };
        self.write(parts, SubscriptionStatus::Active, None, &progress).await
    }

    /// Tells what has changed since.
    async fn tell(self, parts: &Parts, progress: Progress, followed: Followed) -> Result<Came, StoreError> {
        match self.hook.content {
            Content::Call => self.tell_by_calls(parts, progress, followed).await,
            Content::Resource => self.tell_by_resources(parts, progress, followed).await,
            Content::Notice(level) => self.tell_by_notices(parts, progress, followed, level).await,
        }
    }

    /// One call for all that has changed: whoever is called looks for itself.
    async fn tell_by_calls(
        mut self,
        parts: &Parts,
        mut progress: Progress,
        followed: Followed,
    ) -> Result<Came, StoreError> {
        let (mut upto, mut more, mut fits) = (progress.seq, true, false);
        while more {
            let found = parts.changes(&followed, upto, limits::PAGE, self.now_us).await?;
            (upto, more) = (found.upto, found.more);
            fits |= !found.documents.is_empty();
        }
        if !fits {
            return Ok(Came::Idle(Progress { seq: upto, ..progress }));
        }
        if !self.stands(parts).await? {
            return Ok(Came::Changed);
        }
        match self.post(parts, None).await {
            Ok(()) => {
                self.taken = Some(Vec::new());
                progress.seq = upto;
            }
            Err(failure) if self.gives_in(&failure) => {
                parts.passed_over(&self.document.id, 1);
                progress.seq = upto;
            }
            Err(failure) => return self.failed(parts, progress, failure, limits::GIVE_UP_US).await,
        }
        self.told(parts, progress).await
    }

    /// Each resource by itself, the longest unchanged first.
    async fn tell_by_resources(
        mut self,
        parts: &Parts,
        mut progress: Progress,
        followed: Followed,
    ) -> Result<Came, StoreError> {
        let found = parts.changes(&followed, progress.seq, limits::PAGE, self.now_us).await?;
        if found.documents.is_empty() {
            return Ok(found.nothing(progress));
        }
        for (index, document) in found.documents.iter().enumerate() {
            if !self.stands(parts).await? {
                self.settle(parts, &progress).await?;
                return Ok(Came::Changed);
            }
            let (url, body) = (self.below(parts, &document.kind, &document.id), parts.served(document));
            let sent = match (url, body) {
                (Ok(url), Some(body)) => {
                    let sent = self.send(parts, Call { method: Method::PUT, url, body: Some(body) }).await;
                    if sent.is_ok() {
                        self.taken.get_or_insert_default().push(thing(document));
                    }
                    sent
                }
                (Err(failure), _) => Err(failure),
                // a deletion is not told
                (Ok(_), None) => Ok(()),
            };
            match sent {
                Ok(()) => {}
                Err(failure) if index == 0 && self.gives_in(&failure) => {
                    parts.passed_over(&self.document.id, 1);
                }
                Err(failure) => return self.failed(parts, progress, failure, limits::GIVE_UP_US).await,
            }
            progress.seq = document.seq;
        }
        progress.seq = found.upto;
        self.told(parts, progress).await
    }

    /// Numbered Bundles.
    async fn tell_by_notices(
        mut self,
        parts: &Parts,
        mut progress: Progress,
        followed: Followed,
        level: Level,
    ) -> Result<Came, StoreError> {
        if progress.pending.is_none() {
            let found = parts.changes(&followed, progress.seq, self.hook.events, self.now_us).await?;
            if found.documents.is_empty() {
                if found.more {
                    return Ok(found.nothing(progress));
                }
                return self.beat(parts, Progress { seq: found.upto, ..progress }).await;
            }
            let event = |d: Document| Event {
                kind: d.kind,
                id: d.id,
                version: d.version,
                seq: d.seq,
                at_us: d.received_us,
            };
            progress.number(found.documents.into_iter().map(event).collect());
            self.numbered = progress.pending.clone();
            self.settle(parts, &progress).await?;
            self.numbered = None;
        }
        let Some(pending) = progress.pending.as_ref() else { return Ok(Came::Idle(progress)) };
        let (mut resources, mut told) = (Vec::new(), Vec::new());
        if level != Level::Empty {
            for event in &pending.events {
                let document = parts.store.version(&event.kind, &event.id, event.version).await?;
                told.extend(document.as_ref().map(thing));
                if level == Level::FullResource {
                    resources.push(document.and_then(|d| parts.served(&d)));
                }
            }
        }
        let body = notice::events(&self.standing(parts, progress.events), level, pending, resources);
        let events = pending.events.len();
        if !self.stands(parts).await? {
            return Ok(Came::Changed);
        }
        match self.post(parts, Some(body)).await {
            Ok(()) => {
                self.taken = Some(told);
                progress.settle();
            }
            Err(failure) if self.gives_in(&failure) => {
                parts.passed_over(&self.document.id, events);
                progress.settle();
            }
            Err(failure) => return self.failed(parts, progress, failure, limits::GIVE_UP_US).await,
        }
        self.told(parts, progress).await
    }

    /// Says that there is nothing to say, if that is wanted.
    async fn beat(self, parts: &Parts, progress: Progress) -> Result<Came, StoreError> {
        if !self.beats {
            return Ok(Came::Idle(progress));
        }
        let body = notice::heartbeat(&self.standing(parts, progress.events));
        match self.post(parts, Some(body)).await {
            Ok(()) => self.told(parts, progress).await,
            Err(failure) => self.failed(parts, progress, failure, limits::GIVE_UP_US).await,
        }
    }

    async fn post(&self, parts: &Parts, body: Option<Vec<u8>>) -> Result<(), Failure> {
        let url = self.endpoint(parts)?;
        self.send(parts, Call { method: Method::POST, url, body }).await
    }

    async fn send(&self, parts: &Parts, what: Call) -> Result<(), Failure> {
        let sent = call(&parts.client, &self.hook, what, self.now_us).await;
        parts.counted(sent.is_ok());
        sent
    }

    /// The endpoint, if it may still be called: the configuration may be another than when it was let in.
    fn endpoint(&self, parts: &Parts) -> Result<Url, Failure> {
        let checked = parts.outward.check(&self.hook.endpoint);
        checked.map_err(|refused| Failure::Never { why: refused.to_string() })
    }

    /// Where a resource is put: the endpoint is the base of a service.
    fn below(&self, parts: &Parts, kind: &str, id: &str) -> Result<Url, Failure> {
        let mut url = self.endpoint(parts)?;
        let never = || Failure::Never { why: "nothing can be below the endpoint".to_owned() };
        url.path_segments_mut().map_err(|()| never())?.pop_if_empty().push(kind).push(id);
        Ok(url)
    }

    /// Whether a notification is passed over because it has been refused too often.
    fn gives_in(&self, failure: &Failure) -> bool {
        matches!(failure, Failure::Refused { .. }) && self.tries + 1 >= limits::REFUSALS
    }

    /// What is recorded of what the subscriber has taken.
    fn recorded(&self) -> Vec<Audit> {
        let row = self.taken.clone().map(|things| Audit {
            deed: audit::deed::EXPORT.into(),
            status: 200,
            by: audit::by::SERVICE.into(),
            who: format!("Subscription/{}", self.document.id),
            from: self.hook.endpoint.clone(),
            things,
            ..Audit::default()
        });
        row.into_iter().collect()
    }

    /// Whether the Subscription is as it was read.
    async fn stands(&self, parts: &Parts) -> Result<bool, StoreError> {
        let current = parts.store.document("Subscription", &self.document.id).await?;
        Ok(current.is_some_and(|d| d.seq == self.document.seq))
    }

    /// Whether it was turned off or deleted since it was read, whatever it is now.
    async fn has_ended(&self, parts: &Parts, current: u64) -> Result<bool, StoreError> {
        if current < self.document.version {
            return Ok(true);
        }
        for version in self.document.version + 1..=current {
            let written = parts.store.version("Subscription", &self.document.id, version).await?;
            let body = written.and_then(|d| d.body).unwrap_or_default();
            let status = fhir_models::parse_scanned::<Subscription>(&body).ok().and_then(|s| s.status);
            if status.is_none_or(|status| status == SubscriptionStatus::Off) {
                return Ok(true);
            }
        }
        Ok(false)
    }

    /// Stores how far it has been told and what is recorded of it; of one that has ended meanwhile only that.
    async fn settle(&self, parts: &Parts, progress: &Progress) -> Result<(), StoreError> {
        let id = &self.document.id;
        loop {
            let current = parts.store.document("Subscription", id).await?.map_or(0, |d| d.version);
            let mut batch = Batch { now_us: self.now_us, audits: self.recorded(), ..Batch::default() };
            if !self.has_ended(parts, current).await? {
                batch.marks.push((mark(id).into(), progress.write()));
                for (number, event) in self.numbered.iter().flat_map(Pending::numbered) {
                    batch.marks.push((event_mark(id, number).into(), event_text(number, event)));
                }
                batch.rests_on.push(("Subscription".into(), id.clone(), current));
            } else if batch.audits.is_empty() {
                return Ok(());
            }
            match parts.store.commit(batch).await {
                // written meanwhile: perhaps it has ended now
                Err(StoreError::Moved) => {}
                stored => return stored.map(|_| ()),
            }
        }
    }

    /// Stores how far it has been told.
    async fn told(&self, parts: &Parts, progress: Progress) -> Result<Came, StoreError> {
        let progress = Progress { failing_since_us: None, ..progress };
        self.settle(parts, &progress).await?;
        Ok(Came::More(progress))
    }

    /// Notes a failure; after too long a time of them the subscription is in error.
    async fn failed(
        &self,
        parts: &Parts,
        mut progress: Progress,
        failure: Failure,
        patience_us: i64,
    ) -> Result<Came, StoreError> {
        let since = *progress.failing_since_us.get_or_insert(self.now_us);
        let spent = self.now_us.saturating_sub(since) >= patience_us;
        if spent || matches!(failure, Failure::Never { .. }) {
            tracing::error!(
                subscription = self.document.id,
                why = failure.why(),
                "a subscriber is told no more"
            );
            progress.failing_since_us = None;
            return self.write(parts, SubscriptionStatus::Error, Some(failure.why()), &progress).await;
        }
        if self.tries == 0 {
            tracing::warn!(
                subscription = self.document.id,
                why = failure.why(),
                "a subscriber was not reached"
            );
        }
        self.settle(parts, &progress).await?;
        let waiting = match self.followed(parts) {
            Ok(followed) => {
                parts.changes(&followed, progress.seq, limits::WAITING, self.now_us).await?.documents.len()
            }
            Err(_) => 0,
        };
        Ok(Came::Failed { progress, failure, waiting })
    }

    /// Writes the Subscription at another status, unless its client has written it meanwhile.
    async fn write(
        &self,
        parts: &Parts,
        status: SubscriptionStatus,
        error: Option<&str>,
        progress: &Progress,
    ) -> Result<Came, StoreError> {
        let body = self.document.body.as_deref().unwrap_or_default();
        let body = with_status(body, status, error)
            .map_err(|error| StoreError::Internal(format!("a stored Subscription: {}", error.path)))?;
        let write = Write {
            kind: "Subscription".into(),
            id: Some(self.document.id.clone()),
            body: Some(body),
            precondition: Precondition::Version(self.document.version),
            outcome: Some(OutcomeRow { status: Some(status.to_string()), ..OutcomeRow::default() }),
            ..Write::default()
        };
        // what ends by itself begins anew, as what is turned off does
        let position = if status == SubscriptionStatus::Off { String::new() } else { progress.write() };
        let marks = vec![(mark(&self.document.id).into(), position)];
        let of_write = Audit {
            deed: "update".into(),
            status: 200,
            by: audit::by::SERVICE.into(),
            of_writes: true,
            ..Audit::default()
        };
        let audits = self.recorded().into_iter().chain([of_write]).collect();
        let batch = Batch { now_us: self.now_us, writes: vec![write], marks, audits, ..Batch::default() };
        match parts.store.commit(batch).await {
            Ok(_) => Ok(Came::Changed),
            Err(StoreError::VersionConflict { .. }) => {
                self.settle(parts, progress).await?;
                Ok(Came::Changed)
            }
            Err(error) => Err(error),
        }
    }
}

impl Parts {
    /// What has changed after a position and fits, each document once and as it is now.
    async fn changes(
        &self,
        followed: &Followed,
        after: i64,
        limit: usize,
        now_us: i64,
    ) -> Result<Found, StoreError> {
        let mut found = Found { documents: Vec::new(), upto: after, more: true };
        let mut looked_at = 0;
        while found.documents.len() < limit && looked_at < limits::LOOKED_AT && found.more {
            let (after, order) = (Some(found.upto), Order::OldestFirst);
            let query = Query { after, order, limit: limits::PAGE, ..followed.query.clone() };
            let page = self.store.search(query).await?;
            looked_at += page.documents.len();
            found.more = page.next.is_some();
            for row in page.documents {
                if found.documents.len() == limit {
                    found.more = true;
                    break;
                }
                found.upto = row.document.seq;
                if (followed.fits)(&row.document, now_us) {
                    found.documents.push(row.document);
                }
            }
        }
        Ok(found)
    }
}

/// What is recorded of a document that was told of.
fn thing(document: &Document) -> Thing {
    let Document { kind, id, version, patient, .. } = document;
    Thing {
        kind: kind.clone().into(),
        id: id.clone(),
        version: *version,
        patient: patient.clone(),
        ..Thing::default()
    }
}
