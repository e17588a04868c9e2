//! The folder that a replay writes, and read back: tallies, patient-days and census as CSV, rows as NDJSON, and what it
//! was made with.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::Arc;

use anyhow::Context;
use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};

use super::BadLine;
use crate::care::ledger::{Cell, CellKey};
use crate::care::tally::{CensusCell, DayCell, Tally};
use crate::care::time::{Instant, Length};
use crate::care::totals::Totals;
use crate::config::Config;
use crate::site::{Definitions, Site};
use crate::translate::measures::{self, MEASURES, Scope};

/// Opportunities and hours by unit, local day, shift and requirement.
pub const TALLIES: &str = "tallies.csv";
/// Patient-days by unit, local day and requirement; without a requirement: all of them together.
pub const DAYS: &str = "patient_days.csv";
/// Patients at the daily count by unit and local day.
pub const CENSUS: &str = "census.csv";
/// How long after care that was in time it was charted, by unit, local day and shift.
pub const DELAYS: &str = "delays.csv";
/// What was read, and with what.
pub const MANIFEST: &str = "replay.json";
/// The reports of all measures, for the whole time and for each month.
pub const REPORTS: &str = "measurereports.ndjson";
/// The lines that could not be read.
pub const REJECTED: &str = "rejected.ndjson";
/// The files of rows; the last is written only if it is asked for.
pub const ROWS: [&str; 4] = ["issues.ndjson", "tasks.ndjson", "doubts.ndjson", "opportunities.ndjson"];

const TALLIES_HEADER: [&str; 11] = [
    "unit",
    "date",
    "shift",
    "requirement",
    "met",
    "missed",
    "excused",
    "late_charted",
    "at_risk_seconds",
    "covered_seconds",
    "unverified_seconds",
];
const DAYS_HEADER: [&str; 5] = ["unit", "date", "requirement", "complete", "of"];
const CENSUS_HEADER: [&str; 4] = ["unit", "date", "patients", "ventilated"];
const DELAYS_HEADER: [&str; 5] = ["unit", "date", "shift", "delay_minutes", "count"];

/// By what a replay counts: the configuration and the site's own definitions, as they were given.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub struct Setup {
    /// The text of the configuration file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub config: Option<String>,
    /// The protocol in place of what the configuration says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub protocol: Option<String>,
    /// The zone in place of what the configuration says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub zone: Option<String>,
    /// ConceptMaps, ValueSets and PlanDefinitions: id and text.
    #[serde(default)]
    pub maps: Vec<(String, String)>,
    /// As `maps`.
    #[serde(default)]
    pub value_sets: Vec<(String, String)>,
    /// As `maps`.
    #[serde(default)]
    pub plans: Vec<(String, String)>,
}

/// What was read, and with what.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
pub struct Manifest {
    /// Version of Terce.
    pub terce: String,
    /// Up to when was counted, RFC 3339.
    pub until: String,
    /// The zone of local days.
    pub zone: String,
    /// Name and version of the protocol that holds where a unit names none.
    pub protocol: String,
    /// Stays.
    pub stays: u64,
    /// Of them, how many are not over.
    pub open: u64,
    /// By what was counted.
    pub setup: Setup,
}

impl Setup {
    /// The site.
    ///
    /// # Errors
    /// Everything that cannot be honoured.
    pub fn site(&self) -> anyhow::Result<Site> {
        let mut config = match &self.config {
            Some(text) => Config::of_site(text).map_err(|errors| anyhow::anyhow!(errors.join("\n")))?,
            None => Config::standard(),
        };
        if let Some(protocol) = &self.protocol {
            config.site.protocol.clone_from(protocol);
        }
        if let Some(zone) = &self.zone {
            config.site.standard.zone =
                zone.parse().map_err(|_| anyhow::anyhow!("\"{zone}\" is not a zone of the IANA database"))?;
        }
        let bytes = |all: &[(String, String)]| {
            all.iter().map(|(id, text)| (id.clone(), text.clone().into_bytes())).collect()
        };
        let definitions = Definitions {
            maps: bytes(&self.maps),
            value_sets: bytes(&self.value_sets),
            plans: bytes(&self.plans),
        };
        let site = Site::of(&config, &definitions)?;
        if let Some((document, refusal)) = site.refused.first() {
            anyhow::bail!("cannot be honoured: {document}: {}: {}", refusal.path, refusal.why);
        }
        Ok(site)
    }
}

