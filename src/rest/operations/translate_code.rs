//! `$translate`: what the maps, and counting by them, make of a code.

use axum::body::Body;
use axum::http::StatusCode;
use fhir_models::primitive::is_id;
use serde_json::{Value as Json, json};

use super::given::{Given, Parameter};
use crate::rest::answer::Answer;
use crate::rest::ask::Ask;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;
use crate::rest::{Outcome, limits};
use crate::translate::codes::{Found, Maps, Which};

/// What is asked.
#[derive(Default)]
struct Asked {
    system: Option<String>,
    code: Option<String>,
    /// Of a Coding or a CodeableConcept; system and code.
    codings: Vec<(String, String)>,
    url: Option<String>,
    source: Option<String>,
    target: Option<String>,
    target_system: Option<String>,
    reverse: bool,
}

/// `GET` or `POST /fhir/ConceptMap/$translate`, and the same of one map.
pub(super) async fn translate(edge: &Edge, ask: &Ask<'_>, id: Option<&str>, body: Body) -> Outcome {
    let given = Given::read(edge, ask, body).await?;
    given.no_resource()?;
    let mut asked = Asked::default();
    for parameter in &given.parameters {
        asked.parameter(parameter)?;
    }
    let site = edge.rest.stays.site();
    let maps = Maps::read(&site.maps);
    if let Some(id) = id {
        if asked.url.is_some() {
            let why = "the map is named by the address already".to_owned();
            return Err(Refused::Contradiction { at: "url".to_owned(), why });
        }
        asked.url = Some(maps.name(id).filter(|_| is_id(id)).ok_or(Refused::NotFound)?);
    } else if asked.url.as_deref().is_some_and(|url| !maps.has(url)) {
        return Err(Refused::NotFound);
    }
    let codes = asked.codes()?;
    let (map, source, target) = (asked.url.as_deref(), asked.source.as_deref(), asked.target.as_deref());
    let which = Which { map, source, target };
    let mut found: Vec<Found> = Vec::new();
    for (system, code) in &codes {
        found.extend(match asked.reverse {
            false => maps.of(system, code, which, &site.codes),
            true => maps.to(system, code, which, &site.codes),
        });
    }
    found.retain(|f| asked.target_system.as_deref().is_none_or(|s| s == f.system));
    found.sort();
    found.dedup();
    let known = codes.iter().any(|(system, code)| site.codes.code(system, code).is_some());
    Ok(Answer::json(StatusCode::OK, answer(&found, known).to_string()))
}

impl Asked {
    fn parameter(&mut self, parameter: &Parameter) -> Result<(), Refused> {
        let canonical = |text: &str| text.split('|').next().unwrap_or_default().to_owned();
        match parameter.name.as_str() {
            "system" => self.system = Some(parameter.text()?.to_owned()),
            "code" => self.code = Some(parameter.text()?.to_owned()),
            "coding" | "codeableConcept" => {
                for coding in parameter.codings()? {
                    let text = |part: &Option<String>| part.clone().unwrap_or_default();
                    self.codings.push((text(&coding.system), text(&coding.code)));
                }
            }
            "url" => self.url = Some(canonical(parameter.text()?)),
            "source" => self.source = Some(canonical(parameter.text()?)),
            "target" => self.target = Some(canonical(parameter.text()?)),
            "targetsystem" => self.target_system = Some(parameter.text()?.to_owned()),
            "reverse" => self.reverse = parameter.truth()?,
            // there is one version of everything here
            "conceptMapVersion" | "version" => {}
            _ => return parameter.unknown(),
        }
        Ok(())
    }

    /// The codes that are to be translated.
    fn codes(&self) -> Result<Vec<(String, String)>, Refused> {
        let mut codes = self.codings.clone();
        match (&self.system, &self.code) {
            (Some(system), Some(code)) => codes.push((system.clone(), code.clone())),
            (None, None) => {}
            (None, Some(_)) => return Err(missing("system", "a code means nothing without its system")),
            (Some(_), None) => return Err(missing("code", "expected the code of that system")),
        }
        if codes.is_empty() {
            return Err(missing("code", "expected code and system, coding or codeableConcept"));
        }
        if codes.len() > limits::QUERY_ALTERNATIVES {
            let why = format!("at most {} codes at once", limits::QUERY_ALTERNATIVES);
            return Err(Refused::too_costly("codeableConcept", why));
        }
        Ok(codes)
    }
}

fn missing(at: &str, why: &str) -> Refused {
    Refused::Document(fhir_models::ParseError::new(fhir_models::IssueKind::Required, at, why))
}

fn answer(found: &[Found], known: bool) -> Json {
    let is_match = |f: &&Found| !matches!(f.equivalence.as_str(), "unmatched" | "disjoint");
    let any = found.iter().any(|f| is_match(&f));
    let counts = found.iter().filter(|f| f.counts).count();
    let message = match (any, counts) {
        (false, _) if known => "the code is known, and there is nothing that it is translated to".to_owned(),
        (false, _) => "no map in force translates this code, so it is not counted".to_owned(),
        (true, 0) => "there is a translation, and none that counting reads".to_owned(),
        (true, counts) => format!("{counts} of {} matches are read by counting", found.len()),
    };
    let mut parameters = vec![
        json!({ "name": "result", "valueBoolean": any }),
        json!({ "name": "message", "valueString": message }),
    ];
    for found in found {
        let mut parts = vec![json!({ "name": "equivalence", "valueCode": found.equivalence.as_str() })];
        if let Some(code) = &found.code {
            let mut coding = json!({ "system": found.system, "code": code });
            if let (Some(display), Some(coding)) = (&found.display, coding.as_object_mut()) {
                coding.insert("display".to_owned(), display.as_str().into());
            }
            parts.push(json!({ "name": "concept", "valueCoding": coding }));
        }
        if let Some(map) = &found.map {
            parts.push(json!({ "name": "source", "valueUri": map }));
        }
        parameters.push(json!({ "name": "match", "part": parts }));
    }
    json!({ "resourceType": "Parameters", "parameter": parameters })
}
