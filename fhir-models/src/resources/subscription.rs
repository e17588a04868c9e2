//! Subscription: what a client wants to be told of by itself.

use serde::{Deserialize, Serialize};

use crate::codes::{SubscriptionChannelType, SubscriptionStatus};
use crate::datatypes::{ContactPoint, Element, Extension, Meta, Narrative};
use crate::primitive::InstantTime;
use crate::resource::{Checker, RawResource, Rules, first_missing};

/// What a client wants to be told of, and how.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "resourceType", rename_all = "camelCase")]
pub struct Subscription {
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
    /// Whether it is wanted, served, failing or off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<SubscriptionStatus>,
    /// What is said of `status` besides its value, or why it has none.
    #[serde(rename = "_status", skip_serializing_if = "Option::is_none")]
    pub status_element: Option<Element>,
    /// Whom to ask about it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub contact: Vec<ContactPoint>,
    /// When it ends by itself.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end: Option<InstantTime>,
    /// Why it was made.
    pub reason: String,
    /// What it is about: a search, or the canonical address of a topic.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub criteria: Option<String>,
    /// What is said of `criteria` besides its value, or why it has none.
    #[serde(rename = "_criteria", skip_serializing_if = "Option::is_none")]
    pub criteria_element: Option<Element>,
    /// What went wrong last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub error: Option<String>,
    /// Where and how it is told.
    pub channel: SubscriptionChannel,
}

resource!(Subscription);

impl Rules for Subscription {
    fn missing(&self) -> Option<&'static str> {
        first_missing(&[
            ("status", self.status.is_some() || self.status_element.is_some()),
            ("criteria", self.criteria.is_some() || self.criteria_element.is_some()),
        ])
    }

    fn check(&self, _: &mut Checker) {}
}

/// Where and how it is told.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct SubscriptionChannel {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// What changes the meaning of everything around it; never to be ignored.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modifier_extension: Vec<Extension>,
    /// The kind of channel.
    pub r#type: SubscriptionChannelType,
    /// What is said of `type` besides its value, or why it has none.
    #[serde(rename = "_type", skip_serializing_if = "Option::is_none")]
    pub type_element: Option<Element>,
    /// The address that is told.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub endpoint: Option<String>,
    /// The media type of what is sent; none: nothing but the call.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub payload: Option<String>,
    /// What is said of `payload` besides its value, or why it has none.
    #[serde(rename = "_payload", skip_serializing_if = "Option::is_none")]
    pub payload_element: Option<Element>,
    /// Headers of HTTP to send along, one line each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub header: Vec<String>,
}
