//! Long runs of the simulation: builds the service and the simulation as they are delivered, and plays seeds.

use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::process::Command;

/// What to play; see `clampward-simulate --help` for all of it.
#[derive(clap::Args)]
pub struct Options {
    /// Anything that the simulation takes: `--seeds N --ops M`, `--seed S` to play one again, `--order N`.
    #[arg(trailing_var_arg = true, allow_hyphen_values = true)]
    arguments: Vec<String>,
}

/// Plays it.
pub fn run(options: &Options) -> Done {
    let built = workspace::cargo()?
        .args(["build", "--release", "--quiet", "--locked"])
        .args(["--bin", "clampward-api", "--bin", "clampward-simulate"])
        .status()
        .during("building the simulation")?;
    if !built.success() {
        return Err(Failure::new("the simulation does not build"));
    }
    let played = Command::new(workspace::program_of("release", "clampward-simulate")?)
        .arg("--service")
        .arg(workspace::program_of("release", "clampward-api")?)
        .args(&options.arguments)
        .status()
        .during("playing")?;
    if played.success() {
        Ok(())
    } else {
        Err(Failure::new(
            "a seed failed; the command that plays it again stands above",
        ))
    }
}
