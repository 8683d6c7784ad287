//! `cargo xtask up`: from a fresh clone to a running service, and everything stopped again by Ctrl-C.
//!
//! Progress goes to standard error; standard output carries only the final word. What is kept between two starts lies in
//! the data folder. Whatever way this program ends, what it started ends with it: worker, service, then the database.

mod account;
mod database;
mod engine;
mod install;
mod kept;
mod say;
mod service;
mod tablets;
mod worker;

use crate::failure::{Done, Failure, While};
use crate::{demo, field, workspace};
use account::Account;
use database::Database;
use kept::Kept;
use serde_json::Value;
use service::Service;
use std::net::{Ipv4Addr, TcpListener};
use std::path::{Path, PathBuf};
use std::time::Duration;
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};
use worker::Worker;

/// How often the running programs are looked at.
const WATCH: Duration = Duration::from_millis(500);
/// Sign-in of the administrator of an empty start.
const ADMINISTRATOR_EMAIL: &str = "administrator@clampward.example";

/// The file that says what was started last.
const RUNNING: &str = "running.json";

/// How to start.
#[derive(clap::Args)]
pub struct Options {
    /// Port of the service on this machine.
    #[arg(long, default_value_t = 8080)]
    port: u16,
    #[command(flatten)]
    data: Data,
    /// Start empty, with a first administrator, instead of with the invented fleet.
    #[arg(long)]
    no_demo: bool,
    /// When ready, print one line of JSON, {"url", "mails", "accounts": [{"role", "email", "password", "yards"}],
    /// "tablets": [{"name", "code"}], "at_work": [{"name", "dir", "people", "short_code"}], "field"}, and nothing else.
    #[arg(long)]
    json: bool,
}

/// Where everything is kept.
#[derive(clap::Args)]
pub struct Data {
    /// Folder for everything that is kept; `.clampward` in the workspace if left out.
    #[arg(long, env = "CLAMPWARD_DATA_DIR")]
    data_dir: Option<PathBuf>,
}

impl Data {
    fn directory(&self) -> Done<PathBuf> {
        match &self.data_dir {
            Some(directory) => {
                std::path::absolute(directory).during(format!("finding {}", directory.display()))
            }
            None => Ok(workspace::root()?.join(".clampward")),
        }
    }

    /// The running service: its address, and the folder of its tablets at work.
    pub fn running(&self) -> Done<(String, PathBuf)> {
        let path = self.directory()?.join(RUNNING);
        let text = std::fs::read(&path).map_err(|_| {
            Failure::new(format!(
                "nothing was started here: `cargo xtask up` first ({})",
                path.display()
            ))
        })?;
        let running: Value = serde_json::from_slice(&text).during(format!("reading {}", path.display()))?;
        let word = |name: &str| running.get(name).and_then(Value::as_str).map(str::to_owned);
        match (word("url"), word("tablets")) {
            (Some(url), Some(tablets)) => Ok((url, PathBuf::from(tablets))),
            _ => Err(Failure::new(
                "what runs here has no tablets at work: it was started with --no-demo, or its data is of an earlier version \
                 (a start with another --data-dir begins afresh)",
            )),
        }
    }
}

/// Starts everything, says what to try, and waits for Ctrl-C.
pub fn run(options: &Options) -> Done {
    let runtime = Runtime::new().during("starting")?;
    let directory = options.data.directory()?;
    free(options.port)?;
    let mut kept = Kept::open(&directory)?;

    step("building the service");
    service::build()?;
    step("finding a database");
    let mut database = Database::find(&directory, &kept, &runtime)?;
    step(&format!("database: {}", database.what()));
    step("migrating");
    service::migrate(database.owner_url(), kept.service_password())?;
    let accounts = first_start(&mut kept, &database, options.no_demo, &runtime)?;
    step("starting the service");
    let mut service = Service::start(&directory, database.service_url(), options.port)?;
    service.wait_until_ready()?;

    let tablets = kept.tablets(database.identity());
    if let Some(tablets) = &tablets {
        tablets::prepare(tablets, &service.url()).during("making the tablets at work")?;
    }
    note_running(&directory, &service.url(), tablets.as_deref())?;
    step("starting the worker");
    let mut worker = Worker::start(&directory, database.service_url(), &service.url(), &runtime)?;
    let ready = say::Ready {
        url: service.url(),
        mails: worker.mails(),
        accounts,
        tablets,
        conflict: match &options.data.data_dir {
            None => "cargo xtask conflict".to_owned(),
            Some(_) => format!("cargo xtask conflict --data-dir {}", directory.display()),
        },
        field: workspace::program(field::PROGRAM)?,
    };
    ready.say(options.json);
    let ended = runtime.block_on(watch(&mut service, &mut worker, &mut database));
    step("stopping the worker");
    let stopped = worker.stop();
    step("stopping the service");
    let stopped = stopped.and(service.stop());
    step("stopping the database");
    let stopped = stopped.and(database.stop());
    ended.and(stopped)
}

