//! Numbers by name that add up, as bytes.
//!
//! What a stay contributes to a day is kept beside the stay ([`Share`]); the contributions of all stays are kept added up
//! by unit and block of days, in the same commit. A block of level `l` is `4^l` days long and begins at a multiple of
//! that, counted from 1970-01-01: any period is a dozen of them, added or taken away.

use std::collections::{BTreeMap, HashMap, VecDeque};

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
    /// Whether it is to be taken away, after all others were added.
    pub taken: bool,
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

/// Blocks of one level that lie one after the other, added or taken away.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) struct Run {
    /// What is taken away comes last: no sum is below 0 on the way.
    pub(super) taken: bool,
    pub(super) level: i64,
    pub(super) first: i64,
    pub(super) last: i64,
}

/// The fewest blocks that come to the days `from..=to`, some of them perhaps by taking away what lies outside: the
/// shortest way from one midnight to the other, where a step is a block forth or back. For a year it is 12 at most, and
/// would be 20 if blocks were only added.
pub(super) fn blocks(from: i64, to: i64) -> Vec<Run> {
    let end = to.saturating_add(1);
    if end <= from {
        return Vec::new();
    }
    let reach = FAN.pow(u32::try_from(LEVELS - 1).unwrap_or(0));
    let (low, high) = (from.saturating_sub(reach), end.saturating_add(reach));
    let mut came: HashMap<i64, (i64, i64)> = HashMap::from([(from, (from, 0))]);
    let mut next = VecDeque::from([from]);
    while let Some(day) = next.pop_front().filter(|_| !came.contains_key(&end)) {
        let mut length = 1;
        for level in
            (0..LEVELS).take_while(|level| day.rem_euclid(FAN.pow(u32::try_from(*level).unwrap_or(0))) == 0)
        {
            for step in [day + length, day - length] {
                if low <= step && step <= high && !came.contains_key(&step) {
                    came.insert(step, (day, level));
                    next.push_back(step);
                }
            }
            length *= FAN;
        }
    }
    let mut runs: Vec<Run> = Vec::new();
    let mut day = end;
    while day != from {
        let Some((before, level)) = came.get(&day).copied() else { break };
        let block = day.min(before).div_euclid(FAN.pow(u32::try_from(level).unwrap_or(0)));
        runs.push(Run { taken: day < before, level, first: block, last: block });
        day = before;
    }
    runs.sort_unstable();
    runs.dedup_by(|next, run| {
        let goes_on = (run.taken, run.level, run.last + 1) == (next.taken, next.level, next.first);
        if goes_on {
            run.last = next.last;
        }
        goes_on
    });
    runs
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
    fn blocks_come_to_each_day_once_and_to_no_other_day() {
        let mut most = 0;
        for from in -300..300 {
            for length in [1, 2, 3, 7, 28, 30, 31, 64, 90, 255, 256, 365, 366, 1461] {
                let to = from + length - 1;
                let mut days: BTreeMap<i64, i64> = BTreeMap::new();
                let mut many = 0;
                for Run { taken, level, first, last } in blocks(from, to) {
                    let size = FAN.pow(u32::try_from(level).unwrap_or(0));
                    many += last - first + 1;
                    for day in first * size..(last + 1) * size {
                        *days.entry(day).or_default() += if taken { -1 } else { 1 };
                    }
                }
                days.retain(|_, times| *times != 0);
                let expected: BTreeMap<i64, i64> = (from..=to).map(|day| (day, 1)).collect();
                assert_eq!(days, expected, "{from}..={to}");
                if length == 365 {
                    most = most.max(many);
                }
            }
        }
        assert_eq!(most, 12);
        assert!(blocks(5, 4).is_empty());
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
