//! Two outputs side by side: which compliance would have changed, by how much, and how many more or fewer Tasks.

use std::collections::{BTreeMap, BTreeSet};
use std::fs::File;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::sync::Arc;

use anyhow::Context;
use serde::Deserialize;

use super::files::{self, Manifest};
use crate::care::ledger::Cell;
use crate::care::statistics::newcombe;
use crate::care::tally::Tally;
use crate::care::time::Length;

mod text;

/// Two outputs side by side.
#[derive(Clone, PartialEq, Debug)]
pub struct Comparison {
    /// What each was made with.
    pub made: [Manifest; 2],
    /// All, then each requirement, then each requirement by shift.
    pub rows: Vec<Row>,
}

/// One line of a comparison; each pair is of the first and of the second output.
#[derive(Clone, PartialEq, Debug)]
pub struct Row {
    /// The requirement's id; none for all together.
    pub requirement: Option<Arc<str>>,
    /// The shift; none for the whole day.
    pub shift: Option<Arc<str>>,
    /// Counts and hours; none where the output does not know the requirement.
    pub cells: [Option<Cell>; 2],
    /// Tasks in which it was asked for, by the shift in which they were opened.
    pub tasks: [u64; 2],
    /// Lapses that would have been announced.
    pub issues: [u64; 2],
    /// Patient-days of the shift, or of all: in each unit and shift the time at risk of the requirement that was at risk
    /// longest there, added up, in days of 24 hours.
    pub days: [f64; 2],
}

#[derive(Deserialize)]
struct Task {
    shift: Arc<str>,
    requirements: Vec<Arc<str>>,
}

#[derive(Deserialize)]
struct Issue {
    shift: Arc<str>,
    requirement: Arc<str>,
}

/// Requirement and shift; none for all of them.
type Key = (Option<Arc<str>>, Option<Arc<str>>);

#[derive(Default)]
struct Side {
    cells: BTreeMap<Key, Cell>,
    tasks: BTreeMap<Key, u64>,
    issues: BTreeMap<Key, u64>,
    /// Patient-days by shift; none for all of them.
    days: BTreeMap<Option<Arc<str>>, f64>,
}

/// Compares the folders `a` and `b`, each written by a replay or a merge.
///
/// # Errors
/// A folder that no replay has finished, or a file in it that is not as replay writes it.
pub fn compare(a: &Path, b: &Path) -> anyhow::Result<Comparison> {
    let made = [files::manifest(a)?, files::manifest(b)?];
    let sides = [Side::read(a)?, Side::read(b)?];
    let all = (None, None);
    let keys: BTreeSet<&Key> = sides.iter().flat_map(Side::keys).chain([&all]).collect();
    let mut keys: Vec<&Key> = keys.into_iter().collect();
    keys.sort_by_key(|(requirement, shift)| (shift.is_some(), requirement.clone(), shift.clone()));
    let rows = keys.into_iter().map(|key| Row {
        requirement: key.0.clone(),
        shift: key.1.clone(),
        cells: sides.each_ref().map(|s| s.cells.get(key).copied()),
        tasks: sides.each_ref().map(|s| s.tasks.get(key).copied().unwrap_or_default()),
        issues: sides.each_ref().map(|s| s.issues.get(key).copied().unwrap_or_default()),
        days: sides.each_ref().map(|s| s.days.get(&key.1).copied().unwrap_or_default()),
    });
    let rows = rows.collect();
    Ok(Comparison { made, rows })
}

impl Side {
    /// All requirements and shifts of which it tells anything.
    fn keys(&self) -> impl Iterator<Item = &Key> {
        self.cells.keys().chain(self.tasks.keys()).chain(self.issues.keys())
    }

    fn read(folder: &Path) -> anyhow::Result<Side> {
        let (mut side, mut tally) = (Side::default(), Tally::default());
        files::read_sums(folder, &mut tally)?;
        side.days = tally.days_at_risk();
        for (key, cell) in &tally.cells {
            for at in keys(Some(&key.requirement), &key.shift) {
                side.cells.entry(at).or_default().add(cell);
            }
        }
        lines(&folder.join("tasks.ndjson"), |task: Task| {
            let each = task
                .requirements
                .iter()
                .flat_map(|r| [(Some(r.clone()), None), (Some(r.clone()), Some(task.shift.clone()))]);
            for key in each.chain([(None, None)]) {
                *side.tasks.entry(key).or_default() += 1;
            }
        })?;
        lines(&folder.join("issues.ndjson"), |issue: Issue| {
            for key in keys(Some(&issue.requirement), &issue.shift) {
                *side.issues.entry(key).or_default() += 1;
            }
        })?;
        Ok(side)
    }
}

fn keys(requirement: Option<&Arc<str>>, shift: &Arc<str>) -> [Key; 3] {
    let requirement = requirement.cloned();
    [(None, None), (requirement.clone(), None), (requirement, Some(shift.clone()))]
}

fn lines<T: for<'a> Deserialize<'a>>(path: &Path, mut each: impl FnMut(T)) -> anyhow::Result<()> {
    let file = File::open(path).with_context(|| path.display().to_string())?;
    for (number, line) in BufReader::new(file).lines().enumerate() {
        let read = line.map_err(anyhow::Error::from).and_then(|l| Ok(serde_json::from_str(&l)?));
        each(read.with_context(|| format!("{}:{}", path.display(), number + 1))?);
    }
    Ok(())
}

