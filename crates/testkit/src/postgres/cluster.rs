//! One cluster: made, started on a free loopback port, found again after a crash, stopped.

use super::account::Account;
use super::binaries::Binaries;
use super::{ClusterError, while_doing};
use crate::supervised::{Ending, Supervised};
use std::ffi::OsString;
use std::fs::{File, OpenOptions, Permissions, TryLockError};
use std::io::{self, Read, Seek, SeekFrom};
use std::net::{Ipv4Addr, TcpListener};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{ExitStatus, Output, Stdio};
use std::time::{Duration, Instant};

/// The superuser of a private cluster.
pub(super) const SUPERUSER: &str = "postgres";
/// How often another port is tried when someone else took the free one first.
const PORT_ATTEMPTS: u32 = 5;
/// How long a start may take; after a crash the server replays its log first.
const START_SECONDS: u64 = 120;
/// How often the server is asked whether it is ready.
const POLL: Duration = Duration::from_millis(10);

/// Where the cluster lives and what becomes of it.
#[derive(Clone, Debug)]
pub enum Place {
    /// In this folder, which is made if missing; data stay there.
    Kept(PathBuf),
    /// In a fresh folder that is removed when the cluster ends. Not safe against a power cut, and faster for it.
    Temporary,
}

/// What kind of cluster is wanted.
#[derive(Clone, Debug)]
pub struct ClusterOptions {
    /// Where it lives.
    pub place: Place,
    /// The superuser's password, set when the cluster is made; without one, loopback is trusted.
    pub password: Option<String>,
    /// Settings for the server, as in its configuration file.
    pub settings: Vec<(String, String)>,
}

/// A running private cluster. Dropping it stops it, and so does the end of this process in any way.
#[derive(Debug)]
pub struct Cluster {
    server: Supervised,
    port: u16,
    password: Option<String>,
    _in_use: Option<File>,
}

impl Cluster {
    /// Makes the cluster if it is not there yet and starts it.
    pub fn start(options: ClusterOptions) -> Result<Self, ClusterError> {
        // Before anything is made: without binaries there is nothing to make it for.
        Binaries::find()?;
        let account = Account::find()?;
        let (directory, temporary) = match options.place {
            Place::Kept(directory) => (prepare_kept(&account, &directory)?, false),
            Place::Temporary => (prepare_temporary(&account)?, true),
        };
        let in_use = if temporary { None } else { Some(lock(&directory)?) };
        let home = Home {
            binaries: Binaries::for_data(&directory.join("data"))?,
            account,
            directory,
        };
        let started = home
            .make(options.password.as_deref())
            .and_then(|()| home.end_left_behind())
            .and_then(|()| home.start(&settings(options.settings, temporary), temporary));
        match started {
            Ok((server, port)) => Ok(Self {
                server,
                port,
                password: options.password,
                _in_use: in_use,
            }),
            Err(error) => {
                if temporary && home.directory.exists() {
                    std::fs::remove_dir_all(&home.directory)
                        .map_err(while_doing("removing a failed cluster"))?;
                }
                Err(error)
            }
        }
    }

    /// The superuser's URL of a database in this cluster.
    pub fn url(&self, database: &str) -> String {
        let password = self
            .password
            .as_ref()
            .map_or_else(String::new, |password| format!(":{password}"));
        format!(
            "postgres://{SUPERUSER}{password}@127.0.0.1:{}/{database}",
            self.port
        )
    }

    /// Whether the server is still there.
    pub fn is_running(&mut self) -> bool {
        matches!(self.server.ended(), Ok(None))
    }

    /// Stops the server and waits for it.
    pub fn stop(mut self) -> Result<(), ClusterError> {
        self.server
            .end()
            .map(|_| ())
            .map_err(while_doing("stopping PostgreSQL"))
    }
}

/// The folder of a cluster with what is needed to work in it.
struct Home {
    binaries: Binaries,
    account: Account,
    /// Holds `data`, `server.log` and nothing else.
    directory: PathBuf,
}

impl Home {
    fn data(&self) -> PathBuf {
        self.directory.join("data")
    }

