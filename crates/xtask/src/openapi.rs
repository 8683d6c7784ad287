//! The published contract: written from the service, compared with what is committed, and with what was promised.
//!
//! What was promised is `openapi/released/v1.json`: the contract as clients were last given it. It moves only by
//! `cargo xtask openapi --release`. A break of it fails unless `openapi/breaking.md` accepts it, line by line.

use crate::contract::{self, compatible::Break};
use crate::failure::{Done, Failure, While};
use crate::workspace;
use serde_json::Value;
use std::path::{Path, PathBuf};

/// The contract as it is now.
const CURRENT: &str = "openapi/clampward.json";
/// The contract as clients were last given it.
const RELEASED: &str = "openapi/released/v1.json";
/// The breaks that were accepted since, each with its reason.
const ACCEPTED: &str = "openapi/breaking.md";

/// What to do with the contract; without an option it is written anew.
#[derive(clap::Args)]
pub struct Options {
    /// Check the committed contract's style and examples.
    #[arg(long, group = "what")]
    lint: bool,
    /// Check that the committed contract breaks nothing that was promised.
    #[arg(long, group = "what")]
    check_compatible: bool,
    /// Compare with the contract of this commit instead of the released one.
    #[arg(long, requires = "check_compatible", value_name = "GIT REF")]
    against: Option<String>,
    /// Record the contract's examples anew from a running service, then write the contract.
    #[arg(long, group = "what")]
    examples: bool,
    /// Promise the committed contract to clients: from now on it must not be broken.
    #[arg(long, group = "what")]
    release: bool,
}

/// Runs the command.
pub fn run(options: &Options) -> Done {
    if options.lint {
        lint()
    } else if options.check_compatible {
        compatible(options.against.as_deref())
    } else if options.examples {
        record_examples()?;
        write()
    } else if options.release {
        release()
    } else {
        write()
    }
}

/// Records the examples: the test that compares them writes them instead.
fn record_examples() -> Done {
    let recorded = workspace::cargo()?
        .args([
            "test",
            "--quiet",
            "--package",
            "clampward-api",
            "--test",
            "http",
            "examples::",
        ])
        .env("CLAMPWARD_WRITE_EXAMPLES", "yes")
        .status()
        .during("running cargo")?;
    if recorded.success() {
        Ok(())
    } else {
        Err(Failure::new("the examples could not be recorded"))
    }
}

/// Writes the contract where it is published.
fn write() -> Done {
    let mut build = workspace::cargo()?;
    let built = build
        .args(["build", "--quiet", "--bin", "clampward-api"])
        .status()
        .during("running cargo")?;
    if !built.success() {
        return Err(Failure::new("the service does not build"));
    }
    let path = place(CURRENT)?;
    std::fs::write(&path, generated()?).during(format!("writing {}", path.display()))
}

/// Fails where the committed contract is not what the built service says.
pub fn compare() -> Done {
    let path = place(CURRENT)?;
    let committed = std::fs::read(&path).during(format!("reading {}", path.display()))?;
    if committed == generated()? {
        return Ok(());
    }
    Err(Failure::new(
        "openapi/clampward.json is not what the service says; `cargo xtask openapi` writes it anew",
    ))
}

/// Fails where the committed contract breaks the style, or an example does not fit.
pub fn lint() -> Done {
    contract::lint(&read(CURRENT)?)
}

/// Fails where the committed contract breaks what was promised and nobody accepted it.
///
/// Compared with a given commit's; else with the released one and, for whoever has changed it here, with the last
/// committed one.
pub fn compatible(against: Option<&str>) -> Done {
    let now = read(CURRENT)?;
    let mut promised: Vec<(String, Value)> = Vec::new();
    match against {
        Some(reference) => promised.push((
            reference.to_owned(),
            committed(reference)?.ok_or_else(|| Failure::new(format!("{reference} has no {CURRENT}")))?,
        )),
        None => {
            promised.push((RELEASED.to_owned(), read(RELEASED)?));
            if let Ok(Some(last)) = committed("HEAD") {
                promised.push(("HEAD".to_owned(), last));
            }
        }
    }
    let accepted = std::fs::read_to_string(place(ACCEPTED)?).unwrap_or_default();
    let mut refused: Vec<String> = Vec::new();
    for (name, before) in &promised {
        let breaks = contract::compatible::breaks(before, &now);
        let open = not_accepted(&breaks, &accepted);
        println!(
            "against {name}: {} breaks, {} accepted",
            breaks.len(),
            breaks.len() - open.len()
        );
        refused.extend(open);
    }
    refused.sort();
    refused.dedup();
    if refused.is_empty() {
        return Ok(());
    }
    Err(Failure::new(format!(
        "{} breaks of what clients were promised. Keep what they rely on; or, if a break is wanted, add its line with \
         the reason to {ACCEPTED}:\n{}",
        refused.len(),
        refused.join("\n")
    )))
}

/// Promises the committed contract.
fn release() -> Done {
    let released = place(RELEASED)?;
    if released.exists() {
        compatible(None)?;
    }
    let text = std::fs::read(place(CURRENT)?).during(format!("reading {CURRENT}"))?;
    if let Some(folder) = released.parent() {
        std::fs::create_dir_all(folder).during(format!("making {}", folder.display()))?;
    }
    std::fs::write(&released, text).during(format!("writing {}", released.display()))?;
    println!("{RELEASED} is what clients are promised; empty the list in {ACCEPTED}");
    Ok(())
}

/// The breaks that no line of the list accepts, as lines for it.
fn not_accepted(breaks: &[Break], accepted: &str) -> Vec<String> {
    let lines: Vec<&str> = accepted.lines().map(str::trim).collect();
    breaks
        .iter()
        .map(|broken| format!("- `{broken}`:"))
        .filter(|line| {
            // The line with a reason after it: a break is accepted by saying why.
            !lines.iter().any(|known| {
                known
                    .strip_prefix(line.as_str())
                    .is_some_and(|reason| !reason.trim().is_empty())
            })
        })
        .collect()
}

/// The contract in a commit; none if the commit does not have it.
fn committed(reference: &str) -> Done<Option<Value>> {
    let output = std::process::Command::new("git")
        .args(["show", &format!("{reference}:{CURRENT}")])
        .current_dir(workspace::root()?)
        .output()
        .during("asking git")?;
    if !output.status.success() {
        return Ok(None);
    }
    serde_json::from_slice(&output.stdout)
        .map(Some)
        .during(format!("reading {CURRENT} of {reference}"))
}

fn read(name: impl AsRef<Path>) -> Done<Value> {
    let path = place(name)?;
    let text = std::fs::read(&path).during(format!("reading {}", path.display()))?;
    serde_json::from_slice(&text).during(format!("reading {}", path.display()))
}

fn place(name: impl AsRef<Path>) -> Done<PathBuf> {
    Ok(workspace::root()?.join(name))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_break_is_accepted_only_by_its_own_line_with_a_reason() {
        let breaks = [Break::new("GET /v1/clamps", "the operation is gone")];
        let line = "- `GET /v1/clamps: the operation is gone`:";
        assert_eq!(not_accepted(&breaks, ""), [line]);
        assert_eq!(not_accepted(&breaks, line), [line], "no reason");
        assert_eq!(
            not_accepted(&breaks, "- `GET /v1/yards: the operation is gone`: because"),
            [line]
        );
        assert_eq!(
            not_accepted(&breaks, &format!("{line} nobody called it")),
            Vec::<String>::new()
        );
    }
}
