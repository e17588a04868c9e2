//! Terce as a process of its own.

use std::fs::File;
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::process::{Child, Command, Stdio};

use serde_json::{Value, json};
use tempfile::TempDir;

use super::wire::{Reply, Request, Wire};
use super::{at, ensure};
use crate::rest::{procedure, with, without};

/// The process, its folder and its address.
pub(super) struct Terce {
    process: Child,
    folder: TempDir,
    address: SocketAddr,
    /// Where it tells its numbers.
    admin: SocketAddr,
}

impl Terce {
    /// Starts it on an empty database; its log, with everything in it that can be, goes to a file.
    pub(super) fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let log = File::create(folder.path().join("log")).unwrap();
        let mut process = Command::new(env!("CARGO_BIN_EXE_terce"))
            .args(["serve", "--listen", "127.0.0.1:0", "--log", "trace", "--log-json", "--data"])
            .arg(folder.path())
            .stdout(Stdio::piped())
            .stderr(log)
            .spawn()
            .unwrap();
        let mut said = String::new();
        BufReader::new(process.stdout.take().unwrap()).read_line(&mut said).unwrap();
        let address = said.split("http://").nth(1).and_then(|rest| rest.split('/').next());
        let address =
            address.and_then(|a| a.parse().ok()).unwrap_or_else(|| panic!("no address in {said:?}"));
        // it has logged where it listens before it says so
        let log = std::fs::read_to_string(folder.path().join("log")).unwrap();
        let admin = log.split("\"admin\":\"").nth(1).and_then(|rest| rest.split('"').next());
        let admin = admin.and_then(|a| a.parse().ok()).unwrap_or_else(|| panic!("no admin in {log:?}"));
        Terce { process, folder, address, admin }
    }

    /// A new connection.
    pub(super) fn wire(&self) -> Wire {
        Wire::connect(self.address)
    }

    /// Its numbers, as those see them who watch over it.
    pub(super) fn numbers(&self) -> Result<String, String> {
        let mut wire = Wire::connect(self.admin);
        wire.send(&Request::get("/metrics").bytes());
        let reply = wire.reply()?;
        ensure(reply.status == 200, || format!("expected 200, not {} {}", reply.status, reply.shown()))?;
        Ok(reply.text())
    }

    /// One request on a connection of its own.
    pub(super) fn ask(&self, request: &Request) -> Result<Reply, String> {
        let mut wire = self.wire();
        wire.send(&request.bytes());
        let reply = wire.reply()?;
        super::proper(&reply)?;
        Ok(reply)
    }

    /// One request that must be answered with `status`.
    pub(super) fn expect(&self, request: &Request, status: u16) -> Result<Reply, String> {
        let reply = self.ask(request)?;
        ensure(reply.status == status, || {
            format!("expected {status}, not {} {}", reply.status, reply.shown())
        })?;
        Ok(reply)
    }

    /// One request that must be refused.
    pub(super) fn refuse(&self, request: &Request, status: u16, code: &str) -> Result<Reply, String> {
        let reply = self.expect(request, status)?;
        ensure(reply.code() == code, || format!("expected {code}, not {}", reply.shown()))?;
        Ok(reply)
    }

    /// Exit code and words of another command on the same database.
    pub(super) fn command(&self, arguments: &[&str]) -> (i32, String) {
        let mut command = Command::new(env!("CARGO_BIN_EXE_terce"));
        let output = command.args(arguments).arg("--data").arg(self.folder.path()).output().unwrap();
        let said = String::from_utf8([output.stdout, output.stderr].concat()).unwrap();
        (output.status.code().unwrap_or(-1), said)
    }

    /// Everything it has logged.
    pub(super) fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap()
    }

    /// Peak resident memory in MiB.
    pub(super) fn peak_mib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.process.id())).unwrap();
        let line = status.lines().find(|l| l.starts_with("VmHWM")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse::<u64>().unwrap() / 1024
    }

    /// Whether it still runs.
    pub(super) fn runs(&self) -> bool {
        std::path::Path::new(&format!("/proc/{}/exe", self.process.id())).exists()
    }

    /// Admits a patient who has been ventilated for ten hours, with `patient` in the Patient.
    pub(super) fn admit(&self, id: &str, patient: Value) -> Result<(), String> {
        let patient = with(
            json!({ "resourceType": "Patient", "id": id, "name": [{ "text": super::CANARY }] }),
            patient,
        );
        self.expect(&Request::put(&format!("Patient/{id}"), patient.to_string()), 201)?;
        let encounter = json!({
            "resourceType": "Encounter", "id": id, "status": "in-progress", "class": { "code": "IMP" },
            "subject": { "reference": format!("Patient/{id}") }, "period": { "start": hours(-10) },
        });
        self.expect(&Request::put(&format!("Encounter/{id}"), encounter.to_string()), 201)?;
        let airway = "https://terce.example/fhir/CodeSystem/airway";
        let ventilated = with(
            without(care(id), "performedDateTime"),
            json!({
                "status": "in-progress", "performedPeriod": { "start": hours(-10) },
                "code": { "coding": [{ "system": airway, "code": "invasive-ventilation" }] },
            }),
        );
        self.expect(&Request::post("Procedure", ventilated.to_string()), 201).map(|_| ())
    }

    /// Whether anything of the stay was credited to the document, and what is doubted about it.
    pub(super) fn counted(&self, stay: &str, document: &str) -> Result<(bool, Vec<String>), String> {
        let told = self.expect(&Request::get(&format!("/fhir/Encounter/{stay}/$explain")), 200)?.json();
        let (mut met, mut doubts) = (false, Vec::new());
        for parameter in told["parameter"].as_array().into_iter().flatten() {
            let parts = parameter["part"].as_array().map(Vec::as_slice).unwrap_or_default();
            let of = |name: &str| parts.iter().filter(|p| p["name"] == name).cloned().collect::<Vec<_>>();
            let named = |s: &Value| at(s, "/valueReference/reference").starts_with(&format!("{document}/"));
            if !of("source").iter().any(named) {
                continue;
            }
            if parameter["name"] == "doubt" {
                doubts.extend(of("why").iter().map(|w| at(w, "/valueString").to_owned()));
            }
            met |= of("what").iter().any(|w| w["valueCode"] == "met");
        }
        Ok((met, doubts))
    }
}

impl Drop for Terce {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// An instant so many hours from now.
#[expect(clippy::disallowed_methods, reason = "the process under test lives by the machine's clock")]
pub(super) fn hours(from_now: i64) -> String {
    let now = chrono::DateTime::<chrono::Utc>::from(std::time::SystemTime::now());
    (now + chrono::TimeDelta::hours(from_now)).to_rfc3339_opts(chrono::SecondsFormat::Secs, true)
}

/// A mouth that was cleaned an hour ago.
pub(super) fn care(patient: &str) -> Value {
    with(
        procedure(),
        json!({
            "subject": { "reference": format!("Patient/{patient}") },
            "encounter": { "reference": format!("Encounter/{patient}") },
            "performedDateTime": hours(-1),
        }),
    )
}
