//! Strings, eight bytes at a time.

use std::borrow::Cow;

use super::fault::{Fault, Read};
use crate::IssueKind;

const ONES: u64 = 0x0101_0101_0101_0101;
const HIGHS: u64 = 0x8080_8080_8080_8080;

/// How many bytes come before the first quote, backslash or control character.
///
/// In a word, the lowest byte that a subtraction marks is marked rightly; a borrow only spoils those above it.
#[inline]
pub(super) fn plain_run(rest: &[u8]) -> usize {
    let (words, tail) = rest.as_chunks::<8>();
    let mut run = 0;
    for word in words {
        let word = u64::from_le_bytes(*word);
        let quote = word ^ (ONES * u64::from(b'"'));
        let slash = word ^ (ONES * u64::from(b'\\'));
        let special = (word.wrapping_sub(ONES * 0x20) & !word)
            | (quote.wrapping_sub(ONES) & !quote)
            | (slash.wrapping_sub(ONES) & !slash);
        let special = special & HIGHS;
        if special != 0 {
            return run + (special.trailing_zeros() / 8) as usize;
        }
        run += 8;
    }
    run + tail.iter().take_while(|b| **b >= 0x20 && **b != b'"' && **b != b'\\').count()
}

/// What follows a backslash: how many bytes it takes and which character it stands for.
pub(super) fn escape(rest: &[u8]) -> Read<(usize, char)> {
    let plain = match rest.first() {
        Some(b'"') => '"',
        Some(b'\\') => '\\',
        Some(b'/') => '/',
        Some(b'b') => '\u{8}',
        Some(b'f') => '\u{c}',
        Some(b'n') => '\n',
        Some(b'r') => '\r',
        Some(b't') => '\t',
        Some(b'u') => return unicode(rest),
        _ => return Err(Fault::structure("a backslash that begins no escape of JSON")),
    };
    Ok((1, plain))
}

fn unicode(rest: &[u8]) -> Read<(usize, char)> {
    let first = unit(rest, 1)?;
    if first == 0 {
        return Err(Fault::new(IssueKind::Value, "the character U+0000 is in no string of FHIR"));
    }
    if let Some(single) = char::from_u32(first) {
        return Ok((5, single));
    }
    let lone = || Fault::structure("half of a surrogate pair");
    if first >= 0xdc00 || rest.get(5..7) != Some(b"\\u".as_slice()) {
        return Err(lone());
    }
    let second = unit(rest, 7)?;
    if !(0xdc00..0xe000).contains(&second) {
        return Err(lone());
    }
    let pair = 0x10000 + ((first - 0xd800) << 10) + (second - 0xdc00);
    char::from_u32(pair).map(|c| (11, c)).ok_or_else(lone)
}

/// Four hexadecimal digits.
fn unit(rest: &[u8], at: usize) -> Read<u32> {
    let digits = rest.get(at..at + 4).filter(|d| d.iter().all(u8::is_ascii_hexdigit));
    digits
        .and_then(|d| std::str::from_utf8(d).ok())
        .and_then(|d| u32::from_str_radix(d, 16).ok())
        .ok_or_else(|| Fault::structure("\\u without four hexadecimal digits"))
}

/// The meaning of a string's inside that the reader has passed.
pub(super) fn unescaped(inside: &str) -> Cow<'_, str> {
    if !inside.contains('\\') {
        return Cow::Borrowed(inside);
    }
    let mut out = String::with_capacity(inside.len());
    let mut rest = inside;
    while let Some((plain, after)) = rest.split_once('\\') {
        out.push_str(plain);
        let Ok((taken, character)) = escape(after.as_bytes()) else { break };
        out.push(character);
        rest = after.get(taken..).unwrap_or_default();
    }
    out.push_str(rest);
    Cow::Owned(out)
}
