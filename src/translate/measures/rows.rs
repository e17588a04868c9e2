//! A report as rows: one for each group, for each stratum of it, for its chart and for each point of that, with the same
//! numbers.

use fhir_models::MeasureReport;
use fhir_models::datatypes::{CodeableConcept, Extension, Quantity, Value};
use fhir_models::measure_report::MeasureReportGroup;

/// What the rows have.
pub const COLUMNS: [&str; 52] = [
    "measure",
    "version",
    "period_start",
    "period_end",
    "zone",
    "subject",
    "counted_at",
    "known_at",
    "patients_waiting",
    "stays_unsurveyed",
    "suppressed_below",
    "caution",
    "group",
    "group_title",
    "stratifier",
    "stratum",
    "stratum_title",
    "hidden",
    "initial_population",
    "denominator",
    "denominator_exception",
    "numerator",
    "late_charted",
    "score",
    "low",
    "high",
    "method",
    "unverified_hours",
    "median_delay_minutes",
    "p90_delay_minutes",
    "other_start",
    "other_end",
    "other_numerator",
    "other_denominator",
    "other_score",
    "difference",
    "ratio",
    "compared_low",
    "compared_high",
    "compared_p",
    "compared_method",
    "chart_kind",
    "centre",
    "lower_limit",
    "upper_limit",
    "factor",
    "median",
    "longest_run",
    "longest_run_expected",
    "crossings",
    "crossings_expected",
    "signals",
];

/// One row; empty where a column says nothing.
pub type Row = [String; COLUMNS.len()];

/// A row while it is filled, column by column.
struct Filling(Row);

