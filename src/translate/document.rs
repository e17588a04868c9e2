//! A document as the store keeps it, and what is asked of one at the door.

use fhir_models::datatypes::{Identifier, Reference};
use fhir_models::json::scan;
use fhir_models::{
    CodeSystem, ConceptMap, Condition, Device, DeviceUseStatement, Encounter, Group, IssueKind, Location,
    Measure, MedicationAdministration, Observation, ParseError, Patient, PlanDefinition, Procedure, Resource,
    Subscription, Task, ValueSet, parse_scanned, validate,
};

use crate::care::facts::Source;

/// One version of a document, as the store has it.
#[derive(Clone, Copy, Debug)]
pub struct Stored<'a> {
    /// Resource type.
    pub kind: &'a str,
    /// Logical id.
    pub id: &'a str,
    /// Its version, from 1.
    pub version: u64,
    /// When the first version was received, in microseconds.
    pub first_us: i64,
    /// When this version was received, in microseconds.
    pub received_us: i64,
    /// This version says that the document was deleted; `body` means nothing then.
    pub deleted: bool,
    /// As it was sent.
    pub body: &'a [u8],
}

impl Stored<'_> {
    /// `Type/id/_history/version`.
    pub fn source(&self) -> Source {
        source(self.kind, self.id, self.version)
    }
}

/// `Type/id/_history/version`.
pub fn source(kind: &str, id: &str, version: u64) -> Source {
    source_in(&mut String::new(), kind, id, version)
}

/// [`source`], put together in `text`, for whoever makes many.
pub(crate) fn source_in(text: &mut String, kind: &str, id: &str, version: u64) -> Source {
    const HISTORY: &str = "/_history/";
    // one of these is made for every document: put together by hand it takes a third of the time
    text.clear();
    text.reserve(kind.len() + id.len() + HISTORY.len() + 21);
    text.push_str(kind);
    text.push('/');
    text.push_str(id);
    text.push_str(HISTORY);
    match version {
        1 => text.push('1'),
        other => text.push_str(&other.to_string()),
    }
    Source(text.as_str().into())
}

/// The documents of this server that a document belongs to, by logical id.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Links {
    /// The patient it is about (for a Patient: itself, if it says its id).
    pub patient: Option<String>,
    /// The encounter in which it was made.
    pub encounter: Option<String>,
}

/// What the store needs to know of a document that was let in.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Read {
    /// Whose it is.
    pub links: Links,
    /// System (empty: none) and value of each business identifier that has a value.
    pub identifiers: Vec<(String, String)>,
    /// What is odd and was let in all the same.
    pub warnings: Vec<ParseError>,
}

/// Addresses of FHIR servers whose documents are this server's own.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Bases(Vec<String>);

/// What a reference points to.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Target<'a> {
    /// A document of this server: type and id.
    Here(&'a str, &'a str),
    /// A resource inside the same document, by its id there.
    Inside(&'a str),
    /// Something elsewhere: another server's document, or what only an identifier or a text names.
    Elsewhere,
}

impl Bases {
    /// From addresses, with or without a final slash.
    pub fn new<T: AsRef<str>>(bases: impl IntoIterator<Item = T>) -> Self {
        Bases(bases.into_iter().map(|b| format!("{}/", b.as_ref().trim_end_matches('/'))).collect())
    }

    /// What `reference` points to. An absolute address of a server that is not among these is a name of something
    /// elsewhere: it is never fetched and never counted.
    pub fn target<'a>(&self, reference: &'a Reference) -> Target<'a> {
        reference.reference.as_deref().map_or(Target::Elsewhere, |text| self.target_of(text))
    }

    /// [`Bases::target`] of the text of a reference.
    pub fn target_of<'a>(&self, text: &'a str) -> Target<'a> {
        if let Some((kind, id)) = relative(text) {
            return Target::Here(kind, id);
        }
        if let Some(id) = text.strip_prefix('#') {
            return Target::Inside(id);
        }
        let below = self.0.iter().find_map(|base| text.strip_prefix(base.as_str()));
        below.and_then(relative).map_or(Target::Elsewhere, |(kind, id)| Target::Here(kind, id))
    }

    /// The id, if `reference` points to a document of this server of the type `kind`.
    pub fn id<'a>(&self, reference: &'a Reference, kind: &str) -> Option<&'a str> {
        self.id_in(reference.reference.as_deref()?, kind)
    }

    /// [`Bases::id`] of the text of a reference.
    pub fn id_in<'a>(&self, text: &'a str, kind: &str) -> Option<&'a str> {
        match self.target_of(text) {
            Target::Here(found, id) if found == kind => Some(id),
            Target::Here(..) | Target::Inside(_) | Target::Elsewhere => None,
        }
    }
}

