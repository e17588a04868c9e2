//! The criteria of a search, read against the table of parameters.

use std::sync::Arc;

use chrono_tz::Tz;
use fhir_models::primitive::is_id;
use serde_json::Value;

use super::super::ask::parameters;
use super::super::limits;
use super::super::parameters::{Index, Param, Sort};
use super::super::refused::Refused;
use super::super::types::{self, Kind};
use super::controls::Controls;
use super::dates::{self, Prefix, Span};
use super::links::{Link, Said};
use super::numbers::Amount;
use super::path::Paths;
use super::walk;
use super::wanted::{Coded, Light, Named, Part, Wanted, folded};
use crate::translate::document::{Bases, Target};

/// What a search asks for.
#[derive(Debug)]
pub(super) struct Criteria {
    /// All must fit.
    pub(super) all: Arc<Vec<Criterion>>,
    /// All must fit.
    pub(super) links: Vec<Link>,
    /// How it is answered.
    pub(super) controls: Controls,
    /// Parameters that were left out because they are not known.
    pub(super) ignored: Vec<String>,
    /// The parameters that were applied.
    pub(super) applied: Vec<(String, String)>,
}

/// One parameter and what it must be.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Criterion {
    /// The parameter.
    pub(super) param: &'static Param,
    /// Where it looks.
    pub(super) paths: Paths,
    /// What is asked for.
    pub(super) wanted: Wanted,
}

/// Names by which clients mean a patient or a stay: to leave one out would show one patient's data as another's.
const SUBJECT_LIKE: &[&str] = &[
    "patient",
    "subject",
    "encounter",
    "context",
    "individual",
    "beneficiary",
    "for",
    "person",
    "requester",
    "performer",
    // what narrows a search in ways that are not supported
    "_has",
    "_filter",
    "_text",
    "_content",
    "_list",
    "_query",
    "_type",
    "_source",
];

/// What is known where a search is read.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reader<'a> {
    /// The type that is searched.
    pub(super) kind: &'static Kind,
    /// Whether what is not known is refused.
    pub(super) strict: bool,
    /// The zone of the site.
    pub(super) zone: Tz,
    /// What addresses mean this server.
    pub(super) bases: &'a Bases,
}