impl Filling {
    fn new(common: &[(&'static str, String)]) -> Self {
        let mut row = Filling(std::array::from_fn(|_| String::new()));
        common.iter().for_each(|(column, value)| row.set(column, value.clone()));
        row
    }

    fn set(&mut self, column: &str, value: impl Into<String>) {
        let place = COLUMNS.iter().position(|c| *c == column);
        if let Some(cell) = place.and_then(|place| self.0.get_mut(place)) {
            *cell = value.into();
        }
    }

    /// Fills columns from the parts of an extension.
    fn parts(&mut self, parts: &[Extension], columns: &[(&str, &str)]) {
        for (name, column) in columns {
            let found = parts.iter().find(|part| part.url == *name);
            self.set(column, found.map(value).unwrap_or_default());
        }
    }

    fn period(&mut self, parts: &[Extension], start: &str, end: &str) {
        if let Some(Value::Period(period)) = find(parts, "period").and_then(|p| p.value.as_deref()) {
            self.set(start, period.start.as_ref().map(ToString::to_string).unwrap_or_default());
            self.set(end, period.end.as_ref().map(ToString::to_string).unwrap_or_default());
        }
    }

    fn numbers(
        &mut self,
        populations: &[Population<'_>],
        score: Option<&Quantity>,
        extensions: &[Extension],
    ) {
        for (id, column) in [
            ("initial-population", "initial_population"),
            ("denominator", "denominator"),
            ("denominator-exception", "denominator_exception"),
            ("numerator", "numerator"),
        ] {
            let Some((_, count, beside)) = populations.iter().find(|(found, ..)| *found == Some(id)) else {
                continue;
            };
            self.set(column, count.map(|count| count.to_string()).unwrap_or_default());
            if id == "numerator" {
                self.set("late_charted", own(beside, "late-charted"));
            }
        }
        if find(extensions, "data-absent-reason").is_some() {
            self.set("hidden", "true");
        }
        for (name, column) in [
            ("unverified-hours", "unverified_hours"),
            ("median-delay", "median_delay_minutes"),
            ("p90-delay", "p90_delay_minutes"),
        ] {
            self.set(column, own(extensions, name));
        }
        let Some(score) = score else { return };
        self.set("score", score.value.as_ref().map(ToString::to_string).unwrap_or_default());
        if let Some(interval) = find(&score.extension, "interval") {
            self.parts(&interval.extension, &[("low", "low"), ("high", "high"), ("method", "method")]);
        }
        if let Some(compared) = find(&score.extension, "compared") {
            self.period(&compared.extension, "other_start", "other_end");
            let columns = [
                ("numerator", "other_numerator"),
                ("denominator", "other_denominator"),
                ("score", "other_score"),
                ("difference", "difference"),
                ("ratio", "ratio"),
                ("low", "compared_low"),
                ("high", "compared_high"),
                ("p", "compared_p"),
                ("method", "compared_method"),
            ];
            self.parts(&compared.extension, &columns);
        }
    }
}

/// The rows of a report that [`evaluate`](super::evaluate) has made.
pub fn rows(report: &MeasureReport) -> Vec<Row> {
    let mut common = common(report);
    let mut out = Vec::new();
    for group in &report.group {
        common.retain(|(column, _)| !column.starts_with("group"));
        common.push(("group", group.id.clone().unwrap_or_default()));
        common.push(("group_title", text(group.code.as_ref())));
        let counts: Vec<Population<'_>> =
            group.population.iter().map(|p| (p.id.as_deref(), p.count, p.extension.as_slice())).collect();
        let mut row = Filling::new(&common);
        row.numbers(&counts, group.measure_score.as_ref(), &group.extension);
        out.push(row.0);
        strata(group, &common, &mut out);
        if let Some(chart) = find(&group.extension, "chart") {
            charted(&chart.extension, &common, &mut out);
        }
    }
    out
}

fn strata(group: &MeasureReportGroup, common: &[(&'static str, String)], out: &mut Vec<Row>) {
    for stratifier in &group.stratifier {
        for stratum in &stratifier.stratum {
            let concept = stratum.value.as_ref();
            let code = concept.and_then(|v| v.coding.first()).and_then(|c| c.code.clone());
            let mut row = Filling::new(common);
            row.set("stratifier", stratifier.id.clone().unwrap_or_default());
            row.set("stratum", code.unwrap_or_default());
            row.set("stratum_title", text(concept));
            let counts: Vec<Population<'_>> = (stratum.population.iter())
                .map(|p| (p.id.as_deref(), p.count, p.extension.as_slice()))
                .collect();
            row.numbers(&counts, stratum.measure_score.as_ref(), &stratum.extension);
            out.push(row.0);
        }
    }
}

/// A row for the chart, and one for each point.
fn charted(parts: &[Extension], common: &[(&'static str, String)], out: &mut Vec<Row>) {
    let named = |name: &str| find(parts, name).map(value).unwrap_or_default();
    let stratifier = format!("chart-{}", named("step"));
    let mut row = Filling::new(common);
    row.set("stratifier", stratifier.as_str());
    let columns = [
        ("kind", "chart_kind"),
        ("centre", "centre"),
        ("factor", "factor"),
        ("median", "median"),
        ("longest-run", "longest_run"),
        ("longest-run-expected", "longest_run_expected"),
        ("crossings", "crossings"),
        ("crossings-expected", "crossings_expected"),
    ];
    row.parts(parts, &columns);
    let all: Vec<[String; 4]> = (parts.iter().filter(|part| part.url == "signal"))
        .map(|signal| ["rule", "side", "from", "to"].map(|name| own(&signal.extension, name)))
        .collect();
    // what is said of the series as a whole has no side
    let whole = all.iter().filter(|[_, side, ..]| side.is_empty()).map(|[rule, ..]| rule.clone());
    row.set("signals", whole.collect::<Vec<_>>().join(" "));
    out.push(row.0);
    for point in parts.iter().filter(|part| part.url == "point") {
        let mut row = Filling::new(common);
        row.set("stratifier", stratifier.as_str());
        row.period(&point.extension, "stratum", "stratum_title");
        let start = find(&point.extension, "period").map(first_day).unwrap_or_default();
        if find(&point.extension, "data-absent-reason").is_some() {
            row.set("hidden", "true");
        }
        let columns = [
            ("numerator", "numerator"),
            ("denominator", "denominator"),
            ("value", "score"),
            ("low", "lower_limit"),
            ("high", "upper_limit"),
        ];
        row.parts(&point.extension, &columns);
        // dates that are written alike are in the order of time
        let inside = |[_, side, from, to]: &&[String; 4]| !side.is_empty() && *from <= start && start <= *to;
        let speaking = all.iter().filter(inside).map(|[rule, side, ..]| format!("{rule}/{side}"));
        row.set("signals", speaking.collect::<Vec<_>>().join(" "));
        out.push(row.0);
    }
}

/// A population's id, count and what stands beside it.
type Population<'a> = (Option<&'a str>, Option<i32>, &'a [Extension]);

fn common(report: &MeasureReport) -> Vec<(&'static str, String)> {
    let (measure, version) = report.measure.as_deref().and_then(|m| m.split_once('|')).unwrap_or_default();
    let subject = report.subject.as_ref().or(report.reporter.as_ref());
    let shown =
        |date: Option<&fhir_models::primitive::DateTime>| date.map(ToString::to_string).unwrap_or_default();
    let zone = report.period.start_element.as_ref().and_then(|element| element.extension.first());
    let beside = |name: &str| own(&report.extension, name);
    vec![
        ("measure", measure.rsplit('/').next().unwrap_or_default().to_owned()),
        ("version", version.to_owned()),
        ("period_start", shown(report.period.start.as_ref())),
        ("period_end", shown(report.period.end.as_ref())),
        ("zone", zone.map(value).unwrap_or_default()),
        ("subject", subject.and_then(|s| s.reference.clone()).unwrap_or_default()),
        ("counted_at", shown(report.date.as_ref())),
        ("known_at", beside("known-at")),
        ("patients_waiting", beside("waiting")),
        ("stays_unsurveyed", beside("unsurveyed")),
        ("suppressed_below", beside("suppressed-below")),
        ("caution", beside("caution")),
    ]
}

fn find<'e>(extensions: &'e [Extension], name: &str) -> Option<&'e Extension> {
    extensions.iter().find(|e| e.url.rsplit('/').next() == Some(name))
}

fn own(extensions: &[Extension], name: &str) -> String {
    find(extensions, name).map(value).unwrap_or_default()
}

fn value(extension: &Extension) -> String {
    match extension.value.as_deref() {
        Some(Value::Decimal(number)) => number.to_string(),
        Some(Value::UnsignedInt(number)) => number.to_string(),
        Some(Value::DateTime(at)) => at.to_string(),
        Some(Value::Date(day)) => day.to_string(),
        Some(Value::Code(text) | Value::String(text)) => text.clone(),
        Some(Value::Duration(length)) => length.value.as_ref().map(ToString::to_string).unwrap_or_default(),
        _ => String::new(),
    }
}

fn first_day(period: &Extension) -> String {
    match period.value.as_deref() {
        Some(Value::Period(period)) => period.start.as_ref().map(ToString::to_string).unwrap_or_default(),
        _ => String::new(),
    }
}

fn text(concept: Option<&CodeableConcept>) -> String {
    concept.and_then(|concept| concept.text.clone()).unwrap_or_default()
}
