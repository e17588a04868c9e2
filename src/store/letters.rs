//! Dead letters: what could not be taken in or delivered, until somebody decides.

use super::StoreError;

/// Which way a letter was going.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Way {
    /// From a source to here.
    In,
    /// From here to a server.
    Out,
}

impl Way {
    /// As it is stored and shown.
    pub const fn code(self) -> &'static str {
        match self {
            Way::In => "in",
            Way::Out => "out",
        }
    }

    /// The way with a code.
    ///
    /// # Errors
    /// `Internal` for another code.
    pub(super) fn read(code: &str) -> Result<Self, StoreError> {
        match code {
            "in" => Ok(Way::In),
            "out" => Ok(Way::Out),
            _ => Err(StoreError::Internal("a dead letter goes no known way".to_owned())),
        }
    }
}

/// What a letter is about. There is one letter at a time about one thing.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct About {
    /// Which way it was going.
    pub way: Way,
    /// The source or the server.
    pub place: String,
    /// What it is: `Type/id`, or a digest of what has no id.
    pub name: String,
}

/// Something could not be taken in or delivered.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Undelivered {
    /// What it is about. If there is a letter about it, that is tried once more, with this reason and body.
    pub about: About,
    /// Why, for those who mend it; nothing of a patient.
    pub why: String,
    /// What was to be taken in, as it came; none for what is in the store.
    pub body: Option<Vec<u8>>,
}

/// A dead letter.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Letter {
    /// Names it.
    pub number: i64,
    /// What it is about.
    pub about: About,
    /// Why it could not, the last time.
    pub why: String,
    /// When it could not for the first time, in microseconds since 1970.
    pub first_us: i64,
    /// When it could not for the last time.
    pub last_us: i64,
    /// How often.
    pub tries: u64,
    /// What was to be taken in; none for what is in the store.
    pub body: Option<Vec<u8>>,
}

/// Which letters to list.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct LetterQuery {
    /// Only those that were going this way.
    pub way: Option<Way>,
    /// Only those of this source or server.
    pub place: Option<String>,
    /// Only those with a greater number.
    pub after: i64,
    /// At most so many.
    pub limit: usize,
    /// With their bodies.
    pub bodies: bool,
}
