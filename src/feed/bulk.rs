//! Exports of a server: FHIR Bulk Data Access 2.0, as a client.
//!
//! An export is asked for, waited for, and its files read line by line; what it has deleted is deleted. The server's own
//! time of an export is from when the next one asks. What has been asked for and read is stored, so that another process
//! goes on with the same export; a file that was read in part is read again, which has no effect.

use std::collections::BTreeSet;

use fhir_models::primitive::{Point, is_id};
use reqwest::header::{ACCEPT, CONTENT_LOCATION, HeaderName};
use reqwest::{Method, Response};
use serde::{Deserialize, Serialize};

use super::intake::Told;
use super::limits;
use super::lines::Lines;
use super::reader::{Parts, Trouble};
use crate::care::time::{Instant, Length};
use crate::config::Bulk;
use crate::outward::{Request, Server, jitter_us};

/// How one source is exported.
#[derive(Debug)]
pub(super) struct Export {
    pub(super) bulk: Bulk,
    pub(super) server: Server,
}

/// An export that is under way.
#[derive(Debug, Default, Serialize, Deserialize)]
struct Under {
    /// Where its state is asked for.
    status: String,
    /// Files that have been read.
    done: BTreeSet<String>,
}

/// What an export has come to (Bulk Data Access 2.0, "Response - Complete Status").
#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase")]
struct Manifest {
    transaction_time: String,
    #[serde(default)]
    output: Vec<Output>,
    #[serde(default)]
    deleted: Vec<Output>,
    #[serde(default)]
    error: Vec<Output>,
}

#[derive(Debug, Deserialize)]
struct Output {
    url: String,
}

/// A Bundle of what was deleted.
#[derive(Deserialize)]
struct Deleted {
    #[serde(default)]
    entry: Vec<DeletedEntry>,
}

/// What is told beside an export.
#[derive(Deserialize)]
struct Beside {
    issue: Vec<Severe>,
}

#[derive(Deserialize)]
struct Severe {
    severity: String,
}

#[derive(Deserialize)]
struct DeletedEntry {
    request: DeletedRequest,
}

#[derive(Deserialize)]
struct DeletedRequest {
    method: String,
    url: String,
}

impl Export {
    /// Asks for an export and reads it; returns how many documents were new or changed.
    pub(super) async fn round(&self, parts: &Parts, _began: Instant) -> Result<usize, Trouble> {
        let mark = format!("bulk.{}", parts.source);
        let since_mark = format!("bulk.{}.since", parts.source);
        let stored = parts.store.mark(&mark).await?.unwrap_or_default();
        let mut under: Under = serde_json::from_str(&stored).unwrap_or_default();
        if under.status.is_empty() {
            let since = parts.store.mark(&since_mark).await?;
            under = Under { status: self.kick_off(parts, since).await?, ..Under::default() };
            parts.mark(mark.clone(), text(&under)).await?;
        }
        let Some(manifest) = self.wait(parts, &under.status).await? else {
            // it is not known there any more: the next round asks for another
            parts.mark(mark, String::new()).await?;
            return Err(Trouble::new("the server does not know its export any more"));
        };
        let at_us = Point::read(&manifest.transaction_time).and_then(|p| p.instant_us());
        let mut taken = 0;
        for output in &manifest.output {
            if !under.done.contains(&output.url) {
                taken += parts.took(self.file(parts, &output.url).await?);
                under.done.insert(output.url.clone());
                parts.mark(mark.clone(), text(&under)).await?;
            }
        }
        for output in &manifest.deleted {
            taken += self.deleted(parts, &output.url, at_us).await?;
        }
        let mut failed = 0;
        for output in &manifest.error {
            failed += self.failed(parts, &output.url).await?;
        }
        if at_us.is_some() && failed == 0 {
            parts.mark(since_mark, manifest.transaction_time.clone()).await?;
        }
        parts.mark(mark, String::new()).await?;
        // it need not be kept there any longer; if it is, that is the server's affair
        let forget = Request { method: Method::DELETE, ..Request::get(under.status.clone()) };
        let _ = self.server.ask(forget, parts.clock.now().micros()).await;
        if failed > 0 {
            let why = format!(
                "the server could not export all of it ({failed} errors); what it could is read, and the next export \
                 begins where this one did"
            );
            let pause_us = Some(i64::from(self.bulk.every_seconds) * 1_000_000);
            return Err(Trouble { why, pause_us });
        }
        if let Some(at_us) = at_us {
            parts.heard(Instant::from_micros(at_us).min(parts.clock.now())).await?;
        }
        Ok(taken)
    }

    /// Asks for an export; returns where its state is asked for.
    async fn kick_off(&self, parts: &Parts, since: Option<String>) -> Result<String, Trouble> {
        let of = self.bulk.group.as_ref().map_or(String::new(), |group| format!("Group/{group}/"));
        let types = self.bulk.types.join(",");
        let since = since.filter(|s| !s.is_empty()).map_or(String::new(), |since| {
            let since: String = url::form_urlencoded::byte_serialize(since.as_bytes()).collect();
            format!("&_since={since}")
        });
        let request = Request::get(format!("{of}$export?_type={types}{since}"));
        let request = request.with(HeaderName::from_static("prefer"), "respond-async");
        let now_us = parts.clock.now().micros();
        let answer = self.server.ask(request, now_us).await?;
        let at = answer.headers.get(CONTENT_LOCATION).and_then(|at| at.to_str().ok());
        match (answer.status.as_u16(), at) {
            (202, Some(at)) => Ok(at.to_owned()),
            (202, None) => Err(Trouble::new("the server does not say where its export is asked for")),
            _ => Err(Trouble::answered("the export", &answer, now_us)),
        }
    }

