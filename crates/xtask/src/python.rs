//! Python environments of the steps that need one: made once from a file of pinned packages, kept under the target
//! directory, made anew when the file changes.

use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The interpreter of an environment with exactly what `requirements` pins. `name` tells environments apart.
pub fn environment(name: &str, requirements: &Path) -> Done<PathBuf> {
    let home = workspace::target()?.join(format!("{name}-python"));
    let python = home.join("bin/python");
    let pinned =
        std::fs::read_to_string(requirements).during(format!("reading {}", requirements.display()))?;
    let installed = home.join("installed.txt");
    if std::fs::read_to_string(&installed).is_ok_and(|text| text == pinned) {
        return Ok(python);
    }
    let mut make = Command::new("python3");
    make.args(["-m", "venv", "--clear"]).arg(&home);
    succeed(
        &mut make,
        "making a Python environment (python3 with venv is needed)",
    )?;
    let mut install = Command::new(&python);
    install
        .args([
            "-m",
            "pip",
            "install",
            "--quiet",
            "--disable-pip-version-check",
            "--requirement",
        ])
        .arg(requirements);
    succeed(
        &mut install,
        &format!("installing what {} pins", requirements.display()),
    )?;
    std::fs::write(&installed, pinned).during(format!("writing {}", installed.display()))?;
    Ok(python)
}

/// Runs a program to its end.
pub fn succeed(command: &mut Command, doing: &str) -> Done {
    let status = command.status().during(doing)?;
    if status.success() {
        Ok(())
    } else {
        Err(Failure::new(format!("{doing} ended with {status}")))
    }
}