/// Writes the sums and the reports into `folder`.
pub(super) fn write_sums(folder: &Path, tally: &Tally, site: &Site, until: Instant) -> anyhow::Result<()> {
    let mut out = csv::Writer::from_path(folder.join(TALLIES))?;
    out.write_record(TALLIES_HEADER)?;
    for (key, cell) in &tally.cells {
        let counts = [cell.met, cell.missed, cell.excused, cell.late_charted].map(|n| n.to_string());
        let hours = [cell.at_risk, cell.covered, cell.unverified].map(seconds);
        let [met, missed, excused, late] = counts;
        let [at_risk, covered, unverified] = hours;
        let day = key.day.to_string();
        let names = [&*key.unit, &day, &*key.shift, &*key.requirement];
        let numbers = [&met, &missed, &excused, &late, &at_risk, &covered, &unverified];
        out.write_record(names.into_iter().chain(numbers.map(String::as_str)))?;
    }
    out.flush()?;
    let mut out = csv::Writer::from_path(folder.join(DAYS))?;
    out.write_record(DAYS_HEADER)?;
    for ((unit, day), cell) in &tally.days {
        let day = day.to_string();
        let whole = ("", &(cell.complete, cell.of));
        let each = cell.requirements.iter().map(|(r, counts)| (&**r, counts));
        for (requirement, (complete, of)) in std::iter::once(whole).chain(each) {
            out.write_record([unit, &*day, requirement, &complete.to_string(), &of.to_string()])?;
        }
    }
    out.flush()?;
    let mut out = csv::Writer::from_path(folder.join(CENSUS))?;
    out.write_record(CENSUS_HEADER)?;
    for ((unit, day), cell) in &tally.census {
        let (day, patients, ventilated) =
            (day.to_string(), cell.patients.to_string(), cell.ventilated.to_string());
        out.write_record([&**unit, &day, &patients, &ventilated])?;
    }
    out.flush()?;
    write_delays(folder, tally)?;
    reports(folder, tally, site, until)
}

fn write_delays(folder: &Path, tally: &Tally) -> anyhow::Result<()> {
    let mut out = csv::Writer::from_path(folder.join(DELAYS))?;
    out.write_record(DELAYS_HEADER)?;
    for ((unit, day, shift), delays) in &tally.delays {
        let day = day.to_string();
        for (delay, count) in delays.all() {
            let minutes = (delay.as_micros() / 60_000_000).to_string();
            out.write_record([&**unit, &day, &**shift, &minutes, &count.to_string()])?;
        }
    }
    Ok(out.flush()?)
}

/// In seconds, with a fraction only where there is one.
fn seconds(length: Length) -> String {
    let (whole, us) = (length.as_micros() / 1_000_000, length.as_micros() % 1_000_000);
    if us == 0 { whole.to_string() } else { format!("{whole}.{us:06}") }
}

fn reports(folder: &Path, tally: &Tally, site: &Site, until: Instant) -> anyhow::Result<()> {
    let mut out = BufWriter::new(File::create(folder.join(REPORTS))?);
    let days = tally.cells.keys().map(|k| k.day).chain(tally.census.keys().map(|(_, d)| *d));
    let (first, last) = days.fold((None, None), |(a, b): (Option<NaiveDate>, Option<NaiveDate>), d| {
        (Some(a.map_or(d, |a| a.min(d))), Some(b.map_or(d, |b| b.max(d))))
    });
    if let (Some(first), Some(last)) = (first, last) {
        let scope = Scope { heard_until: Some(until), ..Scope::default() };
        for period in std::iter::once((first, last)).chain(months(first, last)) {
            let totals = Totals::of(tally, period.0, period.1, None);
            // surveillance is asked of the service only
            for id in MEASURES.iter().filter(|id| !measures::tells_events(id)) {
                if let Some(report) = measures::evaluate(id, &totals, &site.rules, period, &scope, until) {
                    out.write_all(&fhir_models::Resource::write(&report))?;
                    out.write_all(b"\n")?;
                }
            }
        }
    }
    Ok(out.flush()?)
}

/// The calendar months that `first..=last` touches, whole; none if it is within one.
fn months(first: NaiveDate, last: NaiveDate) -> Vec<(NaiveDate, NaiveDate)> {
    let mut out = Vec::new();
    let mut month = first.with_day(1).unwrap_or(first);
    while month <= last {
        let next = month.checked_add_months(chrono::Months::new(1)).unwrap_or(NaiveDate::MAX);
        out.push((month, next.pred_opt().unwrap_or(month)));
        month = next;
    }
    if out.len() > 1 { out } else { Vec::new() }
}

