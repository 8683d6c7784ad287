//! Everything that CI runs, in one place: each step by name, with its time.
//!
//! The database server is started once for all tests and ends with this program. What a step checks is decided
//! elsewhere; this only knows the order: what is quick and often wrong comes first.

use crate::failure::{Done, Failure, While};
use crate::{check, clients, compose, openapi, oracle, workspace};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// How many cases a property test tries, unless the environment says otherwise.
const PROPTEST_CASES: &str = "1000";

/// What to run.
#[derive(clap::Args)]
pub struct Options {
    /// Run only the steps whose name contains this.
    #[arg(long)]
    only: Option<String>,
}

type Action = fn() -> Done;

/// The steps in their order.
const STEPS: &[(&str, Action)] = &[
    ("formatting", || cargo(&["fmt", "--all", "--check"])),
    ("shape of the house", check::run),
    ("clippy", || {
        cargo(&[
            "clippy",
            "--workspace",
            "--all-targets",
            "--locked",
            "--",
            "--deny",
            "warnings",
        ])
    }),
    ("documentation", documentation),
    ("build", || {
        cargo(&["build", "--workspace", "--all-targets", "--locked"])
    }),
    ("published contract", openapi::compare),
    ("contract lint", openapi::lint),
    ("contract compatible", || openapi::compatible(None)),
    ("oracle", oracle::run),
    ("generated clients", clients::run),
    ("tests", tests),
    ("compose", compose::run),
];

/// Runs the steps until one fails, then says how long each took.
pub fn run(options: &Options) -> Done {
    let wanted = |name: &str| {
        options
            .only
            .as_ref()
            .is_none_or(|only| name.contains(only.as_str()))
    };
    let steps: Vec<_> = STEPS.iter().filter(|(name, _)| wanted(name)).collect();
    if steps.is_empty() {
        let all: Vec<_> = STEPS.iter().map(|(name, _)| *name).collect();
        return Err(Failure::new(format!(
            "no such step; there are: {}",
            all.join(", ")
        )));
    }
    let mut times = Vec::new();
    for (name, action) in steps {
        eprintln!("\n── {name}");
        let begin = Instant::now();
        let done = action();
        times.push(line(name, begin.elapsed(), done.is_ok()));
        if let Err(failure) = done {
            eprintln!("\n{}", times.join("\n"));
            return Err(Failure::new(format!("step \"{name}\": {failure}")));
        }
    }
    eprintln!("\n{}", times.join("\n"));
    Ok(())
}

fn line(name: &str, time: Duration, passed: bool) -> String {
    format!(
        "{name:<20} {:>7.1} s  {}",
        time.as_secs_f64(),
        if passed { "passed" } else { "FAILED" }
    )
}

fn cargo(arguments: &[&str]) -> Done {
    succeed(workspace::cargo()?.args(arguments))
}

fn succeed(command: &mut Command) -> Done {
    let status = command.status().during("running cargo")?;
    if status.success() {
        Ok(())
    } else {
        Err(Failure::new(format!("cargo ended with {status}")))
    }
}

fn documentation() -> Done {
    let mut command = workspace::cargo()?;
    command
        .args(["doc", "--workspace", "--no-deps", "--locked"])
        .env("RUSTDOCFLAGS", "--deny warnings");
    succeed(&mut command)
}

/// All tests against one server; with nextest where it is installed.
fn tests() -> Done {
    let mut server = TestServer::start()?;
    eprintln!("   database: {}", server.kind);
    let with_server = |command: &mut Command| {
        command
            .args(["--workspace", "--locked"])
            .env("CLAMPWARD_TEST_DATABASE_URL", &server.url);
        if std::env::var_os("PROPTEST_CASES").is_none() {
            command.env("PROPTEST_CASES", PROPTEST_CASES);
        }
    };
    let mut main = workspace::cargo()?;
    let nextest = has_nextest()?;
    if nextest {
        main.args(["nextest", "run", "--no-fail-fast"])
    } else {
        main.args(["test", "--no-fail-fast"])
    };
    with_server(&mut main);
    let mut done = succeed(&mut main);
    if nextest && done.is_ok() {
        let mut examples = workspace::cargo()?;
        examples.args(["test", "--doc"]);
        with_server(&mut examples);
        done = succeed(&mut examples);
    }
    server.stop()?;
    done
}

fn has_nextest() -> Done<bool> {
    let mut command = workspace::cargo()?;
    command
        .args(["nextest", "--version"])
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    Ok(command.status().during("looking for nextest")?.success())
}

/// The program that holds the server for all tests. It ends its server when its standard input closes, so also when
/// this program is killed.
struct TestServer {
    holder: Child,
    url: String,
    kind: String,
}

impl TestServer {
    fn start() -> Done<Self> {
        let program = workspace::program("clampward-test-server")?;
        let mut holder = Command::new(&program)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .during(format!("starting {}", program.display()))?;
        let mut answer = String::new();
        if let Some(output) = holder.stdout.take() {
            BufReader::new(output)
                .read_line(&mut answer)
                .during("waiting for the test server")?;
        }
        let answer: Value = serde_json::from_str(&answer).during("the test server did not start")?;
        let part = |name: &str| answer.get(name).and_then(Value::as_str).map(str::to_owned);
        match (part("url"), part("kind")) {
            (Some(url), Some(kind)) => Ok(Self { holder, url, kind }),
            (None, _) | (_, None) => Err(Failure::new("the test server did not say where it is")),
        }
    }

    fn stop(&mut self) -> Done {
        drop(self.holder.stdin.take());
        let status = self.holder.wait().during("waiting for the test server to end")?;
        if status.success() {
            Ok(())
        } else {
            Err(Failure::new(format!("the test server ended with {status}")))
        }
    }
}
