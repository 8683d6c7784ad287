//! The field client as this command runs it: the program `clampward-field` on a tablet's folder, its answers as JSON.
//!
//! The invented tablets are made and driven by the very program that people use; nothing is written past it.

use crate::demo::{AtWork, SHORT_CODE};
use crate::failure::{Done, Failure, While};
use crate::workspace;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The name of the program.
pub const PROGRAM: &str = "clampward-field";

/// A tablet's folder, and where the service is.
pub struct Tablet {
    /// Which tablet.
    pub at_work: AtWork,
    program: PathBuf,
    folder: PathBuf,
    server: String,
}

impl Tablet {
    /// The tablet in its folder below this one.
    pub fn of(at_work: AtWork, tablets: &Path, server: &str) -> Done<Self> {
        Ok(Self {
            at_work,
            program: workspace::program(PROGRAM)?,
            folder: tablets.join(at_work.folder),
            server: server.to_owned(),
        })
    }

    /// Where it keeps what it knows.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Runs a command as somebody who signed in on it. A "no" is an answer too.
    pub fn run(&self, person: &str, arguments: &[&str]) -> Done<Value> {
        let doing = || {
            format!(
                "{PROGRAM} {} on {}",
                arguments.join(" "),
                self.at_work.tablet.name
            )
        };
        let member = crate::demo::CAST.iter().find(|member| member.key == person);
        let member = member.ok_or_else(|| Failure::new(format!("nobody is called {person}")))?;
        let output = Command::new(&self.program)
            .arg("--json")
            .arg("--dir")
            .arg(&self.folder)
            .args(arguments)
            .env("CLAMPWARD_FIELD_SERVER", &self.server)
            .env("CLAMPWARD_FIELD_AS", member.email())
            .env("CLAMPWARD_FIELD_PASSWORD", member.password())
            .env("CLAMPWARD_FIELD_CODE", SHORT_CODE)
            .stdin(Stdio::null())
            .output()
            .during(doing())?;
        let said = String::from_utf8_lossy(&output.stderr);
        // 0 is done or yes, 1 is no.
        if !matches!(output.status.code(), Some(0 | 1)) {
            return Err(Failure::new(format!("{}: {}", doing(), said.trim())));
        }
        serde_json::from_slice(&output.stdout).during(doing())
    }

    /// Whoever signed in on it first.
    pub fn first(&self) -> &'static str {
        self.at_work.people.first().copied().unwrap_or_default()
    }
}
