//! Condition: what a protocol may ask for under a name.

use fhir_models::Condition;
use fhir_models::datatypes::CodeableConcept;

use super::reading::Reading;
use super::{ConditionSays, Tell};
use crate::care::facts::When;

pub(super) fn read(condition: &Condition, reading: &mut Reading<'_>) {
    reading.made_in(condition.encounter.as_ref());
    let names = reading.concept(condition.code.as_ref()).conditions;
    let unsaid = has(&condition.verification_status, &["refuted", "entered-in-error"]);
    if names.is_empty() || unsaid {
        return;
    }
    let over = has(&condition.clinical_status, &["inactive", "remission", "resolved"]);
    let told = super::reading::told(reading.stored, super::reading::said_at(condition.meta.as_ref()));
    let onset = match (&condition.onset_date_time, &condition.onset_period) {
        (Some(at), _) => reading.when(at).ok(),
        (None, Some(period)) => reading.period(period).ok().and_then(|(start, _)| start),
        (None, None) => None,
    };
    let from = onset.unwrap_or_else(|| {
        reading.doubt("when it began is not known to the day; taken from when it was recorded");
        condition.recorded_date.as_ref().and_then(|d| reading.when(d).ok()).unwrap_or(When::At(told))
    });
    let abated = match (&condition.abatement_date_time, &condition.abatement_period) {
        (Some(at), _) => reading.when(at).ok(),
        (None, Some(period)) => reading.period(period).ok().and_then(|(start, end)| end.or(start)),
        (None, None) => None,
    };
    let to = if abated.is_none() && over {
        reading.doubt("it is over and has no end; taken to have ended when that was charted");
        Some(When::At(told))
    } else {
        abated
    };
    reading.tell(Tell::Condition(Box::new(ConditionSays { names, from, to })));
}

/// One of R4's own codes, which are unlike in these two elements; so their system need not be looked at.
fn has(concept: &Option<CodeableConcept>, codes: &[&str]) -> bool {
    let mut codings = concept.iter().flat_map(|c| &c.coding);
    codings.any(|c| c.code.as_deref().is_some_and(|code| codes.contains(&code)))
}