/// Type and id of `Type/id` or `Type/id/_history/version`.
fn relative(text: &str) -> Option<(&str, &str)> {
    let (kind, id) = text.split_at_checked(text.bytes().position(|b| b == b'/')?)?;
    // hardly any names a version; an id has no slash
    if let Some(id) = id.strip_prefix('/')
        && names_a_type(kind)
        && fhir_models::primitive::is_id(id)
    {
        return Some((kind, id));
    }
    let mut parts = text.split('/');
    let (kind, id) = (parts.next()?, parts.next()?);
    let whole = match (parts.next(), parts.next(), parts.next()) {
        (None, None, None) => true,
        (Some("_history"), Some(version), None) => !version.is_empty(),
        _ => false,
    };
    (whole && names_a_type(kind) && fhir_models::primitive::is_id(id)).then_some((kind, id))
}

fn names_a_type(kind: &str) -> bool {
    kind.starts_with(|c: char| c.is_ascii_uppercase()) && kind.bytes().all(|b| b.is_ascii_alphabetic())
}

/// Reads a document at the door: strictly as JSON, then as a resource of the type `kind`.
///
/// # Errors
/// What is not FHIR R4 (the kinds `structure`, `value`, `required`, `code-invalid`, `invariant`, `too-long`,
/// `too-costly`), what breaks its rules (`business-rule`), and what could change the meaning of everything else and is
/// not understood here: a `modifierExtension` anywhere (`extension`), `implicitRules` (`not-supported`). A type that is
/// not read here is `not-supported`.
pub fn read(kind: &str, body: &[u8], bases: &Bases) -> Result<Read, ParseError> {
    let scanned = scan(body)?;
    if scanned.has_modifier_extension {
        let why =
            "a modifierExtension may change the meaning of what it stands in, and none is understood here";
        return Err(ParseError::new(IssueKind::Extension, kind, why));
    }
    if scanned.has_implicit_rules {
        let why = "rules that a document is to be read by are not understood here; send it without them";
        return Err(ParseError::new(IssueKind::NotSupported, format!("{kind}.implicitRules"), why));
    }
    match kind {
        "Procedure" => typed::<Procedure>(body, bases),
        "Observation" => typed::<Observation>(body, bases),
        "Device" => typed::<Device>(body, bases),
        "DeviceUseStatement" => typed::<DeviceUseStatement>(body, bases),
        "Encounter" => typed::<Encounter>(body, bases),
        "Patient" => typed::<Patient>(body, bases),
        "Location" => typed::<Location>(body, bases),
        "Group" => typed::<Group>(body, bases),
        "Condition" => typed::<Condition>(body, bases),
        "MedicationAdministration" => typed::<MedicationAdministration>(body, bases),
        "PlanDefinition" => typed::<PlanDefinition>(body, bases),
        "ConceptMap" => typed::<ConceptMap>(body, bases),
        "ValueSet" => typed::<ValueSet>(body, bases),
        "CodeSystem" => typed::<CodeSystem>(body, bases),
        "Measure" => typed::<Measure>(body, bases),
        "Task" => typed::<Task>(body, bases),
        "Subscription" => typed::<Subscription>(body, bases),
        _ => Err(ParseError::new(IssueKind::NotSupported, "resourceType", "not a type that is kept here")),
    }
}

/// What the store indexes of a document that [`read`] has let in before.
///
/// # Errors
/// As [`read`].
pub fn references(kind: &str, body: &[u8], bases: &Bases) -> Result<Links, ParseError> {
    read(kind, body, bases).map(|read| read.links)
}

