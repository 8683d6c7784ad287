//! Clients generated from the published contract, in Python and in TypeScript, drive the life of a clamp and do an ERP's work.
//!
//! What they do stands in `tests/clients`. This generates, compiles and runs them in the target directory; nothing that is
//! generated is committed. Nothing is left out: where Node or Python is missing, the step fails and says so.

use crate::demo_service::DemoService;
use crate::failure::{Done, Failure, While};
use crate::python::{self, succeed};
use crate::workspace;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The files of the TypeScript client that are not generated.
const TYPESCRIPT: [&str; 7] = [
    ".npmrc",
    "package.json",
    "package-lock.json",
    "tsconfig.json",
    "answers.ts",
    "life.ts",
    "erp.ts",
];
/// The programs in each language, without their endings.
const PROGRAMS: [&str; 2] = ["life", "erp"];

/// Generates both clients, checks their types and lets them drive a service.
pub fn run() -> Done {
    let root = workspace::root()?;
    let contract = root.join("openapi/clampward.json");
    let sources = root.join("tests/clients");
    let build = workspace::target()?.join("clients");
    let python = python_client(&contract, &sources.join("python"), &build.join("python"))?;
    let typescript = typescript_client(&contract, &sources.join("typescript"), &build.join("typescript"))?;
    let mut service = DemoService::start()?;
    for mut program in python {
        succeed(program.arg(service.ready()), "the Python client")?;
    }
    for mut program in typescript {
        succeed(program.arg(service.ready()), "the TypeScript client")?;
    }
    service.check()
}

/// Generates the Python client, checks it and its programs with mypy, and answers how to run them.
fn python_client(contract: &Path, source: &Path, build: &Path) -> Done<Vec<Command>> {
    let interpreter = python::environment("clients", &source.join("requirements.txt"))?;
    let programs = interpreter
        .parent()
        .ok_or_else(|| Failure::new("the Python environment has no folder of programs"))?;
    std::fs::create_dir_all(build).during(format!("making {}", build.display()))?;
    let mut generate = Command::new(programs.join("openapi-python-client"));
    generate
        // The generator formats what it wrote with ruff, which it looks for on the path.
        .env("PATH", in_front(programs)?)
        .args([
            "generate",
            "--meta",
            "none",
            "--overwrite",
            "--fail-on-warning",
            "--path",
        ])
        .arg(contract)
        .arg("--config")
        .arg(source.join("generator.yaml"))
        .arg("--output-path")
        .arg(build.join("clampward_client"))
        .stdout(Stdio::null());
    succeed(&mut generate, "generating the Python client")?;
    let files = PROGRAMS.map(|name| source.join(format!("{name}.py")));
    let mut types = Command::new(programs.join("mypy"));
    types
        .current_dir(build)
        .env("MYPYPATH", build)
        .arg("--config-file")
        .arg(source.join("mypy.ini"))
        .args(&files);
    succeed(&mut types, "checking the types of the Python client")?;
    let run = |program| {
        let mut run = Command::new(&interpreter);
        run.env("PYTHONPATH", build).arg("-B").arg(program);
        run
    };
    Ok(files.into_iter().map(run).collect())
}

/// Generates the types of the TypeScript client, compiles its programs strictly, and answers how to run them.
fn typescript_client(contract: &Path, source: &Path, build: &Path) -> Done<Vec<Command>> {
    std::fs::create_dir_all(build).during(format!("making {}", build.display()))?;
    for name in TYPESCRIPT {
        std::fs::copy(source.join(name), build.join(name)).during(format!("copying {name}"))?;
    }
    let npm = |arguments: &[&str]| {
        let mut command = Command::new("npm");
        command.current_dir(build).args(arguments).stdin(Stdio::null());
        command
    };
    succeed(
        npm(&["ci", "--silent"]).stdout(Stdio::null()),
        "installing what the TypeScript client needs (Node 18 or newer, with npm, is needed)",
    )?;
    succeed(
        npm(&["run", "--silent", "types", "--"])
            .arg(contract)
            .stdout(Stdio::null()),
        "generating the types of the TypeScript client",
    )?;
    succeed(
        &mut npm(&["run", "--silent", "compile"]),
        "compiling the TypeScript client",
    )?;
    let run = |name| {
        let mut run = Command::new("node");
        run.arg(build.join(format!("compiled/{name}.js")));
        run
    };
    Ok(PROGRAMS.into_iter().map(run).collect())
}

/// The path of programs with a folder in front.
fn in_front(folder: &Path) -> Done<std::ffi::OsString> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let all = std::iter::once(PathBuf::from(folder)).chain(std::env::split_paths(&path));
    std::env::join_paths(all).during("putting a folder on the path")
}
