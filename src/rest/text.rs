//! Small texts of HTTP and JSON: strings, dates, entity tags, percent-encoding.

use std::borrow::Cow;

use chrono::{DateTime, SecondsFormat, Utc};

/// Appends `text` as a JSON string.
pub(super) fn push_json(out: &mut String, text: &str) {
    out.push('"');
    let mut rest = text;
    while let Some(at) = rest.find(|c: char| c < ' ' || c == '"' || c == '\\' || c == '\u{7f}') {
        let (plain, special) = rest.split_at(at);
        out.push_str(plain);
        let mut characters = special.chars();
        match characters.next() {
            Some('"') => out.push_str("\\\""),
            Some('\\') => out.push_str("\\\\"),
            Some('\n') => out.push_str("\\n"),
            Some('\t') => out.push_str("\\t"),
            Some(other) => out.push_str(&format!("\\u{:04x}", u32::from(other))),
            None => {}
        }
        rest = characters.as_str();
    }
    out.push_str(rest);
    out.push('"');
}

/// At most `bytes` of `text`, ended between characters.
pub(super) fn cut(text: &str, bytes: usize) -> &str {
    let mut end = bytes.min(text.len());
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    text.get(..end).unwrap_or_default()
}

fn utc(us: i64) -> DateTime<Utc> {
    DateTime::from_timestamp_micros(us).unwrap_or_default()
}

/// `2026-01-02T03:04:05.123456Z`.
pub(super) fn instant(us: i64) -> String {
    utc(us).to_rfc3339_opts(SecondsFormat::Micros, true)
}

/// `Fri, 02 Jan 2026 03:04:05 GMT`.
pub(super) fn http_date(us: i64) -> String {
    utc(us).format("%a, %d %b %Y %H:%M:%S GMT").to_string()
}

/// The instant of an HTTP date; none if it is none.
pub(super) fn us_of_http_date(text: &str) -> Option<i64> {
    DateTime::parse_from_rfc2822(text.trim()).ok().map(|at| at.timestamp_micros())
}

/// `W/"3"`.
pub(super) fn etag(version: u64) -> String {
    format!("W/\"{version}\"")
}

/// The version that an entity tag names: `W/"3"`, or `"3"` as some clients send it.
pub(super) fn version_of_etag(tag: &str) -> Option<u64> {
    let tag = tag.trim();
    let quoted = tag.strip_prefix("W/").unwrap_or(tag);
    version(quoted.strip_prefix('"')?.strip_suffix('"')?)
}

/// A version id of this service: a number without leading zeros.
pub(super) fn version(text: &str) -> Option<u64> {
    let plain = text.bytes().all(|b| b.is_ascii_digit()) && !text.starts_with('0');
    if plain { text.parse().ok() } else { None }
}

/// Percent-decoded; `+` is a space where `form` says so. None if it is not UTF-8 then, or no encoding.
pub(super) fn decoded(text: &str, form: bool) -> Option<Cow<'_, str>> {
    if !text.bytes().any(|b| b == b'%' || (form && b == b'+')) {
        return Some(Cow::Borrowed(text));
    }
    let mut out = Vec::with_capacity(text.len());
    let mut bytes = text.bytes();
    while let Some(byte) = bytes.next() {
        match byte {
            b'%' => {
                let (high, low) = (hex(bytes.next()?)?, hex(bytes.next()?)?);
                out.push(high << 4 | low);
            }
            b'+' if form => out.push(b' '),
            other => out.push(other),
        }
    }
    String::from_utf8(out).ok().map(Cow::Owned)
}

fn hex(digit: u8) -> Option<u8> {
    char::from(digit).to_digit(16).and_then(|d| u8::try_from(d).ok())
}

/// Appends `text` percent-encoded for a query.
pub(super) fn push_encoded(out: &mut String, text: &str) {
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' | b'/' | b':' | b',' => {
                out.push(char::from(byte));
            }
            other => out.push_str(&format!("%{other:02X}")),
        }
    }
}
