//! What machines ask beside FHIR: alive, ready, numbers, and a source that says it has told everything.

use std::fmt::Write as _;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

use axum::http::StatusCode;

use super::answer::Answer;
use super::edge::Edge;
use super::refused::Refused;
use super::{Outcome, Rest, limits};
use crate::care::time::Instant;
use crate::feed::{Part, Polled};
use crate::store::{Batch, Heartbeat, Outbox};

/// The media type that Prometheus reads.
const PROMETHEUS: &str = "text/plain; version=0.0.4; charset=utf-8";

/// The mark that is written to see whether writing works.
const PROBED: &str = "probed";

/// The second for which the store was last probed: more often says nothing new, and each probe is a write.
#[derive(Debug, Default)]
pub(super) struct Probed(AtomicU64);

/// `GET /readyz`: whether writes are taken.
pub(super) async fn ready(edge: &Edge) -> Outcome {
    let rest = &edge.rest;
    let now_us = rest.clock.now().micros();
    let refusing = i64::try_from(limits::REFUSING.as_micros()).unwrap_or(i64::MAX);
    if rest.metrics.is_fatal() {
        return Err(Refused::Unavailable);
    }
    if rest.metrics.no_space_us().is_some_and(|since| now_us < since.saturating_add(refusing)) {
        return Err(Refused::NoSpace);
    }
    let second = u64::try_from(now_us / 1_000_000).unwrap_or(0);
    if edge.probed.0.swap(second, Relaxed) != second {
        let marks = vec![(PROBED.into(), second.to_string())];
        if let Err(error) = rest.store.commit(Batch { now_us, marks, ..Batch::default() }).await {
            edge.probed.0.store(0, Relaxed);
            rest.metrics.failed(&error, now_us);
            let refused = Refused::from(error);
            return Err(if refused == Refused::NoSpace { refused } else { Refused::Unavailable });
        }
    }
    Ok(Answer::text("ready\n".to_owned()))
}

/// `GET /metrics`.
pub(super) async fn metrics(rest: &Rest) -> Outcome {
    let counts = rest.store.counts().await?;
    let now = rest.clock.now();
    let mut text = rest.metrics.text(&counts, &rest.counters, &rest.deliveries, now.micros());
    sources(rest, now, &mut text).await?;
    Ok(Answer { media: PROMETHEUS, ..Answer::text(text) })
}

/// How sources are doing, and what could not be taken in.
async fn sources(rest: &Rest, now: Instant, out: &mut String) -> Result<(), Refused> {
    let letters = rest.store.letter_counts().await?;
    let _ = writeln!(out, "# TYPE terce_dead_letters gauge");
    for (way, place, count) in letters {
        let _ = writeln!(out, "terce_dead_letters{{way=\"{}\",place=\"{place}\"}} {count}", way.code());
    }
    let _ = writeln!(out, "# TYPE terce_source_state gauge");
    for source in rest.feeds.status(now) {
        let state = if source.catching_up { "catching-up" } else { source.state.code() };
        let _ = writeln!(out, "terce_source_state{{source=\"{}\",state=\"{state}\"}} 1", source.name);
    }
    let _ = writeln!(out, "# TYPE terce_source_told_age_seconds gauge");
    for source in rest.feeds.status(now) {
        if let Some(told) = source.told {
            let age = now.since(told).as_micros() / 1_000_000;
            let _ = writeln!(out, "terce_source_told_age_seconds{{source=\"{}\"}} {age}", source.name);
        }
    }
    let _ = writeln!(out, "# TYPE terce_part_silent gauge");
    let silent = rest.feeds.silent_parts();
    for part in rest.feeds.parts() {
        let is_silent = i32::from(silent.iter().any(|(other, _)| *other == part));
        let Part { source, kind, unit, .. } = part;
        let _ = writeln!(
            out,
            "terce_part_silent{{source=\"{source}\",type=\"{kind}\",unit=\"{unit}\"}} {is_silent}"
        );
    }
    outboxes(rest, now, out).await?;
    let polls = rest.feeds.polls().borrow().clone();
    type Row = (&'static str, &'static str, fn(&Polled) -> u64);
    let rows: [Row; 3] = [
        ("terce_poll_rounds_total", "counter", |p| p.rounds),
        ("terce_poll_documents_total", "counter", |p| p.documents),
        ("terce_poll_failures_in_a_row", "gauge", |p| p.tries),
    ];
    for (name, sort, count) in rows.iter().filter(|_| !polls.is_empty()) {
        let _ = writeln!(out, "# TYPE {name} {sort}");
        for (source, polled) in &polls {
            let _ = writeln!(out, "{name}{{source=\"{source}\"}} {}", count(polled));
        }
    }
    Ok(())
}

/// What waits to be written to other servers.
async fn outboxes(rest: &Rest, now: Instant, out: &mut String) -> Result<(), Refused> {
    let waiting = rest.store.outboxes().await?;
    type Row = (&'static str, fn(&Outbox, Instant) -> i64);
    let rows: [Row; 3] = [
        ("terce_outbox_waiting", |o, _| i64::try_from(o.waiting).unwrap_or(i64::MAX)),
        ("terce_outbox_failing", |o, _| i64::try_from(o.failing).unwrap_or(i64::MAX)),
        ("terce_outbox_age_seconds", |o, now| {
            o.since_us.map_or(0, |since| now.since(Instant::from_micros(since)).as_micros() / 1_000_000)
        }),
    ];
    for (name, count) in rows.iter().filter(|_| !rest.places.is_empty()) {
        let _ = writeln!(out, "# TYPE {name} gauge");
        for place in rest.places.iter() {
            let outbox = waiting.iter().find(|o| o.place == *place).cloned().unwrap_or_default();
            let _ = writeln!(out, "{name}{{server=\"{place}\"}} {}", count(&outbox, now));
        }
    }
    Ok(())
}

/// `POST /feed/{source}/heartbeat`: the source has told everything up to now.
pub(super) async fn heartbeat(edge: &Edge, source: &str) -> Outcome {
    let rest = &edge.rest;
    let now: Instant = rest.clock.now();
    let watched = rest.feeds.status(now).iter().any(|s| s.name == source);
    if !watched {
        return Err(Refused::NotFound);
    }
    let heartbeat = Some(Heartbeat { source: source.to_owned(), us: now.micros(), cursor: None });
    rest.store.commit(Batch { now_us: now.micros(), heartbeat, ..Batch::default() }).await?;
    rest.feeds.heard(source, now);
    rest.wake.notify_one();
    Ok(Answer::empty(StatusCode::NO_CONTENT))
}