impl Row {
    /// Share met of what was met or missed, in each.
    pub fn shares(&self) -> [Option<f64>; 2] {
        self.cells.map(|c| c.map(counted).filter(|(_, of)| *of > 0).map(|(met, of)| met as f64 / of as f64))
    }

    /// By how much the second share is higher than the first, with its 95 % interval.
    pub fn change(&self) -> Option<(f64, f64, f64)> {
        let ([Some(a), Some(b)], [Some(first), Some(second)]) = (self.cells, self.shares()) else {
            return None;
        };
        let ((met_a, of_a), (met_b, of_b)) = (counted(a), counted(b));
        let (low, high) = newcombe(met_b, of_b, met_a, of_a)?;
        Some((second - first, low, high))
    }

    /// Share of the time at risk that was covered, in each.
    pub fn covered(&self) -> [Option<f64>; 2] {
        let share = |c: Cell| {
            (c.at_risk > Length::ZERO).then(|| c.covered.as_micros() as f64 / c.at_risk.as_micros() as f64)
        };
        self.cells.map(|c| c.and_then(share))
    }

    /// Tasks for each patient-day, in each.
    pub fn tasks_per_day(&self) -> [Option<f64>; 2] {
        self.per_day(self.tasks)
    }

    /// Issues for each patient-day, in each.
    pub fn issues_per_day(&self) -> [Option<f64>; 2] {
        self.per_day(self.issues)
    }

    /// Whether each of the two knows what this row is about.
    fn known(&self) -> [bool; 2] {
        let ([a, b], [tasks_a, tasks_b], [issues_a, issues_b]) = (self.cells, self.tasks, self.issues);
        [a.is_some() || tasks_a + issues_a > 0, b.is_some() || tasks_b + issues_b > 0]
    }

    fn per_day(&self, [a, b]: [u64; 2]) -> [Option<f64>; 2] {
        let ([days_a, days_b], [known_a, known_b]) = (self.days, self.known());
        let rate = |n: u64, days: f64, known: bool| (known && days > 0.0).then(|| n as f64 / days);
        [rate(a, days_a, known_a), rate(b, days_b, known_b)]
    }
}

/// The second less the first.
fn difference([a, b]: [Option<f64>; 2]) -> Option<f64> {
    Some(b? - a?)
}

fn counted(cell: Cell) -> (u64, u64) {
    (u64::from(cell.met), u64::from(cell.met) + u64::from(cell.missed))
}

/// The columns of the CSV; `_a`, `_b` and their difference, B less A.
const COLUMNS: [&str; 26] = [
    "requirement",
    "shift",
    "met_a",
    "missed_a",
    "met_b",
    "missed_b",
    "share_a_percent",
    "share_b_percent",
    "share_difference_points",
    "low_points",
    "high_points",
    "covered_a_percent",
    "covered_b_percent",
    "covered_difference_points",
    "patient_days_a",
    "patient_days_b",
    "tasks_a",
    "tasks_b",
    "tasks_a_per_patient_day",
    "tasks_b_per_patient_day",
    "tasks_difference_per_patient_day",
    "issues_a",
    "issues_b",
    "issues_a_per_patient_day",
    "issues_b_per_patient_day",
    "issues_difference_per_patient_day",
];

impl Comparison {
    /// One row for each requirement and shift, with all counts; empty where there is nothing to say.
    ///
    /// # Errors
    /// `to` cannot be written.
    pub fn write_csv(&self, to: impl Write) -> anyhow::Result<()> {
        let mut out = csv::Writer::from_writer(to);
        out.write_record(COLUMNS)?;
        self.rows.iter().try_for_each(|row| out.write_record(row.fields()))?;
        Ok(out.flush()?)
    }
}

impl Row {
    fn fields(&self) -> Vec<String> {
        let number = |x: Option<f64>| x.map_or_else(String::new, |x| format!("{x:.6}"));
        let percent = |x: Option<f64>| number(x.map(|x| x * 100.0));
        let count = |(n, known): (u64, bool)| if known { n.to_string() } else { String::new() };
        let name = |n: &Option<Arc<str>>| n.as_deref().unwrap_or_default().to_owned();
        let mut fields = vec![name(&self.requirement), name(&self.shift)];
        for cell in self.cells {
            fields.extend(
                [cell.map(|c| c.met), cell.map(|c| c.missed)]
                    .map(|n| n.map_or_else(String::new, |n| n.to_string())),
            );
        }
        fields.extend(self.shares().map(percent));
        let change = self.change();
        fields.extend([change.map(|c| c.0), change.map(|c| c.1), change.map(|c| c.2)].map(percent));
        fields.extend(self.covered().map(percent));
        fields.push(percent(difference(self.covered())));
        fields.extend(self.days.map(|days| number(Some(days))));
        for (counts, rates) in [(self.tasks, self.tasks_per_day()), (self.issues, self.issues_per_day())] {
            fields.extend(counts.into_iter().zip(self.known()).map(count));
            fields.extend(rates.map(number));
            fields.push(number(difference(rates)));
        }
        fields
    }
}
