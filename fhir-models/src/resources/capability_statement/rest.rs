//! The part of a CapabilityStatement about the REST interface.

use serde::{Deserialize, Serialize};

use crate::codes::{
    ConditionalDeleteStatus, ConditionalReadStatus, ReferenceHandlingPolicy, RestfulCapabilityMode,
    SearchParamType, SystemRestfulInteraction, TypeRestfulInteraction, VersioningPolicy,
};
use crate::datatypes::{CodeableConcept, Extension};

/// If the endpoint is a RESTful one.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementRest {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Whether it answers calls or makes them.
    pub mode: RestfulCapabilityMode,
    /// General description of implementation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub documentation: Option<String>,
    /// Information about security of implementation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub security: Option<CapabilityStatementRestSecurity>,
    /// Resource served on the REST interface.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub resource: Vec<CapabilityStatementRestResource>,
    /// What operations are supported?
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub interaction: Vec<CapabilityStatementRestInteraction>,
    /// Search parameters for searching all resources.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub search_param: Vec<CapabilityStatementRestResourceSearchParam>,
    /// Definition of a system level operation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub operation: Vec<CapabilityStatementRestResourceOperation>,
    /// Compartments served/used by system.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub compartment: Vec<String>,
}

impl CapabilityStatementRest {
    /// With what R4 requires, and nothing else.
    pub fn new(mode: RestfulCapabilityMode) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            mode,
            documentation: None,
            security: None,
            resource: Vec::new(),
            interaction: Vec::new(),
            search_param: Vec::new(),
            operation: Vec::new(),
            compartment: Vec::new(),
        }
    }
}

/// Information about security of implementation.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementRestSecurity {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Whether answers carry CORS headers.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cors: Option<bool>,
    /// The kinds of security it offers or asks for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub service: Vec<CodeableConcept>,
    /// General description of how security works.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
}

/// Resource served on the REST interface.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementRestResource {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// A resource type that is supported.
    pub r#type: String,
    /// Base System profile for all uses of resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub profile: Option<String>,
    /// Profiles for use cases supported.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub supported_profile: Vec<String>,
    /// Additional information about the use of the resource type.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub documentation: Option<String>,
    /// What operations are supported?
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub interaction: Vec<CapabilityStatementRestResourceInteraction>,
    /// Whether versions are kept, and whether an update must name one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub versioning: Option<VersioningPolicy>,
    /// Whether vRead can return past versions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub read_history: Option<bool>,
    /// If update can commit to a new identity.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub update_create: Option<bool>,
    /// If allows/uses conditional create.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conditional_create: Option<bool>,
    /// A code that indicates how the server supports conditional read.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conditional_read: Option<ConditionalReadStatus>,
    /// If allows/uses conditional update.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conditional_update: Option<bool>,
    /// A code that indicates how the server supports conditional delete.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub conditional_delete: Option<ConditionalDeleteStatus>,
    /// A set of flags that defines how references are supported.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reference_policy: Vec<ReferenceHandlingPolicy>,
    /// _include values supported by the server.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub search_include: Vec<String>,
    /// _revinclude values supported by the server.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub search_rev_include: Vec<String>,
    /// Search parameters supported by implementation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub search_param: Vec<CapabilityStatementRestResourceSearchParam>,
    /// Definition of a resource operation.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub operation: Vec<CapabilityStatementRestResourceOperation>,
}

/// What operations are supported?
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementRestResourceInteraction {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Coded identifier of the operation, supported by the system resource.
    pub code: TypeRestfulInteraction,
    /// Anything special about operation behavior.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub documentation: Option<String>,
}

impl CapabilityStatementRestResourceInteraction {
    /// With what R4 requires, and nothing else.
    pub fn new(code: TypeRestfulInteraction) -> Self {
        Self { id: None, extension: Vec::new(), modifier_extension: Vec::new(), code, documentation: None }
    }
}

/// Search parameters supported by implementation.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementRestResourceSearchParam {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Name of search parameter.
    pub name: String,
    /// Source of definition for parameter.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub definition: Option<String>,
    /// The type of the values it takes.
    pub r#type: SearchParamType,
    /// Server-specific usage.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub documentation: Option<String>,
}

impl CapabilityStatementRestResourceSearchParam {
    /// With what R4 requires, and nothing else.
    pub fn new(name: impl Into<String>, r#type: SearchParamType) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            name: name.into(),
            definition: None,
            r#type,
            documentation: None,
        }
    }
}

/// Definition of a resource operation.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementRestResourceOperation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Name by which the operation/query is invoked.
    pub name: String,
    /// The defined operation/query.
    pub definition: String,
    /// Specific details about operation behavior.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub documentation: Option<String>,
}

/// What operations are supported?
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct CapabilityStatementRestInteraction {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// A coded identifier of the operation, supported by the system.
    pub code: SystemRestfulInteraction,
    /// Anything special about operation behavior.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub documentation: Option<String>,
}

impl CapabilityStatementRestInteraction {
    /// With what R4 requires, and nothing else.
    pub fn new(code: SystemRestfulInteraction) -> Self {
        Self { id: None, extension: Vec::new(), modifier_extension: Vec::new(), code, documentation: None }
    }
}
