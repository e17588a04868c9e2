//! What is the server's, put into a document whose other bytes stay as they were sent.

use std::ops::Range;

use super::scan::{Member, scan, top_level};
use crate::{IssueKind, ParseError};

/// `body` with the server's `id`, `meta.versionId` and `meta.lastUpdated`.
///
/// The result starts `{"resourceType":..,"id":..,"meta":..`. What else `meta` has (profile, tag, security, source,
/// extension) is kept; what the client said of the three is not. Everything outside them keeps its bytes.
pub fn with_id_and_meta(
    body: &[u8],
    id: &str,
    version: &str,
    last_updated: &str,
) -> Result<Vec<u8>, ParseError> {
    let found = scan(body)?;
    let text = std::str::from_utf8(body).unwrap_or_default();
    let resource_type = found
        .resource_type
        .as_ref()
        .ok_or_else(|| ParseError::new(IssueKind::Required, "resourceType", "a resource says its type"))?;
    let mut out = String::with_capacity(text.len() + 160);
    out.push_str("{\"resourceType\":");
    out.push_str(text.get(resource_type.value.clone()).unwrap_or_default());
    out.push_str(",\"id\":");
    push_string(&mut out, id);
    out.push_str(",\"meta\":{\"versionId\":");
    push_string(&mut out, version);
    out.push_str(",\"lastUpdated\":");
    push_string(&mut out, last_updated);
    if let Some(meta) = &found.meta {
        let meta = text.get(meta.value.clone()).unwrap_or_default();
        push_kept_meta(&mut out, meta)?;
    }
    out.push('}');
    push_without(&mut out, text, [found.resource_type, found.id, found.meta].into_iter().flatten().collect());
    out.push('}');
    Ok(out.into_bytes())
}

/// `body` with another value, in JSON, of one of its outermost members; none: without the member. A new one comes last.
///
/// # Errors
/// As [`scan`], of `body` and of what it becomes.
pub fn with_member(body: &[u8], name: &str, value: Option<&str>) -> Result<Vec<u8>, ParseError> {
    scan(body)?;
    let text = std::str::from_utf8(body).unwrap_or_default();
    let found = top_level(text)?.into_iter().find(|(n, _)| n == name).map(|(_, member)| member);
    let mut out = String::with_capacity(text.len() + name.len() + value.map_or(0, str::len) + 8);
    match (found, value) {
        (Some(member), Some(value)) => {
            out.push_str(text.get(..member.value.start).unwrap_or_default());
            out.push_str(value);
            out.push_str(text.get(member.value.end..).unwrap_or_default());
        }
        (None, None) => out.push_str(text),
        (found, value) => {
            out.push('{');
            push_without(&mut out, text, found.into_iter().collect());
            if let Some(value) = value {
                out.push(',');
                push_string(&mut out, name);
                out.push(':');
                out.push_str(value);
            }
            out.push('}');
            // each run of members comes after a comma, and so does the first
            out = out.replacen("{,", "{", 1);
        }
    }
    scan(out.as_bytes())?;
    Ok(out.into_bytes())
}

fn push_kept_meta(out: &mut String, meta: &str) -> Result<(), ParseError> {
    let members = top_level(meta)
        .map_err(|_| ParseError::new(IssueKind::Structure, "meta", "expected an object (Meta)"))?;
    let ours = ["versionId", "_versionId", "lastUpdated", "_lastUpdated"];
    for (name, member) in members {
        if !ours.contains(&name.as_ref()) {
            out.push(',');
            out.push_str(meta.get(member.whole).unwrap_or_default());
        }
    }
    Ok(())
}

/// The members of an object but those that are taken out, each run of them after a comma.
fn push_without(out: &mut String, text: &str, mut taken: Vec<Member>) {
    taken.sort_by_key(|m| m.whole.start);
    let open = text.find('{').map_or(0, |at| at + 1);
    let close = text.rfind('}').unwrap_or(text.len());
    let mut start = open;
    for member in taken {
        push_run(out, text, start..member.whole.start);
        start = member.whole.end;
    }
    push_run(out, text, start..close);
}

fn push_run(out: &mut String, text: &str, run: Range<usize>) {
    let white = [' ', '\n', '\r', '\t'];
    let run = text.get(run).unwrap_or_default().trim_matches(white);
    let run = run.strip_prefix(',').unwrap_or(run);
    let run = run.strip_suffix(',').unwrap_or(run).trim_matches(white);
    if !run.is_empty() {
        out.push(',');
        out.push_str(run);
    }
}

fn push_string(out: &mut String, text: &str) {
    // A string always serializes; the quotes are there if it should not
    out.push_str(&serde_json::to_string(text).unwrap_or_else(|_| "\"\"".to_owned()));
}
