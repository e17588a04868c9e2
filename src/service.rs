//! All of it started and stopped.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::Arc;

use anyhow::Context;
use axum::Router;
use axum::middleware::from_fn_with_state;
use tokio::net::TcpListener;
use tokio::sync::{Notify, watch};
use tokio::task::{JoinHandle, JoinSet};
use tracing::{error, info};

use crate::care::time::Instant;
use crate::clock::Clock;
use crate::config::Config;
use crate::console::{self, Console};
use crate::deliver::{Courier, Deliverer, Follows};
use crate::feed::{self, Feeds, Reader, Seeker};
use crate::reconcile::Reconciler;
use crate::reports::Reporter;
use crate::rest::{self, Rest};
use crate::stays::Stays;
use crate::store::{Store, StoreError};
use crate::telemetry::Deliveries;

/// A running service.
#[derive(Debug)]
pub struct Running {
    /// Where it listens.
    pub address: SocketAddr,
    /// Where those are answered who watch over it.
    pub admin: SocketAddr,
    /// Its store.
    pub store: Store,
    /// Ledgers from it.
    pub stays: Stays,
    /// How its sources are doing.
    pub feeds: Feeds,
    /// Its clock.
    pub clock: Clock,
    signal: Arc<Notify>,
    stop: watch::Sender<bool>,
    reconciler: JoinHandle<Result<(), StoreError>>,
    looks: Reconciler,
    deliverer: JoinHandle<Result<(), StoreError>>,
    reporter: JoinHandle<Result<(), StoreError>>,
    recorder: JoinHandle<()>,
    pollers: JoinSet<()>,
    couriers: JoinSet<Result<(), StoreError>>,
    server: JoinHandle<std::io::Result<()>>,
    watchers: JoinHandle<std::io::Result<()>>,
    secure: bool,
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
    config.exposed().map_err(anyhow::Error::msg)?;
    let listener = listen(config.listen).await?;
    let admin_listener = listen(config.admin()).await?;
    let (address, admin) = (listener.local_addr()?, admin_listener.local_addr()?);
    let tls = config.tls.as_ref().map(|tls| tls.server.clone());
    let secure = tls.is_some();
    let config = Arc::new(config);
    let told = store.sources().await?;
    let told = |name: &str| told.iter().find(|s| s.name == name).map(|s| Instant::from_micros(s.last_us));
    let feeds = Feeds::watch(&config.sources, told);
    let stays = Stays::open(store.clone(), config.clone(), feeds.clone()).await?;
    tell_refused(&stays);
    let signal = Arc::new(Notify::new());
    let (stop, stopped) = watch::channel(false);
    let (told, deliveries) = (Arc::new(Notify::new()), Arc::new(Deliveries::default()));
    let reconciler =
        Reconciler::new(store.clone(), stays.clone(), feeds.clone(), clock.clone(), signal.clone())
            .telling(told.clone());
    let counters = reconciler.counters();
    let base = config.public_base.clone().unwrap_or_else(|| base(address, secure));
    let subscribers = Arc::new(config.subscribers.clone());
    let reporter =
        Reporter::new(store.clone(), stays.clone(), clock.clone(), config.reports.clone(), told.clone());
    let (looked_at, seen, done) = (config.clone(), feeds.clone(), counters.clone());
    let parts = (store.clone(), feeds.clone(), clock.clone(), signal.clone());
    let polled = config.clone();
    let console = Console::new(stays.clone(), store.clone(), seen, clock.clone(), looked_at, stopped.clone());
    let rest =
        Rest::new(store.clone(), stays.clone(), feeds, clock.clone(), signal.clone(), config, counters)
            .telling(told.clone(), deliveries.clone());
    let deliverer =
        Deliverer::new(store.clone(), subscribers, follows(&rest), base, clock.clone(), told, deliveries)
            .context("subscribers cannot be called")?;
    rest.settle_rules().await?;
    let (pollers, notices) = pollers(&polled, &rest, &parts, &stopped);
    let rest = rest.receiving(notices);
    let couriers = couriers(&polled, &rest, &parts, &stopped);
    let (auditor, router) = (rest.auditor(), web(&rest, console.counting(done)));
    let watched = rest::serve(admin_listener, rest::admin_router(rest), stopped.clone());
    let watchers = tokio::spawn(watched);
    let listening = rest::Listening { listener, tls };
    let recorder = tokio::spawn(auditor.run(clock.clone(), stopped.clone()));
    let server = tokio::spawn(rest::serve(listening, router, stopped.clone()));
    let looks = reconciler.clone();
    let deliverer = tokio::spawn(deliverer.run(stopped.clone()));
    let reporter = tokio::spawn(reporter.run(stopped.clone()));
    let reconciler = tokio::spawn(reconciler.run(stopped));
    info!(%address, %admin, "listening");
    Ok(Running {
        address,
        admin,
        store,
        stays,
        feeds: parts.1,
        clock,
        signal,
        stop,
        reconciler,
        looks,
        deliverer,
        reporter,
        recorder,
        pollers,
        couriers,
        server,
        watchers,
        secure,
    })
}

