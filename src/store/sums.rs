//! Numbers by name that add up, as bytes.
//!
//! What a stay contributes to a day is kept beside the stay ([`Share`]); the contributions of all stays are kept added up
//! by unit and block of days, in the same commit. A block of level `l` is `4^l` days long and begins at a multiple of
//! that, counted from 1970-01-01: any period is a few dozen of them.

use std::collections::BTreeMap;

/// Each level has blocks of so many blocks of the level below.
pub(super) const FAN: i64 = 4;

/// Levels of blocks: 1, 4, 16, 64 and 256 days. A year is at most some twenty blocks, and a change of a day writes five.
pub(super) const LEVELS: i64 = 5;

/// What a stay contributes to the sums of one unit under one name.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct Part {
    /// What the sums are read together by, as the caller numbers it.
    pub topic: u8,
    /// Logical id of the unit.
    pub unit: String,
    /// Under which name the numbers are added.
    pub name: String,
    /// The numbers; what is missing at the end is 0.
    pub numbers: Vec<i64>,
}

/// What a stay contributes to one local day.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Share {
    /// Logical id of the encounter.
    pub stay: String,
    /// Local day, in days since 1970-01-01. With `stay` it is unique.
    pub day: i64,
    /// The parts; those of the same topic, unit and name are added.
    pub parts: Vec<Part>,
}

/// The sums of a unit over a block of days.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct SumRow {
    /// Logical id of the unit.
    pub unit: String,
    /// See [`Sums`].
    pub body: Vec<u8>,
}

/// Names and their numbers, read from bytes.
#[derive(Clone, Copy, Debug)]
pub struct Sums<'a> {
    names: &'a [u8],
    numbers: &'a [u8],
}

/// Numbers by name.
pub(super) type Named = BTreeMap<String, Vec<i64>>;

impl<'a> Sums<'a> {
    /// Reads the frame; none if these are no such bytes.
    pub fn read(body: &'a [u8]) -> Option<Self> {
        let mut rest = body;
        let length = usize::try_from(varint(&mut rest)?).ok()?;
        let (names, numbers) = rest.split_at_checked(length)?;
        Some(Sums { names, numbers })
    }

    /// The names as bytes: where these are equal the names are, in the same order.
    pub fn names_as_bytes(&self) -> &'a [u8] {
        self.names
    }

    /// The names in order.
    pub fn names(&self) -> Option<Vec<&'a str>> {
        let (mut rest, mut out) = (self.names, Vec::new());
        while !rest.is_empty() {
            let length = usize::try_from(varint(&mut rest)?).ok()?;
            let (name, after) = rest.split_at_checked(length)?;
            out.push(std::str::from_utf8(name).ok()?);
            rest = after;
        }
        Some(out)
    }

    /// Hands over the place of each name and its numbers; none if the bytes end early.
    pub fn each(&self, mut take: impl FnMut(usize, &[i64])) -> Option<()> {
        let (mut rest, mut numbers, mut place) = (self.numbers, Vec::new(), 0);
        while !rest.is_empty() {
            numbers.clear();
            let length = usize::try_from(varint(&mut rest)?).ok()?;
            while numbers.len() < length {
                match varint(&mut rest)? {
                    0 => {
                        let zeros = usize::try_from(varint(&mut rest)?).ok()?;
                        numbers.resize(numbers.len().checked_add(zeros).filter(|n| *n <= length)?, 0);
                    }
                    number => numbers.push(unzigzag(number)),
                }
            }
            take(place, &numbers);
            place += 1;
        }
        Some(())
    }
}

/// The parts of `parts` by topic, unit and name.
pub(super) fn by_place(parts: &[Part]) -> BTreeMap<(u8, &str), Named> {
    let mut out: BTreeMap<(u8, &str), Named> = BTreeMap::new();
    for part in parts {
        let named = out.entry((part.topic, &part.unit)).or_default();
        add(named.entry(part.name.clone()).or_default(), &part.numbers, 1);
    }
    out
}

/// Adds `numbers`, so many times.
pub(super) fn add(sum: &mut Vec<i64>, numbers: &[i64], times: i64) {
    if sum.len() < numbers.len() {
        sum.resize(numbers.len(), 0);
    }
    for (sum, number) in sum.iter_mut().zip(numbers) {
        *sum = sum.saturating_add(number.saturating_mul(times));
    }
}

