//! What all resource types have in common, and how they are read.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

pub use crate::check::Checker;
use crate::datatypes::Meta;
use crate::error::quoted;
use crate::json::{located, scan, top_level};
use crate::{IssueKind, ParseError};

/// A resource type of R4 that is read and written here.
pub trait Resource: Rules + Sized {
    /// Its type.
    const TYPE: ResourceType;
    /// Reads a document that [`crate::json::scan`] has passed; [`parse`] is the way in.
    fn read(text: &str) -> Result<Self, serde_json::Error>;
    /// The resource as JSON.
    fn write(&self) -> Vec<u8>;
    /// Its logical id.
    fn id(&self) -> Option<&str>;
    /// Its meta.
    fn meta(&self) -> Option<&Meta>;
    /// The resources that live only inside it.
    fn contained(&self) -> &[RawResource];
}

/// What R4 demands of a type beyond the shape of each element.
pub trait Rules {
    /// The first required element that is neither there nor said why not.
    fn missing(&self) -> Option<&'static str> {
        None
    }

    /// What must hold between elements.
    fn check(&self, check: &mut Checker);
}

/// The first name whose element is absent.
pub(crate) fn first_missing(elements: &[(&'static str, bool)]) -> Option<&'static str> {
    elements.iter().find(|(_, present)| !present).map(|(name, _)| *name)
}

/// Reads a resource of a known type.
///
/// # Errors
/// What [`crate::json::scan`] refuses; another type (`invariant`); a value outside its type (`value`), a code outside
/// its required binding (`code-invalid`), an absent required element (`required`).
pub fn parse<T: Resource>(bytes: &[u8]) -> Result<T, ParseError> {
    scan(bytes)?;
    parse_scanned(bytes)
}

/// [`parse`] for bytes that [`crate::json::scan`] has passed before, such as those of the store.
pub fn parse_scanned<T: Resource>(bytes: &[u8]) -> Result<T, ParseError> {
    let text = utf8(bytes)?;
    let said = said_type(text)?;
    let root = T::TYPE.as_str();
    if said != root {
        let message = format!("expected the type {root}, found {}", quoted(said));
        return Err(ParseError::new(IssueKind::Structure, "resourceType", message));
    }
    let resource = T::read(text).map_err(|error| located(text, root, &error))?;
    match resource.missing() {
        None => Ok(resource),
        Some(name) => Err(ParseError::new(
            IssueKind::Required,
            format!("{root}.{name}"),
            format!("`{name}` is required"),
        )),
    }
}

/// What is wrong between the elements of a resource that was read from `document`; empty when nothing is.
///
/// Looked at are references to types that R4 does not let stand there (`business-rule`), periods of the resource's own
/// elements that end before they start (`invariant`), two types of a choice (`structure`), and contained resources
/// that nothing refers to, that share an id or that contain others (`invariant`).
#[must_use]
pub fn validate<T: Resource>(resource: &T, document: &[u8]) -> Vec<ParseError> {
    let mut checker = Checker::new(T::TYPE.as_str());
    resource.check(&mut checker);
    if !resource.contained().is_empty() {
        checker.contained(resource.contained(), std::str::from_utf8(document).unwrap_or_default());
    }
    checker.into_errors()
}

/// The type that a document says it is, known here or not.
///
/// # Errors
/// When the document is no object, or has no `resourceType`, or one that is no plain string.
pub fn resource_type(bytes: &[u8]) -> Result<&str, ParseError> {
    said_type(utf8(bytes)?)
}

fn said_type(text: &str) -> Result<&str, ParseError> {
    let value = match leading_type(text) {
        Some(value) => value,
        None => {
            let members = top_level(text)?;
            let member =
                members.into_iter().find(|(name, _)| name == "resourceType").map(|(_, member)| member);
            let value = member.and_then(|m| text.get(m.value));
            value.ok_or_else(|| at_type(IssueKind::Required, "a resource says its type"))?
        }
    };
    let name = value.strip_prefix('"').and_then(|v| v.strip_suffix('"'));
    name.filter(|n| n.bytes().all(|b| b.is_ascii_alphanumeric())).ok_or_else(|| {
        at_type(IssueKind::Structure, "expected the name of a type, as a string without escapes")
    })
}

fn at_type(kind: IssueKind, message: &str) -> ParseError {
    ParseError::new(kind, "resourceType", message)
}

fn utf8(bytes: &[u8]) -> Result<&str, ParseError> {
    std::str::from_utf8(bytes).map_err(|_| ParseError::new(IssueKind::Structure, "", "not UTF-8"))
}

/// The value of `resourceType` where it comes first, as it mostly does.
fn leading_type(text: &str) -> Option<&str> {
    let rest = text.trim_ascii_start().strip_prefix('{')?.trim_ascii_start();
    let rest =
        rest.strip_prefix("\"resourceType\"")?.trim_ascii_start().strip_prefix(':')?.trim_ascii_start();
    let end = rest.strip_prefix('"')?.find('"')?;
    rest.get(..end + 2)
}

/// The bytes of a resource inside another: read by its own type when someone asks.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(transparent)]
pub struct RawResource(Box<RawValue>);

impl RawResource {
    /// The bytes of a resource that was written here.
    pub fn of<T: Resource>(resource: &T) -> Option<Self> {
        let text = String::from_utf8(resource.write()).ok()?;
        RawValue::from_string(text).ok().map(Self)
    }

    /// Any JSON object, such as a document of the store.
    ///
    /// # Errors
    /// What [`crate::json::scan`] refuses.
    pub fn from_json(text: String) -> Result<Self, ParseError> {
        scan(text.as_bytes())?;
        let raw = RawValue::from_string(text);
        raw.map(Self).map_err(|_| ParseError::new(IssueKind::Structure, "", "not JSON"))
    }

    /// The JSON, as it was sent.
    pub fn get(&self) -> &str {
        self.0.get()
    }

    /// The type it says it is.
    ///
    /// # Errors
    /// As [`resource_type`].
    pub fn resource_type(&self) -> Result<&str, ParseError> {
        resource_type(self.get().as_bytes())
    }

    /// Reads it; the document around it has been scanned.
    ///
    /// # Errors
    /// As [`parse`].
    pub fn parse<T: Resource>(&self) -> Result<T, ParseError> {
        parse_scanned(self.get().as_bytes())
    }
}

impl PartialEq for RawResource {
    fn eq(&self, other: &Self) -> bool {
        self.get() == other.get()
    }
}

code_enum! {
    /// The types of resource that are read and written here.
    ResourceType of "http://hl7.org/fhir/resource-types" {
        AuditEvent = "AuditEvent",
        Bundle = "Bundle",
        CapabilityStatement = "CapabilityStatement",
        CodeSystem = "CodeSystem",
        ConceptMap = "ConceptMap",
        Condition = "Condition",
        DetectedIssue = "DetectedIssue",
        Device = "Device",
        DeviceUseStatement = "DeviceUseStatement",
        Encounter = "Encounter",
        Group = "Group",
        List = "List",
        Location = "Location",
        Measure = "Measure",
        MeasureReport = "MeasureReport",
        MedicationAdministration = "MedicationAdministration",
        Observation = "Observation",
        OperationOutcome = "OperationOutcome",
        Parameters = "Parameters",
        Patient = "Patient",
        PlanDefinition = "PlanDefinition",
        Procedure = "Procedure",
        Subscription = "Subscription",
        Task = "Task",
        ValueSet = "ValueSet",
    }
}

impl fmt::Display for ResourceType {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl FromStr for ResourceType {
    type Err = ParseError;

    fn from_str(text: &str) -> Result<Self, ParseError> {
        Self::from_code(text).ok_or_else(|| {
            let message = format!("{} is not a type of resource that is read here", quoted(text));
            ParseError::new(IssueKind::NotSupported, "resourceType", message)
        })
    }
}
