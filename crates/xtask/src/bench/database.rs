//! A private cluster as durable as a real one, with fleets of several sizes in it.
//!
//! SQL lies beside in files and goes through `psql` as the owner; nothing here is how the service writes.

use crate::demo;
use crate::failure::{Done, Failure, While};
use crate::workspace;
use clampward_testkit::postgres::{Binaries, Cluster, ClusterOptions, Place, random_password};
use clampward_testkit::{SERVICE_ROLE, ensure_database};
use std::path::Path;
use std::process::{Command, Stdio};
use tokio::runtime::Runtime;

/// What makes a commit durable; said aloud, because it decides the figures.
const DURABLE: &[&str] = &["fsync", "synchronous_commit", "full_page_writes"];
/// The database with the invented fleet, which the others are copies of.
const TEMPLATE: &str = "fleet";

/// The cluster with its databases.
pub struct Databases {
    cluster: Cluster,
    service_password: String,
    binaries: Binaries,
}

/// One database with a fleet of some size.
pub struct Fleet {
    /// The service's URL.
    pub service_url: String,
    /// The owner's URL.
    pub owner_url: String,
    /// The yards, each with the range of its clamps' numbers.
    pub yards: Vec<Yard>,
}

/// A yard's clamps are numbered one after another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Yard {
    /// Its id.
    pub id: String,
    /// The first clamp.
    pub first: u64,
    /// The last one.
    pub last: u64,
}

/// The id of a clamp by its number.
pub fn clamp_id(number: u64) -> String {
    format!("01930000-0000-7000-8000-{number:012x}")
}

impl Databases {
    /// Starts the cluster and loads the invented fleet into its template.
    pub fn start(directory: &Path, runtime: &Runtime, today: jiff::Timestamp) -> Done<Self> {
        let password = random_password().during("making a password")?;
        let service_password = random_password().during("making a password")?;
        let settings = [
            ("fsync", "on"),
            ("synchronous_commit", "on"),
            ("full_page_writes", "on"),
            ("shared_buffers", "1GB"),
            ("max_wal_size", "8GB"),
            ("checkpoint_timeout", "30min"),
            ("max_connections", "300"),
        ];
        let cluster = Cluster::start(ClusterOptions {
            place: Place::Kept(directory.join("postgres")),
            password: Some(password),
            settings: settings
                .map(|(name, value)| (name.to_owned(), value.to_owned()))
                .to_vec(),
        })
        .during("starting a cluster")?;
        let binaries = Binaries::find().during("finding PostgreSQL")?;
        let databases = Self {
            cluster,
            service_password,
            binaries,
        };
        runtime
            .block_on(ensure_database(&databases.cluster.url("postgres"), TEMPLATE))
            .during("making the database")?;
        let owner_url = databases.owner_url(TEMPLATE);
        let mut migrate = Command::new(workspace::program_of("release", "clampward-api")?);
        migrate
            .arg("migrate")
            .env("CLAMPWARD_OWNER_URL", &owner_url)
            .env("CLAMPWARD_SERVICE_PASSWORD", &databases.service_password);
        output(&mut migrate)?;
        let service_url = databases.service_url(TEMPLATE);
        runtime
            .block_on(demo::load(&service_url, today, |_, _| ()))
            .during("loading the invented fleet")?;
        Ok(databases)
    }

    /// A database with about so many clamps.
    pub fn fleet(&self, clamps: u64) -> Done<Fleet> {
        self.multiplied(&format!("clamps_{clamps}"), "fleet.sql", clamps, &[])
    }

    /// A database with what is counted of about so many clamps, of which no more than a share of a thousand is out.
    pub fn counted(&self, clamps: u64, out_per_thousand: u64) -> Done<Fleet> {
        let name = format!("counted_{clamps}_{out_per_thousand}");
        let out = format!("out={out_per_thousand}/1000.0");
        self.multiplied(&name, "counted.sql", clamps, &["-v", &out])
    }

