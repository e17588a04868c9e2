//! The `terce` command.

use std::process::ExitCode;

use clap::Parser;

fn main() -> ExitCode {
    terce::command::run(terce::command::Command::parse())
}
