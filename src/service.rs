//! All of it started and stopped.

use std::net::SocketAddr;
use std::sync::Arc;

use anyhow::Context;
use tokio::net::TcpListener;
use tokio::sync::{Notify, watch};
use tokio::task::JoinHandle;
use tracing::{error, info};

use crate::care::time::Instant;
use crate::clock::Clock;
use crate::config::Config;
use crate::console::{self, Console};
use crate::feed::Feeds;
use crate::reconcile::Reconciler;
use crate::rest::{self, Rest};
use crate::stays::Stays;
use crate::store::{Store, StoreError};

/// A running service.
#[derive(Debug)]
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    /// Its store.
    pub store: Store,
    /// Ledgers from it.
    pub stays: Stays,
    /// Its clock.
    pub clock: Clock,
    signal: Arc<Notify>,
    stop: watch::Sender<bool>,
    reconciler: JoinHandle<Result<(), StoreError>>,
    looks: Reconciler,
    server: JoinHandle<std::io::Result<()>>,
}

/// Starts the service on the database of `config`.
///
/// # Errors
/// The folder or the database cannot be used, the configuration names what is not there, or the address is taken.
pub async fn serve(config: Config, clock: Clock) -> anyhow::Result<Running> {
    std::fs::create_dir_all(&config.data)
        .with_context(|| format!("cannot make the folder {}", config.data.display()))?;
    let store = Store::open_sqlite(Some(&config.database())).await?;
    serve_on(store, config, clock).await
}

/// Starts the service on a store that is open.
///
/// # Errors
/// As [`serve`].
pub async fn serve_on(store: Store, config: Config, clock: Clock) -> anyhow::Result<Running> {
    let listener = TcpListener::bind(config.listen)
        .await
        .with_context(|| format!("cannot listen on {}", config.listen))?;
    let address = listener.local_addr()?;
    let config = Arc::new(config);
    let told = store.sources().await?;
    let told = |name: &str| told.iter().find(|s| s.name == name).map(|s| Instant::from_micros(s.last_us));
    let feeds = Feeds::watch(&config.sources, told);
    let stays = Stays::open(store.clone(), config.clone(), feeds.clone()).await?;
    for (document, refusal) in &stays.site().refused {
        error!(document, path = refusal.path, "a stored definition cannot be honoured: {}", refusal.why);
    }
    let signal = Arc::new(Notify::new());
    let (stop, stopped) = watch::channel(false);
    let reconciler =
        Reconciler::new(store.clone(), stays.clone(), feeds.clone(), clock.clone(), signal.clone());
    let counters = reconciler.counters();
    let console = Console {
        stays: stays.clone(),
        store: store.clone(),
        feeds: feeds.clone(),
        clock: clock.clone(),
        config: config.clone(),
        stopped: stopped.clone(),
    };
    let rest =
        Rest::new(store.clone(), stays.clone(), feeds, clock.clone(), signal.clone(), config, counters);
    rest.settle_rules().await?;
    let router = rest::router(rest).merge(console::router(console));
    let server = tokio::spawn(rest::serve(listener, router, stopped.clone()));
    let looks = reconciler.clone();
    let reconciler = tokio::spawn(reconciler.run(stopped));
    info!(%address, "listening");
    Ok(Running { address, store, stays, clock, signal, stop, reconciler, looks, server })
}

impl Running {
    /// The address under which FHIR is served, without a final slash.
    pub fn base(&self) -> String {
        format!("http://{}/fhir", self.address)
    }

    /// Returns when nothing is left to do at the present time of the clock.
    ///
    /// # Errors
    /// The store.
    pub async fn settle(&self) -> Result<(), StoreError> {
        loop {
            let now = self.clock.now();
            let due = !self.store.due(now.micros(), 1).await?.is_empty() || self.looks.hears_news(now);
            if !due && self.clock.now() == now {
                return Ok(());
            }
            self.signal.notify_one();
            tokio::time::sleep(std::time::Duration::from_micros(200)).await;
            if self.reconciler.is_finished() {
                return Err(StoreError::Closed);
            }
        }
    }

    /// Waits until the service ends by itself: it does so only when it can no longer do its work.
    ///
    /// # Errors
    /// Why it ended.
    pub async fn ended(&mut self) -> anyhow::Result<()> {
        tokio::select! {
            reconciler = &mut self.reconciler => reconciler?.context("the reconciler ended"),
            server = &mut self.server => server?.context("the server ended"),
        }
    }

    /// Stops accepting, finishes what is under way, and closes the store.
    ///
    /// # Errors
    /// What failed while it ran.
    pub async fn shutdown(self) -> anyhow::Result<()> {
        let _ = self.stop.send(true);
        self.signal.notify_one();
        if !self.server.is_finished() {
            self.server.await??;
        }
        if !self.reconciler.is_finished() {
            self.reconciler.await??;
        }
        self.store.close().await?;
        Ok(())
    }
}
