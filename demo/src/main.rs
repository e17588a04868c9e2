//! `cargo run --release -p demo`: see the library beside this file.

use std::process::ExitCode;

use clap::Parser;
use demo::run::{Args, Run};

#[tokio::main]
async fn main() -> ExitCode {
    let (tell, stop) = tokio::sync::watch::channel(false);
    tokio::spawn(async move {
        // Without a way to hear Ctrl-C the process simply ends by it.
        if tokio::signal::ctrl_c().await.is_ok() {
            tell.send_replace(true);
        }
        // A second one does not wait for the minute to end.
        if tokio::signal::ctrl_c().await.is_ok() {
            std::process::exit(130);
        }
    });
    let outcome = async { Run::start(Args::parse(), stop).await?.live().await }.await;
    match outcome {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::FAILURE,
        Err(error) => {
            eprintln!("demo: {error:#}");
            ExitCode::from(2)
        }
    }
}
