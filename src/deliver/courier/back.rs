//! What people made of a Task there comes back.
//!
//! What has changed there is asked for by time, and each Task of that is read when it is its turn to be written: one way
//! brings both together. What persons set is taken in as a nurse's own write would be, through the interface itself: the
//! same statuses may be set, the same counts follow.

use std::sync::Arc;

use axum::body::Body;
use axum::http::{Method, Request, StatusCode};
use fhir_models::primitive::Point;
use serde_json::Value;
use tower::ServiceExt as _;

use super::super::limits;
use super::errand::{Came, bytes, read};
use super::there::Trouble;
use super::{Parts, errand::Stop};
use crate::access::{Holder, Known, Scopes};
use crate::care::time::Instant;
use crate::outward::{Page, Request as Asked};
use crate::store::{About, Batch, Parcel, Step, StoreError, Undelivered, Way};
use crate::translate::outcomes::{closed_by_service, taken_back};

/// Looks for Tasks that were changed at the place.
///
/// # Errors
/// The store.
pub(super) async fn changes(parts: Arc<Parts>, now_us: i64) -> Result<Came, StoreError> {
    match parts.look_back(now_us).await {
        Ok(()) => Ok(Came::Nothing),
        Err(Stop::Store(error)) => Err(error),
        Err(Stop::Trouble(Trouble::Away { why, pause_us })) => Ok(Came::Away { why, pause_us }),
        Err(Stop::Trouble(trouble)) => {
            let why = match trouble {
                Trouble::Stuck(why) | Trouble::Refused { why } | Trouble::Away { why, .. } => why,
                Trouble::Conflict => "the server answered 409 or 412".to_owned(),
                Trouble::Absent { status } => format!("the server answered {status}"),
            };
            tracing::warn!(place = parts.place(), why, "what was changed at a server cannot be read");
            Ok(Came::Nothing)
        }
    }
}

impl Parts {
    async fn look_back(&self, now_us: i64) -> Result<(), Stop> {
        let mark = self.mark("back");
        let place = self.store.mark(&mark).await?.and_then(|text| text.parse::<i64>().ok());
        let mut latest_us = place.unwrap_or(now_us);
        // a server may show later what it stamped earlier, by a clock that is not ours
        let since = Instant::from_micros(latest_us.saturating_sub(limits::BACK_OVERLAP_US));
        let mut to = format!("Task?_lastUpdated=ge{since}&_sort=_lastUpdated&_count={}", limits::BACK_PAGE);
        for _ in 0..limits::BACK_PAGES {
            let answer = self.ask(Asked::get(to)).await?;
            let page = Page::read(&answer)
                .ok_or_else(|| Trouble::Stuck("the answer is no Bundle in FHIR's JSON".to_owned()))?;
            let next = page.next();
            fail::fail_point!("back-read", |_| std::process::abort());
            for body in page.found() {
                if let Some(at_us) = self.came_back(body.get().as_bytes()).await? {
                    latest_us = latest_us.max(at_us);
                }
            }
            fail::fail_point!("back-taken", |_| std::process::abort());
            let marks = vec![(mark.clone().into(), latest_us.to_string())];
            let now_us = self.clock.now().micros();
            self.store.commit(Batch { now_us, marks, ..Batch::default() }).await?;
            fail::fail_point!("back-marked", |_| std::process::abort());
            let Some(next) = next else { return Ok(()) };
            to = next;
        }
        Ok(())
    }

    /// Notes that a Task was changed there, if it is one of ours and is not as it was left; returns when that was. What was
    /// made of it is read when it is its turn: what is told here may be old by then.
    async fn came_back(&self, body: &[u8]) -> Result<Option<i64>, StoreError> {
        let theirs = read(body);
        let text = |at: &str| theirs.pointer(at).and_then(Value::as_str);
        let at_us = text("/meta/lastUpdated").and_then(|at| Point::read(at)?.instant_us());
        let (Some("Task"), Some(id)) = (text("/resourceType"), text("/id")) else { return Ok(at_us) };
        let Some(delivery) = self.store.delivery_there(self.place(), "Task", id).await? else {
            return Ok(at_us);
        };
        let known = delivery.there.and_then(|there| there.version);
        if known.is_none() || known.as_deref() != text("/meta/versionId") {
            let deliveries = vec![(delivery.parcel, Step::Changed)];
            let now_us = self.clock.now().micros();
            self.store.commit(Batch { now_us, deliveries, ..Batch::default() }).await?;
        }
        Ok(at_us)
    }

    /// Takes in what persons have changed on a Task there since `base`; true if the Task here is another now. What may not
    /// be set is a dead letter, and stays there as they set it.
    pub(super) async fn take_back(
        &self,
        parcel: &Parcel,
        base: &Value,
        theirs: &Value,
    ) -> Result<bool, Stop> {
        let Parcel { place, kind, id } = parcel;
        let Some(current) = self.store.document(kind, id).await? else { return Ok(false) };
        let ours = read(current.body.as_deref().unwrap_or_default());
        if closed_by_service(&ours) {
            return Ok(false);
        }
        let Some(mut changed) = taken_back(base, &ours, theirs) else { return Ok(false) };
        if let Some(members) = changed.as_object_mut() {
            members.insert("id".to_owned(), id.as_str().into());
        }
        let scopes = Scopes::read("system/Task.ru").unwrap_or_default();
        let client = format!("server:{place}");
        let holder = Holder { client, issuer: String::new(), scopes, sources: Vec::new() };
        let request = Request::builder()
            .method(Method::PUT)
            .uri(format!("/fhir/{kind}/{id}"))
            .header("content-type", "application/fhir+json")
            .header("if-match", format!("W/\"{}\"", current.version))
            .extension(Known(holder))
            .body(Body::from(bytes(&changed)))
            .map_err(|error| Trouble::Stuck(error.to_string()))?;
        let Ok(response) = self.fhir.clone().oneshot(request).await;
        let about = || About { way: Way::In, place: place.clone(), name: format!("{kind}/{id}") };
        let batch = Batch { now_us: self.clock.now().micros(), ..Batch::default() };
        match response.status() {
            status if status.is_success() => {
                self.store.commit(Batch { settled: vec![about()], ..batch }).await?;
                Ok(true)
            }
            StatusCode::CONFLICT | StatusCode::PRECONDITION_FAILED => Err(Trouble::Conflict.into()),
            status if status.is_server_error() || status == StatusCode::TOO_MANY_REQUESTS => {
                Err(Trouble::Stuck(format!("what came back was not taken in: {status}")).into())
            }
            _ => {
                let body = axum::body::to_bytes(response.into_body(), limits::ANSWER_BYTES).await;
                let said = read(&body.unwrap_or_default());
                let why = said.pointer("/issue/0/diagnostics").and_then(Value::as_str);
                let why = format!("what was set there may not be: {}", why.unwrap_or("it was refused"));
                tracing::warn!(
                    place,
                    kind,
                    id,
                    why,
                    "a change at a server was not taken in, and is a dead letter"
                );
                let letters = vec![Undelivered { about: about(), why, body: Some(bytes(theirs)) }];
                self.store.commit(Batch { letters, ..batch }).await?;
                Ok(false)
            }
        }
    }
}
