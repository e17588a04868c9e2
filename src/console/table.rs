//! The rows of a MeasureReport, found by what they are about.

use fhir_models::MeasureReport;

use crate::translate::measures::{self, COLUMNS};

/// All rows of a report.
pub(super) struct Table(Vec<Row>);

/// One row.
pub(super) struct Row(pub(super) measures::Row);

impl Table {
    /// Those that the report has as a table.
    pub(super) fn of(report: &MeasureReport) -> Self {
        Table(measures::rows(report).into_iter().map(Row).collect())
    }

    /// A row for each group, all of it together.
    pub(super) fn groups(&self) -> impl Iterator<Item = &Row> {
        self.0.iter().filter(|row| row.text("stratifier").is_empty())
    }

    /// The row of one group.
    pub(super) fn group(&self, group: &str) -> Option<&Row> {
        self.groups().find(|row| row.text("group") == group)
    }

    /// Code and title of the strata of a stratifier.
    pub(super) fn strata(&self, stratifier: &str) -> Vec<(String, String)> {
        let mut out: Vec<(String, String)> = Vec::new();
        for row in self.0.iter().filter(|row| row.text("stratifier") == stratifier) {
            let stratum = (row.text("stratum").to_owned(), row.text("stratum_title").to_owned());
            if !out.contains(&stratum) {
                out.push(stratum);
            }
        }
        out
    }

    /// One stratum of one group.
    pub(super) fn stratum(&self, group: &str, stratifier: &str, stratum: &str) -> Option<&Row> {
        self.of_group(group)
            .find(|row| row.text("stratifier") == stratifier && row.text("stratum") == stratum)
    }

    /// What is told of the chart of a group as a whole.
    pub(super) fn chart(&self, group: &str) -> Option<&Row> {
        self.of_group(group).find(|row| row.charts() && row.text("stratum").is_empty())
    }

    /// The points of the chart of a group, in the order of time.
    pub(super) fn points(&self, group: &str) -> Vec<&Row> {
        self.of_group(group).filter(|row| row.charts() && !row.text("stratum").is_empty()).collect()
    }

    fn of_group(&self, group: &str) -> impl Iterator<Item = &Row> {
        self.0.iter().filter(move |row| row.text("group") == group)
    }
}

impl Row {
    /// What a column says; nothing where it says nothing.
    pub(super) fn text(&self, column: &str) -> &str {
        let place = COLUMNS.iter().position(|known| *known == column);
        place.and_then(|place| self.0.get(place)).map(String::as_str).unwrap_or_default()
    }

    /// The number in a column.
    pub(super) fn number(&self, column: &str) -> Option<f64> {
        self.text(column).parse().ok()
    }

    /// Its counts are hidden because they are small.
    pub(super) fn hidden(&self) -> bool {
        self.text("hidden") == "true"
    }

    /// A share as people read it: `81.2 %`.
    pub(super) fn share(&self, column: &str) -> String {
        match self.number(column) {
            Some(share) => format!("{:.1} %", share * 100.0),
            None if self.hidden() => "hidden".to_owned(),
            None => "none counted".to_owned(),
        }
    }

    /// The 95 % interval of a share: `80.8 to 81.5 %`.
    pub(super) fn interval(&self) -> String {
        match (self.number("low"), self.number("high")) {
            (Some(low), Some(high)) => format!("{:.1} to {:.1} %", low * 100.0, high * 100.0),
            _ => String::new(),
        }
    }

    /// What was counted of what.
    pub(super) fn part(&self) -> String {
        let counted = |column: &str| self.number(column).unwrap_or(0.0);
        if self.text("denominator").is_empty() {
            return String::new();
        }
        format!("{} of {}", self.text("numerator"), counted("denominator") - counted("denominator_exception"))
    }

    fn charts(&self) -> bool {
        self.text("stratifier").starts_with("chart-")
    }
}
