//! `cargo xtask bench`: the service against its own statements, on this machine, in one run.
//!
//! A private cluster that is as durable as a real one, the release binary as it ships, a light load generator and pgbench
//! share the machine. Figures drift with the machine's mood, so only ratios are shown: service and pgbench take turns, and
//! the medians are compared. A measurement, never a test.

mod asking;
mod bulletins;
mod database;
pub(crate) mod http;
mod machine;
mod notices;
mod pgbench;
mod pulls;
mod pushes;
mod rows;
mod service;
mod table;
mod tablets;
mod wide;

use crate::failure::{Done, Failure, While};
use crate::workspace;
use database::{Databases, Fleet};
use machine::Machine;
use service::Service;
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::rc::Rc;
use std::time::Duration;
use tokio::runtime::Runtime;

/// What to measure.
#[derive(clap::Args)]
pub struct Options {
    /// Measure only the rows whose name contains this: fitness, inspections, fleet, reports, stream, pushes, tablets,
    /// pulls, snapshot, notices, bulletin.
    #[arg(long)]
    only: Option<String>,
    /// How long one measurement takes.
    #[arg(long, default_value_t = 4)]
    seconds: u64,
    /// How often service and pgbench take turns.
    #[arg(long, default_value_t = 3)]
    rounds: usize,
    /// Put the table into README.md.
    #[arg(long)]
    write_readme: bool,
    /// Measure what was built before, without building it again.
    #[arg(long)]
    no_build: bool,
}

/// Measures and prints the table.
pub fn run(options: &Options) -> Done {
    if cfg!(debug_assertions) {
        return in_release(options.no_build);
    }
    let wanted = |name: &str| {
        options
            .only
            .as_ref()
            .is_none_or(|only| name.contains(only.as_str()))
    };
    let rows: Vec<_> = rows::ROWS.iter().filter(|(name, _)| wanted(name)).collect();
    if rows.is_empty() {
        let all: Vec<_> = rows::ROWS.iter().map(|(name, _)| *name).collect();
        return Err(Failure::new(format!(
            "no such row; there are: {}",
            all.join(", ")
        )));
    }
    let mut bench = Bench::start(options)?;
    let mut lines = Vec::new();
    for (name, row) in rows {
        eprintln!("• measuring: {name}");
        lines.extend(row(&mut bench)?);
    }
    let machine = Machine::read(bench.databases.describe()?)?;
    let table = table::markdown(&lines, &machine.to_string(), &bench.how(options));
    bench.stop()?;
    println!("{table}");
    if options.write_readme {
        table::write_readme(&table)?;
    }
    Ok(())
}

/// Builds this command and the service with the release profile and goes on there: the load generator's time counts too.
fn in_release(no_build: bool) -> Done {
    if !no_build {
        let mut build = workspace::cargo()?;
        build
            .args([
                "build",
                "--release",
                "--bin",
                "clampward-api",
                "--bin",
                "clampward-worker",
                "--bin",
                "xtask",
            ])
            .stdout(Stdio::from(std::io::stderr()));
        let status = build.status().during("running cargo")?;
        if !status.success() {
            return Err(Failure::new("the release does not build"));
        }
    }
    let program = workspace::program_of("release", "xtask")?;
    let error = Command::new(&program).args(std::env::args_os().skip(1)).exec();
    Err(Failure::new(format!("starting {}: {error}", program.display())))
}

/// Everything that runs while measuring.
pub struct Bench {
    // Dropped in this order: services, then the cluster, then the folder.
    running: BTreeMap<u64, Rc<Running>>,
    databases: Databases,
    directory: tempfile::TempDir,
    runtime: Runtime,
    seconds: Duration,
    rounds: usize,
    notes: Vec<String>,
}

/// A fleet and the service on it.
pub struct Running {
    /// The fleet.
    pub fleet: Fleet,
    /// The service.
    pub service: Service,
}

impl Bench {
    #[expect(
        clippy::disallowed_methods,
        reason = "the fleet's history ends today; this is a binary"
    )]
    fn start(options: &Options) -> Done<Self> {
        let runtime = Runtime::new().during("starting")?;
        let directory = tempfile::Builder::new()
            .prefix("clampward-bench-")
            .permissions(std::fs::Permissions::from_mode(0o755))
            .tempdir_in("/tmp")
            .during("making a folder in /tmp")?;
        eprintln!("• starting a cluster and loading the invented fleet");
        let databases = Databases::start(directory.path(), &runtime, jiff::Timestamp::now())?;
        Ok(Self {
            running: BTreeMap::new(),
            databases,
            directory,
            runtime,
            seconds: Duration::from_secs(options.seconds.max(1)),
            rounds: options.rounds.max(1),
            notes: Vec::new(),
        })
    }

    /// The service on a fleet of about so many clamps; made when it is first asked for.
    pub fn running(&mut self, clamps: u64) -> Done<Rc<Running>> {
        if let Some(running) = self.running.get(&clamps) {
            return Ok(Rc::clone(running));
        }
        eprintln!("• multiplying the fleet to {clamps} clamps");
        let fleet = self.databases.fleet(clamps)?;
        let name = format!("service-{clamps}");
        let service = Service::start(self.directory(), &name, &fleet.service_url, &self.runtime)?;
        let running = Rc::new(Running { fleet, service });
        self.running.insert(clamps, Rc::clone(&running));
        Ok(running)
    }

    /// The service on a database, stopped by whoever asked for it.
    pub fn serve(&self, name: &str, service_url: &str) -> Done<Service> {
        Service::start(self.directory(), name, service_url, &self.runtime)
    }

    /// Measures in turns; answers the figures of both.
    pub fn alternate(
        &self,
        mut ours: impl FnMut(&Self) -> Done<f64>,
        mut floor: impl FnMut(&Self) -> Done<f64>,
    ) -> Done<(Vec<f64>, Vec<f64>)> {
        let mut figures = (Vec::new(), Vec::new());
        for _ in 0..self.rounds {
            figures.0.push(ours(self)?);
            figures.1.push(floor(self)?);
            eprintln!(
                "    {:>10.1} {:>10.1}",
                table::median(&figures.0),
                table::median(&figures.1)
            );
        }
        Ok(figures)
    }

    /// Something to be said with the table.
    pub fn note(&mut self, note: String) {
        self.notes.push(note);
    }
    /// The databases.
    pub fn databases(&self) -> &Databases {
        &self.databases
    }
    /// The folder of this run.
    pub fn directory(&self) -> &Path {
        self.directory.path()
    }
    /// How long one measurement takes.
    pub fn seconds(&self) -> Duration {
        self.seconds
    }
    /// Waits for something that does not block.
    pub fn wait<T>(&self, future: impl Future<Output = T>) -> T {
        self.runtime.block_on(future)
    }

    fn how(&self, options: &Options) -> String {
        let notes = self.notes.join(" ");
        format!(
            "Service, load generator and PostgreSQL share the machine; service and what it is compared with take turns, \
             {} × {} s each, medians. Absolute figures drift by a factor of two with the machine, ratios by the range in \
             brackets. {notes}",
            self.rounds, options.seconds
        )
    }

    fn stop(mut self) -> Done {
        for (_, running) in std::mem::take(&mut self.running) {
            if let Some(running) = Rc::into_inner(running) {
                running.service.stop()?;
            }
        }
        self.databases.stop()
    }
}
