//! Limits of who is let in, each beside its reason.

use std::num::NonZeroUsize;
use std::time::Duration;

/// Seconds for which an access token is good: what SMART Backend Services asks for, and the longest that a client
/// which is struck from the configuration of one process can go on in another.
pub const TOKEN_S: i64 = 300;

/// Seconds for which a token of another server may be good at most: what is told to it is known that much later here.
pub const FOREIGN_TOKEN_S: i64 = 3_600;

/// Seconds that an assertion may still be good for when it comes (SMART Backend Services).
pub const ASSERTION_S: i64 = 300;

/// Seconds by which the clocks of two machines that are kept by NTP may differ.
pub const LEEWAY_S: i64 = 10;

/// Microseconds for which an access token that is over is told from one that never was.
pub const OVER_US: i64 = 3_600_000_000;

/// Bytes of an assertion or a token: a chain of scopes for each type, twice over.
pub const SIGNED_BYTES: usize = 16 << 10;

/// Bytes of a `kid`, a `jti` and a client's id: a few UUIDs.
pub const NAME_BYTES: usize = 256;

/// Bytes of a set of keys: some dozens of the largest, with their certificates.
pub const KEYS_BYTES: usize = 256 << 10;

/// Keys in a set: a few clients' old and new ones.
pub const KEYS: usize = 100;

/// Bits of an RSA key: fewer can be broken, more only take time (NIST SP 800-131A; RFC 7518, 3.3).
pub const RSA_BITS: std::ops::RangeInclusive<usize> = 2_048..=8_192;

/// For how long a set of keys is kept if its server does not say.
pub const KEYS_KEPT: Duration = Duration::from_secs(300);

/// For how long a set of keys is kept at most: a key that was withdrawn must stop within a shift.
pub const KEYS_KEPT_MOST: Duration = Duration::from_secs(3_600);

/// How often a set of keys is fetched again for a `kid` that is not in it, and after it could not be fetched.
pub const KEYS_AGAIN: Duration = Duration::from_secs(60);

/// For a set of keys to be fetched: who asked for a token waits for it.
pub const KEYS_TIME: Duration = Duration::from_secs(5);

/// Failures of one address in [`FAILURES_SPAN`] before it is told to wait: more than a client that is set up wrongly
/// and tries again by itself makes.
pub const FAILURES: u32 = 10;

/// See [`FAILURES`].
pub const FAILURES_SPAN: Duration = Duration::from_secs(60);

/// Addresses whose failures are counted at once; beyond it the oldest is forgotten.
pub const FAILING_ADDRESSES: usize = 4_096;

/// For somebody to sign in at the provider's page: a password that is looked for, a second factor.
pub const SIGN_IN_TIME: Duration = Duration::from_secs(600);

/// Sign-ins that are under way at once; beyond it the oldest is forgotten.
pub const SIGN_INS: usize = 1_024;

/// Seconds for which an ID token may be good: it is used once, when it comes.
pub const ID_TOKEN_S: i64 = 24 * 3_600;

/// For how long somebody stays signed in: a shift with its handover.
pub const SIGNED_IN: Duration = Duration::from_secs(13 * 3_600);

/// For how long somebody who looks at nothing stays signed in; a page that keeps itself fresh is looked at.
pub const SIGNED_IN_QUIET: Duration = Duration::from_secs(30 * 60);

/// People who are signed in at once; beyond it who has been quiet longest is out.
pub const PEOPLE: usize = 10_000;

/// Names of tokens of callers of hooks that are remembered: five minutes of three hundred calls a second.
pub const CALLS: NonZeroUsize = NonZeroUsize::new(100_000).unwrap();
