//! What a query says about how it is answered.

use super::super::limits;
use super::super::parameters::{Param, Sort};
use super::super::refused::Refused;
use super::super::subset::View;
use super::super::types::{self, Kind};

/// How a search is answered.
#[derive(Debug)]
pub(super) struct Controls {
    /// Rows of a page; 0: only the number of all.
    pub(super) rows: usize,
    /// Whether the number of all is wanted.
    pub(super) total: bool,
    /// By what to sort; empty: by the last change.
    pub(super) sort: Vec<Key>,
    /// What of each resource is wanted.
    pub(super) view: View,
    /// What resources refer to, to be sent with them.
    pub(super) include: Vec<Include>,
    /// What refers to resources, to be sent with them.
    pub(super) reverse: Vec<Include>,
    /// Where the page begins.
    pub(super) cursor: Option<Cursor>,
}

/// By what to sort.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Key {
    /// The parameter whose values are compared.
    pub(super) param: &'static Param,
    /// Whether the greatest comes first.
    pub(super) descending: bool,
}

/// `Type:parameter:Target` of an `_include` or a `_revinclude`.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Include {
    /// The type that refers.
    pub(super) from: &'static Kind,
    /// How it refers.
    pub(super) param: &'static Param,
    /// The only type that is meant, if it is said.
    pub(super) to: Option<&'static Kind>,
}

/// Where a page begins: what links say, and nobody else.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) struct Cursor {
    /// As of which position among all changes places are.
    pub(super) as_of: i64,
    /// The place of the last row before.
    pub(super) place: i64,
    /// The number of all, if the first page said it.
    pub(super) total: Option<u64>,
}

impl Cursor {
    /// As links say it.
    pub(super) fn text(self) -> String {
        let total = self.total.map(|t| format!(".{t}")).unwrap_or_default();
        format!("{}.{}{total}", self.as_of, self.place)
    }

    fn read(text: &str) -> Option<Cursor> {
        let mut parts = text.split('.');
        let number = |part: Option<&str>| part?.parse::<i64>().ok();
        let (as_of, place) = (number(parts.next())?, number(parts.next())?);
        let total = match parts.next() {
            Some(total) => Some(total.parse().ok()?),
            None => None,
        };
        (parts.next().is_none() && as_of >= 0).then_some(Cursor { as_of, place, total })
    }
}

impl Controls {
    /// Where nothing is said.
    pub(super) fn new() -> Self {
        Controls {
            rows: limits::PAGE_ROWS,
            total: false,
            sort: Vec::new(),
            view: View::Whole,
            include: Vec::new(),
            reverse: Vec::new(),
            cursor: None,
        }
    }

    /// Takes up a parameter if it is one of these.
    ///
    /// # Errors
    /// A value that it does not take.
    pub(super) fn read(&mut self, kind: &'static Kind, name: &str, value: &str) -> Result<bool, Refused> {
        match name {
            "_count" => {
                let count = value.parse::<u64>().map_err(|_| Refused::value(name, "expected a number"))?;
                self.rows = usize::try_from(count).unwrap_or(usize::MAX).min(limits::PAGE_ROWS_MAX);
            }
            "_total" => match value {
                "accurate" | "estimate" => self.total = true,
                "none" => self.total = false,
                _ => return Err(Refused::value(name, "expected none, estimate or accurate")),
            },
            "_summary" if value == "count" => self.rows = 0,
            "_summary" | "_elements" => self.view = View::read(self.view.clone(), name, value)?,
            "_sort" => self.sort = sort(kind, value)?,
            "_include" => self.include.push(include(name, value, kind, false)?),
            "_revinclude" => self.reverse.push(include(name, value, kind, true)?),
            "_include:iterate" | "_revinclude:iterate" | "_include:recurse" => {
                return Err(Refused::not_supported(name, "what is included is not followed further"));
            }
            "_cursor" => {
                let read = Cursor::read(value);
                self.cursor = Some(read.ok_or_else(|| Refused::value(name, "expected what a link said"))?);
            }
            "_format" | "_pretty" => {}
            _ => return Ok(false),
        }
        Ok(true)
    }

    /// Refuses what does not go together.
    ///
    /// # Errors
    /// `Contradiction`; too many.
    pub(super) fn check(&self) -> Result<(), Refused> {
        if self.include.len() + self.reverse.len() > limits::INCLUDES {
            let why = format!("at most {} of _include and _revinclude", limits::INCLUDES);
            return Err(Refused::too_costly("_include", why));
        }
        let includes = !self.include.is_empty() || !self.reverse.is_empty();
        if includes && self.view == View::Text {
            let why = "_summary=text cannot be asked for together with _include".to_owned();
            return Err(Refused::Contradiction { at: "_summary".to_owned(), why });
        }
        Ok(())
    }
}

fn sort(kind: &'static Kind, value: &str) -> Result<Vec<Key>, Refused> {
    let mut keys = Vec::new();
    for name in value.split(',') {
        let (name, descending) = name.strip_prefix('-').map_or((name, false), |name| (name, true));
        let why = "expected search parameters of the type, each after a minus if the greatest comes first";
        let param = kind.parameter(name).filter(|p| p.sort != Sort::Composite);
        let param = param.ok_or_else(|| Refused::not_supported("_sort", why))?;
        keys.push(Key { param, descending });
    }
    if keys.len() > limits::SORT_KEYS {
        return Err(Refused::too_costly("_sort", format!("at most {} keys", limits::SORT_KEYS)));
    }
    Ok(keys)
}

/// Reads an `_include` of resources of the type `of`, or a `_revinclude` of what refers to them.
fn include(name: &str, value: &str, of: &'static Kind, reverse: bool) -> Result<Include, Refused> {
    let refuse = || Refused::not_supported(name, "expected one of those that the CapabilityStatement lists");
    let mut parts = value.split(':');
    let from = parts.next().and_then(types::kind).ok_or_else(refuse)?;
    let param = parts.next().and_then(|p| from.parameter(p)).filter(|p| p.sort == Sort::Reference);
    let param = param.filter(|p| !p.targets.is_empty()).ok_or_else(refuse)?;
    let to = match parts.next() {
        None => None,
        Some(to) => Some(types::kind(to).filter(|k| param.targets.contains(&k.name)).ok_or_else(refuse)?),
    };
    let known = if reverse {
        let meant = to.map_or(param.targets.contains(&of.name), |to| to.name == of.name);
        meant && param.is_reversible()
    } else {
        of.name == from.name
    };
    if parts.next().is_some() || !known { Err(refuse()) } else { Ok(Include { from, param, to }) }
}