fn typed<T: Linked>(body: &[u8], bases: &Bases) -> Result<Read, ParseError> {
    let resource: T = parse_scanned(body)?;
    if let Some(error) = validate(&resource, body).into_iter().next() {
        return Err(error);
    }
    if let Some(error) = resource.refused(bases) {
        return Err(error);
    }
    let subject = resource.subject().and_then(|s| bases.id(s, "Patient")).map(str::to_owned);
    let encounter = resource.encounter().and_then(|e| bases.id(e, "Encounter")).map(str::to_owned);
    let patient = if T::TYPE == Patient::TYPE { resource.id().map(str::to_owned) } else { subject };
    let warnings = if resource.status_is_missing() {
        let path = format!("{}.status", T::TYPE);
        vec![ParseError::new(
            IssueKind::Value,
            path,
            "the status has no value; the document is kept and not counted",
        )]
    } else {
        Vec::new()
    };
    Ok(Read {
        links: Links { patient, encounter },
        identifiers: identifiers(resource.identifiers()),
        warnings,
    })
}

fn identifiers(given: &[Identifier]) -> Vec<(String, String)> {
    given.iter().filter_map(|i| Some((i.system.clone().unwrap_or_default(), i.value.clone()?))).collect()
}

/// Where each type has its links.
trait Linked: Resource {
    fn subject(&self) -> Option<&Reference> {
        None
    }
    fn encounter(&self) -> Option<&Reference> {
        None
    }
    fn identifiers(&self) -> &[Identifier] {
        &[]
    }
    fn status_is_missing(&self) -> bool {
        false
    }
    /// What a resource may not say for itself alone.
    fn refused(&self, _: &Bases) -> Option<ParseError> {
        None
    }
}

impl Linked for Procedure {
    fn subject(&self) -> Option<&Reference> {
        Some(&self.subject)
    }
    fn encounter(&self) -> Option<&Reference> {
        self.encounter.as_ref()
    }
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
    fn status_is_missing(&self) -> bool {
        self.status.is_none()
    }
}

impl Linked for Observation {
    fn subject(&self) -> Option<&Reference> {
        self.subject.as_ref()
    }
    fn encounter(&self) -> Option<&Reference> {
        self.encounter.as_ref()
    }
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
    fn status_is_missing(&self) -> bool {
        self.status.is_none()
    }
}

impl Linked for Device {
    fn subject(&self) -> Option<&Reference> {
        self.patient.as_ref()
    }
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
}

impl Linked for DeviceUseStatement {
    fn subject(&self) -> Option<&Reference> {
        Some(&self.subject)
    }
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
    fn status_is_missing(&self) -> bool {
        self.status.is_none()
    }
}

impl Linked for Encounter {
    fn subject(&self) -> Option<&Reference> {
        self.subject.as_ref()
    }
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
    fn status_is_missing(&self) -> bool {
        self.status.is_none()
    }
    fn refused(&self, bases: &Bases) -> Option<ParseError> {
        let above = self.part_of.as_ref().and_then(|p| bases.id(p, "Encounter"));
        (above.is_some() && above == self.id.as_deref()).then(|| {
            ParseError::new(
                IssueKind::BusinessRule,
                "Encounter.partOf",
                "an encounter cannot be part of itself",
            )
        })
    }
}

impl Linked for Patient {
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
}

impl Linked for Group {
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
}

impl Linked for Location {
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
    fn refused(&self, bases: &Bases) -> Option<ParseError> {
        let above = self.part_of.as_ref().and_then(|p| bases.id(p, "Location"));
        (above.is_some() && above == self.id.as_deref()).then(|| {
            ParseError::new(IssueKind::BusinessRule, "Location.partOf", "a location cannot be part of itself")
        })
    }
}

impl Linked for Condition {
    fn subject(&self) -> Option<&Reference> {
        Some(&self.subject)
    }
    fn encounter(&self) -> Option<&Reference> {
        self.encounter.as_ref()
    }
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
}

impl Linked for MedicationAdministration {
    fn subject(&self) -> Option<&Reference> {
        Some(&self.subject)
    }
    fn encounter(&self) -> Option<&Reference> {
        self.context.as_ref()
    }
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
    fn status_is_missing(&self) -> bool {
        self.status.is_none()
    }
}

impl Linked for PlanDefinition {
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
}

impl Linked for ConceptMap {}

impl Linked for ValueSet {
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
}

impl Linked for CodeSystem {
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
}

impl Linked for Measure {
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
}

impl Linked for Subscription {}

impl Linked for Task {
    fn subject(&self) -> Option<&Reference> {
        self.r#for.as_ref()
    }
    fn encounter(&self) -> Option<&Reference> {
        self.encounter.as_ref()
    }
    fn identifiers(&self) -> &[Identifier] {
        &self.identifier
    }
    fn status_is_missing(&self) -> bool {
        self.status.is_none()
    }
}