    fn multiplied(&self, name: &str, script: &str, clamps: u64, more: &[&str]) -> Done<Fleet> {
        let server = self.cluster.url("postgres");
        self.psql(
            &server,
            &["-c", &format!("create database {name} template {TEMPLATE}")],
        )?;
        let owner_url = self.owner_url(name);
        let script = workspace::root()?.join("crates/xtask/src/bench").join(script);
        let script = script.display().to_string();
        let clamps = format!("clamps={clamps}");
        let arguments = [&["-v", &clamps], more, &["-f", &script]].concat();
        let said = self.psql(&owner_url, &arguments)?;
        Ok(Fleet {
            service_url: self.service_url(name),
            owner_url,
            yards: said.lines().filter_map(yard).collect(),
        })
    }

    /// What PostgreSQL is, and that it is durable.
    pub fn describe(&self) -> Done<String> {
        let url = self.cluster.url("postgres");
        let version = self.psql(&url, &["-c", "show server_version"])?;
        let mut text = format!(
            "PostgreSQL {}",
            version.split_whitespace().next().unwrap_or_default()
        );
        for name in DURABLE {
            let value = self.psql(&url, &["-c", &format!("show {name}")])?;
            if value.trim() != "on" {
                return Err(Failure::new(format!(
                    "{name} is {value}, so that nothing here would be durable"
                )));
            }
            text.push_str(&format!(", {name} on"));
        }
        Ok(text)
    }

    /// What `psql` answers, without decoration.
    pub fn psql(&self, url: &str, arguments: &[&str]) -> Done<String> {
        let mut command = Command::new(self.binaries.program("psql"));
        command
            .args([
                "--no-psqlrc",
                "--quiet",
                "--tuples-only",
                "--no-align",
                "-v",
                "ON_ERROR_STOP=1",
                url,
            ])
            .args(arguments);
        output(&mut command)
    }

    /// One of PostgreSQL's own programs.
    pub fn program(&self, name: &str) -> Command {
        Command::new(self.binaries.program(name))
    }

    /// Stops the cluster.
    pub fn stop(self) -> Done {
        self.cluster.stop().during("stopping the database")
    }

    fn owner_url(&self, name: &str) -> String {
        self.cluster.url(name)
    }
    /// Plain, so that PostgreSQL's own programs understand it too.
    fn service_url(&self, name: &str) -> String {
        let owner = self.cluster.url(name);
        let place = owner.rsplit('@').next().unwrap_or_default();
        format!("postgres://{SERVICE_ROLE}:{}@{place}", self.service_password)
    }
}

/// A line of what the script answers: yard, first and last number.
fn yard(line: &str) -> Option<Yard> {
    let mut parts = line.split('|');
    Some(Yard {
        id: parts.next()?.to_owned(),
        first: parts.next()?.parse().ok()?,
        last: parts.next()?.parse().ok()?,
    })
}

/// What a program says, or why it failed.
pub fn output(command: &mut Command) -> Done<String> {
    let program = command.get_program().to_string_lossy().into_owned();
    let output = command
        .stdin(Stdio::null())
        .output()
        .during(format!("running {program}"))?;
    if output.status.success() {
        return String::from_utf8(output.stdout).during(format!("reading what {program} says"));
    }
    let said = [output.stdout, output.stderr].concat();
    Err(Failure::new(format!(
        "{program} failed:\n{}",
        String::from_utf8_lossy(&said)
    )))
}

#[cfg(test)]
mod tests {
    //! What the script answers is read as it is.

    use super::*;

    #[test]
    fn a_yard_is_its_range_of_clamps() {
        let read = yard("8a|0|33").unwrap();
        assert_eq!((read.id.as_str(), read.first, read.last), ("8a", 0, 33));
        assert_eq!(yard(""), None);
        assert_eq!(clamp_id(255), "01930000-0000-7000-8000-0000000000ff");
    }
}
