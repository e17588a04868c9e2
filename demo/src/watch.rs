//! What Terce says, read over its own interface like any dashboard would.

use std::collections::BTreeMap;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use reqwest::Client;
use serde_json::Value;

use crate::time::{Minute, day_of, instant, read};
use crate::truth::{ADULT, Counts};

/// Names a lapse: patient, requirement, first missed deadline.
pub type Key = (String, &'static str, Minute);

/// A DetectedIssue of a lapse as last read.
#[derive(Clone, Debug)]
pub struct Issue {
    /// What it is about.
    pub key: Key,
    /// FHIR status.
    pub status: String,
    /// When it was seen first; none if it was there before this run began to look.
    pub seen: Option<Minute>,
}

/// The reader.
pub struct Watch {
    http: Client,
    base: String,
    last: Option<Minute>,
    /// By logical id.
    pub issues: BTreeMap<String, Issue>,
    /// Issues that could not be understood.
    pub unread: usize,
    /// Tasks open when last read.
    pub open_tasks: usize,
    /// The most Tasks ever found open for one patient.
    pub most_open: usize,
    /// How often was read.
    pub polls: u32,
}

impl Watch {
    /// Of the service at `base`.
    pub fn new(base: &str) -> Result<Watch> {
        let http = Client::builder().timeout(Duration::from_secs(30)).build()?;
        let issues = BTreeMap::new();
        let base = base.to_owned();
        Ok(Watch { http, base, last: None, issues, unread: 0, open_tasks: 0, most_open: 0, polls: 0 })
    }

    /// Reads what is open and what is new.
    pub async fn poll(&mut self, now: Minute) -> Result<()> {
        self.tasks().await?;
        let mut query = String::from("DetectedIssue?_count=200");
        if let Some(last) = self.last {
            // A minute of overlap: what was written in the minute of the last reading may have come after it.
            let since = instant(last - 1).to_rfc3339_opts(chrono::SecondsFormat::Secs, true);
            query.push_str(&format!("&_lastUpdated=ge{since}"));
        }
        for resource in self.all(&query).await? {
            self.issue(&resource, now);
        }
        self.last = Some(now);
        self.polls += 1;
        Ok(())
    }

    async fn tasks(&mut self) -> Result<()> {
        let open =
            self.all("Task?status=requested,received,accepted,ready,in-progress,on-hold&_count=200").await?;
        let mut each: BTreeMap<String, usize> = BTreeMap::new();
        for task in &open {
            if has_code(task.get("code"), "mouth-care-round") {
                *each.entry(text(task, "/for/reference")).or_default() += 1;
            }
        }
        self.open_tasks = each.values().sum();
        self.most_open = self.most_open.max(each.into_values().max().unwrap_or(0));
        Ok(())
    }

    /// How many Tasks there have been.
    pub async fn task_total(&self) -> Result<usize> {
        let all = self.all("Task?_count=200").await?;
        Ok(all.iter().filter(|t| has_code(t.get("code"), "mouth-care-round")).count())
    }

    fn issue(&mut self, resource: &Value, now: Minute) {
        if !has_code(resource.get("code"), "care-lapse") {
            return;
        }
        let Some(key) = issue_key(resource) else {
            self.unread += 1;
            return;
        };
        let seen = self.last.map(|_| now);
        let issue =
            self.issues.entry(text(resource, "/id")).or_insert(Issue { key, status: String::new(), seen });
        issue.status = text(resource, "/status");
    }

    /// What Terce's measure of timeliness says for each requirement from `from` to the day of `now`.
    pub async fn timeliness(&self, from: Minute, now: Minute) -> Result<BTreeMap<&'static str, Counts>> {
        let (from, to) = (day_of(from), day_of(now));
        let path = format!(
            "Measure/timeliness/$evaluate-measure?periodStart={from}&periodEnd={to}&reportType=summary"
        );
        let report = self.get(&format!("{}/fhir/{path}", self.base)).await?;
        let mut out = BTreeMap::new();
        for group in list(&report, "group") {
            let of = |r: &&crate::truth::Requirement| {
                has_code(group.get("code"), r.id) || text(group, "/id") == r.id
            };
            let Some(requirement) = ADULT.iter().find(of) else { continue };
            let count = |code: &str| -> u32 {
                let populations = list(group, "population").iter().filter(|p| has_code(p.get("code"), code));
                let counts = populations.filter_map(|p| p.get("count").and_then(Value::as_u64));
                counts.sum::<u64>().try_into().unwrap_or(u32::MAX)
            };
            let excused = count("denominator-exclusion") + count("denominator-exception");
            let met = count("numerator");
            let missed = count("denominator").saturating_sub(excused).saturating_sub(met);
            out.insert(requirement.id, Counts { met, missed, excused });
        }
        Ok(out)
    }

    async fn all(&self, query: &str) -> Result<Vec<Value>> {
        let mut out = Vec::new();
        let mut next = Some(format!("{}/fhir/{query}", self.base));
        while let Some(url) = next {
            let page = self.get(&url).await?;
            out.extend(list(&page, "entry").iter().filter_map(|e| e.get("resource").cloned()));
            let link = list(&page, "link").iter().find(|l| text(l, "/relation") == "next");
            next = link.map(|l| text(l, "/url"));
        }
        Ok(out)
    }

    async fn get(&self, url: &str) -> Result<Value> {
        let answer = self.http.get(url).header("Accept", "application/fhir+json").send().await?;
        let status = answer.status();
        let body = answer.text().await?;
        if !status.is_success() {
            bail!("GET {url}: {status}: {body}");
        }
        serde_json::from_str(&body).with_context(|| format!("GET {url}: the answer is not JSON"))
    }
}

/// The lapse that an issue is about: its identifier is `stay|first missed deadline in microseconds|requirement`.
fn issue_key(issue: &Value) -> Option<Key> {
    let ours = |i: &&Value| text(i, "/system").ends_with("/sid/lapse");
    let value = text(list(issue, "identifier").iter().find(ours)?, "/value");
    let mut parts = value.split('|').skip(1);
    let from = parts.next()?.parse::<i64>().ok()? / 60_000_000;
    let named = parts.next()?;
    let requirement = ADULT.iter().find(|r| r.id == named)?.id;
    // What people read must be the same instant.
    let shown = read(&text(issue, "/identifiedPeriod/start"))?;
    let patient = text(issue, "/patient/reference").strip_prefix("Patient/")?.to_owned();
    (shown == from).then_some((patient, requirement, from))
}

fn has_code(concept: Option<&Value>, code: &str) -> bool {
    concept.is_some_and(|c| list(c, "coding").iter().any(|c| text(c, "/code") == code))
}

fn list<'a>(of: &'a Value, element: &str) -> &'a [Value] {
    of.get(element).and_then(Value::as_array).map_or(&[], Vec::as_slice)
}

fn text(of: &Value, pointer: &str) -> String {
    of.pointer(pointer).and_then(Value::as_str).unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn the_key_of_an_issue_is_read() {
        let at = read("2026-03-27T10:00:00Z").unwrap();
        let key = format!("en-0001|{}|suction-set", at * 60_000_000);
        let issue = json!({
            "identifier": [{ "system": "https://terce.example/fhir/sid/lapse", "value": key }],
            "patient": { "reference": "Patient/pt-0001" },
            "identifiedPeriod": { "start": "2026-03-27T10:00:00+00:00" },
        });
        assert_eq!(issue_key(&issue), Some(("pt-0001".to_owned(), "suction-set", at)));
    }
}
