//! The `terce` command.

use std::process::ExitCode;

use clap::Parser;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    // where a test has it end: nothing anywhere else
    let _points = fail::FailScenario::setup();
    terce::command::run(terce::command::Command::parse())
}
