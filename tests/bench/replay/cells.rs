//! What a program says of the task, cell by cell: a unit on a local day.

use std::collections::BTreeMap;
use std::path::Path;

/// At risk and covered in seconds; cleaned, cleaning missed, brushed, brushing missed.
type Counts = [i64; 6];

#[derive(PartialEq, Eq, Default)]
pub struct Cells(BTreeMap<(String, String), Counts>);

/// Differences told in full; the rest are counted.
const SHOWN: usize = 8;

impl Cells {
    /// As the peers write them: unit, date and the counts.
    pub fn of_peer(file: &Path) -> Result<Cells, String> {
        let mut cells = Cells::default();
        for line in read(file)?.lines() {
            let fields: Vec<&str> = line.split(',').collect();
            let counts: Vec<i64> = fields.iter().skip(2).map_while(|f| f.parse().ok()).collect();
            let counts = Counts::try_from(counts).map_err(|_| format!("{}: {line}", file.display()))?;
            cells.0.insert((fields[0].to_owned(), fields[1].to_owned()), counts);
        }
        Ok(cells)
    }

    /// As Terce writes them: a row for each shift and requirement.
    pub fn of_terce(file: &Path) -> Result<Cells, String> {
        let text = read(file)?;
        let mut lines = text.lines();
        let header: Vec<&str> = lines.next().unwrap_or_default().split(',').collect();
        let column = |name: &str| {
            let found = header.iter().position(|h| *h == name);
            found.ok_or_else(|| format!("{}: no column {name}", file.display()))
        };
        let (unit, date, requirement) = (column("unit")?, column("date")?, column("requirement")?);
        let (met, missed, excused) = (column("met")?, column("missed")?, column("excused")?);
        let (at_risk, covered) = (column("at_risk_seconds")?, column("covered_seconds")?);
        let unverified = column("unverified_seconds")?;
        let (mut cells, mut brush_at_risk) = (Cells::default(), Cells::default());
        for line in lines {
            let fields: Vec<&str> = line.split(',').collect();
            let number = |at: usize| fields[at].parse::<f64>().map_err(|_| format!("no number: {line}"));
            if number(excused)? != 0.0 || number(unverified)? != 0.0 {
                return Err(format!("nothing here is excused or unverified: {line}"));
            }
            let key = (fields[unit].to_owned(), fields[date].to_owned());
            let counts = cells.0.entry(key.clone()).or_default();
            let mut add = |to: usize, from: usize| number(from).map(|n| counts[to] += n.round() as i64);
            match fields[requirement] {
                "clean" => {
                    for (to, from) in [(0, at_risk), (1, covered), (2, met), (3, missed)] {
                        add(to, from)?;
                    }
                }
                "brush" => {
                    add(4, met)?;
                    add(5, missed)?;
                    brush_at_risk.0.entry(key).or_default()[0] += number(at_risk)?.round() as i64;
                }
                other => return Err(format!("no requirement {other} in the task: {line}")),
            }
        }
        for (key, counts) in &cells.0 {
            if brush_at_risk.0.get(key).map(|b| b[0]) != Some(counts[0]) {
                return Err(format!("{key:?}: brushing and cleaning are not at risk alike"));
            }
        }
        Ok(cells)
    }

    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Where `other` says something else; none if it says the same.
    pub fn differences(&self, other: &Cells) -> Option<String> {
        let keys = self.0.keys().chain(other.0.keys().filter(|k| !self.0.contains_key(k)));
        let told: Vec<String> = keys
            .filter(|k| self.0.get(k) != other.0.get(k))
            .map(|k| format!("  {} {}: {:?} and {:?}", k.0, k.1, self.0.get(k), other.0.get(k)))
            .collect();
        let more = told.len().saturating_sub(SHOWN);
        let shown = told[..told.len().min(SHOWN)].join("\n");
        (!told.is_empty())
            .then(|| format!("{} of {} cells\n{shown}\n  and {more} more", told.len(), self.len()))
    }
}

fn read(file: &Path) -> Result<String, String> {
    std::fs::read_to_string(file).map_err(|e| format!("{}: {e}", file.display()))
}