/// As bytes, without what is 0; empty if everything is.
pub(super) fn encode<'s>(named: impl Iterator<Item = (&'s str, &'s Vec<i64>)>) -> Vec<u8> {
    let (mut names, mut numbers) = (Vec::new(), Vec::new());
    for (name, all) in named {
        let length = all.iter().rposition(|n| *n != 0).map_or(0, |last| last + 1);
        if length == 0 {
            continue;
        }
        push(&mut names, name.len() as u64);
        names.extend_from_slice(name.as_bytes());
        push(&mut numbers, length as u64);
        let mut rest = all.iter().take(length).peekable();
        while let Some(number) = rest.next() {
            if *number != 0 {
                push(&mut numbers, zigzag(*number));
                continue;
            }
            let mut zeros = 1;
            while rest.next_if(|n| **n == 0).is_some() {
                zeros += 1;
            }
            push(&mut numbers, 0);
            push(&mut numbers, zeros);
        }
    }
    if names.is_empty() {
        return Vec::new();
    }
    let mut out = Vec::with_capacity(names.len() + numbers.len() + 4);
    push(&mut out, names.len() as u64);
    out.extend_from_slice(&names);
    out.extend_from_slice(&numbers);
    out
}

/// What [`encode`] was given.
pub(super) fn decode(body: &[u8]) -> Option<Named> {
    let sums = Sums::read(body)?;
    let names = sums.names()?;
    let mut out = Named::new();
    sums.each(|place, numbers| {
        if let Some(name) = names.get(place) {
            out.insert((*name).to_owned(), numbers.to_vec());
        }
    })?;
    (out.len() == names.len()).then_some(out)
}

/// The blocks that the days `from..=to` are made of, as level and first and last block of a run.
pub(super) fn blocks(from: i64, to: i64) -> Vec<(i64, i64, i64)> {
    let mut out: Vec<(i64, i64, i64)> = Vec::new();
    let mut day = from;
    while day <= to {
        let (mut level, mut length) = (0, 1);
        while level + 1 < LEVELS
            && day.rem_euclid(length * FAN) == 0
            && day.saturating_add(length * FAN - 1) <= to
        {
            level += 1;
            length *= FAN;
        }
        let block = day.div_euclid(length);
        match out.last_mut() {
            Some((l, _, last)) if *l == level && *last + 1 == block => *last = block,
            Some(_) | None => out.push((level, block, block)),
        }
        day += length;
    }
    out
}

fn zigzag(number: i64) -> u64 {
    ((number << 1) ^ (number >> 63)).cast_unsigned()
}

fn unzigzag(number: u64) -> i64 {
    (number >> 1).cast_signed() ^ -(number & 1).cast_signed()
}

fn push(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push((number & 0x7f) as u8 | 0x80);
        number >>= 7;
    }
    out.push(number as u8);
}

fn varint(rest: &mut &[u8]) -> Option<u64> {
    let (mut number, mut shift) = (0_u64, 0);
    loop {
        let (byte, after) = rest.split_first()?;
        *rest = after;
        number |= u64::from(byte & 0x7f).checked_shl(shift)?;
        if byte & 0x80 == 0 {
            return Some(number);
        }
        shift += 7;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_cover_each_day_once() {
        for from in -300..300 {
            for length in [1, 2, 3, 7, 28, 30, 31, 64, 90, 255, 256, 365, 366, 1461] {
                let to = from + length - 1;
                let mut next = from;
                for (level, first, last) in blocks(from, to) {
                    let days = FAN.pow(u32::try_from(level).unwrap_or(0));
                    assert_eq!(first * days, next);
                    next = (last + 1) * days;
                }
                assert_eq!(next, to + 1);
            }
        }
    }

    #[test]
    fn numbers_come_back_as_they_were_and_nothing_is_kept_of_zeros() {
        let named: Named = [
            ("a".to_owned(), vec![1, 0, 0, -5, i64::MAX, i64::MIN, 0]),
            ("none".to_owned(), vec![0, 0]),
            ("z\u{1f}ü".to_owned(), vec![0, 0, 7]),
        ]
        .into();
        let body = encode(named.iter().map(|(n, v)| (n.as_str(), v)));
        let back = decode(&body);
        let expected: Named =
            [("a".to_owned(), vec![1, 0, 0, -5, i64::MAX, i64::MIN]), ("z\u{1f}ü".to_owned(), vec![0, 0, 7])]
                .into();
        assert_eq!(back, Some(expected));
        for length in 1..body.len() {
            assert_ne!(decode(body.get(..length).unwrap_or_default()), back, "cut at {length}");
        }
        assert_eq!(encode([("x", &vec![0])].into_iter()), Vec::<u8>::new());
    }
}
