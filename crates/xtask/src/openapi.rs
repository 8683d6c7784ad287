//! The published contract: written from the service, and compared with what is committed.

use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::path::PathBuf;

/// Writes the contract where it is published.
pub fn write() -> Done {
    let mut build = workspace::cargo()?;
    let built = build
        .args(["build", "--quiet", "--bin", "clampward-api"])
        .status()
        .during("running cargo")?;
    if !built.success() {
        return Err(Failure::new("the service does not build"));
    }
    let path = published()?;
    if let Some(directory) = path.parent() {
        std::fs::create_dir_all(directory).during(format!("making {}", directory.display()))?;
    }
    std::fs::write(&path, generated()?).during(format!("writing {}", path.display()))
}

/// Fails where the committed contract is not what the built service says.
pub fn compare() -> Done {
    let path = published()?;
    let committed = std::fs::read(&path).during(format!("reading {}", path.display()))?;
    if committed == generated()? {
        return Ok(());
    }
    Err(Failure::new(
        "openapi/clampward.json is not what the service says; `cargo xtask openapi` writes it anew",
    ))
}

fn published() -> Done<PathBuf> {
    Ok(workspace::root()?.join("openapi/clampward.json"))
}

fn generated() -> Done<Vec<u8>> {
    let program = workspace::program("clampward-api")?;
    let output = std::process::Command::new(&program).arg("openapi").output();
    let output = output.during(format!("running {}", program.display()))?;
    if !output.status.success() {
        return Err(Failure::new(format!(
            "no contract: {}",
            String::from_utf8_lossy(&output.stderr)
        )));
    }
    Ok(output.stdout)
}
