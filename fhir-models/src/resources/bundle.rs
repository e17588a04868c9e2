//! Bundle: several resources in one message.

use serde::{Deserialize, Serialize};

use crate::codes::{BundleType, HttpVerb, SearchEntryMode};
use crate::datatypes::{Element, Extension, Identifier, Meta, Signature};
use crate::primitive::{Decimal, InstantTime};
use crate::resource::{Checker, RawResource, Rules, first_missing};
use crate::{IssueKind, ParseError, json};
use serde_json::value::RawValue;
use std::borrow::Cow;

/// Contains a collection of resources.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Bundle {
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
    /// Persistent identifier for the bundle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub identifier: Option<Identifier>,
    /// What the message is for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r#type: Option<BundleType>,
    /// What is said of `type` besides its value, or why it has none.
    #[serde(rename = "_type", skip_serializing_if = "Option::is_none")]
    pub type_element: Option<Element>,
    /// When the bundle was assembled.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub timestamp: Option<InstantTime>,
    /// If search, the total number of matches.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub total: Option<u32>,
    /// Links related to this Bundle.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub link: Vec<BundleLink>,
    /// Entry in the bundle - will have a resource or information.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub entry: Vec<BundleEntry>,
    /// Digital Signature.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub signature: Option<Signature>,
}

resource!(Bundle);

impl Rules for Bundle {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[("type", self.r#type.is_some() || self.type_element.is_some())])
    }

    fn check(&self, _: &mut Checker) {}
}

/// Links related to this Bundle.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct BundleLink {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Which page it is: a link relation of IANA's registry, such as `next`.
    pub relation: String,
    /// Reference details for the link.
    pub url: String,
}

/// Entry in the bundle - will have a resource or information.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct BundleEntry {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Links related to this entry.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub link: Vec<BundleLink>,
    /// URI for resource (Absolute URL server address or URI for UUID/OID).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub full_url: Option<String>,
    /// A resource in the bundle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub resource: Option<RawResource>,
    /// Search related information.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub search: Option<BundleEntrySearch>,
    /// Additional execution information (transaction/batch/history).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub request: Option<BundleEntryRequest>,
    /// Results of execution (transaction/batch/history).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub response: Option<BundleEntryResponse>,
}

/// Search related information.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct BundleEntrySearch {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Whether it matched, or came along.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mode: Option<SearchEntryMode>,
    /// Search ranking (between 0 and 1).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub score: Option<Decimal>,
}

/// Additional execution information (transaction/batch/history).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct BundleEntryRequest {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// What a batch or transaction does with the entry.
    pub method: HttpVerb,
    /// URL for HTTP equivalent of this entry.
    pub url: String,
    /// For managing cache currency.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub if_none_match: Option<String>,
    /// For managing cache currency.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub if_modified_since: Option<InstantTime>,
    /// For managing update contention.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub if_match: Option<String>,
    /// For conditional creates.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub if_none_exist: Option<String>,
}

impl BundleEntryRequest {
    /// With what R4 requires, and nothing else.
    pub fn new(method: HttpVerb, url: impl Into<String>) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            modifier_extension: Vec::new(),
            method,
            url: url.into(),
            if_none_match: None,
            if_modified_since: None,
            if_match: None,
            if_none_exist: None,
        }
    }
}

/// Results of execution (transaction/batch/history).
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct BundleEntryResponse {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// Status response code (text optional).
    pub status: String,
    /// The location (if the operation returns a location).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub location: Option<String>,
    /// The Etag for the resource (if relevant).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub etag: Option<String>,
    /// Server's date time modified.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_modified: Option<InstantTime>,
    /// OperationOutcome with hints and warnings (for batch/transaction).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outcome: Option<RawResource>,
}

/// A Bundle as it is read from elsewhere: entries stay bytes of the message, to be read one by one.
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct BundleRef<'a> {
    /// What the message is for.
    pub r#type: BundleType,
    /// How many resources a search found in all.
    pub total: Option<u32>,
    /// When the message was made.
    pub timestamp: Option<InstantTime>,
    /// The pages before and after, among others.
    #[serde(default)]
    pub link: Vec<BundleLink>,
    /// The entries.
    #[serde(default, borrow)]
    pub entry: Vec<BundleEntryRef<'a>>,
}

/// One entry of a [`BundleRef`].
#[derive(Clone, Debug, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct BundleEntryRef<'a> {
    /// The resource's address, or a `urn:uuid:` that stands for one.
    #[serde(borrow)]
    pub full_url: Option<Cow<'a, str>>,
    /// The resource's bytes.
    #[serde(borrow)]
    pub resource: Option<&'a RawValue>,
    /// Why a search found it.
    pub search: Option<BundleEntrySearch>,
    /// What a batch, a transaction or a history asks.
    pub request: Option<BundleEntryRequest>,
    /// What came of it.
    pub response: Option<BundleEntryResponse>,
}

impl<'a> BundleRef<'a> {
    /// Reads a Bundle whose bytes [`crate::json::scan`] has passed.
    ///
    /// # Errors
    /// As [`crate::parse_scanned`].
    pub fn parse_scanned(bytes: &'a [u8]) -> Result<Self, ParseError> {
        let said = crate::resource_type(bytes)?;
        if said != "Bundle" {
            let message = format!("expected the type Bundle, found {said}");
            return Err(ParseError::new(IssueKind::Structure, "resourceType", message));
        }
        let text = std::str::from_utf8(bytes)
            .map_err(|_| ParseError::new(IssueKind::Structure, "Bundle", "not UTF-8"))?;
        json::shape::borrowed_from_str(text).map_err(|error| json::located(text, "Bundle", &error))
    }
}
