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
    /// Ventilated days in scope: the time at risk of the requirement that was at risk longest.
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
}

/// Compares the folders `a` and `b`, each written by a replay or a merge.
///
/// # Errors
/// A folder that no replay has finished, or a file in it that is not as replay writes it.
pub fn compare(a: &Path, b: &Path) -> anyhow::Result<Comparison> {
    let made = [files::manifest(a)?, files::manifest(b)?];
    let sides = [Side::read(a)?, Side::read(b)?];
    let keys: BTreeSet<&Key> = sides.iter().flat_map(|s| s.cells.keys()).collect();
    let mut keys: Vec<&Key> = keys.into_iter().collect();
    keys.sort_by_key(|(requirement, shift)| (shift.is_some(), requirement.clone(), shift.clone()));
    let rows = keys.into_iter().filter(|(r, s)| r.is_some() || s.is_none()).map(|key| Row {
        requirement: key.0.clone(),
        shift: key.1.clone(),
        cells: sides.each_ref().map(|s| s.cells.get(key).copied()),
        tasks: sides.each_ref().map(|s| s.tasks.get(key).copied().unwrap_or_default()),
        issues: sides.each_ref().map(|s| s.issues.get(key).copied().unwrap_or_default()),
        days: sides.each_ref().map(|s| s.days(key.1.as_ref())),
    });
    let rows = rows.collect();
    Ok(Comparison { made, rows })
}

impl Side {
    fn read(folder: &Path) -> anyhow::Result<Side> {
        let (mut side, mut tally) = (Side::default(), Tally::default());
        files::read_sums(folder, &mut tally)?;
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

    /// Ventilated days in scope.
    fn days(&self, shift: Option<&Arc<str>>) -> f64 {
        let of = self.cells.iter().filter(|((r, s), _)| r.is_some() && s.as_ref() == shift);
        let longest = of.map(|(_, cell)| cell.at_risk + cell.unverified).max().unwrap_or(Length::ZERO);
        longest.as_micros() as f64 / 86_400e6
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

    fn per_day(&self, counts: [u64; 2]) -> [Option<f64>; 2] {
        let [a, b] = counts;
        let [days_a, days_b] = self.days;
        [(a, days_a), (b, days_b)].map(|(n, days)| (days > 0.0).then(|| n as f64 / days))
    }
}

fn counted(cell: Cell) -> (u64, u64) {
    (u64::from(cell.met), u64::from(cell.met) + u64::from(cell.missed))
}

impl Comparison {
    /// For people, in at most 100 columns.
    pub fn to_text(&self) -> String {
        let [a, b] = &self.made;
        let mut out = vec![
            format!("A: {}, {} stays up to {}", a.protocol, a.stays, a.until),
            format!("B: {}, {} stays up to {}", b.protocol, b.stays, b.until),
            String::new(),
            format!(
                "{:<21}{:<6} {:>6} {:>6} {:>20}  {:>6} {:>6}  {:>5} {:>5}  {:>5} {:>5}",
                "met of counted, %",
                "",
                "A",
                "B",
                "B - A (95 %)",
                "covA",
                "covB",
                "tskA",
                "tskB",
                "issA",
                "issB"
            ),
        ];
        let percent = |x: Option<f64>| x.map_or_else(|| "-".to_owned(), |x| format!("{:.1}", x * 100.0));
        let rate = |x: Option<f64>| x.map_or_else(|| "-".to_owned(), |x| format!("{x:.2}"));
        for row in &self.rows {
            let ([a, b], [cov_a, cov_b]) = (row.shares().map(percent), row.covered().map(percent));
            let change = row.change().map_or_else(
                || "-".to_owned(),
                |(by, low, high)| format!("{:+.1} ({:+.1} {:+.1})", by * 100.0, low * 100.0, high * 100.0),
            );
            let [task_a, task_b] = row.per_day(row.tasks).map(rate);
            let [issue_a, issue_b] = row.per_day(row.issues).map(rate);
            let (requirement, shift) = (row.requirement.as_deref().unwrap_or("all"), row.shift.as_deref());
            out.push(format!(
                "{requirement:<21}{:<6} {a:>6} {b:>6} {change:>20}  {cov_a:>6} {cov_b:>6}  {task_a:>5} {task_b:>5}  {issue_a:>5} {issue_b:>5}",
                shift.unwrap_or_default()
            ));
        }
        out.push(String::new());
        out.push("met: % of what was met or missed; cov: % of the time at risk that was covered;".into());
        out.push("tsk, iss: Tasks that asked for it, and lapses announced,".into());
        out.push("for each ventilated day in scope. The interval (Newcombe) takes A and B as independent; of the same".into());
        out.push(
            "stays counted twice they are not, and it is no test then. Charted care is not care.".into(),
        );
        out.join("\n")
    }

    /// One row for each line of the text, with all counts.
    ///
    /// # Errors
    /// `to` cannot be written.
    pub fn write_csv(&self, to: impl Write) -> anyhow::Result<()> {
        let mut out = csv::Writer::from_writer(to);
        out.write_record([
            "requirement",
            "shift",
            "met_a",
            "counted_a",
            "met_b",
            "counted_b",
            "change",
            "low",
            "high",
            "covered_a",
            "covered_b",
            "tasks_a",
            "tasks_b",
            "issues_a",
            "issues_b",
            "days_a",
            "days_b",
        ])?;
        let text = |x: Option<f64>| x.map_or_else(String::new, |x| format!("{x:.6}"));
        for row in &self.rows {
            let counts = row.cells.map(|c| c.map(counted));
            let mut fields = vec![
                row.requirement.as_deref().unwrap_or_default().to_owned(),
                row.shift.as_deref().unwrap_or_default().to_owned(),
            ];
            for counted in counts {
                fields.push(counted.map_or_else(String::new, |(met, _)| met.to_string()));
                fields.push(counted.map_or_else(String::new, |(_, of)| of.to_string()));
            }
            let change = row.change();
            fields.push(text(change.map(|c| c.0)));
            fields.push(text(change.map(|c| c.1)));
            fields.push(text(change.map(|c| c.2)));
            fields.extend(row.covered().map(text));
            fields.extend(row.tasks.iter().chain(&row.issues).map(u64::to_string));
            fields.extend(row.days.map(|d| text(Some(d))));
            out.write_record(fields)?;
        }
        Ok(out.flush()?)
    }
}