/// Fills a new database once; a later start finds the accounts that were kept.
fn first_start(kept: &mut Kept, database: &Database, no_demo: bool, runtime: &Runtime) -> Done<Vec<Account>> {
    if let Some(accounts) = kept.accounts(database.identity()) {
        return Ok(accounts);
    }
    let accounts = if no_demo {
        administrator(database)?
    } else {
        fleet(database, runtime)?
    };
    kept.keep(database.identity(), &accounts, !no_demo)?;
    Ok(accounts)
}

/// Notes for `cargo xtask conflict` what was started last.
fn note_running(directory: &Path, url: &str, tablets: Option<&Path>) -> Done {
    let path = directory.join(RUNNING);
    let running = serde_json::json!({"url": url, "tablets": tablets});
    std::fs::write(&path, format!("{running}\n")).during(format!("writing {}", path.display()))
}

/// Records the first administrator.
fn administrator(database: &Database) -> Done<Vec<Account>> {
    step("recording the first administrator");
    let password = service::create_administrator(database.service_url(), ADMINISTRATOR_EMAIL)?;
    Ok(vec![Account {
        role: "administrator".to_owned(),
        email: ADMINISTRATOR_EMAIL.to_owned(),
        password,
        yards: serde_json::json!("all"),
    }])
}

/// Loads the invented fleet, showing how far it is.
fn fleet(database: &Database, runtime: &Runtime) -> Done<Vec<Account>> {
    step("loading the invented fleet: 18 months of Halvorsund Marine Works");
    let mut shown = 0;
    let progress = |done: usize, total: usize| {
        let percent = done * 100 / total.max(1);
        if percent >= shown + 10 {
            shown = percent;
            step(&format!("  {done} of {total} entries"));
        }
    };
    let loaded = runtime
        .block_on(demo::load(database.service_url(), today(), progress))
        .during("loading the invented fleet (a start with another --data-dir begins afresh, --no-demo starts empty)")?;
    step(&format!("  {} clamps, {} entries", loaded.clamps, loaded.entries));
    let accounts = demo::CAST.iter().map(|member| Account {
        role: member
            .roles
            .first()
            .map(|role| role.code().to_owned())
            .unwrap_or_default(),
        email: member.email(),
        password: member.password(),
        yards: member
            .yard
            .map_or_else(|| serde_json::json!("all"), |yard| serde_json::json!([yard.id()])),
    });
    Ok(accounts.collect())
}

#[expect(clippy::disallowed_methods, reason = "the demo ends today; this is a binary")]
fn today() -> jiff::Timestamp {
    jiff::Timestamp::now()
}

/// Waits until someone asks for the end, or until a program ends that should not.
async fn watch(service: &mut Service, worker: &mut Worker, database: &mut Database) -> Done {
    let mut interrupt = signal(SignalKind::interrupt()).during("listening for Ctrl-C")?;
    let mut terminate = signal(SignalKind::terminate()).during("listening for SIGTERM")?;
    let mut hang_up = signal(SignalKind::hangup()).during("listening for SIGHUP")?;
    let mut look = tokio::time::interval(WATCH);
    loop {
        tokio::select! {
            _ = interrupt.recv() => return Ok(()),
            _ = terminate.recv() => return Ok(()),
            _ = hang_up.recv() => return Ok(()),
            _ = look.tick() => {
                service.check()?;
                worker.check()?;
                database.check()?;
            }
        }
    }
}

/// Fails early where the port is taken.
fn free(port: u16) -> Done {
    TcpListener::bind((Ipv4Addr::LOCALHOST, port))
        .map(drop)
        .during(format!("port {port} cannot be used (choose another with --port)"))
}

fn step(what: &str) {
    eprintln!("• {what}");
}

/// The last lines of a log, for an error message.
fn tail(path: &Path) -> String {
    const LINES: usize = 20;
    match std::fs::read_to_string(path) {
        Ok(text) => {
            let lines: Vec<_> = text.lines().collect();
            lines
                .get(lines.len().saturating_sub(LINES)..)
                .unwrap_or_default()
                .join("\n")
        }
        Err(error) => format!("({} cannot be read: {error})", path.display()),
    }
}

/// Ends with what a program said before it ended.
fn ended_with(what: &str, log: &Path) -> Failure {
    Failure::new(format!(
        "{what} ended by itself; the end of {}:\n{}",
        log.display(),
        tail(log)
    ))
}
