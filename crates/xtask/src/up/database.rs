//! Finds a database: the one that `DATABASE_URL` names, PostgreSQL binaries on this machine, a container engine, an
//! installation where that may be done; otherwise says exactly what to do. Holds no SQL.

use super::engine::{Container, Engine};
use super::kept::Kept;
use super::{ended_with, install, step};
use crate::failure::{Done, Failure, While};
use clampward_testkit::postgres::{Cluster, ClusterError, ClusterOptions, Place};
use clampward_testkit::{SERVICE_ROLE, ensure_database, url_as};
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use tokio::runtime::Runtime;

/// The database in a cluster of our own.
const NAME: &str = "clampward";
/// Where clusters live whose data folder is closed to the account that runs PostgreSQL.
const ELSEWHERE: &str = "/var/lib/clampward";

/// What runs the database.
enum Keeper {
    Given,
    Cluster { cluster: Cluster, log: PathBuf },
    Container { container: Container },
}

/// A database that can be migrated and served.
pub struct Database {
    keeper: Keeper,
    owner_url: String,
    service_url: String,
    identity: String,
}

impl Database {
    /// Finds one, the first that can be had in the order above.
    pub fn find(directory: &Path, kept: &Kept, runtime: &Runtime) -> Done<Self> {
        if let Some(url) = given_url() {
            let service_url =
                url_as(&url, SERVICE_ROLE, kept.service_password(), None).during("DATABASE_URL")?;
            return Ok(Self {
                keeper: Keeper::Given,
                identity: service_url.clone(),
                owner_url: url,
                service_url,
            });
        }
        match start_cluster(directory, kept) {
            Ok(keeper) => Self::with_cluster(keeper, kept, runtime),
            Err(ClusterError::NoBinaries) => Self::without_binaries(directory, kept, runtime),
            Err(error) => Err(Failure::new(error.to_string())),
        }
    }

    fn without_binaries(directory: &Path, kept: &Kept, runtime: &Runtime) -> Done<Self> {
        if let Some(engine) = Engine::find() {
            step(&format!("no PostgreSQL binaries here; using {}", engine.name()));
            let container = engine.start(directory, kept.cluster_password())?;
            let server_url = container.url();
            return Self::in_server(
                Keeper::Container { container },
                &server_url,
                "container",
                kept,
                runtime,
            );
        }
        install::postgresql()?;
        let keeper = start_cluster(directory, kept).during("PostgreSQL was installed, but")?;
        Self::with_cluster(keeper, kept, runtime)
    }

    fn with_cluster((cluster, log): (Cluster, PathBuf), kept: &Kept, runtime: &Runtime) -> Done<Self> {
        let url = cluster.url("postgres");
        Self::in_server(Keeper::Cluster { cluster, log }, &url, "cluster", kept, runtime)
    }

    /// The database in a server of our own, made on the first start.
    fn in_server(keeper: Keeper, url: &str, identity: &str, kept: &Kept, runtime: &Runtime) -> Done<Self> {
        runtime
            .block_on(ensure_database(url, NAME))
            .during("making the database")?;
        let owner_url =
            url_as(url, "postgres", kept.cluster_password(), Some(NAME)).during("the database's URL")?;
        let service_url =
            url_as(url, SERVICE_ROLE, kept.service_password(), Some(NAME)).during("the database's URL")?;
        Ok(Self {
            keeper,
            owner_url,
            service_url,
            identity: identity.to_owned(),
        })
    }

    /// What the database is, for the person at the keyboard.
    pub fn what(&self) -> &'static str {
        match self.keeper {
            Keeper::Given => "the one that DATABASE_URL names",
            Keeper::Cluster { .. } => "a private cluster of the PostgreSQL on this machine",
            Keeper::Container { .. } => "a container with a volume of its own",
        }
    }

    /// The URL of the role that owns the database.
    pub fn owner_url(&self) -> &str {
        &self.owner_url
    }

    /// The URL that the service signs in with.
    pub fn service_url(&self) -> &str {
        &self.service_url
    }

    /// What tells this database from others that were used with the same data folder; the same at every start.
    pub fn identity(&self) -> &str {
        &self.identity
    }

    /// Fails when the database ended by itself.
    pub fn check(&mut self) -> Done {
        match &mut self.keeper {
            Keeper::Given => Ok(()),
            Keeper::Cluster { cluster, log } => {
                if cluster.is_running() {
                    Ok(())
                } else {
                    Err(ended_with("the database", log))
                }
            }
            Keeper::Container { container } => container.check(),
        }
    }

    /// Ends what was started here.
    pub fn stop(self) -> Done {
        match self.keeper {
            Keeper::Given => Ok(()),
            Keeper::Cluster { cluster, .. } => cluster.stop().during("stopping the database"),
            Keeper::Container { container } => container.stop(),
        }
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "the person's own configuration of this command"
)]
fn given_url() -> Option<String> {
    std::env::var("DATABASE_URL").ok().filter(|url| !url.is_empty())
}

/// The cluster in the data folder. If the account that runs PostgreSQL cannot reach that, the cluster lives elsewhere and
/// the data folder has a link to it.
fn start_cluster(directory: &Path, kept: &Kept) -> Result<(Cluster, PathBuf), ClusterError> {
    let place = directory.join("postgres");
    let start = || {
        Cluster::start(ClusterOptions {
            place: Place::Kept(place.clone()),
            password: Some(kept.cluster_password().to_owned()),
            settings: Vec::new(),
        })
    };
    let cluster = match start() {
        Err(ClusterError::Unreachable {
            directory: closed,
            account,
        }) => {
            let elsewhere = link_elsewhere(&place).map_err(|source| ClusterError::System {
                doing: format!("using {ELSEWHERE}"),
                source,
            })?;
            step(&format!(
                "the account {account} cannot reach {}; the cluster lives in {}",
                closed.display(),
                elsewhere.display()
            ));
            start()?
        }
        other => other?,
    };
    Ok((cluster, place.join("server.log")))
}

/// Puts a link to a new folder elsewhere in place of an empty folder.
fn link_elsewhere(place: &Path) -> std::io::Result<PathBuf> {
    std::fs::create_dir_all(ELSEWHERE)?;
    std::fs::set_permissions(ELSEWHERE, std::fs::Permissions::from_mode(0o755))?;
    let mut number = 1;
    let elsewhere = loop {
        let candidate = Path::new(ELSEWHERE).join(number.to_string());
        match std::fs::create_dir(&candidate) {
            Ok(()) => break candidate,
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => number += 1,
            Err(error) => return Err(error),
        }
    };
    std::fs::remove_dir(place)?;
    symlink(&elsewhere, place)?;
    Ok(elsewhere)
}
