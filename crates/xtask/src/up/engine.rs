//! The database as a container, by the engine's own command. Its data live in a volume named after the data folder.
//!
//! Any image will do that holds PostgreSQL's server binaries and the account `postgres`: the script below makes the
//! cluster on the first start.

use super::{ended_with, step};
use crate::failure::{Done, Failure, While};
use clampward_testkit::supervised::{Ending, Supervised};
use std::ffi::OsString;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// The image, unless `CLAMPWARD_POSTGRES_IMAGE` names another.
const USUAL_IMAGE: &str = "postgres:17";
/// How long a start may take, an image that has to be fetched included.
const START: Duration = Duration::from_secs(300);
/// How often the container is asked whether it is ready.
const POLL: Duration = Duration::from_millis(200);

/// Makes the cluster once, in one step, and serves it. Runs as `postgres`, whose home the volume is.
const SCRIPT: &str = r#"
set -eu
bin=$(dirname "$(ls -d /usr/lib/postgresql/*/bin/postgres /usr/local/bin/postgres 2>/dev/null | tail -n 1)")
data=/var/lib/postgresql/clampward
if [ ! -d "$data" ]; then
    rm -rf "$data.new"
    printf %s "$CLAMPWARD_PASSWORD" >/tmp/password
    "$bin/initdb" --no-sync -D "$data.new" --username=postgres --encoding=UTF8 --locale=C \
        --auth-local=trust --auth-host=scram-sha-256 --pwfile=/tmp/password
    rm /tmp/password
    echo "host all all all scram-sha-256" >>"$data.new/pg_hba.conf"
    mv "$data.new" "$data"
fi
exec "$bin/postgres" -D "$data" -c "listen_addresses=*" -c unix_socket_directories=/tmp -c timezone=UTC
"#;

/// A container engine that answers.
pub struct Engine {
    command: &'static str,
}

impl Engine {
    /// The first engine on this machine that answers.
    pub fn find() -> Option<Self> {
        ["docker", "podman"].into_iter().find_map(|command| {
            let mut asked = Command::new(command);
            asked
                .arg("info")
                .stdin(Stdio::null())
                .stdout(Stdio::null())
                .stderr(Stdio::null());
            asked
                .status()
                .is_ok_and(|status| status.success())
                .then_some(Self { command })
        })
    }

    /// What it is called.
    pub fn name(&self) -> &'static str {
        self.command
    }

    /// Starts the container and waits until it accepts connections.
    pub fn start(&self, directory: &Path, password: &str) -> Done<Container> {
        let name = container_name(directory)?;
        let image =
            std::env::var_os("CLAMPWARD_POSTGRES_IMAGE").unwrap_or_else(|| OsString::from(USUAL_IMAGE));
        let log = directory.join("container.log");
        let file = File::create(&log).during(format!("making {}", log.display()))?;
        let volume = format!("{name}:/var/lib/postgresql");
        let mut arguments: Vec<OsString> = ["run", "--rm", "--name", &name, "--user", "postgres"]
            .map(Into::into)
            .into();
        arguments.extend(["--publish", "127.0.0.1::5432", "--volume", &volume].map(OsString::from));
        arguments.extend(["--env", "CLAMPWARD_PASSWORD"].map(OsString::from));
        arguments.push(image);
        arguments.extend(["sh", "-c", SCRIPT].map(OsString::from));
        let mut environment = Command::new("sh");
        environment.env("CLAMPWARD_PASSWORD", password);
        let run = Supervised::start(
            environment,
            Path::new(self.command),
            &arguments,
            &file,
            Ending::Signal("TERM"),
        );
        let run = run.during(format!("starting {}", self.command))?;
        let mut container = Container {
            command: self.command,
            name,
            log,
            run,
            port: String::new(),
            password: password.to_owned(),
        };
        container.wait_until_ready()?;
        Ok(container)
    }
}

/// A running container that ends with this program.
pub struct Container {
    command: &'static str,
    name: String,
    log: PathBuf,
    run: Supervised,
    port: String,
    password: String,
}

impl Container {
    /// The superuser's URL.
    pub fn url(&self) -> String {
        format!(
            "postgres://postgres:{}@127.0.0.1:{}/postgres",
            self.password, self.port
        )
    }

    /// Fails when the container ended by itself.
    pub fn check(&mut self) -> Done {
        match self.run.ended().during("watching the container")? {
            None => Ok(()),
            Some(_) => Err(ended_with("the database's container", &self.log)),
        }
    }

    /// Ends the container; its volume stays.
    pub fn stop(mut self) -> Done {
        self.run
            .end()
            .map(|_| ())
            .during("stopping the database's container")
    }

    fn wait_until_ready(&mut self) -> Done {
        step("waiting for the database's container");
        let begin = Instant::now();
        while begin.elapsed() < START {
            self.check()?;
            // Over the network, as the service will: only then is the server's start complete.
            let ready = self.asked(&["exec", &self.name, "pg_isready", "--quiet", "--host", "127.0.0.1"]);
            if ready.is_some() {
                let port = self.asked(&["port", &self.name, "5432/tcp"]);
                let port = port
                    .as_deref()
                    .and_then(|text| text.lines().next()?.rsplit(':').next().map(str::to_owned));
                self.port = port.ok_or_else(|| Failure::new("the database's container has no port"))?;
                return Ok(());
            }
            std::thread::sleep(POLL);
        }
        Err(Failure::new(format!(
            "the database's container did not get ready; see {}",
            self.log.display()
        )))
    }

    /// What the engine answers, if it says yes.
    fn asked(&self, arguments: &[&str]) -> Option<String> {
        let output = Command::new(self.command)
            .args(arguments)
            .stdin(Stdio::null())
            .output()
            .ok()?;
        if !output.status.success() {
            return None;
        }
        String::from_utf8(output.stdout).ok()
    }
}

/// A name for container and volume that stays the same for a data folder and differs between folders.
fn container_name(directory: &Path) -> Done<String> {
    let path = directory
        .canonicalize()
        .during(format!("finding {}", directory.display()))?;
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    Ok(format!(
        "clampward{}",
        path.to_string_lossy().chars().map(plain).collect::<String>()
    ))
}

#[cfg(test)]
mod tests {
    //! Names of containers.

    use super::container_name;

    #[test]
    fn each_data_folder_has_a_name_that_engines_accept() {
        let one = tempfile::tempdir().unwrap();
        let other = tempfile::tempdir().unwrap();
        let name = container_name(one.path()).unwrap();
        assert_eq!(name, container_name(one.path()).unwrap());
        assert_ne!(name, container_name(other.path()).unwrap());
        assert!(
            name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-'),
            "{name}"
        );
    }
}
