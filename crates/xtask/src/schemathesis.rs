//! Schemathesis with all its checks against the running service, as each role and as nobody.
//!
//! What is tried and what is expected stands in `tests/schemathesis`; the reports of the last run lie in the target
//! directory under `schemathesis`, `summary.txt` first.

use crate::demo_service::DemoService;
use crate::failure::Done;
use crate::python::{self, succeed};
use crate::workspace;
use std::process::Command;

/// How many cases each operation gets in each phase, unless this says otherwise: for a longer run by hand.
const CASES: &str = "CLAMPWARD_TEST_SCHEMATHESIS_CASES";

/// Runs it as every role.
pub fn run() -> Done {
    let root = workspace::root()?;
    let folder = root.join("tests/schemathesis");
    let python = python::environment("schemathesis", &folder.join("requirements.txt"))?;
    let mut service = DemoService::start()?;
    let mut command = Command::new(python);
    command
        .arg("-B")
        .arg(folder.join("run.py"))
        .arg(service.ready())
        .arg(root.join("openapi/clampward.json"))
        .arg(workspace::target()?.join("schemathesis"));
    if let Some(cases) = std::env::var_os(CASES) {
        command.arg(cases);
    }
    let tried = succeed(&mut command, "schemathesis");
    service.check().and(tried)
}
