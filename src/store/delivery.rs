//! What is to be written to other servers, and what was: by place, one row a document.

/// A document of ours at another place.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Parcel {
    /// The server.
    pub place: String,
    /// Resource type.
    pub kind: String,
    /// Logical id here.
    pub id: String,
}

/// What happens to a parcel.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Step {
    /// The version at position `seq` is to be there. It waits from now on, unless it does so already, and is tried at
    /// once.
    Wanted {
        /// What is written one after the other.
        lane: String,
        /// The position of the version.
        seq: i64,
    },
    /// It is about to be sent: it may be there from now on, or not.
    Sending {
        /// What is there before, if that has just been read.
        there: Option<There>,
        /// What is sent.
        sent: Vec<u8>,
    },
    /// The version at position `seq` is there; if that is the one that is wanted, nothing waits any more.
    Arrived {
        /// The position of the version.
        seq: i64,
        /// What is there.
        there: There,
    },
    /// Somebody has changed it there: it waits, unless it does so already, and is read before it is written.
    Changed,
    /// It was not written, and is to be tried again.
    Failed {
        /// Why, for those who mend it; nothing of a patient.
        why: String,
        /// Not before, in microseconds.
        not_before_us: i64,
    },
    /// It is not tried any more, until another version is wanted.
    Dropped {
        /// Why.
        why: String,
        /// Whether what was there is known to be gone.
        gone: bool,
    },
}

/// A document as it is at another place.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct There {
    /// Its logical id there.
    pub id: String,
    /// Its version there; none: that is not known, and it is read before it is written.
    pub version: Option<String>,
    /// Whether it says more than we do: it is read before it is written, so that what others added stays.
    pub mixed: bool,
    /// What we wrote there the last time.
    pub body: Vec<u8>,
}

/// A parcel as it is kept.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Delivery {
    /// Which document, and where.
    pub parcel: Parcel,
    /// What is written one after the other.
    pub lane: String,
    /// The position of the version that is to be there.
    pub seq: i64,
    /// Since when it waits, in microseconds; none: it is there, or was dropped.
    pub waiting_us: Option<i64>,
    /// Not before, in microseconds.
    pub not_before_us: i64,
    /// Failures in a row.
    pub tries: u64,
    /// Why it was not written, the last time.
    pub why: Option<String>,
    /// What is there, as far as is known.
    pub there: Option<There>,
    /// What was sent since, and may be there or not.
    pub sent: Option<Vec<u8>>,
}

/// How much waits at a place.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Outbox {
    /// The server.
    pub place: String,
    /// How many documents wait.
    pub waiting: u64,
    /// Since when the first of them does, in microseconds.
    pub since_us: Option<i64>,
    /// How many of them have failed.
    pub failing: u64,
}