    /// Waits until an export is there; none if the server does not know it.
    async fn wait(&self, parts: &Parts, status: &str) -> Result<Option<Manifest>, Trouble> {
        for tries in 0..limits::EXPORT_LOOKS {
            let now = parts.clock.now();
            let request = Request::get(status).with(ACCEPT, "application/json");
            let answer = self.server.ask(request, now.micros()).await?;
            let pause_us = answer.pause_us(now.micros());
            match answer.status.as_u16() {
                200 => {
                    let why = "the manifest of the export cannot be read";
                    return serde_json::from_slice(&answer.body).map(Some).map_err(|_| Trouble::new(why));
                }
                202 | 429 | 500..=599 => {
                    let pause_us = pause_us.unwrap_or_else(|| jitter_us(tries));
                    parts.clock.wait_until(now + Length::micros(pause_us)).await;
                }
                404 | 410 => return Ok(None),
                _ => return Err(Trouble::answered("a look at its export", &answer, now.micros())),
            }
        }
        Err(Trouble::new("the export does not come to its end"))
    }

    /// Reads a file of documents.
    async fn file(&self, parts: &Parts, url: &str) -> Result<usize, Trouble> {
        let mut lines = Lines::new(&parts.intake, &parts.source);
        let mut file = self.open(parts, url).await?;
        while let Some(line) = file.line().await? {
            lines.push(&line).await?;
        }
        lines.flush().await?;
        Ok(lines.taken)
    }

    /// Reads a file of what was told beside: how many errors are in it. What is no OperationOutcome is one.
    async fn failed(&self, parts: &Parts, url: &str) -> Result<usize, Trouble> {
        let mut failed = 0;
        let mut file = self.open(parts, url).await?;
        while let Some(line) = file.line().await? {
            let told: Result<Beside, _> = serde_json::from_slice(&line);
            let is_error = |issue: &Severe| matches!(issue.severity.as_str(), "error" | "fatal");
            failed += usize::from(told.map_or(true, |told| told.issue.iter().any(is_error)));
        }
        Ok(failed)
    }

    /// Reads a file of Bundles of what was deleted.
    async fn deleted(&self, parts: &Parts, url: &str, at_us: Option<i64>) -> Result<usize, Trouble> {
        let mut gone = Vec::new();
        let mut file = self.open(parts, url).await?;
        while let Some(line) = file.line().await? {
            let bundle: Deleted = serde_json::from_slice(&line)
                .map_err(|_| Trouble::new("a line of what was deleted is no Bundle"))?;
            for entry in bundle.entry {
                let (kind, id) = entry.request.url.split_once('/').unwrap_or_default();
                if entry.request.method == "DELETE" && is_id(id) {
                    gone.push(Told::Deleted { kind: kind.to_owned(), id: id.to_owned(), at_us });
                }
            }
        }
        Ok(parts.intake.take(&parts.source, &gone).await?)
    }

    async fn open(&self, parts: &Parts, url: &str) -> Result<Arriving, Trouble> {
        let now_us = parts.clock.now().micros();
        let request = Request::get(url).with(ACCEPT, "application/fhir+ndjson");
        let response = self.server.open_file(request, now_us).await?;
        if response.status() != 200 {
            let status = response.status().as_u16();
            return Err(Trouble::new(format!("a file of the export cannot be read (status {status})")));
        }
        Ok(Arriving { response, buffer: Vec::new(), from: 0, over: false })
    }
}

/// A file of an export as it arrives.
struct Arriving {
    response: Response,
    buffer: Vec<u8>,
    /// Where in it the next line begins.
    from: usize,
    over: bool,
}

impl Arriving {
    /// The next line that is not empty; none: the file is over.
    async fn line(&mut self) -> Result<Option<Vec<u8>>, Trouble> {
        loop {
            let rest = self.buffer.get(self.from..).unwrap_or_default();
            let end = memchr::memchr(b'\n', rest).or(self.over.then_some(rest.len()));
            if let Some(line) = end.and_then(|end| rest.get(..end)) {
                if self.over && rest.is_empty() {
                    return Ok(None);
                }
                let line = line.to_vec();
                self.from = (self.from + line.len() + 1).min(self.buffer.len());
                if !line.trim_ascii().is_empty() {
                    return Ok(Some(line));
                }
                continue;
            }
            if rest.len() > limits::LINE {
                return Err(Trouble::new("a line of the export is longer than a document may be"));
            }
            self.buffer.drain(..self.from);
            self.from = 0;
            match self.response.chunk().await {
                Ok(Some(piece)) => self.buffer.extend_from_slice(&piece),
                Ok(None) => self.over = true,
                Err(_) => return Err(Trouble::new("a file of the export broke off")),
            }
        }
    }
}

fn text(under: &Under) -> String {
    serde_json::to_string(under).unwrap_or_default()
}
