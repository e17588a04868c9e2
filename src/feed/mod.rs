//! What comes in by itself, and how far each source is known to have told everything.
//!
//! * [`Feeds`]: how each source is doing, and the parts of it that are watched (`expected`);
//! * [`Reader`]: reads from a source by itself: searches it, has it exported, watches a folder of files, or listens to a stream of
//!   messages; what it finds goes in through `intake`;
//! * [`Trial`]: reads a record once, to see what would become of it;
//! * [`Notices`]: takes what a source tells by itself; [`Seeker`]: fetches what documents point at.

mod bulk;
mod expected;
mod folder;
mod intake;
mod limits;
mod lines;
mod needs;
mod notices;
mod poll;
mod reader;
mod stream;
mod trial;

pub use expected::{Found, Part, Turned};
pub use needs::Seeker;
pub use notices::{NotTaken, Notices};
pub use reader::{Reader, notices};
pub use trial::Trial;

use std::collections::BTreeMap;
use std::sync::{Arc, PoisonError, RwLock};

use tokio::sync::watch;

use crate::care::ledger;
use crate::care::time::{Instant, Length};
use crate::config::Source;

/// A source is silent after so many of its heartbeats did not come, but not before [`PATIENCE`] has passed.
const HEARTBEATS_MISSED: i64 = 3;

/// A short hiccup of a network is not a silence.
const PATIENCE: Length = Length::minutes(5);

/// The watched sources. Cheap to clone; all clones see the same.
#[derive(Clone, Debug, Default)]
pub struct Feeds(
    Arc<RwLock<BTreeMap<String, Watched>>>,
    watch::Sender<BTreeMap<String, Polled>>,
    Arc<RwLock<expected::Parts>>,
);

/// How reading from a source by itself goes.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Polled {
    /// Rounds in which everything was read, since the start.
    pub rounds: u64,
    /// Documents that were new or changed in them.
    pub documents: u64,
    /// When the last round came to its end.
    pub last: Option<Instant>,
    /// Since when none does, and why.
    pub failing: Option<(Instant, String)>,
    /// Rounds in a row that did not.
    pub tries: u64,
}

#[derive(Clone, Debug)]
struct Watched {
    /// Who is to see to it when it is silent.
    owner: Option<Arc<str>>,
    /// Silent when nothing was heard for this long.
    patience: Length,
    /// Up to when it has told everything.
    told: Instant,
    /// True once it has been heard since the service started.
    heard: bool,
    /// True while what it has told meanwhile is being read.
    catching_up: bool,
}

/// How a source is doing.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum State {
    /// Nothing was heard of it since the service started.
    Unknown,
    /// It speaks.
    Live,
    /// It spoke and fell silent.
    Silent,
}

impl State {
    /// As it is told to machines.
    pub const fn code(self) -> &'static str {
        match self {
            State::Unknown => "unknown",
            State::Live => "live",
            State::Silent => "silent",
        }
    }
}

/// One source at one instant.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Status {
    /// Its name.
    pub name: String,
    /// How it is doing.
    pub state: State,
    /// Up to when it has told everything; none: never heard.
    pub told: Option<Instant>,
    /// It is not live, and what it has told meanwhile is being read: it is once all of that is in.
    pub catching_up: bool,
}

impl Feeds {
    /// Watches `sources`; `told` gives what earlier runs of the service have heard.
    pub fn watch(sources: &[Source], told: impl Fn(&str) -> Option<Instant>) -> Self {
        let watched = sources.iter().map(|s| {
            let patience = Length::seconds(HEARTBEATS_MISSED * i64::from(s.heartbeat_seconds)).max(PATIENCE);
            let told = told(&s.name).unwrap_or(Instant::EARLIEST);
            let owner = s.owner.as_deref().map(Arc::from);
            (s.name.clone(), Watched { owner, patience, told, heard: false, catching_up: false })
        });
        let parts = Arc::new(RwLock::new(expected::Parts::of(sources)));
        Feeds(Arc::new(RwLock::new(watched.collect())), watch::Sender::default(), parts)
    }