    /// Makes the data folder in one step: a half-made one has another name and is thrown away.
    fn make(&self, password: Option<&str>) -> Result<(), ClusterError> {
        if self.data().exists() {
            return Ok(());
        }
        let half_made = self.directory.join("data.new");
        if half_made.exists() {
            std::fs::remove_dir_all(&half_made).map_err(while_doing("removing a half-made cluster"))?;
        }
        let mut command = self.account.command(self.binaries.program("initdb"));
        command.arg("--no-sync").arg("--pgdata").arg(&half_made);
        command.args(["--username", SUPERUSER, "--encoding", "UTF8", "--locale", "C"]);
        let password_file = self.directory.join("password.new");
        match password {
            None => command.arg("--auth=trust"),
            Some(password) => {
                std::fs::write(&password_file, password).map_err(while_doing("handing over the password"))?;
                std::fs::set_permissions(&password_file, Permissions::from_mode(0o600))
                    .map_err(while_doing("closing the password file"))?;
                self.account.own(&password_file)?;
                command
                    .arg("--auth=scram-sha-256")
                    .arg("--pwfile")
                    .arg(&password_file)
            }
        };
        let made = run(&mut command, "initdb");
        if password.is_some() {
            std::fs::remove_file(&password_file).map_err(while_doing("removing the password file"))?;
        }
        made?;
        std::fs::rename(&half_made, self.data()).map_err(while_doing("naming the new cluster"))
    }

    /// Stops a server that a killed caller left in this folder, or removes the trace of one that is gone. Only called
    /// with the lock held: nobody else is using that server.
    fn end_left_behind(&self) -> Result<(), ClusterError> {
        let trace = self.data().join("postmaster.pid");
        let Ok(text) = std::fs::read_to_string(&trace) else {
            return Ok(());
        };
        if !Path::new("/proc/self/cwd").exists() {
            // Nothing here tells a server from another program with its number: PostgreSQL itself decides.
            return Ok(());
        }
        let number = text.lines().next().unwrap_or_default().trim();
        if is_server_of(number, &self.data()) {
            let mut command = self.account.command(self.binaries.program("pg_ctl"));
            command
                .arg("stop")
                .arg("--pgdata")
                .arg(self.data())
                .args(["--mode", "fast", "--wait"]);
            return run(&mut command, "pg_ctl stop").map(|_| ());
        }
        match std::fs::remove_file(&trace) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                Err(while_doing(format!("removing {}", trace.display()))(error))
            }
            Ok(()) | Err(_) => Ok(()),
        }
    }

    /// Starts the server on a free port; tries another when somebody else was quicker.
    fn start(
        &self,
        settings: &[(String, String)],
        temporary: bool,
    ) -> Result<(Supervised, u16), ClusterError> {
        let log_path = self.directory.join("server.log");
        let mut attempt = 1;
        loop {
            let port = free_port()?;
            let log = OpenOptions::new()
                .create(true)
                .append(true)
                .open(&log_path)
                .map_err(while_doing(format!("opening {}", log_path.display())))?;
            let begin = log.metadata().map_or(0, |metadata| metadata.len());
            let ending = if temporary {
                Ending::SignalAndRemove("QUIT", &self.directory)
            } else {
                Ending::Signal("INT")
            };
            let program = self.binaries.program("postgres");
            let arguments = self.arguments(port, settings);
            let mut server =
                Supervised::start(self.account.command("sh"), &program, &arguments, &log, ending)
                    .map_err(while_doing("starting PostgreSQL"))?;
            if self.wait_until_ready(&mut || server.ended(), port)? {
                return Ok((server, port));
            }
            let output = tail(&log_path, begin);
            server.end().map_err(while_doing("ending PostgreSQL"))?;
            if attempt == PORT_ATTEMPTS || !output.contains("could not bind") {
                return Err(ClusterError::Program {
                    program: "postgres",
                    output,
                });
            }
            attempt += 1;
        }
    }

    fn arguments(&self, port: u16, settings: &[(String, String)]) -> Vec<OsString> {
        let mut arguments: Vec<OsString> = vec![
            "-D".into(),
            self.data().into(),
            "-p".into(),
            port.to_string().into(),
        ];
        // Socket paths have a length limit that a deep folder breaks; loopback TCP has none.
        let fixed = [("listen_addresses", "127.0.0.1"), ("unix_socket_directories", "")];
        let fixed = fixed.iter().map(|(name, value)| format!("{name}={value}"));
        let given = settings.iter().map(|(name, value)| format!("{name}={value}"));
        arguments.extend(
            fixed
                .chain(given)
                .flat_map(|setting| ["-c".into(), setting.into()]),
        );
        arguments
    }

    /// Waits until the server says in `postmaster.pid` that it is ready on this port; false when it ended or never
    /// became ready.
    fn wait_until_ready(
        &self,
        ended: &mut dyn FnMut() -> io::Result<Option<ExitStatus>>,
        port: u16,
    ) -> Result<bool, ClusterError> {
        let trace = self.data().join("postmaster.pid");
        let port = port.to_string();
        let begin = Instant::now();
        while begin.elapsed() < Duration::from_secs(START_SECONDS) {
            if ended()
                .map_err(while_doing("watching PostgreSQL start"))?
                .is_some()
            {
                return Ok(false);
            }
            let text = std::fs::read_to_string(&trace).unwrap_or_default();
            let mut lines = text.lines().skip(3);
            let on_port = lines.next() == Some(port.as_str());
            if on_port && lines.nth(3).is_some_and(|status| status.trim() == "ready") {
                return Ok(true);
            }
            std::thread::sleep(POLL);
        }
        Ok(false)
    }
}

