//! What is wrong with what a site sends: read from the documents that changed last, from what could not be used, and from
//! the units of open stays.

use std::collections::BTreeSet;

use super::Stays;
use crate::store::{Doubts, Order, Query, StayQuery, StoreError};
use crate::translate::quality::{Fault, Finding, Quality};

/// The types that are looked at for codes and clocks.
const LOOKED_AT: [&str; 3] = ["Procedure", "Observation", "Device"];

/// Rows that are read at once.
const PAGE: usize = 500;

impl Stays {
    /// What is wrong with the newest `most` documents of each type that is looked at, with everything that could not be
    /// used, and with the units of open stays; and how many documents were looked at.
    ///
    /// # Errors
    /// The store.
    pub async fn quality(&self, most: u64) -> Result<(u64, Vec<Finding>), StoreError> {
        let mut quality = Quality::default();
        let mut looked = 0;
        for kind in LOOKED_AT {
            looked += self.look(kind, most, &mut quality).await?;
        }
        self.look_at_doubts(most, &mut quality).await?;
        self.look_at_units(&mut quality).await?;
        Ok((looked, quality.findings()))
    }

    /// The documents of a kind that changed last.
    async fn look(&self, kind: &'static str, most: u64, quality: &mut Quality) -> Result<u64, StoreError> {
        let site = self.site();
        let (mut after, mut as_of, mut looked) = (None, None, 0);
        while looked < most {
            let (order, limit) = (Order::NewestFirst, PAGE);
            let query = Query { kind: kind.into(), order, as_of, after, limit, ..Query::default() };
            let page = self.0.store.search(query).await?;
            for document in page.documents.iter().map(|row| &row.document) {
                let body = document.body.as_deref().unwrap_or_default();
                quality.look(kind, &document.id, body, document.received_us, &site.codes);
            }
            looked += page.documents.len() as u64;
            (after, as_of) = (page.next, Some(page.as_of));
            if after.is_none() {
                break;
            }
            // others are to be answered meanwhile
            tokio::task::yield_now().await;
        }
        Ok(looked)
    }

    async fn look_at_doubts(&self, most: u64, quality: &mut Quality) -> Result<(), StoreError> {
        let (mut after, mut seen) = (0, 0);
        while seen < most {
            let rows = self.0.store.doubts(Doubts::All, after, PAGE).await?;
            for row in &rows {
                let fault = if row.patient.is_some() { Fault::Doubt } else { Fault::Unplaced };
                quality.doubt(fault, &row.why, &format!("{}/{}", row.kind, row.id));
            }
            seen += rows.len() as u64;
            let Some(last) = rows.last().filter(|_| rows.len() == PAGE) else { break };
            after = last.seq;
        }
        Ok(())
    }

    /// The units that stays are in and no protocol holds in.
    async fn look_at_units(&self, quality: &mut Quality) -> Result<(), StoreError> {
        let rules = &self.site().rules;
        let (mut after, mut seen) = (None, BTreeSet::new());
        loop {
            let query = StayQuery { open: Some(true), after, limit: PAGE, ..StayQuery::default() };
            let stays = self.0.store.stays(query).await?;
            for stay in &stays {
                if rules.protocol_in(stay.unit.as_deref()).is_none() && seen.insert(stay.stay.clone()) {
                    let unit = stay.unit.as_deref().unwrap_or("not known");
                    quality.doubt(Fault::UnitWithoutProtocol, unit, &format!("Encounter/{}", stay.stay));
                }
            }
            let Some(last) = stays.last().filter(|_| stays.len() == PAGE) else { return Ok(()) };
            after = Some(last.stay.clone());
        }
    }
}