    /// `source` says that it has told everything up to `at`. False if it is not watched.
    pub fn heard(&self, source: &str, at: Instant) -> bool {
        let mut all = self.0.write().unwrap_or_else(PoisonError::into_inner);
        let Some(watched) = all.get_mut(source) else { return false };
        watched.told = watched.told.max(at);
        watched.heard = true;
        watched.catching_up = false;
        true
    }

    /// Whether `source` was silent, and tells now what has gathered meanwhile.
    pub fn is_catching_up(&self, source: &str, now: Instant) -> bool {
        let all = self.0.read().unwrap_or_else(PoisonError::into_inner);
        all.get(source).is_some_and(|watched| watched.is_catching_up(now))
    }

    /// `source` is being read, and not all of it is in yet.
    pub fn catches_up(&self, source: &str) {
        let mut all = self.0.write().unwrap_or_else(PoisonError::into_inner);
        if let Some(watched) = all.get_mut(source) {
            watched.catching_up = true;
        }
    }

    /// Notes how a round of reading from `source` ended at `now`: how many documents were new or changed, or why it
    /// could not be read.
    fn polled(&self, source: &str, now: Instant, came: Result<usize, String>) {
        self.1.send_modify(|all| {
            let polled = all.entry(source.to_owned()).or_default();
            match came {
                Ok(documents) => {
                    polled.rounds += 1;
                    polled.documents += documents as u64;
                    (polled.last, polled.failing, polled.tries) = (Some(now), None, 0);
                }
                Err(why) => {
                    let since = polled.failing.take().map_or(now, |(since, _)| since);
                    polled.failing = Some((since, why));
                    polled.tries += 1;
                }
            }
        });
    }

    /// How reading from each source that is polled goes, now and whenever that changes.
    pub fn polls(&self) -> watch::Receiver<BTreeMap<String, Polled>> {
        self.1.subscribe()
    }

    /// How far everything has been told at `now`: by the slowest of the watched sources.
    pub fn at(&self, now: Instant) -> ledger::Feed {
        let all = self.0.read().unwrap_or_else(PoisonError::into_inner);
        let Some(watermark) = all.values().map(|w| w.told).min() else { return ledger::Feed::unwatched() };
        if all.values().all(|w| w.state(now) == State::Live) {
            ledger::Feed::Live { watermark }
        } else {
            ledger::Feed::Silent { watermark }
        }
    }

    /// Who is to see to a source when it is silent.
    pub fn owner(&self, source: &str) -> Option<Arc<str>> {
        self.0.read().unwrap_or_else(PoisonError::into_inner).get(source)?.owner.clone()
    }

    /// Each watched source at `now`.
    pub fn status(&self, now: Instant) -> Vec<Status> {
        let all = self.0.read().unwrap_or_else(PoisonError::into_inner);
        let status = |(name, w): (&String, &Watched)| Status {
            name: name.clone(),
            state: w.state(now),
            told: (w.told > Instant::EARLIEST).then_some(w.told),
            catching_up: w.is_catching_up(now),
        };
        all.iter().map(status).collect()
    }

    /// The next instant at which a source that speaks falls silent if it is not heard.
    pub fn next_silence(&self, now: Instant) -> Option<Instant> {
        let all = self.0.read().unwrap_or_else(PoisonError::into_inner);
        all.values().filter(|w| w.state(now) == State::Live).map(|w| w.told + w.patience).min()
    }
}

impl Watched {
    fn is_catching_up(&self, now: Instant) -> bool {
        self.catching_up && self.state(now) != State::Live
    }

    fn state(&self, now: Instant) -> State {
        if !self.heard {
            State::Unknown
        } else if now < self.told + self.patience {
            State::Live
        } else {
            State::Silent
        }
    }
}
