//! `$validate`: what a write would meet, and what would become of what it writes; nothing is written.

use axum::body::Body;
use axum::http::StatusCode;
use fhir_models::primitive::is_id;

use super::given::Given;
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::refused::{Issue, Refused, outcome, warnings};
use crate::rest::types::{Kind, Origin};
use crate::rest::write::{self, Draft};
use crate::rest::{Outcome, Rest, limits};
use crate::store::Precondition;
use crate::translate::advice::{Advice, advice};
use crate::translate::document::Stored;

/// What would be done.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
enum Mode {
    Create,
    Update,
    Delete,
}

/// `GET` or `POST /fhir/Type/$validate` and `/fhir/Type/id/$validate`.
pub(super) async fn validate(
    edge: &Edge,
    ask: &Ask<'_>,
    kind: &'static Kind,
    id: Option<&str>,
    body: Body,
) -> Outcome {
    let rest = &edge.rest;
    let mut given = Given::read(edge, ask, body).await?;
    let resource = given.take_resource("resource");
    let mut mode = if id.is_some() { Mode::Update } else { Mode::Create };
    for parameter in &given.parameters {
        match parameter.name.as_str() {
            "mode" => {
                mode = match parameter.text()? {
                    "create" => Mode::Create,
                    "update" => Mode::Update,
                    "delete" => Mode::Delete,
                    _ => return Err(Refused::value("mode", "expected create, update or delete")),
                }
            }
            "profile" => profile(kind, parameter.text()?)?,
            _ => return parameter.unknown(),
        }
    }
    let mut issues = match (mode, resource, id) {
        (Mode::Delete, _, id) => deletion(rest, kind, id).await?,
        (mode, Some(resource), id) => looked_at(rest, kind, (mode, id), resource, ask.now_us).await?,
        (mode, None, Some(id)) => {
            write::check_id(id)?;
            let stored = rest.store.document(kind.name, id).await?.ok_or(Refused::NotFound)?;
            let body = crate::rest::read::resource(&stored)?.ok_or(Refused::Gone)?;
            looked_at(rest, kind, (mode, Some(id)), body, ask.now_us).await?
        }
        (Mode::Create | Mode::Update, None, None) => {
            let (required, why) =
                (fhir_models::IssueKind::Required, "expected the resource that is to be looked at");
            return Err(Refused::Document(fhir_models::ParseError::new(required, "resource", why)));
        }
    };
    if !issues.iter().any(|i| i.severity != "information") {
        issues.insert(0, told("all well", None));
    }
    issues.truncate(limits::VALIDATE_ISSUES);
    Ok(Answer::json(StatusCode::OK, outcome(&issues)))
}

/// Only what R4 itself says of a type is looked at.
fn profile(kind: &Kind, asked: &str) -> Result<(), Refused> {
    let base = format!("http://hl7.org/fhir/StructureDefinition/{}", kind.name);
    if asked.split('|').next() == Some(base.as_str()) {
        return Ok(());
    }
    let why = format!("only {base} is looked at: this service knows no other profiles");
    Err(Refused::not_supported("profile", why))
}

fn told(diagnostics: &str, expression: Option<String>) -> Issue {
    let diagnostics = diagnostics.to_owned();
    Issue { severity: "information", code: "informational", expression, diagnostics }
}

fn warned(at: &str, why: &str) -> Issue {
    let (expression, diagnostics) = (Some(at.to_owned()), why.to_owned());
    Issue { severity: "warning", code: "business-rule", expression, diagnostics }
}

async fn deletion(rest: &Rest, kind: &Kind, id: Option<&str>) -> Result<Vec<Issue>, Refused> {
    let Some(id) = id else {
        return Err(Refused::value(
            "mode",
            "a deletion is looked at where the resource is: Type/id/$validate",
        ));
    };
    if !kind.fed() {
        return Ok(Refused::Method("no DELETE: this service writes such resources").issues());
    }
    let there = is_id(id) && rest.store.document(kind.name, id).await?.is_some_and(|d| d.body.is_some());
    Ok(match there {
        true => Vec::new(),
        false => vec![told("there is no such resource, so deleting it changes nothing", None)],
    })
}

/// What a write of `body` would meet.
async fn looked_at(
    rest: &Rest,
    kind: &'static Kind,
    (mode, id): (Mode, Option<&str>),
    body: Vec<u8>,
    now_us: i64,
) -> Result<Vec<Issue>, Refused> {
    let draft = match Draft::new(kind, body.clone(), &rest.own_bases) {
        Ok(draft) => draft,
        Err(refused) => return Ok(refused.issues()),
    };
    if mode == Mode::Update
        && let Some(id) = id
        && let Err(refused) = draft.check_id(id)
    {
        return Ok(refused.issues());
    }
    if kind.origin == Origin::Shared {
        return match (mode, id) {
            (Mode::Update, Some(id)) => {
                let refused = write::amendment(rest, kind, id, &draft.body, None, now_us).await.err();
                Ok(refused.map(|r| r.issues()).unwrap_or_default())
            }
            _ => {
                Ok(Refused::Method("PUT to one that there is: this service creates such resources").issues())
            }
        };
    }
    if let Err(refused) = write::check_content(rest, kind, id, &draft.body) {
        return Ok(refused.issues());
    }
    let mut issues = warnings(&draft.read.warnings);
    let stored = Stored {
        kind: kind.name,
        id: id.unwrap_or("new"),
        version: 1,
        first_us: now_us,
        received_us: now_us,
        deleted: false,
        body: &body,
    };
    let site = rest.stays.site();
    let advised = advice(&stored, &site.codes, &rest.own_bases, site.rules.ahead);
    issues.extend(advised.iter().map(|Advice { grave, at, why }| match grave {
        true => warned(at, why),
        false => told(why, Some(at.clone())),
    }));
    let links = draft.read.links.clone();
    let subject = if kind.name == "Device" { "patient" } else { "subject" };
    let encounter = if kind.name == "MedicationAdministration" { "context" } else { "encounter" };
    for (element, name, link) in
        [(subject, "Patient", links.patient), (encounter, "Encounter", links.encounter)]
    {
        // a Patient is about itself
        let Some(link) = link.filter(|_| kind.name != name) else { continue };
        if rest.store.document(name, &link).await?.is_none() {
            let at = format!("{}.{element}", kind.name);
            issues.push(warned(&at, "what it names has not arrived; it is counted when it has"));
        }
    }
    if let Some(why) = draft.into_write(None, Precondition::None).unlinked {
        issues.push(warned(kind.name, &why));
    }
    issues.sort_by_key(|i| i.severity != "warning");
    Ok(issues)
}
