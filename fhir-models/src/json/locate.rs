//! The path of the element at which serde stopped.
//!
//! Only a refused document pays for its path: the reader stays as fast as serde_json is, and the place that
//! serde_json reports is looked up in the document afterwards.

use std::borrow::Cow;

use super::fault::plain;
use super::scan::{elements, top_level};
use crate::ParseError;
use crate::error::split_refusal;

/// serde_json's error as one of ours, below the element `root`.
#[cold]
pub(crate) fn located(text: &str, root: &str, error: &serde_json::Error) -> ParseError {
    let said = error.to_string();
    let place = format!(" at line {} column {}", error.line(), error.column());
    let said = said.strip_suffix(&place).unwrap_or(&said);
    let (kind, message, missing) = split_refusal(said);
    let mut path = root.to_owned();
    if let Some(offset) = offset(text, error.line(), error.column()) {
        let array = said.starts_with("invalid type: sequence");
        append(&mut path, text, if array { opening(text, offset) } else { offset });
    }
    if let Some(name) = missing {
        path.push('.');
        path.push_str(&name);
    }
    ParseError::new(kind, path, message)
}

/// serde_json counts lines from 1 and bytes within one.
fn offset(text: &str, line: usize, column: usize) -> Option<usize> {
    let skipped = line.checked_sub(1)?;
    let start = if skipped == 0 {
        0
    } else {
        memchr::memchr_iter(b'\n', text.as_bytes()).nth(skipped - 1).map(|at| at + 1)?
    };
    Some(start + column)
}

/// The bracket of an array that was refused: it may have been read already, with the white space after it.
fn opening(text: &str, offset: usize) -> usize {
    let read = text.get(..offset).unwrap_or_default().trim_ascii_end();
    if read.ends_with('[') && text.get(offset..offset + 1) != Some("[") { read.len() - 1 } else { offset }
}

/// Appends the path of the innermost value that begins, ends or goes on at `offset`. It is one value only: what
/// contains it begins before it and ends after it.
fn append(path: &mut String, text: &str, mut offset: usize) {
    let mut inside: Cow<'_, str> = Cow::Borrowed(text);
    loop {
        let trimmed = inside.trim_start().len();
        let skipped = inside.len() - trimmed;
        let Some(at) = offset.checked_sub(skipped) else { return };
        let object = inside.get(skipped..).unwrap_or_default().to_owned();
        let place = if object.starts_with('[') {
            let places = elements(&object);
            places.into_iter().enumerate().find(|(_, p)| p.start <= at && at <= p.end).map(
                |(index, place)| {
                    path.push_str(&format!("[{index}]"));
                    place
                },
            )
        } else {
            let members = top_level(&object).unwrap_or_default();
            members.into_iter().find(|(_, m)| m.value.start <= at && at <= m.value.end).map(
                |(name, member)| {
                    if !path.is_empty() {
                        path.push('.');
                    }
                    path.push_str(&plain(&name));
                    member.value
                },
            )
        };
        let Some(place) = place else { return };
        offset = at - place.start;
        inside = Cow::Owned(object.get(place).unwrap_or_default().to_owned());
    }
}
