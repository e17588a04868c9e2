//! `relatedAction` to care that follows care.

use fhir_models::PlanDefinition;
use fhir_models::codes::ActionRelationshipType;
use fhir_models::datatypes::Quantity;
use fhir_models::plan_definition::PlanDefinitionActionRelatedAction;

use super::{Reader, amount};
use crate::care::protocol::Kind;
use crate::care::time::Length;

/// Care that may follow this much later does not follow.
const LONGEST: Length = Length::hours(24);

impl Reader<'_> {
    pub(super) fn related(
        &mut self,
        related: &PlanDefinitionActionRelatedAction,
        own: Option<usize>,
        path: &str,
    ) -> Option<Kind> {
        if related.relationship != ActionRelationshipType::AfterEnd {
            self.refuse(format!("{path}.relationship"), "only `after-end` is understood");
        }
        let requirement = self.ids.get(&related.action_id).copied();
        match requirement {
            None => self.refuse(format!("{path}.actionId"), "no action at the top has this id"),
            Some(_) if requirement == own => {
                self.refuse(format!("{path}.actionId"), "an action cannot follow itself");
            }
            Some(_) => {}
        }
        let (element, within): (&str, Option<&Quantity>) =
            match (&related.offset_duration, &related.offset_range) {
                (Some(duration), None) => ("offsetDuration", Some(duration)),
                (None, Some(range)) => {
                    let low = range.low.as_ref().map(amount::quantity);
                    if low.is_some_and(|l| l != Ok(Length::ZERO)) {
                        self.refuse(
                            format!("{path}.offsetRange.low"),
                            "a time before which it must not be done is not understood",
                        );
                    }
                    ("offsetRange.high", range.high.as_ref())
                }
                (None, None) => ("offset[x]", None),
                // Two types of one choice are refused with the other rules of R4
                (Some(_), Some(_)) => return None,
            };
        let path = format!("{path}.{element}");
        let within = match within.map(amount::quantity) {
            None => Err("it does not say within what time"),
            Some(Ok(length)) if Length::ZERO < length && length <= LONGEST => Ok(length),
            Some(Ok(_)) => Err("expected more than 0 and at most 24 hours"),
            Some(Err(why)) => Err(why),
        };
        match within {
            Ok(within) => requirement.map(|requirement| Kind::After { requirement, within }),
            Err(why) => {
                self.refuse(path, why);
                None
            }
        }
    }

    /// Refuses actions that follow each other in a circle.
    pub(super) fn circles(&mut self, plan: &PlanDefinition) {
        let next = |index: usize| -> Option<usize> {
            let related = plan.action.get(index)?.related_action.first()?;
            self.ids.get(&related.action_id).copied().filter(|above| *above != index)
        };
        let in_circle = |start: usize| {
            let mut at = next(start);
            for _ in 0..plan.action.len() {
                match at {
                    Some(index) if index == start => return true,
                    Some(index) => at = next(index),
                    None => return false,
                }
            }
            false
        };
        let circles: Vec<usize> = (0..plan.action.len()).filter(|index| in_circle(*index)).collect();
        for index in circles {
            let path = format!("PlanDefinition.action[{index}].relatedAction[0].actionId");
            self.refuse(path, "actions follow each other in a circle");
        }
    }
}
