//! The interface engine between the ward and Terce: what was written goes out over HTTP, singly or in Bundles.

use std::collections::BTreeMap;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use reqwest::{Client, RequestBuilder, StatusCode};
use serde_json::{Value, json};

use crate::chart::{Chart, Request};
use crate::service::SOURCE;

/// A backlog goes out in Bundles of at most this many.
const BUNDLE: usize = 50;
/// How often a request is tried.
const TRIES: u32 = 6;

/// The way to the service.
pub struct Feed {
    http: Client,
    base: String,
    /// Resources sent so far in this run.
    pub sent: u64,
}

/// One request to come.
#[derive(Debug)]
enum Parcel<'a> {
    Single(&'a Request),
    Bundle(Kind, Vec<&'a Chart>),
}

/// Whether a Bundle holds or fails as a whole.
#[derive(Clone, Copy, Debug)]
enum Kind {
    Transaction,
    Batch,
}

impl Feed {
    /// To the service at `base`.
    pub fn new(base: &str) -> Result<Feed> {
        let http = Client::builder().timeout(Duration::from_secs(30)).build()?;
        Ok(Feed { http, base: base.to_owned(), sent: 0 })
    }

    /// Sends what there is, in order.
    pub async fn send(&mut self, charts: &[Chart]) -> Result<()> {
        for parcel in parcels(charts) {
            match parcel {
                Parcel::Single(request) => self.single(request).await?,
                Parcel::Bundle(kind, charts) => self.bundle(kind, &charts).await?,
            }
        }
        Ok(())
    }

    /// One resource by `PUT`.
    pub async fn put(&mut self, body: &Value) -> Result<()> {
        self.single(&Request::Put(body.clone())).await
    }

    /// A sign of life: everything up to now has been told.
    pub async fn heartbeat(&self) -> Result<()> {
        let url = format!("{}/feed/{SOURCE}/heartbeat", self.base);
        self.deliver("heartbeat", || self.http.post(&url)).await.map(|_| ())
    }

    async fn single(&mut self, request: &Request) -> Result<()> {
        let kind = request.text("resourceType");
        let what = format!("{kind} {}", request.text("id"));
        let body = request.body().to_string();
        self.deliver(&what, || {
            let call = match request {
                Request::Put(_) => self.http.put(format!("{}/fhir/{kind}/{}", self.base, request.text("id"))),
                Request::Post { identifier, .. } => self
                    .http
                    .post(format!("{}/fhir/{kind}", self.base))
                    .header("If-None-Exist", format!("identifier={identifier}")),
            };
            call.header("Content-Type", "application/fhir+json").body(body.clone())
        })
        .await?;
        self.sent += 1;
        Ok(())
    }

    async fn bundle(&mut self, kind: Kind, charts: &[&Chart]) -> Result<()> {
        let body = bundle(kind, charts).to_string();
        let answer = self
            .deliver("Bundle", || {
                let call = self.http.post(format!("{}/fhir", self.base));
                call.header("Content-Type", "application/fhir+json").body(body.clone())
            })
            .await?;
        let answer: Value = serde_json::from_str(&answer).context("the answer to a Bundle is not JSON")?;
        let entries = answer.get("entry").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
        if entries.len() != charts.len() {
            bail!("a Bundle of {} entries was answered with {}", charts.len(), entries.len());
        }
        for (entry, chart) in entries.iter().zip(charts) {
            let status = entry.pointer("/response/status").and_then(Value::as_str).unwrap_or_default();
            if !status.starts_with('2') {
                bail!("{} in a Bundle was refused with {status}: {entry}", chart.key);
            }
        }
        self.sent += charts.len() as u64;
        Ok(())
    }

    /// Tries until it is taken; gives up at once where trying again cannot help.
    async fn deliver(&self, what: &str, call: impl Fn() -> RequestBuilder) -> Result<String> {
        for attempt in 1..=TRIES {
            let problem = match call().send().await {
                Ok(answer) => {
                    let status = answer.status();
                    let text = answer.text().await.unwrap_or_default();
                    if status.is_success() {
                        return Ok(text);
                    }
                    if status != StatusCode::TOO_MANY_REQUESTS && status != StatusCode::SERVICE_UNAVAILABLE {
                        bail!("{what} was refused with {status}: {text}");
                    }
                    anyhow::anyhow!("{what}: {status}")
                }
                Err(error) => anyhow::Error::new(error).context(format!("{what} could not be sent")),
            };
            if attempt == TRIES {
                return Err(problem);
            }
            tokio::time::sleep(Duration::from_millis(50 << attempt)).await;
        }
        bail!("{what} was not sent")
    }
}

/// What one patient's people write in one minute goes out together, so that nobody sees half of a round; what waited
/// through an outage goes out in long Bundles. In a Bundle no resource comes twice, for its entries have no order.
fn parcels(charts: &[Chart]) -> Vec<Parcel<'_>> {
    let mut groups: BTreeMap<u32, Vec<&Chart>> = BTreeMap::new();
    let mut backlog = Vec::new();
    for chart in charts {
        if chart.arrives > chart.written {
            backlog.push(chart);
        } else {
            groups.entry(chart.patient).or_default().push(chart);
        }
    }
    let groups = groups.into_values().map(|group| (group, Kind::Transaction));
    std::iter::once((backlog, Kind::Batch))
        .chain(groups)
        .flat_map(|(all, kind)| bundles(&all, kind))
        .collect()
}

