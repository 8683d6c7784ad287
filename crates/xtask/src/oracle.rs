//! The second judge: histories written by the domain crate, answered again by `tests/oracle/oracle.py`.
//!
//! Knows no rule itself.

use crate::failure::{Done, Failure, While};
use crate::python::{self, succeed};
use crate::workspace;
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
    let python = python::environment("oracle", &folder.join("requirements.txt"))?;
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
