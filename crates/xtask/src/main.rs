//! The developer's commands: `cargo xtask up`, `conflict`, `test`, `check`, `openapi`, `bench`.
//!
//! Each command is one module. Nothing here is part of the service, and no rule of the trade is decided here.

mod bench;
mod check;
mod clients;
mod compose;
mod conflict;
mod contract;
mod demo_service;
mod failure;
mod field;
mod openapi;
mod oracle;
mod person;
mod python;
mod schemathesis;
mod simulate;
mod test;
mod up;
mod workspace;

use demo_fleet as demo;

use clap::{Parser, Subcommand};
use std::process::ExitCode;

/// The developer's commands.
#[derive(Parser)]
#[command(name = "cargo xtask", bin_name = "cargo xtask")]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Start everything on this machine: database, migrations, service. Ctrl-C stops all of it.
    Up(up::Options),
    /// Let two tablets of the invented fleet synchronise, one of which rejected what the other returned to service.
    Conflict(conflict::Options),
    /// Run everything that CI runs.
    Test(test::Options),
    /// Check the shape of the house: dependencies, module headers and sizes, paths named in documents.
    Check,
    /// Write the published contract to openapi/clampward.json, or check it.
    Openapi(openapi::Options),
    /// Try the running service as each role with everything that the contract allows and what it does not: minutes.
    Schemathesis,
    /// Play tablets, the service and its database in bad weather out of a seed: `--seeds N --ops M`; `--order N`.
    Simulate(simulate::Options),
    /// Measure the service against its own statements in pgbench, on this machine, and print the ratios.
    Bench(bench::Options),
}

fn main() -> ExitCode {
    let done = match Arguments::parse().command {
        Command::Up(options) => up::run(&options),
        Command::Conflict(options) => conflict::run(&options),
        Command::Test(options) => test::run(&options),
        Command::Check => check::run(),
        Command::Openapi(options) => openapi::run(&options),
        Command::Schemathesis => schemathesis::run(),
        Command::Simulate(options) => simulate::run(&options),
        Command::Bench(options) => bench::run(&options),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("\nerror: {failure}");
            ExitCode::FAILURE
        }
    }
}
