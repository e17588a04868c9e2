//! Whom what is shown or found is about: the patient whom it names, or else whose stay it names.

use std::collections::{BTreeMap, BTreeSet};

use super::super::Rest;
use super::super::refused::Refused;
use super::Act;
use crate::store::{Document, StoreError};

/// Whose documents are that name an encounter and no patient.
#[derive(Default)]
struct Owners(BTreeMap<String, Option<String>>);

impl Owners {
    async fn of(&mut self, rest: &Rest, document: &Document) -> Result<Option<String>, StoreError> {
        let Some(encounter) = document.encounter.as_ref().filter(|_| document.patient.is_none()) else {
            return Ok(document.patient.clone());
        };
        if let Some(known) = self.0.get(encounter) {
            return Ok(known.clone());
        }
        let owner = rest.store.document("Encounter", encounter).await?.and_then(|e| e.patient);
        self.0.insert(encounter.clone(), owner.clone());
        Ok(owner)
    }
}

impl Rest {
    /// Has it recorded that documents are shown.
    ///
    /// # Errors
    /// Those of the store.
    pub(in crate::rest) async fn shows<'d>(
        &self,
        act: &Act,
        deed: &'static str,
        documents: impl IntoIterator<Item = &'d Document>,
    ) -> Result<(), Refused> {
        let mut owners = Owners::default();
        for document in documents {
            act.saw(deed, document, owners.of(self, document).await?);
        }
        Ok(())
    }

    /// Has it recorded whose documents were found, and who was asked for.
    ///
    /// # Errors
    /// Those of the store.
    pub(in crate::rest) async fn finds<'d>(
        &self,
        act: &Act,
        documents: impl IntoIterator<Item = &'d Document>,
        asked: impl IntoIterator<Item = &'d str>,
    ) -> Result<(), Refused> {
        let mut owners = Owners::default();
        let mut patients: BTreeSet<String> = asked.into_iter().map(str::to_owned).collect();
        for document in documents {
            patients.extend(owners.of(self, document).await?);
        }
        act.found(patients);
        Ok(())
    }
}
