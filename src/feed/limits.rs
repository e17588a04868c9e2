//! Limits of what comes in by itself, each beside its reason.

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
