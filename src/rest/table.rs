//! Tables as CSV (RFC 4180) that a spreadsheet does not take for formulas.

use axum::http::StatusCode;

use super::answer::{Answer, CSV};
use super::refused::Refused;

/// Rows below their header.
///
/// # Errors
/// None that a table in memory can have.
pub(super) fn csv<R>(header: &[&str], rows: impl IntoIterator<Item = R>) -> Result<Answer, Refused>
where
    R: IntoIterator<Item = String>,
{
    let mut out = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    out.write_record(header).map_err(|_| Refused::Failed)?;
    for row in rows {
        out.write_record(row.into_iter().map(harmless)).map_err(|_| Refused::Failed)?;
    }
    let body = out.into_inner().map_err(|_| Refused::Failed)?;
    Ok(Answer { status: StatusCode::OK, media: CSV, headers: Vec::new(), body })
}

/// A text that a spreadsheet would take for a formula is put behind an apostrophe, which the spreadsheet does not show.
fn harmless(text: String) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) && !text.parse::<f64>().is_ok_and(f64::is_finite) {
        format!("'{text}")
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::harmless;

    #[test]
    fn no_cell_begins_like_a_formula_and_numbers_stay_numbers() {
        for (text, shown) in [
            ("=1+1", "'=1+1"),
            ("+cmd", "'+cmd"),
            ("-north", "'-north"),
            ("@sum", "'@sum"),
            ("\ttab", "'\ttab"),
            ("-0.5", "-0.5"),
            ("-inf", "'-inf"),
            ("north", "north"),
            ("", ""),
        ] {
            assert_eq!(harmless(text.to_owned()), shown);
        }
    }
}
