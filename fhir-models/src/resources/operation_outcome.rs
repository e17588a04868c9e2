//! OperationOutcome: what went wrong, for programs and people.

use serde::{Deserialize, Serialize};

use crate::codes::{IssueSeverity, IssueType};
use crate::datatypes::{CodeableConcept, Extension, Meta, Narrative};
use crate::resource::{Checker, RawResource, Rules};

/// Information about the success/failure of an action.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct OperationOutcome {
    /// Logical id, set by the server that holds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// Version, time of change, profiles, tags.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub meta: Option<Meta>,
    /// Rules the content was made under; never to be ignored.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub implicit_rules: Option<String>,
    /// Language of the content, a BCP 47 code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub language: Option<String>,
    /// The resource as people read it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<Narrative>,
    /// Resources that live only inside this one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contained: Vec<RawResource>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// A single issue associated with the action.
    pub issue: Vec<OperationOutcomeIssue>,
}

resource!(OperationOutcome);

impl Rules for OperationOutcome {
    fn check(&self, _: &mut Checker) {}
}

/// A single issue associated with the action.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct OperationOutcomeIssue {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// How bad it is.
    pub severity: IssueSeverity,
    /// Error or warning code.
    pub code: IssueType,
    /// Additional details about the error.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub details: Option<CodeableConcept>,
    /// Additional diagnostic information about the issue.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub diagnostics: Option<String>,
    /// Deprecated: Path of element(s) related to issue.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub location: Vec<String>,
    /// FHIRPath of element(s) related to issue.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub expression: Vec<String>,
}

impl OperationOutcomeIssue {
    /// With what R4 requires, and nothing else.
    pub fn new(severity: IssueSeverity, code: IssueType) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            severity,
            code,
            details: None,
            diagnostics: None,
            location: Vec::new(),
            expression: Vec::new(),
        }
    }
}
