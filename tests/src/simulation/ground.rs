//! Where it happens: the service as a process, its database with a standby, the weather, and what was promised to whom.

use super::chance::Chance;
use super::line::{Sent, Weather};
use crate::program::Service;
use clampward_domain::ids::EntryId;
use clampward_testkit::postgres::{Pair, STANDBY};
use clampward_wire::sync::push::{PushOutcome, PushReply};
use sqlx::{Connection, PgConnection};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::time::Duration;
use uuid::Uuid;

/// The setting by which the service is told its standby.
const STANDBY_SETTING: &str = "CLAMPWARD_STANDBY";

/// Whether a program knows a setting.
fn knows(binary: &PathBuf, setting: &str) -> bool {
    let help = std::process::Command::new(binary)
        .args(["serve", "--help"])
        .output()
        .expect("the service's program");
    String::from_utf8_lossy(&help.stdout).contains(setting)
}

/// What strikes service and database.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Disaster {
    /// SIGKILL; started again.
    KillService,
    /// Immediate stop; started again.
    KillDatabase,
    /// A standby takes over that lacks what was committed since it was cut off.
    FailOver,
    /// A backup of then takes the place of the data.
    Restore,
}

/// Counters.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// Requests that were sent.
    pub requests: u64,
    /// Requests that suffered something.
    pub faults: u64,
    /// Requests that arrived late.
    pub late: u64,
    /// Results of pushes, by outcome.
    pub outcomes: BTreeMap<String, u64>,
    /// Disasters, by name.
    pub disasters: BTreeMap<String, u64>,
    /// Rows that disasters took, and that had been acknowledged.
    pub lost_rows: u64,
    /// Answers of 500 and above, by status and path.
    pub troubles: BTreeMap<String, u64>,
    /// An answer that must never be: the first of them.
    pub wrong: Option<String>,
}

/// Everything around the tablets.
pub struct Ground {
    /// The database.
    pub pair: Pair,
    /// The one source of chance.
    pub chance: Chance,
    /// The weather.
    pub weather: Weather,
    /// The disaster that strikes during the next push.
    pub waiting: Option<Disaster>,
    /// Pushes that were kept back.
    pub late: Vec<Sent>,
    /// Counters.
    pub seen: Seen,
    /// Asks.
    pub agent: ureq::Agent,
    /// The service's address.
    pub url: String,
    /// Runs the database's questions.
    pub runtime: tokio::runtime::Runtime,
    service: Option<Service>,
    binary: PathBuf,
    port: u16,
    folder: tempfile::TempDir,
    database: String,
    /// Whether the service can be told which standby counts. Otherwise it calls its own disk stable, and what it told is
    /// not held against a machine that is lost.
    names_standby: bool,
    /// What was acknowledged in this history, and where; the highest stable position that was told.
    acknowledged: BTreeMap<EntryId, u64>,
    stable: u64,
}

