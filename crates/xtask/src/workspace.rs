//! Where things are: the workspace's root, what cargo knows about it, the programs it built.

use crate::failure::{Done, Failure, While};
use serde_json::Value;
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The workspace's root.
pub fn root() -> Done<PathBuf> {
    let beside = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    beside.canonicalize().during("finding the workspace")
}

/// Cargo itself, started in the workspace's root: the one that runs this, so that the toolchain is the same.
pub fn cargo() -> Done<Command> {
    let mut command = Command::new(std::env::var_os("CARGO").unwrap_or_else(|| OsString::from("cargo")));
    command.current_dir(root()?).stdin(Stdio::null());
    without_own_package(&mut command);
    Ok(command)
}

/// Takes away what `cargo run` says about this package: a build script that looks at it would build its crate, and all
/// that stand on it, once for a cargo inside a cargo and again for one outside.
fn without_own_package(command: &mut Command) {
    for (name, _) in std::env::vars_os() {
        let of_package = name
            .to_str()
            .is_some_and(|name| name.starts_with("CARGO_PKG_") || name.starts_with("CARGO_MANIFEST_"));
        if of_package {
            command.env_remove(name);
        }
    }
}

/// What `cargo metadata` says about building here, the graph of dependencies included.
pub fn metadata() -> Done<Value> {
    ask_cargo(&["--filter-platform", &host()?])
}

/// A program of this workspace, as built for development.
pub fn program(name: &str) -> Done<PathBuf> {
    program_of("debug", name)
}

/// A program of this workspace as built with a profile, by the name of the profile's folder.
pub fn program_of(profile: &str, name: &str) -> Done<PathBuf> {
    Ok(target()?.join(profile).join(name))
}

/// The folder into which cargo builds.
pub fn target() -> Done<PathBuf> {
    let metadata = ask_cargo(&["--no-deps"])?;
    let target = metadata.get("target_directory").and_then(Value::as_str);
    let target = target.ok_or_else(|| Failure::new("cargo metadata names no target directory"))?;
    Ok(PathBuf::from(target))
}

fn ask_cargo(arguments: &[&str]) -> Done<Value> {
    let mut command = cargo()?;
    command
        .args(["metadata", "--format-version", "1"])
        .args(arguments)
        .stderr(Stdio::inherit());
    let output = command.output().during("running cargo metadata")?;
    if !output.status.success() {
        return Err(Failure::new("cargo metadata failed"));
    }
    serde_json::from_slice(&output.stdout).during("reading what cargo metadata says")
}

/// The platform that this machine builds for.
fn host() -> Done<String> {
    let output = Command::new("rustc")
        .arg("-vV")
        .output()
        .during("running rustc")?;
    let text = String::from_utf8(output.stdout).during("reading rustc's version")?;
    let host = text.lines().find_map(|line| line.strip_prefix("host: "));
    host.map(str::to_owned)
        .ok_or_else(|| Failure::new("rustc names no host"))
}
