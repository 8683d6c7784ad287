//! The second judge: histories written by the domain crate, answered again by `tests/oracle/oracle.py`.
//!
//! Makes the Python environment that its requirements pin, once, under the target directory. Knows no rule itself.

use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// How many random histories are compared.
const HISTORIES: &str = "5000";
/// The first seed; the others follow it. A disagreement names its seed.
const FIRST_SEED: &str = "1";

/// Writes histories and has them judged again. Every IANA zone occurs in some.
pub fn run() -> Done {
    let mut build = workspace::cargo()?;
    build.args([
        "build",
        "--locked",
        "--package",
        "clampward-domain",
        "--example",
        "histories",
    ]);
    succeed(&mut build, "building the histories")?;
    let writer = workspace::program("examples/histories")?;
    let folder = workspace::root()?.join("tests/oracle");
    let python = environment(&writer, &folder.join("requirements.txt"))?;
    let mut writing = Command::new(&writer)
        .args([HISTORIES, FIRST_SEED])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .spawn()
        .during(format!("starting {}", writer.display()))?;
    let mut judge = Command::new(python);
    judge.arg(folder.join("oracle.py"));
    if let Some(histories) = writing.stdout.take() {
        judge.stdin(histories);
    }
    let judged = succeed(&mut judge, "the oracle");
    drop(judge); // its end of the pipe too, so that the writer cannot wait for a reader that is gone
    let written = writing.wait().during("writing histories")?;
    judged?;
    if written.success() {
        Ok(())
    } else {
        Err(Failure::new(format!("writing histories ended with {written}")))
    }
}

/// The Python of an environment with exactly what `requirements` pins. It is made anew when they change.
fn environment(writer: &Path, requirements: &Path) -> Done<PathBuf> {
    // The writer lies in target/debug/examples.
    let target = writer
        .ancestors()
        .nth(3)
        .ok_or_else(|| Failure::new("no target directory"))?;
    let home = target.join("oracle-python");
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
    succeed(&mut install, "installing what the oracle needs")?;
    std::fs::write(&installed, pinned).during(format!("writing {}", installed.display()))?;
    Ok(python)
}

fn succeed(command: &mut Command, doing: &str) -> Done {
    let status = command.status().during(doing)?;
    if status.success() {
        Ok(())
    } else {
        Err(Failure::new(format!("{doing} ended with {status}")))
    }
}
