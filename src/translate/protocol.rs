//! PlanDefinition to protocol, or why not.
//!
//! Every action at the top is a requirement: its `id` names it, its `code` lists the activities that credit it, and one
//! of these says how often:
//!
//! | kind | `timingTiming.repeat` or `relatedAction` |
//! | --- | --- |
//! | every P, at most L | `frequency` 1 (or none), `period` P, `periodMax` L (or none: P), `periodUnit` s, min or h |
//! | at least n a day | `frequency` n (or none: 1), `period` 1, `periodUnit` d |
//! | at times of day | `timeOfDay`, and how much before or after is in time as the extension [`TOLERANCE`] of `repeat` |
//! | after another | one `relatedAction`, `after-end`, `offsetDuration` or `offsetRange.high` in UCUM |
//!
//! `frequency` n a day is read as at least n; `frequencyMax` is accepted and caps nothing. A `condition` is one of kind
//! `applicability` whose expression has the language [`CONDITION_LANGUAGE`] and is the id of a ValueSet that the site
//! has stored. Actions inside an action are its steps, for people: their order is the order of doing.
//!
//! Whatever else in the resource would change what is asked of whom and when is refused, all of it at once, each with
//! its path. What is only for people, or for finding the definition, is left alone.

mod amount;
mod related;
mod timing;

use std::collections::BTreeMap;
use std::sync::Arc;

use fhir_models::codes::{
    ActionConditionKind, ActionRequiredBehavior, ActionSelectionBehavior, PublicationStatus,
};
use fhir_models::json::scan;
use fhir_models::plan_definition::PlanDefinitionAction;
use fhir_models::primitive::is_id;
use fhir_models::{ParseError, PlanDefinition, Resource, parse_scanned, validate};

use super::Refusal;
use super::codes::Codes;
use crate::care::facts::Code;
use crate::care::protocol::{Kind, Protocol, Requirement};

/// The extension of `Timing.repeat` that says how much before or after a time of day is still in time (valueDuration,
/// in UCUM); 60 minutes without it.
pub const TOLERANCE: &str = "https://terce.example/fhir/StructureDefinition/tolerance";
/// The language of an expression that is the name of a condition.
pub const CONDITION_LANGUAGE: &str = "text/plain";

/// The most requirements of a protocol, and the most steps of a requirement.
const MOST: usize = 64;

/// Reads the PlanDefinition with the logical id `id`, which is the protocol's name.
///
/// # Errors
/// Everything that cannot be honoured, each with its path; the first alone where the resource is not R4 at all.
pub fn protocol(id: &str, body: &[u8], codes: &Codes) -> Result<Protocol, Vec<Refusal>> {
    let scanned = scan(body).map_err(|e| vec![refusal(e)])?;
    let plan: PlanDefinition = parse_scanned(body).map_err(|e| vec![refusal(e)])?;
    let mut reader = Reader { codes, ids: ids(&plan), refusals: Vec::new() };
    reader.refusals.extend(validate(&plan, body).into_iter().map(refusal));
    if scanned.has_modifier_extension {
        reader.refuse("PlanDefinition", "a modifierExtension may change the meaning of what it stands in");
    }
    reader.plan(&plan);
    let requirements: Vec<Option<Requirement>> = plan
        .action
        .iter()
        .enumerate()
        .map(|(index, action)| reader.requirement(action, &format!("PlanDefinition.action[{index}]")))
        .collect();
    reader.circles(&plan);
    if !reader.refusals.is_empty() {
        return Err(reader.refusals);
    }
    let text = |text: &Option<String>| text.as_deref().unwrap_or_default().into();
    let title = plan.title.as_deref().or(plan.name.as_deref()).unwrap_or(id);
    Ok(Protocol {
        name: id.into(),
        version: text(&plan.version),
        title: title.into(),
        requirements: requirements.into_iter().flatten().collect(),
    })
}

fn refusal(error: ParseError) -> Refusal {
    let root = PlanDefinition::TYPE.as_str();
    // What is refused before the type was read has no type in its path
    match error.path.as_str() {
        "" => Refusal::new(root, error.message),
        path if path.starts_with(root) => Refusal::new(path, error.message),
        path => Refusal::new(format!("{root}.{path}"), error.message),
    }
}

/// The places of the actions at the top, by id.
fn ids(plan: &PlanDefinition) -> BTreeMap<String, usize> {
    let named = plan.action.iter().enumerate().filter_map(|(index, a)| Some((a.id.clone()?, index)));
    named.rev().collect()
}

