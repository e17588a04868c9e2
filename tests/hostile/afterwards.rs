//! What must be so when everything has been sent.

use serde_json::json;

use super::process::{Terce, care};
use super::wire::Request;
use super::{CANARY, ensure};

type Check = fn(&Terce) -> Result<(), String>;

pub(super) const CHECKS: &[(&str, Check)] = &[
    ("afterwards, an ordinary patient is counted", ordinary),
    ("afterwards, nothing has panicked and nothing was answered with a failure", healthy),
    ("afterwards, no log and no number has a patient's name", silent),
    ("afterwards, each line of the log is one event", lines),
    ("afterwards, the chain of what was done is whole", chained),
    ("afterwards, the process has never held more than 768 MiB", memory),
];

fn ordinary(terce: &Terce) -> Result<(), String> {
    terce.admit("ordinary", json!({}))?;
    let made = terce.expect(&Request::post("Procedure", care("ordinary").to_string()), 201)?;
    let (counted, _) = terce.counted("ordinary", &format!("Procedure/{}", made.id()))?;
    ensure(counted, || "not counted".to_owned())?;
    terce.expect(&Request::get("/readyz"), 200).map(|_| ())
}

fn healthy(terce: &Terce) -> Result<(), String> {
    ensure(terce.runs(), || "the process has ended".to_owned())?;
    let numbers = terce.numbers()?;
    ensure(numbers.lines().any(|l| l == "terce_panics_total 0"), || "something has panicked".to_owned())?;
    let failure =
        numbers.lines().find(|l| l.starts_with("terce_http_requests_total{") && l.contains("status=\"5"));
    ensure(failure.is_none(), || failure.unwrap_or_default().to_owned())
}

fn silent(terce: &Terce) -> Result<(), String> {
    let numbers = terce.numbers()?;
    ensure(!numbers.contains(CANARY), || "a number has it".to_owned())?;
    let log = terce.log();
    ensure(log.contains("listening"), || "the log is empty".to_owned())?;
    let found = log.lines().find(|l| l.contains(CANARY));
    ensure(found.is_none(), || found.unwrap_or_default().chars().take(400).collect())
}

fn lines(terce: &Terce) -> Result<(), String> {
    for line in terce.log().lines() {
        let event: serde_json::Value = serde_json::from_str(line).map_err(|e| format!("{e}: {line:?}"))?;
        ensure(event["level"].is_string(), || line.to_owned())?;
        ensure(!line.contains('\u{1b}'), || line.to_owned())?;
    }
    Ok(())
}

fn chained(terce: &Terce) -> Result<(), String> {
    let (code, said) = terce.command(&["audit", "verify"]);
    let rows = said.split(" rows").next().and_then(|n| n.rsplit(['\n', ' ']).next()?.parse::<u64>().ok());
    ensure(code == 0 && rows.is_some_and(|rows| rows > 300), || format!("{code}: {said}"))
}

fn memory(terce: &Terce) -> Result<(), String> {
    let peak = terce.peak_mib();
    ensure(peak <= 768, || format!("{peak} MiB"))
}
