//! What must hold between elements, once each of them has been read.

use crate::datatypes::{Period, Reference};
use crate::json::top_level;
use crate::{IssueKind, ParseError, RawResource};

/// Collects what is wrong, with the path at which it looks.
pub struct Checker {
    path: String,
    errors: Vec<ParseError>,
}

impl Checker {
    pub(crate) fn new(root: &str) -> Self {
        Self { path: root.to_owned(), errors: Vec::new() }
    }

    pub(crate) fn into_errors(self) -> Vec<ParseError> {
        self.errors
    }

    fn add(&mut self, kind: IssueKind, element: &str, message: impl Into<String>) {
        let path = format!("{}.{element}", self.path);
        self.errors.push(ParseError::new(kind, path, message));
    }

    /// That at most one type of a choice element is present.
    pub(crate) fn choice<T>(&mut self, found: Result<T, ParseError>) {
        if let Err(error) = found {
            self.add(error.kind, &error.path, error.message);
        }
    }

    /// That a reference, where it names a type, names one that R4 lets stand here.
    pub(crate) fn reference<'a>(
        &mut self,
        element: &str,
        found: impl IntoIterator<Item = &'a Reference>,
        allowed: &[&str],
    ) {
        for reference in found {
            self.target(element, reference, allowed);
        }
    }

    /// [`Checker::reference`] for an element that repeats.
    pub(crate) fn references<'a>(
        &mut self,
        element: &str,
        found: impl IntoIterator<Item = &'a Reference>,
        allowed: &[&str],
    ) {
        for (index, reference) in found.into_iter().enumerate() {
            if reference.names_other_than(allowed) {
                self.target(&format!("{element}[{index}]"), reference, allowed);
            }
        }
    }

    fn target(&mut self, element: &str, reference: &Reference, allowed: &[&str]) {
        if reference.names_other_than(allowed) {
            let message = format!("the reference is to another type than {}", allowed.join(", "));
            self.add(IssueKind::BusinessRule, element, message);
        }
    }

    /// That a period does not end before it starts.
    pub(crate) fn period<'a>(&mut self, element: &str, found: impl IntoIterator<Item = &'a Period>) {
        for period in found {
            self.order(element, period);
        }
    }

    fn order(&mut self, element: &str, period: &Period) {
        if period.ends_before_it_starts() {
            self.add(IssueKind::Invariant, element, "the period ends before it starts");
        }
    }

    /// What holds inside an element.
    pub(crate) fn inside<'a, T: 'a>(
        &mut self,
        element: &str,
        found: impl IntoIterator<Item = &'a T>,
        check: impl Fn(&'a T, &mut Self),
    ) {
        let length = self.path.len();
        for inner in found {
            self.path.push('.');
            self.path.push_str(element);
            check(inner, self);
            self.path.truncate(length);
        }
    }

    /// [`Checker::inside`] for an element that repeats.
    pub(crate) fn each<'a, T: 'a>(
        &mut self,
        element: &str,
        found: impl IntoIterator<Item = &'a T>,
        check: impl Fn(&'a T, &mut Self),
    ) {
        let length = self.path.len();
        for (index, inner) in found.into_iter().enumerate() {
            self.path.push_str(&format!(".{element}[{index}]"));
            check(inner, self);
            self.path.truncate(length);
        }
    }

    /// R4's rules dom-2 and dom-3: what is contained is referred to, has an id of its own, and contains nothing.
    pub(crate) fn contained(&mut self, contained: &[RawResource], document: &str) {
        let mut ids: Vec<String> = Vec::new();
        for (index, resource) in contained.iter().enumerate() {
            let element = format!("contained[{index}]");
            let members = top_level(resource.get()).unwrap_or_default();
            let id = members.iter().find(|(name, _)| name == "id");
            let id = id.and_then(|(_, m)| resource.get().get(m.value.clone())).map(|v| v.trim_matches('"'));
            if members.iter().any(|(name, _)| name == "contained") {
                self.add(IssueKind::Invariant, &element, "a contained resource contains another");
            }
            let Some(id) = id else {
                self.add(IssueKind::Invariant, &element, "a contained resource has no id");
                continue;
            };
            if ids.iter().any(|other| other == id) {
                self.add(IssueKind::Invariant, &element, "two contained resources have one id");
            }
            // Any string that is `#id` counts: references, and canonicals and uris that mean the same
            let named = document.contains(&format!("\"#{id}\""));
            if !named && !resource.get().contains("\"#\"") {
                self.add(IssueKind::Invariant, &element, "nothing refers to the contained resource");
            }
            ids.push(id.to_owned());
        }
    }
}

/// The refusal of two types of one choice element.
pub(crate) fn two_choices(element: &str) -> ParseError {
    ParseError::new(IssueKind::Structure, element, "more than one type of one element is present")
}
