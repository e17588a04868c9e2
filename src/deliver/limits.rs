//! Limits of notifications, each beside its reason.

use std::time::Duration;

/// Subscriptions that are served at once: each may hold a page of documents and a connection.
pub(super) const SUBSCRIPTIONS: usize = 200;

/// Documents that are read at a time for one subscriber, and told again if the process ends before that is stored.
pub(super) const PAGE: usize = 32;

/// Documents that one step looks at, whether they fit or not: a fraction of a second, then others have their turn.
pub(super) const LOOKED_AT: usize = 4_096;

/// Documents that wait for a failing subscriber are counted up to here: more is not told apart, and is read each time.
pub(super) const WAITING: usize = 256;

/// Bytes of an answer that are read so that the connection can be used again; nothing in them is looked at.
pub(super) const ANSWER_BYTES: usize = 16 << 10;

/// The first pause after a failure; it doubles with each further one.
pub(super) const FIRST_PAUSE_US: i64 = 1_000_000;

/// The longest pause that we choose.
pub(super) const LONGEST_PAUSE_US: i64 = 300_000_000;

/// The shortest pause: what is drawn by lot could be none.
pub(super) const SHORTEST_PAUSE_US: i64 = 200_000;

/// The shortest pause after an answer that a repetition will hardly change: no right, no such address.
pub(super) const DENIED_PAUSE_US: i64 = 60_000_000;

/// The longest pause that a subscriber may ask for.
pub(super) const ASKED_PAUSE_US: i64 = 3_600_000_000;

/// For how long a subscriber may fail before it is told no more: a day covers a night's and a weekend's repair of most
/// systems, and what is kept for it meanwhile is only a position.
pub(super) const GIVE_UP_US: i64 = 24 * 3_600_000_000;

/// For how long a handshake may fail: whoever has just subscribed is there.
pub(super) const HANDSHAKE_US: i64 = 600_000_000;

/// How often a subscriber may refuse a notification before it is passed over, so that the others reach it.
pub(super) const REFUSALS: u32 = 5;

/// The pause after the store did not answer.
pub(super) const STORE_PAUSE: Duration = Duration::from_secs(1);

/// Lanes that are served at one server at once: as many as connections are kept to it.
pub(super) const LANES: usize = 8;

/// Documents that are noted as wanted in one transaction.
pub(super) const NOTED: usize = 256;

/// How often what others write there meanwhile is brought together with ours before the document has to wait.
pub(super) const MERGES: usize = 4;

/// Documents that may fail one after the other, with none between that does not, before the whole server is left alone.
pub(super) const STUCK: u32 = 8;

/// How long is waited for further commits after one, so that what comes together is noted together.
pub(super) const SWARM: Duration = Duration::from_millis(50);

/// By how much what is looked for there overlaps with what was seen: servers' clocks, and writes that show late.
pub(super) const BACK_OVERLAP_US: i64 = 120_000_000;

/// Tasks to a page of what was changed there.
pub(super) const BACK_PAGE: usize = 200;

/// Pages of that which are read at a time; the rest has its turn with the next.
pub(super) const BACK_PAGES: usize = 50;
