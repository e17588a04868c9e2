//! The chain of audit rows: each row's hash is over the hash of the one before it and its own number, time and body, so
//! that what is done to one shows when it is walked along.
//!
//! What it alone cannot show: that all of it was made anew by somebody who can write the database. That shows against a
//! [`ChainHead`] that was kept elsewhere.

use std::fmt;
use std::str::FromStr;

use aws_lc_rs::digest::{Context, SHA256};

use super::audit::{AuditEnds, AuditFound};
use super::limits;

/// A SHA-256.
pub type Hash = [u8; 32];

/// What the row does that tells of the removal of rows whose time was over; its `asked` is the head up to which.
pub const RETIRE: &str = "retire";

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
    /// A row is there that was never written: before the first, or after the last.
    Inserted {
        /// Its number.
        number: i64,
    },
    /// A row is not found by a patient whom it is about.
    Unlisted {
        /// Its number.
        number: i64,
    },
    /// Rows are found by patients whom they are not about.
    Listed {
        /// How many times too often.
        more: u64,
    },
    /// Rows up to this one are gone, and no row says that their time was over.
    Beginning {
        /// The number of the last of them.
        number: i64,
    },
    /// What is noted as the end is not the last row.
    End {
        /// The number of that row.
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
            Break::Inserted { number } => write!(f, "row {number} was put in"),
            Break::Unlisted { number } => write!(f, "row {number} is not found by its patient"),
            Break::Listed { more } => {
                write!(f, "rows are found by patients they are not about, {more} times")
            }
            Break::Beginning { number } => {
                write!(f, "rows up to {number} are gone, and no row says that their time was over")
            }
            Break::End { number } => write!(f, "row {number} is not the one that is noted as the last"),
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
        if hex.len() != 64 || !hex.bytes().all(|b| b.is_ascii_hexdigit()) {
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

/// Walks along a chain and notes where it is broken.
#[derive(Clone, Debug)]
pub struct Walk {
    ends: AuditEnds,
    head: ChainHead,
    /// What the hash of the last row should have been, where it is another.
    meant: Option<Hash>,
    /// The row before is not there: what the next is over is not known.
    blind: bool,
    /// Up to which row the last one that tells of a removal says that rows are gone.
    retired: Option<String>,
    listed: u64,
    /// Heads that were kept elsewhere.
    kept: Vec<ChainHead>,
    breaks: Vec<Break>,
}

impl Walk {
    /// From the beginning of a chain with these ends; `kept`: heads that were kept elsewhere.
    pub fn new(ends: AuditEnds, kept: Vec<ChainHead>) -> Walk {
        let mut walk = Walk {
            ends,
            head: ends.gone,
            meant: None,
            blind: false,
            retired: None,
            listed: 0,
            kept,
            breaks: Vec::new(),
        };
        walk.compare(ends.gone);
        walk
    }

    fn note(&mut self, found: Break) {
        if self.breaks.len() < limits::BREAKS {
            self.breaks.push(found);
        }
    }

    /// Compares a row with a head of its number that was kept.
    fn compare(&mut self, head: ChainHead) {
        if self.kept.iter().any(|kept| kept.number == head.number && kept.hash != head.hash) {
            self.note(Break::Replaced { head: head.number });
        }
    }

    /// Goes on to the next row.
    pub fn step(&mut self, found: &AuditFound) {
        let AuditFound { row, is_listed } = found;
        let number = row.number;
        let audit = row.audit();
        self.listed += audit.as_ref().map_or(0, |a| a.patients().len() as u64);
        if number <= self.ends.gone.number || number > self.ends.last.number {
            return self.note(Break::Inserted { number });
        }
        let wanted = self.head.number + 1;
        if number > wanted {
            self.note(Break::Removed { from: wanted, to: number - 1 });
            self.blind = true;
        }
        let over = |hash: Hash| ChainHead { number: number - 1, hash }.next(row.at_us, &row.body).hash;
        let should = over(self.head.hash);
        let fits = should == row.hash || self.meant.is_some_and(|meant| over(meant) == row.hash);
        self.meant = None;
        if !fits && !std::mem::take(&mut self.blind) {
            self.note(Break::Changed { number });
            self.meant = Some(should);
        }
        if !is_listed {
            self.note(Break::Unlisted { number });
        }
        if let Some(audit) = audit.filter(|a| a.deed == RETIRE) {
            self.retired = Some(audit.asked);
        }
        self.head = ChainHead { number, hash: row.hash };
        self.compare(self.head);
    }

    /// There are no more rows: how far the chain goes, and where it is broken.
    pub fn end(mut self) -> (ChainHead, Vec<Break>) {
        let AuditEnds { gone, last, listed } = self.ends;
        if self.head.number < last.number {
            self.note(Break::Removed { from: self.head.number + 1, to: last.number });
        } else if self.head.hash != last.hash {
            self.note(Break::End { number: last.number });
        }
        let retired = self.retired.as_deref().map(str::parse::<ChainHead>);
        let said = match retired {
            None => gone.number == 0,
            Some(retired) => retired == Ok(gone),
        };
        if !said {
            self.note(Break::Beginning { number: gone.number });
        }
        if listed > self.listed {
            self.note(Break::Listed { more: listed - self.listed });
        }
        let head = self.kept.iter().map(|kept| kept.number).max();
        if let Some(head) = head.filter(|head| *head > last.number) {
            self.note(Break::CutOff { head, last: last.number });
        }
        (self.head, self.breaks)
    }
}
