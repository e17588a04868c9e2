//! A comparison for people.

use super::{Comparison, Row, difference};

/// A longer id of a requirement, or a longer name of a shift, gets a line of its own.
const LONGEST: [usize; 2] = [20, 8];

/// Columns before which there is more room: where A, B and their difference, or another measure, begin.
const ROOM_BEFORE: [usize; 3] = [2, 5, 8];

const SHARES: [&str; 10] =
    ["requirement", "shift", "met A", "missed", "%", "met B", "missed", "%", "B - A", "95 %"];

const RATES: [&str; 11] =
    ["requirement", "shift", "cov. A", "B", "B - A", "Tasks A", "B", "B - A", "issues A", "B", "B - A"];

const NOTES: &str = "\
Patient-day: 24 h at risk for the requirement longest at risk, by unit and shift, added up.
all: what each of them asks for, added up; if they ask for different things, it compares these.
By requirement a Task counts for each one that it asked for; in all it counts once.
The interval (Newcombe 1998, method 10) takes A and B as independent. The same stays counted twice
are not, so it is wider than need be; that chances of one stay are alike it does not know either,
and for that it is too narrow. Covered time is no count and has none. -: nothing to tell.
Charted care is not care.";

impl Comparison {
    /// For people, in at most 100 columns.
    pub fn to_text(&self) -> String {
        let days = self.rows.first().map_or([0.0; 2], |all| all.days);
        let mut out = Vec::new();
        for ((name, made), days) in ["A", "B"].iter().zip(&self.made).zip(days) {
            out.push(format!("{name}: {}, {} stays, {days:.1} patient-days,", made.protocol, made.stays));
            out.push(format!("   up to {} in {}", made.until, made.zone));
        }
        out.extend([String::new(), "Met of met and missed; B - A in percentage points.".to_owned()]);
        out.extend(table(&SHARES, self.rows.iter().map(Row::in_shares)));
        out.extend([
            String::new(),
            "Share of the time at risk that was covered, %; Tasks and issues for each patient-day."
                .to_owned(),
        ]);
        out.extend(table(&RATES, self.rows.iter().map(Row::in_rates)));
        out.extend([String::new(), NOTES.to_owned()]);
        out.join("\n")
    }
}

impl Row {
    fn names(&self) -> Vec<String> {
        let requirement = self.requirement.as_deref().unwrap_or("all");
        vec![requirement.to_owned(), self.shift.as_deref().unwrap_or_default().to_owned()]
    }

    fn in_shares(&self) -> Vec<String> {
        let mut row = self.names();
        for (cell, share) in self.cells.into_iter().zip(self.shares()) {
            let counts = [cell.map(|c| c.met), cell.map(|c| c.missed)];
            row.extend(counts.map(|n| n.map_or_else(dash, |n| n.to_string())));
            row.push(plain(share.map(|s| s * 100.0), 1));
        }
        let change = self.change();
        row.push(change.map_or_else(dash, |(by, ..)| signed(by * 100.0, 1)));
        let interval = |(_, low, high)| format!("{} to {}", signed(low * 100.0, 1), signed(high * 100.0, 1));
        row.push(change.map_or_else(dash, interval));
        row
    }

    fn in_rates(&self) -> Vec<String> {
        let covered = self.covered().map(|share| share.map(|s| s * 100.0));
        let mut row = self.names();
        for (pair, digits) in [(covered, 1), (self.tasks_per_day(), 2), (self.issues_per_day(), 2)] {
            row.extend(pair.map(|x| plain(x, digits)));
            row.push(difference(pair).map_or_else(dash, |x| signed(x, digits)));
        }
        row
    }
}

fn dash() -> String {
    "-".to_owned()
}

fn plain(x: Option<f64>, digits: usize) -> String {
    x.map_or_else(dash, |x| format!("{x:.digits$}"))
}

/// With its sign, unless it is 0 as shown.
fn signed(x: f64, digits: usize) -> String {
    let shown = format!("{x:+.digits$}");
    if shown.bytes().any(|b| b.is_ascii_digit() && b != b'0') { shown } else { format!("{:.digits$}", 0.0) }
}

/// Names to the left, numbers to the right, each column as wide as its widest.
fn table(header: &[&str], rows: impl Iterator<Item = Vec<String>>) -> Vec<String> {
    let header = header.iter().map(|&h| h.to_owned()).collect();
    let rows: Vec<Vec<String>> = std::iter::once(header).chain(rows).collect();
    let mut widths: Vec<usize> = Vec::new();
    for row in &rows {
        widths.resize(row.len().max(widths.len()), 0);
        for (at, (width, cell)) in widths.iter_mut().zip(row).enumerate() {
            let length = cell.chars().count();
            if LONGEST.get(at).is_none_or(|longest| length <= *longest) {
                *width = length.max(*width);
            }
        }
    }
    let mut out = Vec::new();
    for row in &rows {
        let long = row.iter().zip(LONGEST).any(|(cell, longest)| cell.chars().count() > longest);
        if long {
            let names: Vec<&str> = row.iter().take(LONGEST.len()).map(String::as_str).collect();
            out.push(names.join(" ").trim_end().to_owned());
        }
        let mut line = String::new();
        for (at, (cell, &width)) in row.iter().zip(&widths).enumerate() {
            line.push_str(if ROOM_BEFORE.contains(&at) {
                "  "
            } else if at > 0 {
                " "
            } else {
                ""
            });
            let name = at < LONGEST.len();
            let cell = if name && long { "" } else { cell };
            line.push_str(&if name { format!("{cell:<width$}") } else { format!("{cell:>width$}") });
        }
        out.push(line.trim_end().to_owned());
    }
    out
}
