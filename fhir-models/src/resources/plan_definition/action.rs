//! The actions of a PlanDefinition.

use serde::{Deserialize, Serialize};

use crate::codes::{
    ActionCardinalityBehavior, ActionConditionKind, ActionGroupingBehavior, ActionParticipantType,
    ActionPrecheckBehavior, ActionRelationshipType, ActionRequiredBehavior, ActionSelectionBehavior,
    RequestPriority,
};
use crate::datatypes::{
    Age, CodeableConcept, DataRequirement, Duration, Expression, Extension, Period, Range, Reference,
    RelatedArtifact, Timing, TriggerDefinition,
};
use crate::primitive::DateTime;
use crate::resource::Checker;

/// Action defined by the plan.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PlanDefinitionAction {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// User-visible prefix for the action (such as 1 or A).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub prefix: Option<String>,
    /// User-visible title.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// Brief description of the action.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// The action in words, for who cannot use the rest.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text_equivalent: Option<String>,
    /// Indicates how quickly the action should be addressed with respect to other actions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub priority: Option<RequestPriority>,
    /// Code representing the meaning of the action or sub-actions.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub code: Vec<CodeableConcept>,
    /// Why the action should be performed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reason: Vec<CodeableConcept>,
    /// Supporting documentation for the intended performer of the action.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub documentation: Vec<RelatedArtifact>,
    /// What goals this action supports.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub goal_id: Vec<String>,
    /// Type of individual the action is focused on, as a CodeableConcept.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject_codeable_concept: Option<CodeableConcept>,
    /// Type of individual the action is focused on, as a Reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub subject_reference: Option<Reference>,
    /// When the action should be triggered.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub trigger: Vec<TriggerDefinition>,
    /// Whether or not the action is applicable.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub condition: Vec<PlanDefinitionActionCondition>,
    /// Input data requirements.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub input: Vec<DataRequirement>,
    /// Output data definition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub output: Vec<DataRequirement>,
    /// Relationship to another action.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub related_action: Vec<PlanDefinitionActionRelatedAction>,
    /// When the action should take place, as a dateTime.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_date_time: Option<DateTime>,
    /// When the action should take place, as an Age.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_age: Option<Age>,
    /// When the action should take place, as a Period.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_period: Option<Period>,
    /// When the action should take place, as a Duration.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_duration: Option<Duration>,
    /// When the action should take place, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_range: Option<Box<Range>>,
    /// When the action should take place, as a Timing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timing_timing: Option<Box<Timing>>,
    /// Who should participate in the action.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub participant: Vec<PlanDefinitionActionParticipant>,
    /// What is done: create, update, remove.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<CodeableConcept>,
    /// Defines the grouping behavior for the action and its children.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub grouping_behavior: Option<ActionGroupingBehavior>,
    /// Defines the selection behavior for the action and its children.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub selection_behavior: Option<ActionSelectionBehavior>,
    /// Defines the required behavior for the action.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub required_behavior: Option<ActionRequiredBehavior>,
    /// Defines whether the action should usually be preselected.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub precheck_behavior: Option<ActionPrecheckBehavior>,
    /// Defines whether the action can be selected multiple times.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cardinality_behavior: Option<ActionCardinalityBehavior>,
    /// Description of the activity to be performed, as a canonical.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub definition_canonical: Option<String>,
    /// Description of the activity to be performed, as an uri.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub definition_uri: Option<String>,
    /// Transform to apply the template.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub transform: Option<String>,
    /// Dynamic aspects of the definition.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub dynamic_value: Vec<PlanDefinitionActionDynamicValue>,
    /// A sub-action.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub action: Vec<PlanDefinitionAction>,
}

impl PlanDefinitionAction {
    pub(super) fn check(&self, check: &mut Checker) {
        check.choice(self.subject());
        check.choice(self.timing());
        check.choice(self.definition());
        check.reference("subjectReference", &self.subject_reference, &["Group"]);
        check.period("timingPeriod", &self.timing_period);
        check.each("relatedAction", &self.related_action, PlanDefinitionActionRelatedAction::check);
        check.each("action", &self.action, PlanDefinitionAction::check);
    }
}

choice! {
    /// What [`PlanDefinitionAction::subject`] holds.
    PlanDefinitionActionSubject of PlanDefinitionAction::subject "subject[x]" {
        CodeableConcept(CodeableConcept) = subject_codeable_concept,
        Reference(Reference) = subject_reference,
    }
}

choice! {
    /// What [`PlanDefinitionAction::timing`] holds.
    PlanDefinitionActionTiming of PlanDefinitionAction::timing "timing[x]" {
        DateTime(DateTime) = timing_date_time,
        Age(Age) = timing_age,
        Period(Period) = timing_period,
        Duration(Duration) = timing_duration,
        Range(Range) = timing_range,
        Timing(Timing) = timing_timing,
    }
}

choice! {
    /// What [`PlanDefinitionAction::definition`] holds.
    PlanDefinitionActionDefinition of PlanDefinitionAction::definition "definition[x]" {
        Canonical(String) = definition_canonical,
        Uri(String) = definition_uri,
    }
}

/// Whether or not the action is applicable.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PlanDefinitionActionCondition {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The kind of condition.
    pub kind: ActionConditionKind,
    /// Boolean-valued expression.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expression: Option<Expression>,
}

impl PlanDefinitionActionCondition {
    /// With what R4 requires, and nothing else.
    pub fn new(kind: ActionConditionKind) -> Self {
        Self { id: None, extension: Vec::new(), modifier_extension: Vec::new(), kind, expression: None }
    }
}

/// Relationship to another action.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PlanDefinitionActionRelatedAction {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// What action is this related to.
    pub action_id: String,
    /// The relationship of this action to the related action.
    pub relationship: ActionRelationshipType,
    /// Time offset for the relationship, as a Duration.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_duration: Option<Duration>,
    /// Time offset for the relationship, as a Range.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_range: Option<Box<Range>>,
}

impl PlanDefinitionActionRelatedAction {
    /// With what R4 requires, and nothing else.
    pub fn new(action_id: impl Into<String>, relationship: ActionRelationshipType) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            action_id: action_id.into(),
            relationship,
            offset_duration: None,
            offset_range: None,
        }
    }
}

impl PlanDefinitionActionRelatedAction {
    fn check(&self, check: &mut Checker) {
        check.choice(self.offset());
    }
}

choice! {
    /// What [`PlanDefinitionActionRelatedAction::offset`] holds.
    PlanDefinitionActionRelatedActionOffset of PlanDefinitionActionRelatedAction::offset "offset[x]" {
        Duration(Duration) = offset_duration,
        Range(Range) = offset_range,
    }
}

/// Who should participate in the action.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PlanDefinitionActionParticipant {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The type of participant in the action.
    pub r#type: ActionParticipantType,
    /// The part they play: nurse, surgeon, parent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub role: Option<CodeableConcept>,
}

impl PlanDefinitionActionParticipant {
    /// With what R4 requires, and nothing else.
    pub fn new(r#type: ActionParticipantType) -> Self {
        Self { id: None, extension: Vec::new(), modifier_extension: Vec::new(), r#type, role: None }
    }
}

/// Dynamic aspects of the definition.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct PlanDefinitionActionDynamicValue {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The path to the element to be set dynamically.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub path: Option<String>,
    /// An expression that provides the dynamic value for the customization.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expression: Option<Expression>,
}
