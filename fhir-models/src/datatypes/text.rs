//! Notes, documents and signatures.

use serde::{Deserialize, Serialize};

use crate::datatypes::{Coding, Extension, Reference};
use crate::primitive::{DateTime, InstantTime};

/// Text node with attribution.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Annotation {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Individual responsible for the annotation, as a Reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub author_reference: Option<Reference>,
    /// Individual responsible for the annotation, as a string.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub author_string: Option<String>,
    /// When the annotation was made.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time: Option<DateTime>,
    /// The annotation - text content (as markdown).
    pub text: String,
}

choice! {
    /// What [`Annotation::author`] holds.
    AnnotationAuthor of Annotation::author "author[x]" {
        Reference(Reference) = author_reference,
        String(String) = author_string,
    }
}

/// Content in a format defined elsewhere.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Attachment {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Mime type of the content, with charset etc.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub content_type: Option<String>,
    /// Human language of the content (BCP-47).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub language: Option<String>,
    /// Data inline, base64ed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data: Option<String>,
    /// Uri where the data can be found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub url: Option<String>,
    /// Number of bytes of content (if url provided).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub size: Option<u32>,
    /// Hash of the data (sha-1, base64ed).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hash: Option<String>,
    /// Label to display in place of the data.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// Date attachment was first created.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub creation: Option<DateTime>,
}

/// A Signature - XML DigSig, JWS, Graphical image of signature, etc.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Signature {
    /// Id of the element within its resource.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<String>,
    /// What R4 has no element for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extension: Vec<Extension>,
    /// Indication of the reason the entity signed the object(s).
    pub r#type: Vec<Coding>,
    /// When the signature was created.
    pub when: InstantTime,
    /// Who signed.
    pub who: Reference,
    /// The party represented.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on_behalf_of: Option<Reference>,
    /// The technical format of the signed resources.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target_format: Option<String>,
    /// The technical format of the signature.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sig_format: Option<String>,
    /// The actual signature content (XML DigSig. JWS, picture, etc.).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub data: Option<String>,
}

impl Signature {
    /// With what R4 requires, and nothing else.
    pub fn new(r#type: Vec<Coding>, when: InstantTime, who: Reference) -> Self {
        Self {
            id: None,
            extension: Vec::new(),
            r#type,
            when,
            who,
            on_behalf_of: None,
            target_format: None,
            sig_format: None,
            data: None,
        }
    }
}
