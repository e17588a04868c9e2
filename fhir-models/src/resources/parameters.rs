//! Parameters: what goes into and comes out of an operation.

use serde::{Deserialize, Serialize};

use crate::datatypes::Meta;
use crate::datatypes::{Extension, open_element};
use crate::resource::RawResource;
use crate::resource::{Checker, Rules};

/// Operation Request or Response.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Parameters {
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
    /// Operation Parameter.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub parameter: Vec<ParametersParameter>,
}

resource!(Parameters);

impl Rules for Parameters {
    fn check(&self, _: &mut Checker) {}
}

open_element! {
    /// One parameter: a value, a resource, or parts of its own.
    ParametersParameter {
        /// Id of the element within its resource.
        id: Option<String> = "id",
        /// What R4 has no element for.
        extension: Vec<Extension> = "extension",
        /// What changes the meaning of everything around it; never to be ignored.
        modifier_extension: Vec<Extension> = "modifierExtension",
        /// Its name, from the definition of the operation.
        name: String = "name",
        /// Its value, when that is a resource.
        resource: Option<RawResource> = "resource",
        /// Its parts.
        part: Vec<ParametersParameter> = "part",
    }
}
