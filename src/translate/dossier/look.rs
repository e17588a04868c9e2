//! Documents found by type and id, with a note of those that are not the patient's own.

use std::collections::BTreeSet;
use std::sync::Arc;

use super::{Dossier, Shared};
use crate::translate::extract::Extract;

/// How far `partOf` is followed.
pub(super) const DEEPEST: usize = 16;

pub(super) struct Look<'a> {
    pub(super) dossier: &'a Dossier,
    shared: Shared<'a>,
    pub(super) depends: BTreeSet<(String, String)>,
}

impl<'a> Look<'a> {
    pub(super) fn new(dossier: &'a Dossier, shared: Shared<'a>) -> Self {
        Look { dossier, shared, depends: BTreeSet::new() }
    }

    pub(super) fn get(&mut self, kind: &str, id: &str) -> Option<Arc<Extract>> {
        if let Some(own) = self.dossier.get(kind, id) {
            return Some(own.clone());
        }
        self.depends.insert((kind.to_owned(), id.to_owned()));
        (self.shared)(kind, id)
    }
}