struct Reader<'a> {
    codes: &'a Codes,
    ids: BTreeMap<String, usize>,
    refusals: Vec<Refusal>,
}

impl Reader<'_> {
    fn refuse(&mut self, path: impl Into<String>, why: impl Into<String>) {
        self.refusals.push(Refusal::new(path, why));
    }

    /// Refuses what is there of `elements` below `path`.
    fn refuse_present(&mut self, path: &str, elements: &[(&str, bool, &str)]) {
        for (element, _, why) in elements.iter().filter(|(_, present, _)| *present) {
            self.refuse(format!("{path}.{element}"), *why);
        }
    }

    fn plan(&mut self, plan: &PlanDefinition) {
        let in_force = matches!(plan.status, Some(PublicationStatus::Active | PublicationStatus::Draft));
        let root = "PlanDefinition";
        self.refuse_present(
            root,
            &[
                ("implicitRules", plan.implicit_rules.is_some(), "rules to read by are not understood here"),
                ("status", !in_force, "only an active plan, or a draft, can be followed"),
                (
                    "effectivePeriod",
                    plan.effective_period.is_some(),
                    "a plan that holds for a time only cannot be followed; store it when it holds",
                ),
                ("action", plan.action.is_empty(), "a protocol asks for something"),
                ("action", plan.action.len() > MOST, "more than 64 actions"),
            ],
        );
        let mut seen: BTreeMap<&str, ()> = BTreeMap::new();
        let mut twice = Vec::new();
        for (index, action) in plan.action.iter().enumerate() {
            let path = format!("{root}.action[{index}]");
            let steps =
                action.action.iter().enumerate().map(|(step, a)| (a, format!("{path}.action[{step}]")));
            for (action, path) in std::iter::once((action, path.clone())).chain(steps) {
                if let Some(id) = action.id.as_deref()
                    && seen.insert(id, ()).is_some()
                {
                    twice.push(path);
                }
            }
        }
        for path in twice {
            self.refuse(format!("{path}.id"), "another action has the same id");
        }
    }

    fn requirement(&mut self, action: &PlanDefinitionAction, path: &str) -> Option<Requirement> {
        let id = match action.id.as_deref() {
            Some(id) if is_id(id) => Some(id),
            Some(_) => {
                self.refuse(format!("{path}.id"), "expected 1 to 64 letters, digits, hyphens and dots");
                None
            }
            None => {
                self.refuse(
                    format!("{path}.id"),
                    "an action needs an id; what is counted is counted under it",
                );
                None
            }
        };
        self.unfollowed(action, path);
        let activities = self.activities(action, path);
        let condition = self.condition(action, path);
        let steps = self.steps(action, path);
        let kind = self.kind(action, path);
        let title = [&action.title, &action.description, &action.text_equivalent];
        let title = title.into_iter().flatten().next().map(String::as_str).or(id)?;
        Some(Requirement { id: id?.into(), title: title.into(), activities, kind: kind?, condition, steps })
    }

    /// What would change what is asked of whom and when, and is not understood; of requirements and of steps.
    fn unfollowed(&mut self, action: &PlanDefinitionAction, path: &str) {
        let other_type =
            action.r#type.iter().flat_map(|t| &t.coding).any(|c| c.code.as_deref() != Some("create"));
        let optional = action.required_behavior == Some(ActionRequiredBehavior::Could);
        let choice = action.selection_behavior.is_some_and(|s| s != ActionSelectionBehavior::All);
        self.refuse_present(
            path,
            &[
                (
                    "subject[x]",
                    action.subject_codeable_concept.is_some() || action.subject_reference.is_some(),
                    "the subject is always the patient",
                ),
                (
                    "trigger",
                    !action.trigger.is_empty(),
                    "triggers are not understood; ventilation starts the clock",
                ),
                ("type", other_type, "only the type `create` is understood"),
                (
                    "requiredBehavior",
                    optional,
                    "what may be left out cannot be missed; leave it out of the protocol",
                ),
                (
                    "selectionBehavior",
                    choice,
                    "a choice among actions is not understood; all of them are asked for",
                ),
                (
                    "definition[x]",
                    action.definition_canonical.is_some() || action.definition_uri.is_some(),
                    "another definition is not followed; say here what is asked for",
                ),
                ("transform", action.transform.is_some(), "a transform is not followed"),
                (
                    "dynamicValue",
                    !action.dynamic_value.is_empty(),
                    "values that are computed are not understood",
                ),
            ],
        );
    }

    fn activities(&mut self, action: &PlanDefinitionAction, path: &str) -> Vec<Code> {
        if action.code.is_empty() {
            self.refuse(format!("{path}.code"), "without a code nothing can credit it");
        }
        let mut all: Vec<Code> = Vec::new();
        for (index, code) in action.code.iter().enumerate() {
            let found = self.codes.concept(Some(code)).activities;
            if found.is_empty() {
                let why =
                    "no coding of it is an activity; use the CodeSystem of activities, or map the code to it";
                self.refuse(format!("{path}.code[{index}]"), why);
            }
            all.extend(found.iter().cloned());
        }
        all.sort_unstable();
        all.dedup();
        all
    }

    fn condition(&mut self, action: &PlanDefinitionAction, path: &str) -> Option<Code> {
        let condition = action.condition.first()?;
        let path = format!("{path}.condition");
        if action.condition.len() > 1 {
            self.refuse(
                path,
                "several conditions are not understood; store a ValueSet that holds what they mean",
            );
            return None;
        }
        let path = format!("{path}[0]");
        if condition.kind != ActionConditionKind::Applicability {
            self.refuse(format!("{path}.kind"), "only `applicability` is understood");
            return None;
        }
        let Some(expression) = &condition.expression else {
            self.refuse(format!("{path}.expression"), "expected the name of a condition");
            return None;
        };
        if expression.language != CONDITION_LANGUAGE || expression.reference.is_some() {
            let why = "only the name of a condition is understood, in the language text/plain";
            self.refuse(format!("{path}.expression.language"), why);
            return None;
        }
        let name = expression.expression.as_deref().unwrap_or_default().trim();
        let known = self.codes.condition(name);
        if known.is_none() {
            let why = "no condition of this name; store a ValueSet with this id first";
            self.refuse(format!("{path}.expression.expression"), why);
        }
        known
    }

    fn steps(&mut self, action: &PlanDefinitionAction, path: &str) -> Vec<Arc<str>> {
        if action.action.len() > MOST {
            self.refuse(format!("{path}.action"), "more than 64 steps");
        }
        let mut steps = Vec::new();
        for (index, step) in action.action.iter().enumerate() {
            let path = format!("{path}.action[{index}]");
            self.unfollowed(step, &path);
            let timed = step.timing().is_ok_and(|t| t.is_some());
            self.refuse_present(
                &path,
                &[
                    ("timing[x]", timed, "a step has no time of its own; make it an action at the top"),
                    (
                        "relatedAction",
                        !step.related_action.is_empty(),
                        "steps are done in their order, nothing else",
                    ),
                    (
                        "condition",
                        !step.condition.is_empty(),
                        "a step has no condition of its own; say it in its text",
                    ),
                    ("action", !step.action.is_empty(), "a step has no steps"),
                ],
            );
            match [&step.title, &step.description, &step.text_equivalent].into_iter().flatten().next() {
                Some(text) => steps.push(text.as_str().into()),
                None => self.refuse(format!("{path}.title"), "a step without a text tells no one what to do"),
            }
        }
        steps
    }

    fn kind(&mut self, action: &PlanDefinitionAction, path: &str) -> Option<Kind> {
        self.refuse_present(
            path,
            &[
                (
                    "timingDateTime",
                    action.timing_date_time.is_some(),
                    "a date is for one patient, not for a protocol",
                ),
                ("timingAge", action.timing_age.is_some(), "an age is not understood"),
                (
                    "timingPeriod",
                    action.timing_period.is_some(),
                    "a period is for one patient, not for a protocol",
                ),
                (
                    "timingDuration",
                    action.timing_duration.is_some(),
                    "how long it takes is not how often it is due",
                ),
                ("timingRange", action.timing_range.is_some(), "a range is not understood; use timingTiming"),
            ],
        );
        match (&action.timing_timing, action.related_action.as_slice()) {
            (Some(timing), []) => self.timing(timing, &format!("{path}.timingTiming")),
            (None, [related]) => {
                let own = self.ids.get(action.id.as_deref()?).copied();
                self.related(related, own, &format!("{path}.relatedAction[0]"))
            }
            (Some(_), [_, ..]) => {
                self.refuse(
                    format!("{path}.relatedAction"),
                    "an action has a timing or follows another, not both",
                );
                None
            }
            (None, [_, _, ..]) => {
                let why = "an action follows one other; give the others an action of their own";
                self.refuse(format!("{path}.relatedAction"), why);
                None
            }
            (None, []) => {
                let other = action.timing().is_ok_and(|t| t.is_some());
                if !other {
                    self.refuse(path, "it does not say how often: timingTiming or relatedAction is missing");
                }
                None
            }
        }
    }
}