impl Ground {
    /// A database of its own and a port; the service is not started yet.
    pub fn new(binary: PathBuf, seed: u64) -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .unwrap();
        let port = crate::program::free_port();
        let agent = ureq::Agent::config_builder()
            .http_status_as_error(false)
            .timeout_global(Some(Duration::from_secs(120)))
            .build()
            .new_agent();
        let mut ground = Self {
            pair: Pair::start().expect("PostgreSQL's own programs"),
            chance: Chance::new(seed),
            weather: Weather::CALM,
            waiting: None,
            late: Vec::new(),
            seen: Seen::default(),
            agent,
            url: format!("http://127.0.0.1:{port}"),
            runtime,
            service: None,
            names_standby: knows(&binary, STANDBY_SETTING),
            binary,
            port,
            folder: tempfile::tempdir().unwrap(),
            database: "clampward".to_owned(),
            acknowledged: BTreeMap::new(),
            stable: 0,
        };
        ground.prepare();
        ground
    }

    /// The superuser's URL.
    pub fn owner_url(&self) -> String {
        self.pair.url(&self.database)
    }

    /// The service's own sign-in.
    pub fn service_url(&self) -> String {
        let (role, password) = (
            clampward_testkit::SERVICE_ROLE,
            clampward_testkit::SERVICE_PASSWORD,
        );
        clampward_testkit::url_as(&self.pair.url("postgres"), role, password, Some(&self.database)).unwrap()
    }

    fn prepare(&mut self) {
        let admin = self.pair.url("postgres");
        let owner = self.owner_url();
        let database = self.database.clone();
        self.runtime.block_on(async {
            clampward_testkit::ensure_database(&admin, &database)
                .await
                .unwrap();
            let password = Some(clampward_testkit::SERVICE_PASSWORD);
            clampward_store::migrate(&owner, password).await.unwrap();
        });
    }

    /// Starts the service.
    pub fn serve(&mut self) {
        let key = self.folder.path().join("key.pem");
        let log = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(self.folder.path().join("service.log"))
            .unwrap();
        let names_standby = self.names_standby;
        let service = Service::start_with(&self.binary, &self.service_url(), &key, self.port, |command| {
            command
                .env("CLAMPWARD_WORKERS", "2")
                .env("CLAMPWARD_QUOTA_REQUESTS", "1000000")
                .stderr(log);
            if names_standby {
                command.env(STANDBY_SETTING, STANDBY);
            }
        });
        self.service = Some(service);
    }

    /// What the service wrote to its log, its end.
    pub fn log(&self) -> String {
        let text = std::fs::read_to_string(self.folder.path().join("service.log")).unwrap_or_default();
        let lines: Vec<&str> = text.lines().filter(|line| line.contains("ERROR")).collect();
        lines[lines.len().saturating_sub(5)..].join("\n")
    }

    /// Does it.
    pub fn strike(&mut self, disaster: Disaster) {
        *self.seen.disasters.entry(format!("{disaster:?}")).or_default() += 1;
        match disaster {
            Disaster::KillService => {
                if let Some(service) = self.service.take() {
                    service.kill();
                }
            }
            Disaster::KillDatabase => {
                self.pair.kill_primary().unwrap();
                self.pair.start_primary().unwrap();
            }
            Disaster::FailOver => self.pair.fail_over().unwrap(),
            Disaster::Restore => self.pair.restore().unwrap(),
        }
    }

    /// Puts things in order after it, and holds what is left against what was promised.
    pub fn after(&mut self, disaster: Disaster) {
        if self.service.is_none() {
            self.serve();
        }
        if matches!(disaster, Disaster::FailOver | Disaster::Restore) && self.chance.one_in(2) {
            if let Some(service) = self.service.take() {
                service.kill();
            }
            self.serve();
        }
        let left = self.ids();
        let gone: Vec<_> = self
            .acknowledged
            .iter()
            .filter(|(id, _)| !left.contains(&id.uuid()))
            .map(|(id, position)| (*id, *position))
            .collect();
        self.seen.lost_rows += u64::try_from(gone.len()).unwrap();
        for (id, position) in gone {
            let is_killed = matches!(disaster, Disaster::KillService | Disaster::KillDatabase);
            if is_killed || (self.names_standby && position <= self.stable) {
                let stable = self.stable;
                self.wrong(format!(
                    "entry {id} at position {position} is gone after {disaster:?}, although {stable} was told to be stable"
                ));
            }
            self.acknowledged.remove(&id);
        }
        if matches!(disaster, Disaster::FailOver | Disaster::Restore) {
            self.stable = 0;
            self.acknowledged.clear();
            self.pair.follow().unwrap();
        }
        self.until_ready();
    }

    fn until_ready(&self) {
        let begun = std::time::Instant::now();
        loop {
            let answer = self.agent.get(format!("{}/readyz", self.url)).call();
            if answer.is_ok_and(|answer| answer.status().as_u16() == 200) {
                return;
            }
            assert!(
                begun.elapsed() < Duration::from_secs(60),
                "the service does not get ready again"
            );
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Ids of all rows of the ledger.
    pub fn ids(&self) -> BTreeSet<Uuid> {
        let owner = self.owner_url();
        self.runtime.block_on(async {
            let mut connection = PgConnection::connect(&owner).await.unwrap();
            let ids: Vec<Uuid> = sqlx::query_scalar("select id from ledger")
                .fetch_all(&mut connection)
                .await
                .unwrap();
            ids.into_iter().collect()
        })
    }

    /// Takes down what a push was promised. Nothing is promised by an answer that nobody reads, but it is true all the same.
    pub fn note(&mut self, pushed: Option<&[u8]>, came: Option<(u16, &[u8])>) {
        let (Some(_), Some((200, body))) = (pushed, came) else {
            return;
        };
        let Ok(reply) = serde_json::from_slice::<PushReply>(body) else {
            self.wrong(format!(
                "a push is answered with {}",
                String::from_utf8_lossy(body)
            ));
            return;
        };
        self.stable = self.stable.max(reply.stable_position);
        for result in reply.results {
            *self
                .seen
                .outcomes
                .entry(format!("{:?}", result.outcome))
                .or_default() += 1;
            let recorded = matches!(
                result.outcome,
                PushOutcome::Recorded | PushOutcome::AlreadyRecorded
            );
            if let (true, Some(id), Some(position)) = (recorded, result.id, result.position) {
                let known = self.acknowledged.insert(id, position);
                if known.is_some_and(|known| known != position) {
                    self.wrong(format!(
                        "entry {id} is at {position} and was at {known:?} in the same history"
                    ));
                }
            }
        }
    }

    /// An answer that says that something is wrong with the service.
    pub fn trouble(&mut self, status: u16, path: &str, text: String) {
        let path = path.split('?').next().unwrap_or_default();
        *self.seen.troubles.entry(format!("{status} {path}")).or_default() += 1;
        if status != 503 {
            self.wrong(format!("{status} {path}: {text}"));
        }
    }

    /// Something that must never be.
    pub fn wrong(&mut self, what: String) {
        self.seen.wrong.get_or_insert(what);
    }
}