fn settings(mut given: Vec<(String, String)>, temporary: bool) -> Vec<(String, String)> {
    let mut all = vec![("timezone".to_owned(), "UTC".to_owned())];
    if temporary {
        let fast = [
            ("fsync", "off"),
            ("full_page_writes", "off"),
            ("synchronous_commit", "off"),
        ];
        all.extend(fast.map(|(name, value)| (name.to_owned(), value.to_owned())));
    }
    all.append(&mut given);
    all
}

fn prepare_kept(account: &Account, directory: &Path) -> Result<PathBuf, ClusterError> {
    let doing = || format!("making {}", directory.display());
    std::fs::create_dir_all(directory).map_err(while_doing(doing()))?;
    let directory = directory.canonicalize().map_err(while_doing(doing()))?;
    account.own(&directory)?;
    if !account.can_reach(&directory) {
        return Err(ClusterError::Unreachable {
            directory,
            account: account.name().to_owned(),
        });
    }
    Ok(directory)
}

pub(super) fn prepare_temporary(account: &Account) -> Result<PathBuf, ClusterError> {
    let mut refused = None;
    for parent in [std::env::temp_dir(), PathBuf::from("/tmp")] {
        let made = tempfile::Builder::new()
            .prefix("clampward-")
            .permissions(Permissions::from_mode(0o700))
            .tempdir_in(&parent)
            .map_err(while_doing(format!("making a folder in {}", parent.display())))?;
        account.own(made.path())?;
        if account.can_reach(made.path()) {
            return Ok(made.keep());
        }
        refused = Some(made.path().to_owned());
    }
    Err(ClusterError::Unreachable {
        directory: refused.unwrap_or_default(),
        account: account.name().to_owned(),
    })
}

/// Takes the folder for this process; the operating system gives it back however the process ends.
fn lock(directory: &Path) -> Result<File, ClusterError> {
    let path = directory.join("lock");
    let file = OpenOptions::new().create(true).append(true).open(&path);
    let file = file.map_err(while_doing(format!("opening {}", path.display())))?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(ClusterError::InUse {
            directory: directory.to_owned(),
        }),
        Err(TryLockError::Error(error)) => Err(while_doing(format!("locking {}", path.display()))(error)),
    }
}

/// A server works in its data folder: that tells it from another program that got its number later.
fn is_server_of(number: &str, data: &Path) -> bool {
    let Ok(working) = std::fs::read_link(format!("/proc/{number}/cwd")) else {
        return false;
    };
    !number.is_empty() && Some(working) == data.canonicalize().ok()
}

pub(super) fn free_port() -> Result<u16, ClusterError> {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .and_then(|listener| listener.local_addr())
        .map(|address| address.port())
        .map_err(while_doing("looking for a free port"))
}

pub(super) fn run(
    command: &mut std::process::Command,
    program: &'static str,
) -> Result<Output, ClusterError> {
    let output = command
        .stdin(Stdio::null())
        .output()
        .map_err(while_doing(format!("running {program}")))?;
    if output.status.success() {
        return Ok(output);
    }
    let said = [output.stdout, output.stderr].concat();
    Err(ClusterError::Program {
        program,
        output: String::from_utf8_lossy(&said).into_owned(),
    })
}

/// What the server wrote to its log in this attempt.
pub(super) fn tail(path: &Path, begin: u64) -> String {
    let mut text = String::new();
    let read = File::open(path).and_then(|mut file| {
        file.seek(SeekFrom::Start(begin))?;
        file.read_to_string(&mut text)
    });
    match read {
        Ok(_) => text,
        Err(error) => format!("(its log {} cannot be read: {error})", path.display()),
    }
}

#[cfg(test)]
#[path = "cluster/tests.rs"]
mod tests;
