//! Limits of calls to configured servers, each beside its reason.

use std::time::Duration;

/// For a connection to be made, names and TLS included.
pub const CONNECT_TIME: Duration = Duration::from_secs(10);

/// For an answer to be there whole: a page of a large search takes a record server seconds.
pub const ANSWER_TIME: Duration = Duration::from_secs(60);

/// Bytes of an answer about one document, inflated: what a server answers to a write.
pub const ANSWER_BYTES: usize = 1 << 20;

/// Bytes of a page of a search, inflated: a thousand documents of some kilobytes.
pub const PAGE_BYTES: usize = 16 << 20;

/// Idle connections that are kept to a server: as many as there are calls of it at once.
pub const IDLE: usize = 8;

/// Seconds for which the assertion that asks for a token is good: SMART allows five minutes, and clocks differ.
pub const ASSERTION_S: i64 = 240;

/// Seconds for which a token is used whose server does not say how long it is good.
pub const TOKEN_S: i64 = 60;

/// Seconds before its end after which a token is not used any more: a call takes as long.
pub const TOKEN_MARGIN_S: i64 = 30;

/// For how long after a refusal no token is asked for, in microseconds: a wrong key does not become right by asking.
pub const TOKEN_AGAIN_US: i64 = 60_000_000;

/// The longest pause that a server can ask for, in microseconds: an hour.
pub const ASKED_PAUSE_US: i64 = 3_600_000_000;

/// The first pause after a failure, in microseconds; it doubles.
pub const PAUSE_US: i64 = 1_000_000;

/// The longest pause that is taken unasked, in microseconds: five minutes.
pub const LONGEST_PAUSE_US: i64 = 300_000_000;
