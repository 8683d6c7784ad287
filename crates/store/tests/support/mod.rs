//! What the store's tests share: a fresh database, a clock that is set by hand, ids from numbers.

#![allow(dead_code, reason = "each test binary uses its part")]
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

pub mod hunt;
pub mod mirror;
pub mod tablet;
pub mod world;

use clampward_domain::ids::PersonId;
use clampward_store::ledger::{LedgerRow, content_hash};
use clampward_store::{Clock, Store, StoreOptions};
use clampward_testkit::TestDatabase;
use jiff::{SignedDuration, Timestamp};
use sqlx::{Connection, PgConnection};
use std::sync::{Arc, Mutex};
use uuid::Uuid;

/// A clock that stands still until it is moved.
pub struct ManualClock(Mutex<Timestamp>);

impl ManualClock {
    pub fn at(text: &str) -> Arc<Self> {
        Arc::new(Self(Mutex::new(text.parse().unwrap())))
    }
    pub fn set(&self, text: &str) {
        *self.0.lock().unwrap() = text.parse().unwrap();
    }
    pub fn advance(&self, by: SignedDuration) {
        let mut now = self.0.lock().unwrap();
        *now = now.checked_add(by).unwrap();
    }
}

impl Clock for ManualClock {
    fn now(&self) -> Timestamp {
        *self.0.lock().unwrap()
    }
}

/// An id from a number, so that failures can be read.
pub fn id(number: u128) -> Uuid {
    Uuid::from_u128(number)
}

/// A database, the store on it as the service, and its clock.
pub struct Bench {
    pub database: TestDatabase,
    pub store: Store,
    pub clock: Arc<ManualClock>,
}

impl Bench {
    pub async fn new() -> Self {
        Self::on(TestDatabase::new().await).await
    }
    /// On a database of one's own.
    pub async fn on(database: TestDatabase) -> Self {
        let clock = ManualClock::at("2026-03-02T08:00:00Z");
        let store = Store::connect(StoreOptions {
            url: database.service_url.clone(),
            max_connections: 8,
            clock: clock.clone(),
        })
        .await
        .unwrap();
        Self {
            database,
            store,
            clock,
        }
    }
    /// A connection as the owner of the tables.
    pub async fn owner(&self) -> PgConnection {
        PgConnection::connect(&self.database.owner_url).await.unwrap()
    }
    /// A connection as the service, which has taken a role or none.
    pub async fn service(&self, role: Option<&str>) -> PgConnection {
        let mut connection = PgConnection::connect(&self.database.service_url).await.unwrap();
        if let Some(role) = role {
            sqlx::query(sqlx::AssertSqlSafe(format!("set role {role}")))
                .execute(&mut connection)
                .await
                .unwrap();
        }
        connection
    }
}

/// A row of no particular kind about `stream`.
pub fn row(number: u128, stream: Uuid, at: Timestamp) -> LedgerRow {
    let bytes = format!("{{\"n\":{number}}}").into_bytes();
    LedgerRow {
        id: id(number),
        stream,
        kind: "yard",
        performed_at: at,
        counted_at: at,
        performed_by: PersonId::new(id(1)),
        recorded_by: PersonId::new(id(1)),
        device_id: None,
        content_hash: content_hash(&u64::try_from(number).unwrap()).unwrap(),
        bytes,
        outcome: None,
        yards: vec![],
    }
}

/// The SQLSTATE of a statement that must fail.
pub async fn refused(connection: &mut PgConnection, sql: &str) -> String {
    let error = sqlx::raw_sql(sqlx::AssertSqlSafe(sql.to_owned()))
        .execute(connection)
        .await
        .expect_err(&format!("must be refused: {sql}"));
    error
        .as_database_error()
        .and_then(|error| error.code())
        .unwrap_or_default()
        .into_owned()
}
