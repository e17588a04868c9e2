//! The names of one object, each of which may be written once.

use std::borrow::Cow;
use std::collections::HashSet;

/// The names of the objects that are open, innermost last.
#[derive(Default)]
pub(super) struct Keys<'a> {
    open: Vec<Cow<'a, str>>,
}

/// Up to here, comparing with each earlier name is faster than hashing.
const FEW: usize = 24;

/// The names of one object, from `start` in the list of all that are open.
pub(super) struct Names<'a> {
    start: usize,
    /// One bit for each class of names seen: most new names need no comparison at all.
    seen: u64,
    /// Keyed afresh in each process, so nobody can choose names that collide.
    many: Option<HashSet<Cow<'a, str>>>,
}

impl<'a> Keys<'a> {
    pub(super) fn open(&self) -> Names<'a> {
        Names { start: self.open.len(), seen: 0, many: None }
    }

    pub(super) fn close(&mut self, names: &Names<'a>) {
        self.open.truncate(names.start);
    }

    pub(super) fn contains(&self, names: &Names<'a>, name: &str) -> bool {
        self.of(names).iter().any(|n| n == name)
    }

    fn of(&self, names: &Names<'a>) -> &[Cow<'a, str>] {
        self.open.get(names.start..).unwrap_or_default()
    }

    /// Adds a name; false when the object has it already.
    #[inline]
    pub(super) fn add(&mut self, names: &mut Names<'a>, name: Cow<'a, str>) -> bool {
        let class = 1_u64 << class(name.as_bytes());
        let new = match &mut names.many {
            Some(many) => many.insert(name.clone()),
            None => names.seen & class == 0 || !self.contains(names, &name),
        };
        names.seen |= class;
        self.open.push(name);
        if names.many.is_none() && self.of(names).len() > FEW {
            names.many = Some(self.of(names).iter().cloned().collect());
        }
        new
    }
}

#[inline]
fn class(name: &[u8]) -> u32 {
    let (Some(first), Some(last)) = (name.first(), name.last()) else { return 0 };
    let mixed = u32::from(*first).wrapping_mul(29) ^ u32::from(*last).wrapping_mul(13) ^ name.len() as u32;
    mixed & 63
}
