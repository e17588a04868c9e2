//! What another ConceptMap would change, before it is written.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, RwLock};

use super::{Cache, Inner, Stays};
use crate::care::ledger::{Phase, State};
use crate::care::time::Instant;
use crate::site::Site;
use crate::store::{StayQuery, StoreError};
use crate::translate::Refusal;

/// What the open stays come to with the definitions in force, and with others.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Difference {
    /// Open stays that were looked at.
    pub stays: usize,
    /// There are more.
    pub more: bool,
    /// Those that come to something else, by the id of the root Encounter.
    pub changed: Vec<Changed>,
}

/// A stay that comes to something else.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Changed {
    /// The patient's id.
    pub patient: String,
    /// The id of its root Encounter.
    pub stay: String,
    /// As it is.
    pub before: Stands,
    /// As it would be.
    pub after: Stands,
}

/// How a stay stands.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Stands {
    /// Whether care is counted now: ventilated, in a unit with a protocol.
    pub counted: bool,
    /// The ids of requirements that are due or overdue now: with any there is a Task.
    pub asked: Vec<Arc<str>>,
    /// Opportunities that were met since the stay began.
    pub met: u64,
    /// Opportunities that were missed.
    pub missed: u64,
}

impl Stays {
    /// The same stays with a ConceptMap in place of the one of its id, or beside the others; and what cannot be honoured
    /// in it. Nothing is written.
    ///
    /// # Errors
    /// The store; or the configuration names a protocol that is not there.
    pub async fn with_map(&self, id: &str, body: &[u8]) -> anyhow::Result<(Stays, Vec<Refusal>)> {
        let mut definitions = super::definitions(&self.0.store).await?;
        definitions.maps.retain(|(other, _)| other != id);
        definitions.maps.push((id.to_owned(), body.to_vec()));
        definitions.maps.sort();
        let site = Site::of(&self.0.config, &definitions)?;
        let of_it = |(document, refusal): &(String, Refusal)| {
            (*document == format!("ConceptMap/{id}")).then(|| refusal.clone())
        };
        let refusals = site.refused.iter().filter_map(of_it).collect();
        let (store, config, feeds) = (self.0.store.clone(), self.0.config.clone(), self.0.feeds.clone());
        let (site, cache) = (RwLock::new(Arc::new(site)), Mutex::new(Cache::new()));
        Ok((Stays(Arc::new(Inner { store, config, feeds, site, cache })), refusals))
    }

    /// How the open stays stand at `now`, here and with `other` definitions; of the first `most` of them.
    ///
    /// # Errors
    /// The store.
    pub async fn difference(
        &self,
        other: &Stays,
        most: usize,
        now: Instant,
    ) -> Result<Difference, StoreError> {
        let query = StayQuery { open: Some(true), limit: most + 1, ..StayQuery::default() };
        let rows = self.0.store.stays(query).await?;
        let mut found = Difference { more: rows.len() > most, ..Difference::default() };
        for row in rows.iter().take(most) {
            let before = self.stands(&row.patient, now).await?;
            let after = other.stands(&row.patient, now).await?;
            let (before, after) = (before.get(&row.stay).cloned(), after.get(&row.stay).cloned());
            let (before, after) = (before.unwrap_or_default(), after.unwrap_or_default());
            found.stays += 1;
            if before != after {
                let (patient, stay) = (row.patient.clone(), row.stay.clone());
                found.changed.push(Changed { patient, stay, before, after });
            }
            // others are to be answered meanwhile
            tokio::task::yield_now().await;
        }
        Ok(found)
    }

    async fn stands(&self, patient: &str, now: Instant) -> Result<BTreeMap<String, Stands>, StoreError> {
        let ledgers = self.ledgers(patient, now).await?;
        let stands = ledgers.into_iter().map(|stay| {
            let standings = stay.ledger.standings.iter();
            let asked =
                standings.filter(|s| matches!(s.phase, Phase::Due | Phase::Overdue | Phase::Announced));
            let asked: Vec<Arc<str>> = asked.map(|s| s.requirement.clone()).collect();
            let cells = stay.ledger.cells.values();
            let (met, missed) = cells.fold((0, 0), |(met, missed), cell| {
                (met + u64::from(cell.met), missed + u64::from(cell.missed))
            });
            let counted = matches!(stay.ledger.state, State::AtRisk { .. });
            (stay.stay, Stands { counted, asked, met, missed })
        });
        Ok(stands.collect())
    }
}