/// The address under which FHIR is served at `address`.
fn base(address: SocketAddr, secure: bool) -> String {
    let scheme = if secure { "https" } else { "http" };
    format!("{scheme}://{address}/fhir")
}

/// Says in the log which of the site's own definitions have no effect.
fn tell_refused(stays: &Stays) {
    for (document, refusal) in &stays.site().refused {
        error!(document, path = refusal.path, "a stored definition cannot be honoured: {}", refusal.why);
    }
}

/// FHIR and the pages, which are recorded as what is read of FHIR is.
fn web(rest: &Rest, console: Console) -> Router {
    let fhir = rest::router(rest.clone());
    let console = console.on(fhir.clone(), rest.door().cloned());
    fhir.merge(console::router(console).layer(from_fn_with_state(rest.clone(), rest::record_page)))
}

/// Starts reading from the sources that are polled, through the interface itself.
fn pollers(
    config: &Config,
    rest: &Rest,
    parts: &(Store, Feeds, Clock, Arc<Notify>),
    stopped: &watch::Receiver<bool>,
) -> (JoinSet<()>, feed::Notices) {
    let mut pollers = JoinSet::new();
    let mut pokes = BTreeMap::new();
    let server = |name: &str| config.server(name).cloned();
    let fhir = rest::router(rest.clone());
    for source in &config.sources {
        let poke = Arc::new(Notify::new());
        for reader in Reader::all(source, server, fhir.clone(), parts.clone(), &poke) {
            pollers.spawn(reader.run(stopped.clone()));
        }
        pokes.insert(source.name.clone(), poke);
    }
    if let Some(references) = &config.references
        && let Some(from) = server(&references.server)
    {
        let (store, clock) = (parts.0.clone(), parts.2.clone());
        let seeker = Seeker::new(references, from, &config.own_bases, fhir.clone(), (store, clock));
        pollers.spawn(seeker.run(stopped.clone()));
    }
    (pollers, feed::notices(&config.sources, server, &fhir, parts, &pokes))
}

/// Starts giving other servers what is said.
fn couriers(
    config: &Config,
    rest: &Rest,
    (store, _, clock, _): &(Store, Feeds, Clock, Arc<Notify>),
    stopped: &watch::Receiver<bool>,
) -> JoinSet<Result<(), StoreError>> {
    let mut couriers = JoinSet::new();
    for delivery in &config.deliveries {
        if let Some(server) = config.server(&delivery.server) {
            let fhir = rest::router(rest.clone());
            let courier = Courier::new(delivery.clone(), server.clone(), store.clone(), fhir, clock.clone());
            couriers.spawn(courier.run(stopped.clone()));
        }
    }
    couriers
}

/// How the interface reads the criteria of a subscription.
fn follows(rest: &Rest) -> Follows {
    let rest = rest.clone();
    Arc::new(move |criteria, subscriber| rest.followed(criteria, subscriber))
}

async fn listen(on: SocketAddr) -> anyhow::Result<TcpListener> {
    TcpListener::bind(on).await.with_context(|| format!("cannot listen on {on}"))
}

impl Running {
    /// The address under which FHIR is served, without a final slash.
    pub fn base(&self) -> String {
        base(self.address, self.secure)
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
            deliverer = &mut self.deliverer => deliverer?.context("telling subscribers ended"),
            Some(courier) = self.couriers.join_next() => courier?.context("writing to a server ended"),
            reporter = &mut self.reporter => reporter?.context("making reports ended"),
            server = &mut self.server => server?.context("the server ended"),
            watchers = &mut self.watchers => watchers?.context("the server of metrics ended"),
        }
    }

    /// Stops accepting, finishes what is under way, and closes the store.
    ///
    /// # Errors
    /// What failed while it ran.
    pub async fn shutdown(mut self) -> anyhow::Result<()> {
        let _ = self.stop.send(true);
        self.signal.notify_one();
        if !self.server.is_finished() {
            self.server.await??;
        }
        if !self.watchers.is_finished() {
            self.watchers.await??;
        }
        if !self.reconciler.is_finished() {
            self.reconciler.await??;
        }
        if !self.deliverer.is_finished() {
            self.deliverer.await??;
        }
        if !self.reporter.is_finished() {
            self.reporter.await??;
        }
        while let Some(courier) = self.couriers.join_next().await {
            courier??;
        }
        // one that ended by a fault has been told of in the log
        while self.pollers.join_next().await.is_some() {}
        self.recorder.await?;
        self.store.close().await?;
        Ok(())
    }
}
