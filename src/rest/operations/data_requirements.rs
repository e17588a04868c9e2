//! `$data-requirements`: what of a record a measure is counted from.

use axum::body::Body;
use axum::http::StatusCode;

use super::asked::{in_order, missing};
use crate::rest::Outcome;
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;
use crate::rest::search::calendar;
use crate::translate::needs;

/// `GET` or `POST /fhir/Measure/id/$data-requirements`.
pub(super) async fn data_requirements(edge: &Edge, ask: &Ask<'_>, id: &str, body: Body) -> Outcome {
    let (mut start, mut end) = (None, None);
    for (name, value) in &super::parameters(edge, ask, body).await? {
        let days =
            || calendar(value).ok_or_else(|| Refused::value(name, "expected a date, such as 2026-01-31"));
        match name.as_str() {
            "periodStart" => start = Some(days()?.0),
            "periodEnd" => end = Some(days()?.1),
            _ => return Err(Refused::not_supported(name, "not a parameter of this operation here")),
        }
    }
    let period = match (start, end) {
        (Some(from), Some(to)) => Some(in_order("periodEnd", from, to)?),
        (None, None) => None,
        (Some(_), None) => return Err(missing("periodEnd", "expected the last day of the period")),
        (None, Some(_)) => return Err(missing("periodStart", "expected the first day of the period")),
    };
    let site = edge.rest.stays.site();
    match needs::library(id, &site.rules, &site.codes, period) {
        Some(library) => Ok(Answer::json(StatusCode::OK, library.to_string())),
        None => Err(match edge.rest.store.document("Measure", id).await? {
            Some(_) => {
                Refused::not_supported("measure", "only the measures that come with Terce are counted")
            }
            None => Refused::NotFound,
        }),
    }
}
