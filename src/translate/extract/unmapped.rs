//! Codes that were seen and are not known.

use fhir_models::datatypes::CodeableConcept;
use fhir_models::{Device, Observation, Procedure, parse_scanned};

use crate::translate::codes::Codes;

/// The codes of a document that no map knows, as (system, code): of what was done, used or observed, and of its reasons
/// and values. A coding without a system has it empty; it can never match. Sorted, each once.
pub fn unmapped(kind: &str, body: &[u8], codes: &Codes) -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = match kind {
        "Procedure" => parse_scanned::<Procedure>(body).ok().map_or_else(Vec::new, |p| {
            let concepts = p.code.iter().chain(&p.status_reason).chain(&p.used_code);
            concepts.flat_map(|c| codes.unmapped(Some(c))).collect()
        }),
        "Observation" => parse_scanned::<Observation>(body).ok().map_or_else(Vec::new, |o| {
            let components = o.component.iter().flat_map(|c| {
                let concepts: [Option<&CodeableConcept>; 2] =
                    [Some(&c.code), c.value_codeable_concept.as_ref()];
                concepts
            });
            let own = [Some(&o.code), o.value_codeable_concept.as_ref()];
            own.into_iter().chain(components).flat_map(|c| codes.unmapped(c)).collect()
        }),
        "Device" => {
            parse_scanned::<Device>(body).ok().map_or_else(Vec::new, |d| codes.unmapped(d.r#type.as_ref()))
        }
        _ => Vec::new(),
    };
    found.sort_unstable();
    found.dedup();
    found
}
