//! Codes that were seen and are not known.

use fhir_models::datatypes::CodeableConcept;
use fhir_models::{Device, Observation, Procedure, parse_scanned};

use crate::translate::codes::Codes;

/// A code that no map knows.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct Unmapped {
    /// Its coding, as FHIRPath writes it: `Procedure.code.coding[0]`.
    pub at: String,
    /// Its system; empty where there is none: then it can never match.
    pub system: String,
    /// The code.
    pub code: String,
}

/// The codes of a document that no map knows: of what was done, used or observed, and of its reasons and values. In the
/// order of the elements here.
pub fn unmapped(kind: &str, body: &[u8], codes: &Codes) -> Vec<Unmapped> {
    let mut out: Vec<Unmapped> = Vec::new();
    let mut look = |at: String, concept: Option<&CodeableConcept>| {
        let text = |part: &Option<String>| part.clone().unwrap_or_default();
        for (index, coding) in concept.into_iter().flat_map(|c| &c.coding).enumerate() {
            if codes.coding(coding).is_none() {
                let at = format!("{kind}.{at}.coding[{index}]");
                out.push(Unmapped { at, system: text(&coding.system), code: text(&coding.code) });
            }
        }
    };
    match kind {
        "Procedure" => {
            if let Ok(procedure) = parse_scanned::<Procedure>(body) {
                look("code".to_owned(), procedure.code.as_ref());
                look("statusReason".to_owned(), procedure.status_reason.as_ref());
                for (index, code) in procedure.used_code.iter().enumerate() {
                    look(format!("usedCode[{index}]"), Some(code));
                }
            }
        }
        "Observation" => {
            if let Ok(observation) = parse_scanned::<Observation>(body) {
                look("code".to_owned(), Some(&observation.code));
                look("value".to_owned(), observation.value_codeable_concept.as_ref());
                for (index, component) in observation.component.iter().enumerate() {
                    look(format!("component[{index}].code"), Some(&component.code));
                    look(format!("component[{index}].value"), component.value_codeable_concept.as_ref());
                }
            }
        }
        "Device" => {
            if let Ok(device) = parse_scanned::<Device>(body) {
                look("type".to_owned(), device.r#type.as_ref());
            }
        }
        _ => {}
    }
    out
}
