//! A primary and its standby, for tests of what is lost with a machine: kill, cut off, fail over, restore.
//!
//! Both run from the binaries on this machine in one temporary folder. The standby follows by streaming, without being
//! waited for, so what was committed since it was cut off is lost when it takes over. A commit is in the hands of the
//! operating system when it is answered, so that killing a server loses nothing; a power cut is not played here.

use super::account::Account;
use super::binaries::Binaries;
use super::cluster::{SUPERUSER, free_port, prepare_temporary, run, tail};
use super::{ClusterError, while_doing};
use crate::supervised::{Ending, Supervised};
use std::ffi::OsString;
use std::fs::OpenOptions;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// The standby's name, as the primary sees it.
pub const STANDBY: &str = "clampward_standby";
/// How long a start may take.
const START_SECONDS: u64 = 120;
/// How often a server is asked whether it is ready.
const POLL: Duration = Duration::from_millis(5);
/// What both are started with.
const SETTINGS: [&str; 14] = [
    "listen_addresses=127.0.0.1",
    "unix_socket_directories=",
    "timezone=UTC",
    "fsync=off",
    "full_page_writes=off",
    "max_connections=200",
    "wal_level=replica",
    "hot_standby=on",
    "max_wal_senders=8",
    "wal_keep_size=256MB",
    "max_wal_size=1GB",
    "shared_buffers=256MB",
    "wal_receiver_status_interval=1s",
    "autovacuum_naptime=10s",
];

/// The two.
#[derive(Debug)]
pub struct Pair {
    directory: PathBuf,
    account: Account,
    binaries: Binaries,
    port: u16,
    standby_port: u16,
    primary: Option<Supervised>,
    standby: Option<Supervised>,
    /// Counts the folders that were made.
    made: u32,
    primary_data: PathBuf,
    standby_data: PathBuf,
    backup: Option<PathBuf>,
}

impl Pair {
    /// Makes and starts both.
    pub fn start() -> Result<Self, ClusterError> {
        let binaries = Binaries::find()?;
        let account = Account::find()?;
        let directory = prepare_temporary(&account)?;
        let primary_data = directory.join("data-0");
        let mut pair = Self {
            port: free_port()?,
            standby_port: free_port()?,
            standby_data: primary_data.clone(),
            primary_data,
            directory,
            account,
            binaries,
            primary: None,
            standby: None,
            made: 0,
            backup: None,
        };
        let mut command = pair.account.command(pair.binaries.program("initdb"));
        command
            .args([
                "--no-sync",
                "--auth=trust",
                "--wal-segsize=4",
                "--encoding=UTF8",
                "--locale=C",
            ])
            .args(["--username", SUPERUSER, "--pgdata"])
            .arg(&pair.primary_data);
        run(&mut command, "initdb")?;
        pair.start_primary()?;
        pair.follow()?;
        Ok(pair)
    }

    /// The superuser's URL of a database; it stays the same whoever is the primary.
    pub fn url(&self, database: &str) -> String {
        format!("postgres://{SUPERUSER}@127.0.0.1:{}/{database}", self.port)
    }

    /// The primary is gone in the middle of whatever it does.
    pub fn kill_primary(&mut self) -> Result<(), ClusterError> {
        end(self.primary.take())
    }

    /// Starts the primary again; it replays its log first.
    pub fn start_primary(&mut self) -> Result<(), ClusterError> {
        let server = self.serve(&self.primary_data, self.port, &["ready"])?;
        self.primary = Some(server);
        Ok(())
    }

    /// Whether the standby follows.
    pub fn is_followed(&self) -> bool {
        self.standby.is_some()
    }

    /// Cuts the standby off: what is committed from here on, only the primary has. What the standby has until now is kept
    /// as a backup, too.
    pub fn cut_off(&mut self) -> Result<(), ClusterError> {
        end(self.standby.take())?;
        let backup = self.fresh("backup");
        self.copy(&self.standby_data, &backup)?;
        let older = self.backup.replace(backup);
        self.throw_away(older)?;
        Ok(())
    }

    /// The primary's machine is lost; the standby that was cut off takes over.
    pub fn fail_over(&mut self) -> Result<(), ClusterError> {
        self.kill_primary()?;
        let lost = std::mem::replace(&mut self.primary_data, self.standby_data.clone());
        self.throw_away(Some(lost))?;
        let server = self.serve(&self.primary_data, self.port, &["standby", "ready"])?;
        self.primary = Some(server);
        let mut command = self.account.command(self.binaries.program("pg_ctl"));
        command
            .args(["promote", "--wait", "--pgdata"])
            .arg(&self.primary_data);
        run(&mut command, "pg_ctl promote")?;
        Ok(())
    }

