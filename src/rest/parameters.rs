//! The table of search parameters: what each type can be searched by.
//!
//! Names, types and expressions are those of R4's SearchParameter resources (4.0.1), reduced to the type that is
//! searched; those of Terce's own have a definition below its own base. What is compared is what the expression says.

mod charted;
mod definitions;
mod said;

pub(super) use charted::*;
pub(super) use definitions::*;
pub(super) use said::*;

/// A search parameter.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Param {
    /// Its name in a query.
    pub name: &'static str,
    /// How values are compared.
    pub sort: Sort,
    /// What is compared, in the part of FHIRPath that R4's definitions use.
    pub expression: &'static str,
    /// The last part of its definition's address.
    pub definition: &'static str,
    /// Terce's own rather than R4's.
    pub own: bool,
    /// Types that are kept here and that it can refer to: what can be included and chained to.
    pub targets: &'static [&'static str],
    /// The code system of elements that hold a bare code.
    pub system: Option<&'static str>,
    /// What belongs together in one element, each with an expression below it.
    pub parts: &'static [Param],
    /// By what the store finds documents that fit, without looking at others.
    pub index: Index,
}

/// R4's types of search parameters, as far as they are used.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Sort {
    /// A code, an identifier or a truth value.
    Token,
    /// A date, a time or a period.
    Date,
    /// A reference or a canonical address.
    Reference,
    /// A text.
    Text,
    /// An address.
    Uri,
    /// A number with its unit.
    Quantity,
    /// Several values of one element.
    Composite,
}

/// What the store has an index of.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Index {
    /// Nothing.
    None,
    /// The logical id.
    Id,
    /// The instant of the last change.
    Updated,
    /// Business identifiers.
    Identifier,
    /// The patient it is about: a bare id means a Patient.
    Patient,
    /// The encounter it belongs to: a bare id means an Encounter.
    Encounter,
    /// The status of what this service writes.
    Status,
    /// The place of what this service writes.
    Location,
    /// Nothing; but what refers so is about the same patient as what it refers to.
    Within,
}

impl Sort {
    /// R4's code of it.
    pub const fn code(self) -> &'static str {
        match self {
            Sort::Token => "token",
            Sort::Date => "date",
            Sort::Reference => "reference",
            Sort::Text => "string",
            Sort::Uri => "uri",
            Sort::Quantity => "quantity",
            Sort::Composite => "composite",
        }
    }

    /// The modifiers that can follow a name, beside the name of a type.
    pub const fn modifiers(self) -> &'static [&'static str] {
        match self {
            Sort::Token => &["missing", "not", "text"],
            Sort::Date | Sort::Uri | Sort::Quantity => &["missing"],
            Sort::Reference => &["missing", "identifier"],
            Sort::Text => &["missing", "contains", "exact"],
            Sort::Composite => &[],
        }
    }
}

impl Param {
    /// The canonical address of its definition.
    pub fn canonical(&self) -> String {
        let base = if self.own { "https://terce.example/fhir" } else { "http://hl7.org/fhir" };
        format!("{base}/SearchParameter/{}", self.definition)
    }

    /// Whether what refers so can be found from what it refers to.
    pub const fn is_reversible(&self) -> bool {
        match self.index {
            Index::Patient | Index::Encounter | Index::Location | Index::Within => true,
            Index::None | Index::Id | Index::Updated | Index::Identifier | Index::Status => false,
        }
    }

    const fn by(self, index: Index) -> Param {
        Param { index, ..self }
    }

    const fn of(self, system: &'static str) -> Param {
        Param { system: Some(system), ..self }
    }

    const fn to(self, targets: &'static [&'static str]) -> Param {
        Param { targets, ..self }
    }
}

const fn param(name: &'static str, sort: Sort, expression: &'static str, definition: &'static str) -> Param {
    Param {
        name,
        sort,
        expression,
        definition,
        own: false,
        targets: &[],
        system: None,
        parts: &[],
        index: Index::None,
    }
}

const fn token(name: &'static str, expression: &'static str, definition: &'static str) -> Param {
    param(name, Sort::Token, expression, definition)
}

const fn code(
    name: &'static str,
    expression: &'static str,
    definition: &'static str,
    system: &'static str,
) -> Param {
    token(name, expression, definition).of(system)
}

const fn identifier(expression: &'static str, definition: &'static str) -> Param {
    token("identifier", expression, definition).by(Index::Identifier)
}

const fn date(name: &'static str, expression: &'static str, definition: &'static str) -> Param {
    param(name, Sort::Date, expression, definition)
}

const fn text(name: &'static str, expression: &'static str, definition: &'static str) -> Param {
    param(name, Sort::Text, expression, definition)
}

const fn quantity(name: &'static str, expression: &'static str, definition: &'static str) -> Param {
    param(name, Sort::Quantity, expression, definition)
}

const fn composite(
    name: &'static str,
    expression: &'static str,
    definition: &'static str,
    parts: &'static [Param],
) -> Param {
    Param { parts, ..param(name, Sort::Composite, expression, definition) }
}

const fn uri(name: &'static str, expression: &'static str, definition: &'static str) -> Param {
    param(name, Sort::Uri, expression, definition)
}

const fn reference(
    name: &'static str,
    expression: &'static str,
    definition: &'static str,
    targets: &'static [&'static str],
) -> Param {
    param(name, Sort::Reference, expression, definition).to(targets)
}

const fn patient(name: &'static str, expression: &'static str, definition: &'static str) -> Param {
    reference(name, expression, definition, &["Patient"]).by(Index::Patient)
}

const fn encounter(name: &'static str, expression: &'static str, definition: &'static str) -> Param {
    reference(name, expression, definition, &["Encounter"]).by(Index::Encounter)
}

const fn own(
    name: &'static str,
    sort: Sort,
    expression: &'static str,
    definition: &'static str,
    targets: &'static [&'static str],
) -> Param {
    Param { own: true, ..param(name, sort, expression, definition).to(targets) }
}

/// What every type can be searched by.
pub const EVERY: &[Param] = &[
    token("_id", "Resource.id", "Resource-id").by(Index::Id),
    date("_lastUpdated", "Resource.meta.lastUpdated", "Resource-lastUpdated").by(Index::Updated),
    token("_tag", "Resource.meta.tag", "Resource-tag"),
    token("_security", "Resource.meta.security", "Resource-security"),
    uri("_profile", "Resource.meta.profile", "Resource-profile"),
];