impl Reader<'_> {
    /// Reads a query.
    ///
    /// # Errors
    /// A value that is none of its type; too many; a modifier that is not supported; a name that is not known, if
    /// `strict` or if it would restrict the search to somebody.
    pub(super) fn read(&self, query: &str) -> Result<Criteria, Refused> {
        let mut all = Vec::new();
        let mut criteria = Criteria {
            all: Arc::default(),
            links: Vec::new(),
            controls: Controls::new(),
            ignored: Vec::new(),
            applied: Vec::new(),
        };
        for (name, value) in parameters(query)? {
            if !criteria.controls.read(self.kind, &name, &value)? {
                match self.said(&name, &value)? {
                    Some(Said::Criterion(criterion)) => all.push(criterion),
                    Some(Said::Link(link)) => criteria.links.push(link),
                    None => {
                        criteria.ignored.push(name.into_owned());
                        continue;
                    }
                }
            }
            criteria.applied.push((name.into_owned(), value.into_owned()));
        }
        if criteria.links.iter().map(Link::length).sum::<usize>() > limits::LINKS_OF_QUERY {
            let why = format!("chains and _has go over at most {} references in all", limits::LINKS_OF_QUERY);
            return Err(Refused::too_costly("url", why));
        }
        criteria.controls.check()?;
        criteria.all = Arc::new(all);
        Ok(criteria)
    }

    /// What a parameter asks for; none if it is not known and may be left out.
    pub(super) fn said(&self, name: &str, value: &str) -> Result<Option<Said>, Refused> {
        if let Some(link) = self.link(name, value)? {
            return Ok(Some(Said::Link(link)));
        }
        let (plain, modifier) = name.split_once(':').map_or((name, None), |(n, m)| (n, Some(m)));
        let Some(param) = self.kind.parameter(plain) else {
            if self.strict || SUBJECT_LIKE.contains(&plain) {
                let why = "this parameter is not known for the type; see the CapabilityStatement";
                return Err(Refused::not_supported(name, why));
            }
            return Ok(None);
        };
        let wanted = self.wanted(param, modifier, name, value)?;
        Ok(Some(Said::Criterion(Criterion { param, paths: Paths::new(param.expression), wanted })))
    }

    fn wanted(
        &self,
        param: &'static Param,
        modifier: Option<&str>,
        name: &str,
        value: &str,
    ) -> Result<Wanted, Refused> {
        if modifier == Some("missing") && param.sort != Sort::Composite {
            return match value {
                "true" => Ok(Wanted::Missing(true)),
                "false" => Ok(Wanted::Missing(false)),
                _ => Err(Refused::value(name, "expected true or false")),
            };
        }
        let wanted = alternatives(value, name)?;
        let tokens = || wanted.iter().map(|w| coded(w, name)).collect::<Result<Vec<Coded>, Refused>>();
        let fold = || wanted.iter().map(|w| folded(&unescaped(w))).collect::<Vec<String>>();
        let exact = || wanted.iter().map(|w| unescaped(w)).collect::<Vec<String>>();
        match (param.sort, modifier) {
            (Sort::Token, None) => Ok(Wanted::Token(tokens()?)),
            (Sort::Token, Some("not")) => Ok(Wanted::NotToken(tokens()?)),
            (Sort::Token, Some("text")) => Ok(Wanted::TokenText(fold())),
            (Sort::Date, None) => {
                let dates: Option<Vec<(Prefix, Span)>> =
                    wanted.iter().map(|w| dates::wanted(w, self.zone)).collect();
                let why = "expected a date or time, such as ge2026-01-02T03:04:05Z";
                dates.map(Wanted::Date).ok_or_else(|| Refused::value(name, why))
            }
            (Sort::Reference, Some("identifier")) => Ok(Wanted::Identified(tokens()?)),
            (Sort::Reference, of) if of.is_none_or(is_type) => {
                let named =
                    exact().iter().map(|w| self.named(param, of, name, w)).collect::<Result<_, _>>()?;
                Ok(Wanted::Reference(named))
            }
            (Sort::Text, None) => Ok(Wanted::Starts(fold())),
            (Sort::Text, Some("contains")) => Ok(Wanted::Contains(fold())),
            (Sort::Text, Some("exact")) => Ok(Wanted::Exact(exact())),
            (Sort::Uri, None) => Ok(Wanted::Uri(exact())),
            (Sort::Quantity, None) => {
                wanted.iter().map(|w| amount(w, name)).collect::<Result<_, _>>().map(Wanted::Quantity)
            }
            (Sort::Composite, None) => wanted
                .iter()
                .map(|w| self.parts(param, name, w))
                .collect::<Result<_, _>>()
                .map(Wanted::Composite),
            (Sort::Composite, Some(_)) => Err(Refused::not_supported(name, "no modifier can follow it")),
            (sort, _) => {
                let more = if sort == Sort::Reference { " or a type" } else { "" };
                let known = sort.modifiers().join(", ");
                Err(Refused::not_supported(name, format!("a modifier here is one of {known}{more}")))
            }
        }
    }

    /// The values of one element, which `$` separates.
    fn parts(&self, param: &'static Param, name: &str, value: &str) -> Result<Vec<Part>, Refused> {
        let values = split(value, '$');
        if values.len() != param.parts.len() {
            let names: Vec<&str> = param.parts.iter().map(|p| p.name).collect();
            return Err(Refused::value(name, format!("expected {}", names.join("$"))));
        }
        let part = |(part, value): (&'static Param, &String)| {
            let wanted = self.wanted(part, None, name, value)?;
            Ok(Part { paths: Paths::new(part.expression), wanted })
        };
        param.parts.iter().zip(&values).map(part).collect()
    }

    /// What a reference in a query names: `id`, `Type/id`, or an address.
    fn named(
        &self,
        param: &'static Param,
        of: Option<&str>,
        name: &str,
        text: &str,
    ) -> Result<Named, Refused> {
        if is_id(text) {
            let only = match param.index {
                Index::Patient => Some("Patient"),
                Index::Encounter => Some("Encounter"),
                Index::None
                | Index::Id
                | Index::Updated
                | Index::Identifier
                | Index::Status
                | Index::Location
                | Index::Within => None,
            };
            return Ok(Named::Here(of.or(only).map(str::to_owned), text.to_owned()));
        }
        match self.bases.target_of(text) {
            Target::Here(kind, _) if of.is_some_and(|of| of != kind) => {
                Err(Refused::value(name, "expected an id, or the type that the modifier says"))
            }
            Target::Here(kind, _) if types::kind(kind).is_some() && !may_be(param, kind) => {
                Err(Refused::value(name, format!("expected {}/id or an id", param.targets.join("/id or "))))
            }
            Target::Here(kind, id) => {
                let (kind, id) = (kind.to_owned(), id.to_owned());
                Ok(match text.split_once("/_history/") {
                    Some((_, version)) => Named::Version(kind, id, version.to_owned()),
                    None => Named::Here(Some(kind), id),
                })
            }
            Target::Elsewhere if text.contains(':') => Ok(Named::Elsewhere(text.to_owned())),
            Target::Elsewhere | Target::Inside(_) => {
                Err(Refused::value(name, "expected an id, Type/id or an address"))
            }
        }
    }
}

