//! The places that connections take, and who gives one up when all are taken.
//!
//! A connection that only sits there costs nothing to open and must not keep out who has something to ask: when all
//! places are taken, the one that has waited longest for a request to begin, or to be sent to its end, makes room.
//! Nobody is preferred by address: behind a gateway all of a hospital comes from one.

use std::collections::BTreeMap;
use std::pin::Pin;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use axum::body::{Bytes, HttpBody};
use hyper::body::{Frame, Incoming, SizeHint};
use tokio::sync::Notify;
use tokio::time::Instant;

/// All places.
#[derive(Debug)]
pub(super) struct Places {
    most: usize,
    /// For how long a body may be under way before its sender has to make room.
    patience: Duration,
    begun: Instant,
    taken: Mutex<Taken>,
}

#[derive(Debug, Default)]
struct Taken {
    /// By the order of their coming.
    seats: BTreeMap<u64, Arc<Seat>>,
    next: u64,
}

/// The place of one connection, until it is dropped.
#[derive(Debug)]
pub(super) struct Place {
    places: Arc<Places>,
    number: u64,
    seat: Arc<Seat>,
}

#[derive(Debug, Default)]
struct Seat {
    /// [`Doing`] in the lowest two bits, and since when above them, in milliseconds.
    doing: AtomicU64,
    leave: Notify,
}

/// What a connection does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Doing {
    /// No request is under way, or its head is not complete; or its answer is being taken.
    Waiting,
    /// The body of a request is being sent.
    Sending,
    /// A request that has come whole is being answered.
    Asking,
}

impl Places {
    /// As many as `most`.
    pub(super) fn new(most: usize, patience: Duration) -> Arc<Self> {
        Arc::new(Places { most, patience, begun: Instant::now(), taken: Mutex::default() })
    }

    /// A place for a new connection; none if all are taken by such as cannot make room.
    pub(super) fn take(self: &Arc<Self>) -> Option<Place> {
        self.take_at(Instant::now())
    }

    fn take_at(self: &Arc<Self>, now: Instant) -> Option<Place> {
        let now = self.millis(now);
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        if taken.seats.len() >= self.most {
            let (number, seat) = self.to_leave(&taken, now)?;
            taken.seats.remove(&number);
            seat.leave.notify_one();
        }
        let number = taken.next;
        taken.next += 1;
        let seat = Arc::new(Seat::default());
        seat.set(Doing::Waiting, now);
        taken.seats.insert(number, seat.clone());
        Some(Place { places: self.clone(), number, seat })
    }

    /// Who has waited longest; else whose body has been under way longest, and for too long.
    fn to_leave(&self, taken: &Taken, now: u64) -> Option<(u64, Arc<Seat>)> {
        let longest = |wanted: Doing| {
            let all = taken.seats.iter().map(|(number, seat)| (seat.get(), *number, seat));
            let some = all.filter(|((doing, _), ..)| *doing == wanted);
            some.min_by_key(|((_, since), number, _)| (*since, *number))
        };
        let patience = u64::try_from(self.patience.as_millis()).unwrap_or(u64::MAX);
        let sending =
            || longest(Doing::Sending).filter(|((_, since), ..)| now.saturating_sub(*since) > patience);
        longest(Doing::Waiting).or_else(sending).map(|(_, number, seat)| (number, seat.clone()))
    }

    fn millis(&self, now: Instant) -> u64 {
        u64::try_from(now.duration_since(self.begun).as_millis()).unwrap_or(u64::MAX)
    }
}

impl Seat {
    fn set(&self, doing: Doing, now: u64) {
        let bits = match doing {
            Doing::Waiting => 0,
            Doing::Sending => 1,
            Doing::Asking => 2,
        };
        self.doing.store(now << 2 | bits, Relaxed);
    }

    fn get(&self) -> (Doing, u64) {
        let both = self.doing.load(Relaxed);
        let doing = match both & 3 {
            0 => Doing::Waiting,
            1 => Doing::Sending,
            _ => Doing::Asking,
        };
        (doing, both >> 2)
    }
}

impl Place {
    /// Returns when this connection is to make room.
    pub(super) async fn left(&self) {
        self.seat.leave.notified().await;
    }

    /// Whether a request that has come whole is being answered.
    pub(super) fn asks(&self) -> bool {
        self.seat.get().0 == Doing::Asking
    }

    /// A request has begun: its body, which tells when it is whole.
    pub(super) fn begin(self: &Arc<Self>, body: Incoming) -> Watched {
        let doing = if body.is_end_stream() { Doing::Asking } else { Doing::Sending };
        self.set(doing, Instant::now());
        Watched { body, place: self.clone() }
    }

    /// The answer is made.
    pub(super) fn end(&self) {
        self.set(Doing::Waiting, Instant::now());
    }

    fn set(&self, doing: Doing, now: Instant) {
        self.seat.set(doing, self.places.millis(now));
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        self.places.taken.lock().unwrap_or_else(PoisonError::into_inner).seats.remove(&self.number);
    }
}

/// The body of a request.
#[derive(Debug)]
pub(super) struct Watched {
    body: Incoming,
    place: Arc<Place>,
}

impl HttpBody for Watched {
    type Data = Bytes;
    type Error = hyper::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, hyper::Error>>> {
        let frame = ready!(Pin::new(&mut self.body).poll_frame(cx));
        if frame.is_none() || self.body.is_end_stream() {
            self.place.set(Doing::Asking, Instant::now());
        }
        Poll::Ready(frame)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn places() -> Arc<Places> {
        Places::new(2, Duration::from_secs(2))
    }

    impl Places {
        fn at(&self, seconds: u64) -> Instant {
            self.begun + Duration::from_secs(seconds)
        }
    }

    #[tokio::test]
    async fn who_has_waited_longest_makes_room() {
        let places = places();
        let first = places.take_at(places.at(0)).unwrap();
        let second = places.take_at(places.at(1)).unwrap();
        first.set(Doing::Waiting, places.at(2));
        let _third = places.take_at(places.at(3)).unwrap();
        second.left().await;
        assert!(!second.asks());
    }

    #[tokio::test]
    async fn who_asks_keeps_the_place_and_who_sends_for_too_long_gives_it_up() {
        let places = places();
        let (first, second) = (places.take_at(places.at(0)).unwrap(), places.take_at(places.at(0)).unwrap());
        first.set(Doing::Asking, places.at(0));
        second.set(Doing::Sending, places.at(0));
        assert!(places.take_at(places.at(2)).is_none());
        let third = places.take_at(places.at(3)).unwrap();
        second.left().await;
        third.set(Doing::Asking, places.at(3));
        assert!(places.take_at(places.at(60)).is_none());
        drop(first);
        assert!(places.take_at(places.at(60)).is_some());
    }
}
