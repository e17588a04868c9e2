//! Limits of what comes in by itself, each beside its reason.

use std::time::Duration;

/// Entries that are handed over at once: some hundred milliseconds of work, and an answer of some kilobytes.
pub(super) const ENTRIES: usize = 500;

/// Bytes that are handed over at once: half of what a request may have.
pub(super) const BYTES: usize = 8 << 20;

/// Bytes of the answer to that: some hundred for each entry, and what is wrong with each.
pub(super) const ANSWER: usize = 8 << 20;

/// How often what was overtaken by another write is looked at again.
pub(super) const OVERTAKEN: usize = 4;

/// Pages of one type in one round: a server that points on and on is left after so many, and asked again in the next.
pub(super) const PAGES: usize = 10_000;

/// Bytes of a line of NDJSON: what a request may have.
pub(super) const LINE: usize = 16 << 20;

/// Bytes of a file that are read at a time.
pub(super) const FILE_BUFFER: usize = 256 << 10;

/// How often it is looked whether an export is there, in one round: with pauses of minutes, a day.
pub(super) const EXPORT_LOOKS: u32 = 500;

/// Documents that one notification may name without sending them: each is a request.
pub(super) const FOCUS: usize = 1_000;

/// Documents that are gone over for what they point at, at a time.
pub(super) const SOUGHT: usize = 200;

/// Names of documents that are remembered as being there, or not: some hundred bytes each.
pub(super) const KNOWN: usize = 100_000;

/// For how long what a server does not have is not asked for again, in microseconds: an hour.
pub(super) const ABSENT_US: i64 = 3_600_000_000;

/// How long is waited for further documents after one, in milliseconds, so that what comes together is gone over together.
pub(super) const SEEK_MS: u64 = 100;

/// Messages of a stream that are taken at a time, and may be under way: each is a document or a Bundle of some.
pub(super) const MESSAGES: usize = 200;

/// For how long is waited for the first message before it is asked whether there are any.
pub(super) const LISTEN: Duration = Duration::from_secs(5);

/// A message that is not acknowledged for so long is sent again: taking in [`MESSAGES`] lasts a second or so.
pub(super) const ACKNOWLEDGE: Duration = Duration::from_secs(30);

/// For how long is waited for a server of messages to answer.
pub(super) const CONNECT: Duration = Duration::from_secs(10);
