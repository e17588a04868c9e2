//! `$data-quality`: what is wrong with what a site sends, as Parameters and as a table.

use axum::http::{Method, StatusCode};
use serde_json::{Value as Json, json};

use crate::rest::answer::Answer;
use crate::rest::ask::{self, Ask};
use crate::rest::refused::Refused;
use crate::rest::{Outcome, Rest, limits, table};
use crate::translate::quality::Finding;

const COLUMNS: [&str; 6] = ["fault", "what", "count", "detail", "proposal", "examples"];

/// `GET /fhir/$data-quality`.
pub(super) async fn data_quality(rest: &Rest, ask: &Ask<'_>) -> Outcome {
    if ask.method != Method::GET {
        return Err(Refused::Method("GET, HEAD"));
    }
    for (name, _) in ask::parameters(ask.query)? {
        if name != "_format" && name != "_pretty" {
            return Err(Refused::not_supported(name, "$data-quality takes no parameters"));
        }
    }
    let (looked, findings) = rest.stays.quality(limits::QUALITY_DOCUMENTS).await?;
    if ask.wants("text/csv") {
        return table::csv(&COLUMNS, findings.iter().map(row));
    }
    Ok(Answer::json(StatusCode::OK, parameters(looked, &findings).to_string()))
}

fn row(finding: &Finding) -> [String; COLUMNS.len()] {
    [
        finding.fault.code().to_owned(),
        finding.what.clone(),
        finding.count.to_string(),
        finding.detail.clone().unwrap_or_default(),
        finding.proposal.unwrap_or_default().to_owned(),
        finding.examples.join(" "),
    ]
}

fn parameters(looked: u64, findings: &[Finding]) -> Json {
    let count = |n: u64| i32::try_from(n).unwrap_or(i32::MAX);
    let mut all = vec![json!({ "name": "looked-at", "valueUnsignedInt": count(looked) })];
    all.extend(findings.iter().map(|finding| {
        let mut parts = vec![
            json!({ "name": "fault", "valueCode": finding.fault.code() }),
            json!({ "name": "what", "valueString": finding.what }),
            json!({ "name": "count", "valueUnsignedInt": count(finding.count) }),
        ];
        parts.extend(finding.detail.as_ref().map(|d| json!({ "name": "detail", "valueString": d })));
        let propose = |p: &str| json!({ "name": "proposal", "valueCode": p });
        parts.extend(finding.proposal.map(propose));
        let example = |e: &String| json!({ "name": "example", "valueReference": { "reference": e } });
        parts.extend(finding.examples.iter().map(example));
        json!({ "name": "finding", "part": parts })
    }));
    json!({ "resourceType": "Parameters", "parameter": all })
}