fn bundles<'a>(charts: &[&'a Chart], kind: Kind) -> Vec<Parcel<'a>> {
    let mut bundles: Vec<Vec<&Chart>> = Vec::new();
    for chart in charts {
        let fits = |open: &&mut Vec<&Chart>| open.len() < BUNDLE && open.iter().all(|c| c.key != chart.key);
        match bundles.last_mut().filter(fits) {
            Some(open) => open.push(chart),
            None => bundles.push(vec![chart]),
        }
    }
    let parcel = |mut bundle: Vec<&'a Chart>| match (bundle.len(), bundle.pop()) {
        (1, Some(only)) => Parcel::Single(&only.request),
        (_, last) => Parcel::Bundle(kind, bundle.into_iter().chain(last).collect()),
    };
    bundles.into_iter().map(parcel).collect()
}

fn bundle(kind: Kind, charts: &[&Chart]) -> Value {
    let entry = |chart: &&Chart| {
        let request = &chart.request;
        let kind = request.text("resourceType");
        match request {
            Request::Put(body) => json!({
                "resource": body,
                "request": { "method": "PUT", "url": format!("{kind}/{}", request.text("id")) },
            }),
            Request::Post { body, identifier } => json!({
                "resource": body,
                "request": { "method": "POST", "url": kind, "ifNoneExist": format!("identifier={identifier}") },
            }),
        }
    };
    json!({
        "resourceType": "Bundle",
        "type": match kind {
            Kind::Transaction => "transaction",
            Kind::Batch => "batch",
        },
        "entry": charts.iter().map(entry).collect::<Vec<_>>(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chart::Says;

    fn chart(patient: u32, key: &str, arrives: i64) -> Chart {
        let request = Request::Put(json!({ "resourceType": "Procedure", "id": key }));
        Chart { patient, written: 0, arrives, key: key.into(), request, says: Says::Nothing }
    }

    fn sizes(charts: &[Chart]) -> Vec<usize> {
        let size = |parcel: &Parcel<'_>| match parcel {
            Parcel::Single(_) => 1,
            Parcel::Bundle(_, all) => all.len(),
        };
        parcels(charts).iter().map(size).collect()
    }

    #[test]
    fn a_round_goes_out_as_one_and_two_versions_do_not() {
        let charts = [chart(2, "c", 0), chart(1, "a", 0), chart(1, "b", 0), chart(1, "a", 0)];
        assert_eq!(sizes(&charts), [2, 1, 1]);
    }

    #[test]
    fn a_backlog_goes_out_first_and_in_bundles() {
        let held = (0..130).map(|n| chart(n, &format!("k{n}"), 5));
        let charts: Vec<Chart> = held.chain([chart(1, "now", 0)]).collect();
        assert_eq!(sizes(&charts), [50, 50, 30, 1]);
    }
}