    /// The primary's data are lost; the backup of when the standby was cut off takes their place, as if nothing had been
    /// written since.
    pub fn restore(&mut self) -> Result<(), ClusterError> {
        self.kill_primary()?;
        let Some(backup) = self.backup.clone() else {
            return self.start_primary();
        };
        let fresh = self.fresh("data");
        let lost = std::mem::replace(&mut self.primary_data, fresh);
        self.throw_away(Some(lost))?;
        self.copy(&backup, &self.primary_data)?;
        let signal = self.primary_data.join("standby.signal");
        std::fs::remove_file(&signal).map_err(while_doing(format!("removing {}", signal.display())))?;
        self.start_primary()
    }

    /// Makes a new standby that follows the primary.
    pub fn follow(&mut self) -> Result<(), ClusterError> {
        end(self.standby.take())?;
        let fresh = self.fresh("data");
        let old = std::mem::replace(&mut self.standby_data, fresh);
        if old != self.primary_data {
            self.throw_away(Some(old))?;
        }
        let mut command = self.account.command(self.binaries.program("pg_basebackup"));
        let from = format!(
            "host=127.0.0.1 port={} user={SUPERUSER} application_name={STANDBY}",
            self.port
        );
        command
            .args([
                "--checkpoint=fast",
                "--wal-method=stream",
                "--no-sync",
                "--write-recovery-conf",
            ])
            .args(["--dbname", &from, "--pgdata"])
            .arg(&self.standby_data);
        run(&mut command, "pg_basebackup")?;
        let server = self.serve(&self.standby_data, self.standby_port, &["standby", "ready"])?;
        self.standby = Some(server);
        Ok(())
    }

    fn fresh(&mut self, name: &str) -> PathBuf {
        self.made = self.made.saturating_add(1);
        self.directory.join(format!("{name}-{}", self.made))
    }

    fn copy(&self, from: &Path, to: &Path) -> Result<(), ClusterError> {
        let mut command = self.account.command("cp");
        command.arg("-a").arg(from).arg(to);
        run(&mut command, "cp").map(|_| ())
    }

    fn throw_away(&self, folder: Option<PathBuf>) -> Result<(), ClusterError> {
        match folder {
            Some(folder) if folder.exists() => std::fs::remove_dir_all(&folder)
                .map_err(while_doing(format!("removing {}", folder.display()))),
            Some(_) | None => Ok(()),
        }
    }

    fn serve(&self, data: &Path, port: u16, until: &[&str]) -> Result<Supervised, ClusterError> {
        let log_path = self.directory.join("server.log");
        let log = OpenOptions::new()
            .create(true)
            .append(true)
            .open(&log_path)
            .map_err(while_doing(format!("opening {}", log_path.display())))?;
        let begin = log.metadata().map_or(0, |metadata| metadata.len());
        let mut arguments: Vec<OsString> =
            vec!["-D".into(), data.into(), "-p".into(), port.to_string().into()];
        arguments.extend(
            SETTINGS
                .iter()
                .flat_map(|setting| ["-c".into(), (*setting).into()]),
        );
        let mut server = Supervised::start(
            self.account.command("sh"),
            &self.binaries.program("postgres"),
            &arguments,
            &log,
            Ending::Signal("QUIT"),
        )
        .map_err(while_doing("starting PostgreSQL"))?;
        let trace = data.join("postmaster.pid");
        let begun = Instant::now();
        while begun.elapsed() < Duration::from_secs(START_SECONDS) {
            if server
                .ended()
                .map_err(while_doing("watching PostgreSQL start"))?
                .is_some()
            {
                break;
            }
            let text = std::fs::read_to_string(&trace).unwrap_or_default();
            let lines: Vec<&str> = text.lines().collect();
            let on_port = lines.get(3).is_some_and(|line| *line == port.to_string());
            if on_port && lines.get(7).is_some_and(|line| until.contains(&line.trim())) {
                return Ok(server);
            }
            std::thread::sleep(POLL);
        }
        Err(ClusterError::Program {
            program: "postgres",
            output: tail(&log_path, begin),
        })
    }
}

impl Drop for Pair {
    fn drop(&mut self) {
        drop(self.standby.take());
        drop(self.primary.take());
        if let Err(error) = std::fs::remove_dir_all(&self.directory) {
            eprintln!("{} is left behind: {error}", self.directory.display());
        }
    }
}

fn end(server: Option<Supervised>) -> Result<(), ClusterError> {
    match server {
        Some(mut server) => server.end().map(|_| ()).map_err(while_doing("ending PostgreSQL")),
        None => Ok(()),
    }
}