/// Adds the sums of `folder` to `tally`.
pub(super) fn read_sums(folder: &Path, tally: &mut Tally) -> anyhow::Result<()> {
    rows(&folder.join(TALLIES), &TALLIES_HEADER, |row| {
        let [unit, day, shift, requirement, met, missed, excused, late, at_risk, covered, unverified] = *row
        else {
            anyhow::bail!("not as many fields as the header names");
        };
        let day = read(day)?;
        let key = CellKey { unit: unit.into(), day, shift: shift.into(), requirement: requirement.into() };
        let cell = Cell {
            met: read(met)?,
            missed: read(missed)?,
            excused: read(excused)?,
            late_charted: read(late)?,
            at_risk: length(at_risk)?,
            covered: length(covered)?,
            unverified: length(unverified)?,
        };
        tally.cells.entry(key).or_default().add(&cell);
        Ok(())
    })?;
    rows(&folder.join(DAYS), &DAYS_HEADER, |row| {
        let [unit, day, requirement, complete, of] = *row else {
            anyhow::bail!("not as many fields as the header names");
        };
        let (complete, of): (u32, u32) = (read(complete)?, read(of)?);
        let mut one = DayCell::default();
        if requirement.is_empty() {
            (one.complete, one.of) = (complete, of);
        } else {
            one.requirements.insert(requirement.into(), (complete, of));
        }
        let key: (Arc<str>, NaiveDate) = (unit.into(), read(day)?);
        tally.merge(&Tally { days: [(key, one)].into(), ..Tally::default() });
        Ok(())
    })?;
    rows(&folder.join(CENSUS), &CENSUS_HEADER, |row| {
        let [unit, day, patients, ventilated] = *row else {
            anyhow::bail!("not as many fields as the header names");
        };
        let one = CensusCell { patients: read(patients)?, ventilated: read(ventilated)? };
        let key: (Arc<str>, NaiveDate) = (unit.into(), read(day)?);
        tally.merge(&Tally { census: [(key, one)].into(), ..Tally::default() });
        Ok(())
    })?;
    rows(&folder.join(DELAYS), &DELAYS_HEADER, |row| {
        let [unit, day, shift, minutes, count] = *row else {
            anyhow::bail!("not as many fields as the header names");
        };
        let delay = Length::minutes(read::<u32>(minutes)?.into());
        let key: (Arc<str>, NaiveDate, Arc<str>) = (unit.into(), read(day)?, shift.into());
        tally.delays.entry(key).or_default().count(delay, read(count)?);
        Ok(())
    })
}

/// Hands the fields of each row below `header` to `each`; whatever is wrong is told with file and line.
fn rows(
    path: &Path,
    header: &[&str],
    mut each: impl FnMut(&[&str]) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let file = path.display();
    let mut reader = csv::Reader::from_path(path).with_context(|| file.to_string())?;
    let found = reader.headers().with_context(|| format!("{file}:1"))?;
    anyhow::ensure!(*found == *header, "{file}:1: expected the header {}", header.join(","));
    for record in reader.records() {
        let record = record.map_err(|error| {
            let line = error.position().map_or(0, csv::Position::line);
            anyhow::anyhow!("{file}:{line}: {error}")
        })?;
        let fields: Vec<&str> = record.iter().collect();
        let line = record.position().map_or(0, csv::Position::line);
        each(&fields).map_err(|error| anyhow::anyhow!("{file}:{line}: {error}"))?;
    }
    Ok(())
}

/// A count or a day.
fn read<T: std::str::FromStr<Err: std::fmt::Display>>(text: &str) -> anyhow::Result<T> {
    text.parse().map_err(|error| anyhow::anyhow!("\"{text}\": {error}"))
}

/// Seconds, with at most six decimals.
fn length(text: &str) -> anyhow::Result<Length> {
    let (whole, part) = text.split_once('.').unwrap_or((text, "0"));
    let digits = |t: &str| !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit());
    anyhow::ensure!(
        digits(whole) && digits(part) && part.len() <= 6,
        "\"{text}\": expected seconds with up to 6 decimals"
    );
    let (whole, part): (i64, i64) = (read(whole)?, read(&format!("{part:0<6}"))?);
    let us = whole.checked_mul(1_000_000).and_then(|us| us.checked_add(part));
    Ok(Length::micros(us.with_context(|| format!("\"{text}\": too many seconds"))?))
}

/// Writes what was read, and with what.
pub(super) fn write_manifest(folder: &Path, manifest: &Manifest) -> anyhow::Result<()> {
    let mut text = serde_json::to_vec_pretty(manifest)?;
    text.push(b'\n');
    Ok(std::fs::write(folder.join(MANIFEST), text)?)
}

/// Writes which lines could not be read, and why.
pub(super) fn write_rejected(folder: &Path, bad_lines: &[BadLine]) -> anyhow::Result<()> {
    let mut out = BufWriter::new(File::create(folder.join(REJECTED))?);
    for bad in bad_lines {
        serde_json::to_writer(&mut out, bad)?;
        out.write_all(b"\n")?;
    }
    Ok(out.flush()?)
}

/// What a folder was made with.
///
/// # Errors
/// It is no folder that a replay has finished.
pub fn manifest(folder: &Path) -> anyhow::Result<Manifest> {
    let path = folder.join(MANIFEST);
    let text = std::fs::read(&path)
        .with_context(|| format!("{}: not a folder that terce replay has written", folder.display()))?;
    serde_json::from_slice(&text).with_context(|| path.display().to_string())
}
