//! What an operation is given: in the query, in a Parameters resource, or as the resource that it is about.

use axum::body::Body;
use axum::http::Method;
use fhir_models::datatypes::{CodeableConcept, Coding, Value};
use fhir_models::{Parameters, resource};

use crate::rest::ask::{self, Ask};
use crate::rest::body::Takes;
use crate::rest::edge::Edge;
use crate::rest::refused::Refused;

/// All that an operation is given.
#[derive(Debug, Default)]
pub(super) struct Given {
    /// In their order, those of the query first.
    pub(super) parameters: Vec<Parameter>,
    /// The body, where it is no Parameters.
    pub(super) resource: Option<Vec<u8>>,
}

/// One parameter.
#[derive(Debug)]
pub(super) struct Parameter {
    pub(super) name: String,
    value: Option<Value>,
    resource: Option<Vec<u8>>,
}

impl Given {
    /// Reads the query, and with `POST` the body.
    ///
    /// # Errors
    /// Another method; a query or a body that cannot be read.
    pub(super) async fn read(edge: &Edge, ask: &Ask<'_>, body: Body) -> Result<Given, Refused> {
        let mut given = Given::default();
        for (name, value) in ask::parameters(ask.query)? {
            if name != "_format" && name != "_pretty" {
                let value = Some(Value::String(value.into_owned()));
                given.parameters.push(Parameter { name: name.into_owned(), value, resource: None });
            }
        }
        match ask.method {
            Method::GET => {}
            Method::POST => {
                let held = edge.receive(ask, body, Takes::MaybeJson).await?;
                given.body(&held.bytes)?;
            }
            _ => return Err(Refused::Method("GET, HEAD, POST")),
        }
        Ok(given)
    }

    fn body(&mut self, body: &[u8]) -> Result<(), Refused> {
        if body.is_empty() {
            return Ok(());
        }
        // not yet known to be JSON: what is not is the resource's affair
        if resource::resource_type(body).is_ok_and(|kind| kind != "Parameters") {
            self.resource = Some(body.to_vec());
            return Ok(());
        }
        let parameters: Parameters = fhir_models::parse(body)?;
        self.parameters.extend(parameters.parameter.into_iter().map(|p| Parameter {
            name: p.name,
            value: p.value.map(|v| *v),
            resource: p.resource.map(|r| r.get().as_bytes().to_vec()),
        }));
        Ok(())
    }

    /// The resource that the operation is about: the body, or the parameter `name`, which is taken out.
    pub(super) fn take_resource(&mut self, name: &str) -> Option<Vec<u8>> {
        let at = self.parameters.iter().position(|p| p.name == name && p.resource.is_some());
        let inside = at.map(|at| self.parameters.remove(at)).and_then(|p| p.resource);
        self.resource.take().or(inside)
    }

    /// Refuses a body that is a resource, where none is asked for.
    ///
    /// # Errors
    /// There is one.
    pub(super) fn no_resource(&self) -> Result<(), Refused> {
        match self.resource {
            Some(_) => Err(Refused::value("resourceType", "expected Parameters")),
            None => Ok(()),
        }
    }
}

impl Parameter {
    /// Its text: of a string, code, address, date or reference.
    ///
    /// # Errors
    /// It is something else.
    pub(super) fn text(&self) -> Result<&str, Refused> {
        #[allow(clippy::wildcard_enum_match_arm, reason = "few of the fifty data types are one text")]
        let text = match &self.value {
            Some(
                Value::String(text)
                | Value::Code(text)
                | Value::Uri(text)
                | Value::Url(text)
                | Value::Canonical(text)
                | Value::Id(text),
            ) => Some(text.as_str()),
            Some(Value::Reference(reference)) => reference.reference.as_deref(),
            _ => None,
        };
        text.filter(|t| !t.is_empty()).ok_or_else(|| self.wrong("expected a text, a code or an address"))
    }

    /// Whether it says true.
    ///
    /// # Errors
    /// It says neither.
    pub(super) fn truth(&self) -> Result<bool, Refused> {
        #[allow(clippy::wildcard_enum_match_arm, reason = "two of the fifty data types say it")]
        match &self.value {
            Some(Value::Boolean(truth)) => Ok(*truth),
            Some(Value::String(text)) if text == "true" => Ok(true),
            Some(Value::String(text)) if text == "false" => Ok(false),
            _ => Err(self.wrong("expected true or false")),
        }
    }

    /// The codings of a Coding or a CodeableConcept.
    ///
    /// # Errors
    /// It is neither.
    pub(super) fn codings(&self) -> Result<&[Coding], Refused> {
        #[allow(clippy::wildcard_enum_match_arm, reason = "two of the fifty data types hold them")]
        match &self.value {
            Some(Value::Coding(coding)) => Ok(std::slice::from_ref(coding)),
            Some(Value::CodeableConcept(CodeableConcept { coding, .. })) => Ok(coding),
            _ => Err(self.wrong("expected a Coding or a CodeableConcept, in Parameters")),
        }
    }

    fn wrong(&self, why: &str) -> Refused {
        Refused::value(&self.name, why)
    }

    /// That it is not a parameter here.
    pub(super) fn unknown<T>(&self) -> Result<T, Refused> {
        Err(Refused::not_supported(&self.name, "not a parameter of this operation here"))
    }
}
