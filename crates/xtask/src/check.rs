//! Checks on the shape of the house that no compiler makes.
//!
//! Reads `cargo metadata` and the files under version control; changes nothing.

mod dependencies;
mod deployment;
mod documents;
mod sources;

use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Runs every check and names all that is wrong at once.
pub fn run() -> Done {
    let root = workspace::root()?;
    let files = files(&root)?;
    let mut problems = dependencies::problems(&workspace::metadata()?);
    for file in &files {
        if file
            .extension()
            .is_some_and(|extension| extension == "rs" || extension == "sql")
        {
            let text =
                std::fs::read_to_string(root.join(file)).during(format!("reading {}", file.display()))?;
            problems.extend(sources::problems(file, &text));
        }
    }
    problems.extend(deployment(&root, &files)?);
    for name in ["README.md", "DEVELOPERS.md", deployment::PAGE] {
        match std::fs::read_to_string(root.join(name)) {
            Ok(text) => problems.extend(documents::problems(name, &text, &|path| root.join(path).exists())),
            Err(error) => problems.push(format!("{name}: {error}")),
        }
    }
    if problems.is_empty() {
        println!(
            "{} files: dependencies, headers, sizes and named paths are as they should be",
            files.len()
        );
        return Ok(());
    }
    problems.sort();
    Err(Failure::new(format!(
        "{} problems:\n  {}",
        problems.len(),
        problems.join("\n  ")
    )))
}

/// What is wrong with how the service is deployed.
fn deployment(root: &Path, files: &[PathBuf]) -> Done<Vec<String>> {
    let text =
        |name: &Path| std::fs::read_to_string(root.join(name)).during(format!("reading {}", name.display()));
    let mut settings = BTreeSet::new();
    let sources = files
        .iter()
        .filter(|file| file.starts_with("services/") || file.starts_with("crates/process/"));
    for file in sources.filter(|file| file.extension().is_some_and(|extension| extension == "rs")) {
        settings.extend(deployment::settings_read(&text(file)?).map(str::to_owned));
    }
    let house = deployment::House {
        exists: &|path| root.join(path).exists(),
        settings: &settings,
        page: &text(Path::new(deployment::PAGE))?,
    };
    let mut problems = Vec::new();
    for file in files {
        if let Some(name) = file.to_str().filter(|name| deployment::concerns(name)) {
            problems.extend(deployment::problems((name, &text(file)?), &house));
        }
    }
    Ok(problems)
}

/// The files that belong to the project: those that version control knows or would take in.
fn files(root: &Path) -> Done<Vec<PathBuf>> {
    let output = Command::new("git")
        .args([
            "ls-files",
            "-z",
            "--cached",
            "--others",
            "--exclude-standard",
            "--deduplicate",
        ])
        .current_dir(root)
        .output()
        .during("listing the project's files with git")?;
    if !output.status.success() {
        return Err(Failure::new(format!(
            "git ls-files: {}",
            String::from_utf8_lossy(&output.stderr)
        )));
    }
    let text = String::from_utf8(output.stdout).during("reading file names")?;
    let names = text
        .split('\0')
        .filter(|name| !name.is_empty())
        .map(PathBuf::from);
    Ok(names.filter(|name| root.join(name).is_file()).collect())
}
