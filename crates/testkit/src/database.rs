//! A fresh, migrated database for each test.
//!
//! The migrations run once per server into a template named after their content; each test gets a copy of it.

use crate::server::TestServer;
use sha2::{Digest, Sha256};
use sqlx::migrate::Migrator;
use sqlx::postgres::{PgConnectOptions, PgConnection};
use sqlx::{AssertSqlSafe, ConnectOptions, Connection};
use std::hash::{BuildHasher, Hasher, RandomState};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// The login role that the service uses.
pub const SERVICE_ROLE: &str = "clampward_service";
/// Its password on test servers.
pub const SERVICE_PASSWORD: &str = "clampward-service-in-tests";

/// One lock for everything that is cluster-wide: templates and roles.
const TEMPLATE_LOCK: i64 = 0x0c1a_3b4a_2d00;

/// A database of its own for one test, on a server shared by all tests of this process.
///
/// Dropped at the end of a test that passed; one that failed leaves it on the server for looking at, as long as
/// that server lives.
#[derive(Debug)]
pub struct TestDatabase {
    /// The URL of the role that owns the database and ran the migrations.
    pub owner_url: String,
    /// The URL of the role that the service logs in with; it owns nothing.
    pub service_url: String,
    /// The database's name.
    pub name: String,
    admin: PgConnectOptions,
}

impl TestDatabase {
    /// A database with all migrations applied.
    ///
    /// # Panics
    /// If no server can be had or a migration fails: a test cannot go on without.
    pub async fn new() -> Self {
        Self::create(server().url(), true)
            .await
            .unwrap_or_else(|error| unusable(&error))
    }

    /// The same on a server of one's own, by its superuser's URL.
    ///
    /// # Panics
    /// If the server does not answer or a migration fails.
    pub async fn on(server_url: &str) -> Self {
        Self::create(server_url, true)
            .await
            .unwrap_or_else(|error| unusable(&error))
    }

    /// A database without any migration, for tests of migrating.
    ///
    /// # Panics
    /// If no server can be had.
    pub async fn empty() -> Self {
        Self::create(server().url(), false)
            .await
            .unwrap_or_else(|error| unusable(&error))
    }

    async fn create(server_url: &str, migrated: bool) -> Result<Self, sqlx::Error> {
        let admin: PgConnectOptions = server_url.parse()?;
        let mut connection = PgConnection::connect_with(&admin).await?;
        let name = format!(
            "clampward_test_{:016x}",
            RandomState::new().build_hasher().finish()
        );
        let statement = if migrated {
            let template = template(&admin, &mut connection).await?;
            format!("create database {name} template {template}")
        } else {
            format!("create database {name} template template0")
        };
        sqlx::raw_sql(AssertSqlSafe(statement))
            .execute(&mut connection)
            .await?;
        connection.close().await?;
        let owner = admin.clone().database(&name);
        let service = owner.clone().username(SERVICE_ROLE).password(SERVICE_PASSWORD);
        Ok(Self {
            owner_url: owner.to_url_lossy().to_string(),
            service_url: service.to_url_lossy().to_string(),
            name,
            admin,
        })
    }
}

impl Drop for TestDatabase {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("the test failed; its database was {}", self.owner_url);
            return;
        }
        let statement = format!("drop database if exists {} with (force)", self.name);
        let admin = self.admin.clone();
        // A runtime of its own, because a destructor may run inside another one, which must not be blocked on itself.
        let dropped = std::thread::spawn(move || -> Result<(), String> {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
            runtime.map_err(|error| error.to_string())?.block_on(async {
                let mut connection = PgConnection::connect_with(&admin)
                    .await
                    .map_err(|error| error.to_string())?;
                let dropped = sqlx::raw_sql(AssertSqlSafe(statement))
                    .execute(&mut connection)
                    .await;
                dropped.map_err(|error| error.to_string())?;
                connection.close().await.map_err(|error| error.to_string())
            })
        });
        match dropped.join() {
            Ok(Ok(())) => {}
            Ok(Err(error)) => eprintln!("{} stays behind: {error}", self.name),
            Err(_) => eprintln!("{} stays behind", self.name),
        }
    }
}

/// Creates a database on a server if it is not there. True when it was created.
///
/// The name is used as it is; it must consist of small letters, digits and underscores.
pub async fn ensure_database(server_url: &str, name: &str) -> Result<bool, sqlx::Error> {
    if name.is_empty()
        || !name
            .bytes()
            .all(|byte| matches!(byte, b'a'..=b'z' | b'0'..=b'9' | b'_'))
    {
        return Err(sqlx::Error::Configuration(
            format!("{name:?} is no name for a database").into(),
        ));
    }
    let mut connection = PgConnection::connect(server_url).await?;
    let there = exists(&mut connection, name).await?;
    if !there {
        sqlx::raw_sql(AssertSqlSafe(format!("create database {name}")))
            .execute(&mut connection)
            .await?;
    }
    connection.close().await?;
    Ok(!there)
}

