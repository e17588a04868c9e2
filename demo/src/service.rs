//! Terce itself, run inside this process on the ward's clock. All that the demo knows of the service's Rust side is
//! in this file; everything else goes over HTTP.

use std::net::SocketAddr;
use std::path::Path;

use anyhow::{Context, Result};
use chrono::{DateTime, Utc};
use terce::Running;
use terce::care::time::Instant;
use terce::clock::Clock;
use terce::config::{Config, SiteUnit, Source};

use crate::house::{AWAY, UNITS};
use crate::time::ZONE;

/// The name under which the ward's feed is watched.
pub const SOURCE: &str = "ward";

/// The running service.
pub struct Service {
    running: Running,
    clock: Clock,
}

impl Service {
    /// Starts it on the database in `data`, with its clock at `at`. Port 0: any free one.
    pub async fn start(data: &Path, port: u16, at: DateTime<Utc>) -> Result<Service> {
        let clock = Clock::settable(instant(at));
        let unit = |(location, name): &(&str, &str)| SiteUnit {
            location: (*location).to_owned(),
            name: Some((*name).to_owned()),
            protocol: None,
            owner: None,
        };
        let mut config = Config::standard();
        config.listen = SocketAddr::from(([127, 0, 0, 1], port));
        config.data = data.to_owned();
        config.site.standard.zone = ZONE;
        config.site.units = UNITS.iter().map(unit).collect();
        config.site.away = AWAY.iter().map(|(location, _)| (*location).to_owned()).collect();
        // the feed gives a sign of life each second minute
        config.sources =
            vec![Source { name: SOURCE.to_owned(), heartbeat_seconds: 120, ..Source::default() }];
        let running = terce::serve(config, clock.clone()).await.context("the service did not start")?;
        Ok(Service { running, clock })
    }

    /// Its address without a final slash, as in `http://127.0.0.1:8080`; FHIR is under `/fhir`.
    pub fn base(&self) -> String {
        self.running.base().trim_end_matches("/fhir").to_owned()
    }

    /// Where its metrics are, without a final slash.
    pub fn admin(&self) -> String {
        format!("http://{}", self.running.admin)
    }

    /// Puts its clock forward.
    pub fn set(&self, now: DateTime<Utc>) {
        self.clock.set(instant(now));
    }

    /// Waits until it has said everything there is to say at the present time of its clock.
    pub async fn settle(&self) -> Result<()> {
        self.running.settle().await.context("the service does not settle")
    }

    /// Stops it; what it was told is safe.
    pub async fn stop(self) -> Result<()> {
        self.running.shutdown().await.context("the service did not stop cleanly")
    }
}

fn instant(at: DateTime<Utc>) -> Instant {
    Instant::from_micros(at.timestamp_micros())
}
