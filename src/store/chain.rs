//! The chain of audit rows: each carries the SHA-256 of the one before it and of itself, so that none can be changed,
//! removed or moved without breaking what comes after.
//!
//! What a chain alone cannot show: that its end was cut off, or that all of it was made anew by somebody who can write
//! the database. Both show against a [`ChainHead`] that was kept elsewhere.

use std::fmt;
use std::str::FromStr;

use aws_lc_rs::digest::{Context, SHA256};

use super::AuditRow;

/// A SHA-256.
pub type Hash = [u8; 32];

/// How far a chain goes: how many rows, and the hash of the last.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct ChainHead {
    /// The number of the last row; 0: there is none.
    pub number: i64,
    /// Its hash.
    pub hash: Hash,
}

/// Where a chain is broken.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Break {
    /// Rows are not there: from the first to the last of these numbers.
    Removed {
        /// The first that is missing.
        from: i64,
        /// The last that is missing.
        to: i64,
    },
    /// A row is not as it was written, or was written for another place.
    Changed {
        /// Its number.
        number: i64,
    },
    /// A head that was kept elsewhere is beyond the end.
    CutOff {
        /// The number of the head.
        head: i64,
        /// The number of the last row that is there.
        last: i64,
    },
    /// The chain fits by itself, and not with a head that was kept elsewhere: it was made anew.
    Replaced {
        /// The number of the head.
        head: i64,
    },
}

impl fmt::Display for Break {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Break::Removed { from, to } if from == to => write!(f, "row {from} was removed"),
            Break::Removed { from, to } => write!(f, "rows {from} to {to} were removed"),
            Break::Changed { number } => write!(f, "row {number} was changed or moved"),
            Break::CutOff { head, last } => {
                write!(f, "rows {} to {head} were cut off at the end", last + 1)
            }
            Break::Replaced { head } => {
                write!(f, "row {head} is not the one whose hash was kept: the chain was made anew")
            }
        }
    }
}

impl fmt::Display for ChainHead {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:", self.number)?;
        self.hash.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl FromStr for ChainHead {
    type Err = ();

    /// As it is displayed: `number:hash`.
    fn from_str(text: &str) -> Result<Self, ()> {
        let (number, hex) = text.split_once(':').ok_or(())?;
        let mut hash = [0; 32];
        if hex.len() != 64 || !hex.is_ascii() {
            return Err(());
        }
        for (index, byte) in hash.iter_mut().enumerate() {
            let digits = hex.get(2 * index..2 * index + 2).ok_or(())?;
            *byte = u8::from_str_radix(digits, 16).map_err(|_| ())?;
        }
        Ok(ChainHead { number: number.parse().map_err(|_| ())?, hash })
    }
}

impl ChainHead {
    /// Before the first row of the database `instance`: rows of another one do not fit here.
    pub fn start(instance: &str) -> ChainHead {
        ChainHead { number: 0, hash: sha256(&[instance.as_bytes()]) }
    }

    /// After one more row.
    pub fn next(&self, at_us: i64, body: &[u8]) -> ChainHead {
        let number = self.number + 1;
        let hash = sha256(&[&self.hash, &number.to_be_bytes(), &at_us.to_be_bytes(), body]);
        ChainHead { number, hash }
    }
}

fn sha256(parts: &[&[u8]]) -> Hash {
    let mut context = Context::new(&SHA256);
    parts.iter().for_each(|part| context.update(part));
    let mut hash = [0; 32];
    hash.copy_from_slice(context.finish().as_ref());
    hash
}

/// Walks along a chain.
#[derive(Clone, Debug)]
pub struct Walk {
    head: ChainHead,
    /// Heads that were kept elsewhere and have not been passed, by number.
    kept: Vec<ChainHead>,
}

impl Walk {
    /// From the beginning of the chain of the database `instance`.
    pub fn new(instance: &str, mut kept: Vec<ChainHead>) -> Walk {
        kept.sort_by_key(|head| std::cmp::Reverse(head.number));
        Walk { head: ChainHead::start(instance), kept }
    }

    /// How far it has gone.
    pub fn head(&self) -> ChainHead {
        self.head
    }

    /// Goes on to the next row.
    ///
    /// # Errors
    /// The chain is broken there.
    pub fn step(&mut self, row: &AuditRow) -> Result<(), Break> {
        let wanted = self.head.number + 1;
        if row.number > wanted {
            return Err(Break::Removed { from: wanted, to: row.number - 1 });
        }
        let next = self.head.next(row.at_us, &row.body);
        if row.number != wanted || next.hash != row.hash {
            return Err(Break::Changed { number: row.number });
        }
        self.head = next;
        while let Some(kept) = self.kept.pop_if(|kept| kept.number <= next.number) {
            if kept.number == next.number && kept.hash != next.hash {
                return Err(Break::Replaced { head: kept.number });
            }
        }
        Ok(())
    }

    /// There are no more rows.
    ///
    /// # Errors
    /// A kept head is beyond the end.
    pub fn end(&self) -> Result<(), Break> {
        match self.kept.iter().map(|kept| kept.number).max() {
            Some(head) if head > self.head.number => Err(Break::CutOff { head, last: self.head.number }),
            Some(_) | None => Ok(()),
        }
    }
}