/// The same server's URL for another role, and for another database if one is named.
pub fn url_as(url: &str, role: &str, password: &str, database: Option<&str>) -> Result<String, sqlx::Error> {
    let options: PgConnectOptions = url.parse()?;
    let options = options.username(role).password(password);
    let options = if let Some(name) = database {
        options.database(name)
    } else {
        options
    };
    Ok(options.to_url_lossy().to_string())
}

/// The server of this process. A static is never dropped; the server notices the end of the process by itself.
fn server() -> &'static TestServer {
    static SERVER: OnceLock<TestServer> = OnceLock::new();
    SERVER.get_or_init(|| {
        // Apart from the test's own runtime, which this must not run on.
        std::thread::scope(|scope| match scope.spawn(TestServer::start).join() {
            Ok(Ok(server)) => server,
            Ok(Err(error)) => unusable(&error),
            Err(panicked) => std::panic::resume_unwind(panicked),
        })
    })
}

/// The name of the template that holds the migrations as they are now; made by whoever comes first.
async fn template(admin: &PgConnectOptions, connection: &mut PgConnection) -> Result<String, sqlx::Error> {
    let migrations = migrations_directory();
    let name = template_name(&migrations).map_err(sqlx::Error::Io)?;
    if is_finished(connection, &name).await? {
        return Ok(name);
    }
    sqlx::query("select pg_advisory_lock($1)")
        .bind(TEMPLATE_LOCK)
        .execute(&mut *connection)
        .await?;
    if !is_finished(connection, &name).await? {
        make_template(admin, connection, &name, &migrations).await?;
    }
    sqlx::query("select pg_advisory_unlock($1)")
        .bind(TEMPLATE_LOCK)
        .execute(&mut *connection)
        .await?;
    Ok(name)
}

async fn make_template(
    admin: &PgConnectOptions,
    connection: &mut PgConnection,
    name: &str,
    migrations: &Path,
) -> Result<(), sqlx::Error> {
    let statement = format!("drop database if exists {name} with (force)");
    sqlx::raw_sql(AssertSqlSafe(statement))
        .execute(&mut *connection)
        .await?;
    let statement = format!("create database {name} template template0");
    sqlx::raw_sql(AssertSqlSafe(statement))
        .execute(&mut *connection)
        .await?;
    if migrations.is_dir() {
        let mut inside = PgConnection::connect_with(&admin.clone().database(name)).await?;
        Migrator::new(migrations).await?.run(&mut inside).await?;
        inside.close().await?;
    }
    let role = format!(
        "do $$ begin \
           if not exists (select from pg_roles where rolname = '{SERVICE_ROLE}') then \
             create role {SERVICE_ROLE} noinherit; \
           end if; \
         end $$; \
         alter role {SERVICE_ROLE} login password '{SERVICE_PASSWORD}'"
    );
    sqlx::raw_sql(AssertSqlSafe(role))
        .execute(&mut *connection)
        .await?;
    // Only a finished template carries the mark; nobody may connect to it, or copying would fail.
    let statement = format!("alter database {name} with is_template true allow_connections false");
    sqlx::raw_sql(AssertSqlSafe(statement))
        .execute(&mut *connection)
        .await?;
    Ok(())
}

async fn exists(connection: &mut PgConnection, name: &str) -> Result<bool, sqlx::Error> {
    sqlx::query_scalar("select exists (select from pg_database where datname = $1)")
        .bind(name)
        .fetch_one(connection)
        .await
}

async fn is_finished(connection: &mut PgConnection, name: &str) -> Result<bool, sqlx::Error> {
    sqlx::query_scalar("select exists (select from pg_database where datname = $1 and datistemplate)")
        .bind(name)
        .fetch_one(connection)
        .await
}

fn migrations_directory() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../migrations")
}

/// Names a template after the content of the migrations, so that a changed one is never served from an old copy.
fn template_name(migrations: &Path) -> std::io::Result<String> {
    let mut files = Vec::new();
    if migrations.is_dir() {
        for entry in std::fs::read_dir(migrations)? {
            files.push(entry?.path());
        }
    }
    files.sort();
    let mut hash = Sha256::new();
    for file in files {
        hash.update(file.file_name().unwrap_or_default().as_encoded_bytes());
        hash.update([0]);
        hash.update(Sha256::digest(std::fs::read(&file)?));
    }
    let digest: String = hash
        .finalize()
        .iter()
        .take(8)
        .map(|byte| format!("{byte:02x}"))
        .collect();
    Ok(format!("clampward_template_{digest}"))
}

#[expect(
    clippy::panic,
    reason = "only tests call this, and a test without a database cannot go on"
)]
fn unusable(error: &dyn std::error::Error) -> ! {
    panic!("no database for this test: {error}")
}

#[cfg(test)]
#[path = "database/tests.rs"]
mod tests;
