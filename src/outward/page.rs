//! A page of a search or a history, as a server answers it.

use std::collections::BTreeSet;

use fhir_models::primitive::{Point, is_id};
use reqwest::header::CONTENT_TYPE;
use serde::Deserialize;
use serde_json::value::RawValue;

use super::Answer;

/// A Bundle as far as it is asked for here.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Page {
    resource_type: String,
    #[serde(default)]
    link: Vec<Link>,
    #[serde(default)]
    entry: Vec<Entry>,
}

#[derive(Debug, Deserialize)]
struct Link {
    relation: String,
    url: String,
}

#[derive(Debug, Deserialize)]
struct Entry {
    resource: Option<Box<RawValue>>,
    search: Option<Search>,
    request: Option<Asked>,
    response: Option<Said>,
}

#[derive(Debug, Deserialize)]
struct Search {
    mode: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Asked {
    method: String,
    url: String,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "camelCase")]
struct Said {
    last_modified: Option<String>,
}

impl Page {
    /// The Bundle that was answered; none if it is none in FHIR's JSON.
    pub fn read(answer: &Answer) -> Option<Page> {
        let media = answer.headers.get(CONTENT_TYPE)?.to_str().ok()?;
        let page: Page = serde_json::from_slice(&answer.body).ok().filter(|_| media.contains("json"))?;
        (page.resource_type == "Bundle").then_some(page)
    }

    /// Where the next page is, as the server says.
    pub fn next(&self) -> Option<String> {
        self.link.iter().find(|link| link.relation == "next").map(|link| link.url.clone())
    }

    /// The documents that were found, without what the server says beside.
    pub fn found(self) -> impl Iterator<Item = Box<RawValue>> {
        let found = |entry: &Entry| {
            entry.search.as_ref().and_then(|s| s.mode.as_deref()).is_none_or(|mode| mode != "outcome")
        };
        self.entry.into_iter().filter(found).filter_map(|entry| entry.resource)
    }

    /// The documents of a history of `kind` that are gone, by id, with when if that is said, in microseconds: those whose
    /// newest entry, which comes first, is a deletion.
    pub fn deleted(self, kind: &str) -> Vec<(String, Option<i64>)> {
        let mut seen = BTreeSet::new();
        let gone = self.entry.into_iter().filter_map(|entry| {
            let asked = entry.request?;
            let mut path = asked.url.split('/').skip_while(|part| *part != kind).skip(1);
            let id = path.next().filter(|id| is_id(id))?.to_owned();
            let newest = seen.insert(id.clone());
            let at = entry.response.and_then(|said| said.last_modified);
            let at_us = at.and_then(|at| Point::read(&at)?.instant_us());
            (newest && asked.method == "DELETE").then_some((id, at_us))
        });
        gone.collect()
    }
}
