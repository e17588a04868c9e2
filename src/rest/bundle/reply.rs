//! The answer to a Bundle, written by hand: it is the longest text that the service makes for a feed.

use std::borrow::Cow;

use axum::http::StatusCode;

use super::super::refused::{Issue, Refused, outcome};
use super::super::text;
use super::get::Found;
use crate::store::{Change, Written};

/// What became of one entry.
#[derive(Debug)]
pub(super) enum Fate {
    /// It was written.
    Written {
        /// As the store says.
        written: Written,
        /// The resource, if it is sent back.
        resource: Option<Vec<u8>>,
        /// What was odd.
        warnings: Vec<Issue>,
    },
    /// It was read.
    Found(Found),
    /// It was refused.
    Refused(Refused),
}

/// The response Bundle.
pub(super) fn text(sort: &str, fates: &[Fate]) -> String {
    let bytes: usize = fates.iter().map(size).sum();
    let mut out = String::with_capacity(bytes + 96);
    out.push_str("{\"resourceType\":\"Bundle\",\"type\":\"");
    out.push_str(sort);
    out.push('"');
    // in one Bundle nearly all have the same time
    let mut last: (i64, String) = (0, text::instant(0));
    for (index, fate) in fates.iter().enumerate() {
        out.push_str(if index == 0 { ",\"entry\":[{" } else { ",{" });
        match fate {
            Fate::Written { written, resource, warnings } => {
                if last.0 != written.updated_us {
                    last = (written.updated_us, text::instant(written.updated_us));
                }
                push_written(&mut out, written, resource.as_deref(), warnings, &last.1);
            }
            Fate::Found(found) => push_found(&mut out, found),
            Fate::Refused(refused) => {
                let (status, _) = refused.status_and_code();
                out.push_str("\"response\":{\"status\":\"");
                out.push_str(status.as_str());
                out.push_str("\",\"outcome\":");
                out.push_str(&refused.outcome());
                out.push_str("}}");
            }
        }
    }
    out.push_str(if fates.is_empty() { "}" } else { "]}" });
    out
}

fn size(fate: &Fate) -> usize {
    match fate {
        Fate::Written { resource, warnings, .. } => {
            220 + resource.as_ref().map_or(0, Vec::len) + warnings.len() * 200
        }
        Fate::Found(found) => 128 + found.body.len(),
        Fate::Refused(_) => 400,
    }
}

fn push_found(out: &mut String, found: &Found) {
    if !found.body.is_empty() {
        out.push_str("\"resource\":");
        out.push_str(&lossless(&found.body));
        out.push(',');
    }
    out.push_str(&format!("\"response\":{{\"status\":\"{}\"", found.status));
    if let Some(etag) = &found.etag {
        out.push_str(",\"etag\":");
        text::push_json(out, etag);
    }
    if let Some(updated_us) = found.updated_us {
        // as in a header line, it is told to the second
        out.push_str(&format!(",\"lastModified\":\"{}\"", text::instant(updated_us).replace(".000000", "")));
    }
    out.push_str("}}");
}

fn push_written(
    out: &mut String,
    written: &Written,
    resource: Option<&[u8]>,
    warnings: &[Issue],
    updated: &str,
) {
    if let Some(resource) = resource {
        out.push_str("\"resource\":");
        out.push_str(&lossless(resource));
        out.push(',');
    }
    out.push_str("\"response\":{\"status\":\"");
    let status = match written.change {
        Change::Created => StatusCode::CREATED,
        Change::Updated | Change::Unchanged => StatusCode::OK,
        Change::Deleted => StatusCode::NO_CONTENT,
    };
    let gone = written.version == 0;
    out.push_str(if gone { StatusCode::NO_CONTENT.as_str() } else { status.as_str() });
    out.push('"');
    if !gone {
        let version = written.version.to_string();
        // ids and kinds have no character that JSON escapes
        for piece in [",\"location\":\"", &written.kind, "/", &written.id, "/_history/", &version] {
            out.push_str(piece);
        }
        for piece in ["\",\"etag\":\"W/\\\"", &version, "\\\"\",\"lastModified\":\"", updated, "\""] {
            out.push_str(piece);
        }
    }
    if !warnings.is_empty() {
        out.push_str(",\"outcome\":");
        out.push_str(&outcome(warnings));
    }
    out.push_str("}}");
}

fn lossless(bytes: &[u8]) -> Cow<'_, str> {
    // what is stored and what is spliced has been read as UTF-8
    String::from_utf8_lossy(bytes)
}
