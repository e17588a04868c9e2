//! The service as a process of its own, on a database on disk.

#![allow(dead_code, reason = "each benchmark needs some of it")]

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use super::client::Client;

/// Ends with the value.
pub struct Service {
    process: Child,
    /// Where it listens.
    pub address: String,
    /// Where its metrics are.
    pub admin: String,
}

impl Service {
    /// A service with its data in `folder`, configured as `more` says.
    pub fn start(folder: &Path, more: &str) -> Service {
        let config = folder.join("terce.toml");
        let free = || std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().to_string();
        let (address, admin) = (free(), free());
        let text = format!(
            "listen = \"{address}\"\nadmin_listen = \"{admin}\"\ndata = \"{}\"\n{more}",
            folder.display()
        );
        std::fs::write(&config, text).unwrap();
        let process = Command::new(env!("CARGO_BIN_EXE_terce"))
            .args(["serve", "--log", "warn", "--config"])
            .arg(&config)
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        let begun = Instant::now();
        while std::net::TcpStream::connect(&address).is_err() {
            assert!(begun.elapsed() < Duration::from_secs(10), "the service does not listen");
            std::thread::sleep(Duration::from_millis(20));
        }
        Service { process, address, admin }
    }

    /// A connection to it.
    pub fn client(&self) -> Client {
        Client::connect(&self.address)
    }

    /// What it counts, as it tells it now.
    pub fn metrics(&self) -> String {
        Client::connect(&self.admin).get("/metrics")
    }

    /// Waits until no patient is to be reconciled.
    pub fn settle(&self) -> Duration {
        let begun = Instant::now();
        loop {
            let metrics = self.metrics();
            let dirty = metrics.lines().find(|l| l.starts_with("terce_subjects_dirty "));
            if dirty.expect("terce_subjects_dirty").ends_with(" 0") {
                return begun.elapsed();
            }
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Peak resident memory in MiB.
    pub fn peak_mib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.process.id())).unwrap();
        let line = status.lines().find(|l| l.starts_with("VmHWM")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() / 1024
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}
