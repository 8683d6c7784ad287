//! `docker compose up`, tried: the files read as compose reads them, and the whole of it run where an engine is there.
//!
//! What is tried stands in `tests/compose/smoke.sh`. This finds the programs and the base images, and says loudly what
//! could not be run.

use crate::failure::{Done, Failure, While};
use crate::workspace;
use std::process::{Command, Stdio};

/// Names the base image of the service.
const RUNTIME_IMAGE: &str = "CLAMPWARD_RUNTIME_IMAGE";
/// How long it may take until it is ended, in seconds: images are fetched the first time.
const PATIENCE: &str = "600";

/// Runs it, as far as this machine can.
pub fn run() -> Done {
    let Some(compose) = program() else {
        not_run("neither `docker compose` nor `docker-compose` is there");
        return Ok(());
    };
    let root = workspace::root()?;
    let mut read = command(compose);
    read.args(["config", "--quiet"])
        .current_dir(&root)
        .stdin(Stdio::null());
    if !read.status().during("reading docker-compose.yml")?.success() {
        return Err(Failure::new(format!(
            "{compose} does not take docker-compose.yml"
        )));
    }
    println!("{compose} takes docker-compose.yml");
    if !succeeds(Command::new("docker").arg("info")) {
        not_run("no container engine answers");
        return Ok(());
    }
    let image = match std::env::var_os(RUNTIME_IMAGE) {
        Some(image) => image,
        None => {
            let system = std::fs::read_to_string("/etc/os-release").unwrap_or_default();
            match runtime_image(&system) {
                Some(image) => image.into(),
                None => {
                    not_run(&format!(
                        "name an image of this machine's distribution in {RUNTIME_IMAGE}: the binary is built here"
                    ));
                    return Ok(());
                }
            }
        }
    };
    let mut smoke = Command::new("timeout");
    smoke
        .args([
            "--kill-after=60",
            PATIENCE,
            "bash",
            "tests/compose/smoke.sh",
            compose,
        ])
        .arg(workspace::program("clampward-api")?)
        .arg(workspace::program("clampward-worker")?)
        .env(RUNTIME_IMAGE, image)
        .current_dir(&root)
        .stdin(Stdio::null());
    let status = smoke.status().during("running tests/compose/smoke.sh")?;
    if status.success() {
        Ok(())
    } else {
        Err(Failure::new(format!(
            "tests/compose/smoke.sh ended with {status}"
        )))
    }
}

/// The compose of this machine.
fn program() -> Option<&'static str> {
    ["docker compose", "docker-compose"]
        .into_iter()
        .find(|name| succeeds(command(name).arg("version")))
}

/// A command of one or two words.
fn command(words: &str) -> Command {
    let mut words = words.split(' ');
    let mut command = Command::new(words.next().unwrap_or_default());
    command.args(words);
    command
}

/// Whether it can be started at all and ends well, whatever it says.
fn succeeds(command: &mut Command) -> bool {
    command
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|status| status.success())
}

fn not_run(why: &str) {
    println!("NOT RUN: `docker compose up` was not tried, because {why}");
}

/// A public image of the distribution that `/etc/os-release` describes: what is built on it runs on its image.
fn runtime_image(os_release: &str) -> Option<String> {
    let value = |name: &str| {
        let line = os_release
            .lines()
            .find_map(|line| line.strip_prefix(name)?.strip_prefix('='));
        line.map(|value| value.trim_matches('"'))
    };
    match value("ID")? {
        "debian" => Some(format!("debian:{}-slim", value("VERSION_CODENAME")?)),
        "ubuntu" => Some(format!("ubuntu:{}", value("VERSION_ID")?)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    //! On the words of some distributions.

    use super::runtime_image;

    #[test]
    fn a_binary_is_tried_on_an_image_of_the_distribution_that_it_was_built_on() {
        let image = |text: &str| runtime_image(text);
        let debian = "PRETTY_NAME=\"Debian\"\nVERSION_ID=\"12\"\nVERSION_CODENAME=bookworm\nID=debian\n";
        assert_eq!(image(debian).as_deref(), Some("debian:bookworm-slim"));
        let ubuntu = "ID=ubuntu\nID_LIKE=debian\nVERSION_ID=\"24.04\"\n";
        assert_eq!(image(ubuntu).as_deref(), Some("ubuntu:24.04"));
        assert_eq!(image("ID=\"other\"\nID_LIKE=debian\n"), None);
        assert_eq!(image(""), None);
    }
}
