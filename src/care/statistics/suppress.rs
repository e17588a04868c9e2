//! Small numbers are hidden, and so many others with them that the small ones cannot be had by subtraction.
//!
//! # Guarantees
//! - A cell of which a count is more than 0 and less than the threshold is hidden.
//! - No hidden cell can be computed from what is shown and the lines alone.
//! - In a line whose total is shown, the hidden parts together hold no count that is more than 0 and less than the
//!   threshold.
//!
//! # What it does not do
//! It does not keep estimates narrow away from who knows more than the table, and it does not compare reports of
//! overlapping periods with each other. What is derived from a hidden cell (scores, limits, hours) must be hidden with
//! it.

/// Counts that are shown or hidden together, such as the populations of one stratum.
pub type Counts = Vec<u64>;

/// Cells that add up, given as their places in the table.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Line {
    /// The sum.
    pub total: usize,
    /// What it is the sum of.
    pub parts: Vec<usize>,
}

/// For each of `cells` whether it must be hidden, where counts from 1 to less than `threshold` may not be shown and the
/// cells add up as the `lines` say. A threshold of 0 or 1 hides nothing. Places outside of the table are passed over.
pub fn hidden(cells: &[Counts], lines: &[Line], threshold: u64) -> Vec<bool> {
    let small = |count: u64| 0 < count && count < threshold;
    let mut table =
        Table { cells, lines, hidden: cells.iter().map(|counts| counts.iter().any(|c| small(*c))).collect() };
    while let Some(line) = table.open_line(small).or_else(|| table.computable()) {
        let Some(cell) = table.next_to_hide(line) else { break };
        table.hide(cell);
    }
    table.hidden
}

struct Table<'a> {
    cells: &'a [Counts],
    lines: &'a [Line],
    hidden: Vec<bool>,
}

impl Table<'_> {
    fn is_hidden(&self, cell: usize) -> bool {
        self.hidden.get(cell).copied().unwrap_or(false)
    }

    fn hide(&mut self, cell: usize) {
        if let Some(hidden) = self.hidden.get_mut(cell) {
            *hidden = true;
        }
    }

    /// A line that by itself says too much of what is hidden in it.
    fn open_line(&self, small: impl Fn(u64) -> bool) -> Option<&Line> {
        self.lines.iter().filter(|line| self.next_to_hide(line).is_some()).find(|line| {
            let parts: Vec<usize> = line.parts.iter().copied().filter(|p| self.is_hidden(*p)).collect();
            if self.is_hidden(line.total) {
                // of the total alone the shown parts tell everything
                return parts.is_empty();
            }
            parts.len() == 1 || self.added_up(&parts).into_iter().any(&small)
        })
    }

    fn added_up(&self, parts: &[usize]) -> Counts {
        let mut sums = Counts::new();
        for counts in parts.iter().filter_map(|p| self.cells.get(*p)) {
            sums.resize(sums.len().max(counts.len()), 0);
            sums.iter_mut().zip(counts).for_each(|(sum, count)| *sum = sum.saturating_add(*count));
        }
        sums
    }

    /// A line in which to hide more because all lines together give a hidden cell away: its unit vector is a combination
    /// of theirs, which the reduced echelon form of the hidden cells' columns shows.
    fn computable(&self) -> Option<&Line> {
        let columns: Vec<usize> = (0..self.cells.len()).filter(|c| self.is_hidden(*c)).collect();
        let mut places: Vec<Option<usize>> = vec![None; self.cells.len()];
        for (column, cell) in columns.iter().enumerate() {
            if let Some(place) = places.get_mut(*cell) {
                *place = Some(column);
            }
        }
        let row = |line: &Line| {
            let mut row = vec![0; columns.len()];
            let signs = line.parts.iter().map(|part| (*part, 1)).chain([(line.total, MINUS_ONE)]);
            for (cell, sign) in signs {
                let place = places.get(cell).copied().flatten();
                if let Some(value) = place.and_then(|place| row.get_mut(place)) {
                    *value = sign;
                }
            }
            row
        };
        let rows = self.lines.iter().map(row).collect();
        let known = reduced(rows, columns.len()).into_iter().find_map(|row| {
            let mut set = row.iter().zip(&columns).filter(|(value, _)| **value != 0);
            set.next().filter(|_| set.next().is_none()).map(|(_, cell)| *cell)
        })?;
        let of_it = |line: &Line| line.total == known || line.parts.contains(&known);
        let mut open: Vec<&Line> =
            self.lines.iter().filter(|line| self.next_to_hide(line).is_some()).collect();
        open.sort_by_key(|line| !of_it(line));
        open.first().copied()
    }

    /// The cell of a line whose hiding costs least: the smallest part that is not 0, else a 0, else the total.
    fn next_to_hide(&self, line: &Line) -> Option<usize> {
        let size = |cell: usize| self.cells.get(cell).and_then(|c| c.iter().max()).copied();
        let shown = line.parts.iter().copied().filter(|p| !self.is_hidden(*p));
        let part = shown.filter_map(|p| size(p).map(|s| (s == 0, s, p))).min().map(|(_, _, p)| p);
        part.or_else(|| Some(line.total).filter(|t| !self.is_hidden(*t) && size(*t).is_some()))
    }
}

/// Lines are reduced modulo this prime: exact, where fractions of f64 would not be.
const PRIME: u128 = (1 << 61) - 1;
const MINUS_ONE: u128 = PRIME - 1;

/// The rows in reduced echelon form.
fn reduced(mut rows: Vec<Vec<u128>>, columns: usize) -> Vec<Vec<u128>> {
    let at = |row: &[u128], column: usize| row.get(column).copied().unwrap_or(0);
    let mut done = 0;
    for column in 0..columns {
        let Some(found) = (done..rows.len()).find(|r| rows.get(*r).is_some_and(|row| at(row, column) != 0))
        else {
            continue;
        };
        rows.swap(done, found);
        let Some(pivot) = rows.get_mut(done) else { break };
        let scale = inverse(at(pivot, column));
        pivot.iter_mut().for_each(|value| *value = *value * scale % PRIME);
        let pivot = pivot.clone();
        for (index, row) in rows.iter_mut().enumerate() {
            let factor = at(row, column);
            if index != done && factor != 0 {
                row.iter_mut().zip(&pivot).for_each(|(v, p)| *v = (*v + (PRIME - factor) * p) % PRIME);
            }
        }
        done += 1;
    }
    rows
}

/// By Fermat: `value` to the power of `PRIME - 2`.
fn inverse(value: u128) -> u128 {
    let (mut base, mut power, mut out) = (value % PRIME, PRIME - 2, 1);
    while power > 0 {
        if power & 1 == 1 {
            out = out * base % PRIME;
        }
        base = base * base % PRIME;
        power >>= 1;
    }
    out
}
