//! `$data-quality`: what is wrong with what a site sends, as Parameters and as a table.

use std::collections::BTreeSet;

use axum::http::{Method, StatusCode};
use serde_json::{Value as Json, json};

use crate::rest::answer::Answer;
use crate::rest::ask::{self, Ask};
use crate::rest::refused::Refused;
use crate::rest::{Outcome, Rest, limits, table};
use crate::store::{Doubts, Order, Query, StayQuery};
use crate::translate::quality::{Fault, Finding, Quality};

const COLUMNS: [&str; 6] = ["fault", "what", "count", "detail", "proposal", "examples"];

/// The types that are looked at for codes and clocks.
const LOOKED_AT: [&str; 3] = ["Procedure", "Observation", "Device"];

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
    let mut quality = Quality::default();
    let mut looked = 0;
    for kind in LOOKED_AT {
        looked += documents(rest, kind, &mut quality).await?;
    }
    doubts(rest, &mut quality).await?;
    units(rest, &mut quality).await?;
    let findings = quality.findings();
    if ask.wants("text/csv") {
        return table::csv(&COLUMNS, findings.iter().map(row));
    }
    Ok(Answer::json(StatusCode::OK, parameters(looked, &findings).to_string()))
}

/// The documents of a kind that changed last.
async fn documents(rest: &Rest, kind: &'static str, quality: &mut Quality) -> Result<u64, Refused> {
    let site = rest.stays.site();
    let (mut after, mut as_of, mut looked) = (None, None, 0);
    while looked < limits::QUALITY_DOCUMENTS {
        let (order, limit) = (Order::NewestFirst, limits::PAGE_ROWS_MAX);
        let query = Query { kind: kind.into(), order, as_of, after, limit, ..Query::default() };
        let page = rest.store.search(query).await?;
        for document in page.documents.iter().map(|row| &row.document) {
            let body = document.body.as_deref().unwrap_or_default();
            quality.look(kind, &document.id, body, document.received_us, &site.codes);
        }
        looked += page.documents.len() as u64;
        (after, as_of) = (page.next, Some(page.as_of));
        if after.is_none() {
            break;
        }
        // others are to be answered meanwhile
        tokio::task::yield_now().await;
    }
    Ok(looked)
}

async fn doubts(rest: &Rest, quality: &mut Quality) -> Result<(), Refused> {
    let (mut after, mut seen) = (0, 0);
    while seen < limits::QUALITY_DOCUMENTS {
        let rows = rest.store.doubts(Doubts::All, after, limits::PAGE_ROWS_MAX).await?;
        for row in &rows {
            let fault = if row.patient.is_some() { Fault::Doubt } else { Fault::Unplaced };
            quality.doubt(fault, &row.why, &format!("{}/{}", row.kind, row.id));
        }
        seen += rows.len() as u64;
        let Some(last) = rows.last().filter(|_| rows.len() == limits::PAGE_ROWS_MAX) else { break };
        after = last.seq;
    }
    Ok(())
}

/// The units that stays are in and no protocol holds in.
async fn units(rest: &Rest, quality: &mut Quality) -> Result<(), Refused> {
    let rules = &rest.stays.site().rules;
    let (mut after, mut seen) = (None, BTreeSet::new());
    loop {
        let query =
            StayQuery { open: Some(true), after, limit: limits::PAGE_ROWS_MAX, ..StayQuery::default() };
        let stays = rest.store.stays(query).await?;
        for stay in &stays {
            if rules.protocol_in(stay.unit.as_deref()).is_none() && seen.insert(stay.stay.clone()) {
                let unit = stay.unit.as_deref().unwrap_or("not known");
                quality.doubt(Fault::UnitWithoutProtocol, unit, &format!("Encounter/{}", stay.stay));
            }
        }
        let Some(last) = stays.last().filter(|_| stays.len() == limits::PAGE_ROWS_MAX) else { return Ok(()) };
        after = Some(last.stay.clone());
    }
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