/// Whether a parameter can refer to a type that is kept here.
fn may_be(param: &Param, kind: &str) -> bool {
    let only = matches!(param.index, Index::Patient | Index::Encounter | Index::Location);
    !only || param.name == "subject" || param.targets.contains(&kind)
}

fn is_type(modifier: &str) -> bool {
    modifier.starts_with(|c: char| c.is_ascii_uppercase())
        && modifier.bytes().all(|b| b.is_ascii_alphabetic())
}

impl Criteria {
    /// The patients whom a search of a type names.
    pub(super) fn patients(&self, kind: &Kind) -> Vec<&str> {
        let own = self.all.iter().flat_map(|criterion| criterion.patients(kind));
        own.chain(self.links.iter().flat_map(Link::patients)).collect()
    }

    /// Whether the patients that they ask for are none at all.
    pub(super) fn is_about_nobody(&self) -> bool {
        let about = self.all.iter().filter(|c| c.param.index == Index::Patient);
        let mut sets = about.filter_map(|c| walk::ids(&c.wanted, "Patient"));
        let Some(mut left) = sets.next() else { return false };
        for ids in sets {
            left.retain(|id| ids.contains(id));
        }
        left.is_empty()
    }
}

impl Criterion {
    /// The patients whom it names, asked of a type.
    pub(super) fn patients(&self, kind: &Kind) -> Vec<&str> {
        let ids: Vec<&str> = if let Wanted::Reference(among) = &self.wanted {
            among.iter().filter_map(|named| named.of("Patient")).collect()
        } else if let (Wanted::Token(among), "Patient", Index::Id) =
            (&self.wanted, kind.name, self.param.index)
        {
            among.iter().filter_map(|wanted| wanted.code.as_deref()).collect()
        } else {
            Vec::new()
        };
        ids.into_iter().filter(|id| is_id(id)).collect()
    }

    /// Whether a document fits.
    pub(super) fn fits(&self, document: &Value, light: Light<'_>) -> bool {
        self.wanted.fits(&self.paths.find(document), Light { system: self.param.system, ..light })
    }
}

/// The pieces of a text that `by` separates, unless it follows a backslash.
fn split(text: &str, by: char) -> Vec<String> {
    let mut out = vec![String::new()];
    let mut characters = text.chars();
    while let Some(character) = characters.next() {
        let last = out.last_mut();
        match (character, last) {
            (character, _) if character == by => out.push(String::new()),
            ('\\', Some(last)) => {
                last.push('\\');
                last.extend(characters.next());
            }
            (other, Some(last)) => last.push(other),
            (_, None) => {}
        }
    }
    out
}

/// The alternatives in a value, which commas separate; a comma after a backslash is part of one.
fn alternatives(value: &str, name: &str) -> Result<Vec<String>, Refused> {
    let out = split(value, ',');
    if out.iter().any(String::is_empty) {
        return Err(Refused::value(name, "expected a value, and one after each comma"));
    }
    if out.len() > limits::QUERY_ALTERNATIVES {
        let most = limits::QUERY_ALTERNATIVES;
        return Err(Refused::too_costly(name, format!("at most {most} values, separated by commas")));
    }
    Ok(out)
}

/// A value without the backslashes before what would separate otherwise.
fn unescaped(value: &str) -> String {
    let mut out = String::with_capacity(value.len());
    let mut characters = value.chars();
    while let Some(character) = characters.next() {
        out.extend(if character == '\\' { characters.next() } else { Some(character) });
    }
    out
}

/// `number`, `number|system|code` or `number||code`, each with a prefix or none.
fn amount(text: &str, name: &str) -> Result<Amount, Refused> {
    let why = "expected a number, such as gt8 or 8|http://unitsofmeasure.org|cm[H2O]";
    let (amount, unit) = Amount::read(text).ok_or_else(|| Refused::value(name, why))?;
    if unit.is_empty() {
        return Ok(amount);
    }
    let Coded { system, code } = coded(unit, name)?;
    Ok(amount.of(system.unwrap_or_default(), code.unwrap_or_default()))
}

/// `system|code`, `|code`, `system|` or `code`.
fn coded(text: &str, name: &str) -> Result<Coded, Refused> {
    let mut escaped = false;
    let bar = text.char_indices().find(|(_, c)| {
        let bar = *c == '|' && !escaped;
        escaped = *c == '\\' && !escaped;
        bar
    });
    let (system, code) = match bar {
        Some((at, _)) => {
            (Some(unescaped(text.get(..at).unwrap_or_default())), text.get(at + 1..).unwrap_or_default())
        }
        None => (None, text),
    };
    let code = Some(unescaped(code)).filter(|c| !c.is_empty());
    if code.is_none() && system.as_ref().is_none_or(String::is_empty) {
        return Err(Refused::value(name, "expected code, system|code, |code or system|"));
    }
    Ok(Coded { system, code })
}
