//! A record that is read once, to see what would become of it.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::Feeds;
use super::folder;
use super::intake::Intake;
use super::lines::Lines;
use super::poll::Search;
use super::reader::{Parts, Trouble};
use crate::clock::Clock;
use crate::config::Poll;
use crate::outward::Server;
use crate::store::Store;

/// Reads into a store that is thrown away.
#[derive(Debug)]
pub struct Trial(Parts);

impl Trial {
    /// By `fhir`, the interface on `store`.
    pub fn new(fhir: axum::Router, store: Store, clock: Clock) -> Self {
        let intake = Intake::new(fhir, store.clone(), clock.clone());
        let (feeds, wake) = (Feeds::default(), Arc::default());
        Trial(Parts { source: "trial".to_owned(), intake, store, clock, feeds, wake })
    }

    /// Reads a file, or all files of a folder; returns how many documents there were.
    ///
    /// # Errors
    /// They cannot be read.
    pub async fn files(&self, path: &Path) -> Result<usize, String> {
        let files: Vec<PathBuf> = if path.is_dir() {
            let listed = folder::list(path).map_err(|error| error.to_string())?;
            listed.into_iter().map(|(file, _)| file).collect()
        } else {
            vec![path.to_owned()]
        };
        let mut lines = Lines::new(&self.0.intake, &self.0.source);
        for file in files {
            let (reading, mut some) = folder::reading(&file);
            while let Some(block) = some.recv().await {
                for line in block.map_err(|error| format!("{}: {error}", file.display()))? {
                    if lines.push(&line).await.map_err(|later| later.0)? {
                        tracing::info!(taken = lines.taken, "read");
                    }
                }
            }
            reading.await.map_err(|error| error.to_string())?;
        }
        lines.flush().await.map_err(|later| later.0)?;
        Ok(lines.taken)
    }

    /// Reads everything of a server, or what was changed since an instant.
    ///
    /// # Errors
    /// It cannot be read.
    pub async fn server(&self, server: Server, since: Option<&str>) -> Result<usize, String> {
        let poll = Poll { since: since.map(str::to_owned), ..Poll::of(server.name()) };
        let mut search = Search::new(poll, server);
        let began = self.0.clock.now();
        search.round(&self.0, began).await.map_err(|Trouble { why, .. }| why)
    }
}
