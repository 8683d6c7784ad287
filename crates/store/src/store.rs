//! The store: a pool for each role, a small one of its own for fitness, and the clock. What is done with them lives in
//! the other modules.

use crate::clamps::look_up::{IN_FLIGHT, LookUps};
use crate::clock::whole_microseconds;
use crate::door::Together;
use crate::feed::Stable;
use crate::once::Shared;
use crate::{Clock, StoreError, reference};
use jiff::Timestamp;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::{AssertSqlSafe, Connection, Executor, PgPool};
use std::sync::{Arc, OnceLock};
use std::time::Duration;

/// How long whoever asks is ready to wait, if they do not say.
const PATIENCE: Duration = Duration::from_secs(30);

/// A connection that was idle for as long is asked whether it still lives before it is used: after a restart of the
/// database nobody gets an error for each connection that went with it. Busy ones are not asked: it costs a round trip.
const IDLE_BEFORE_ASKED: Duration = Duration::from_secs(1);
/// How long a connection may stay idle inside a transaction, a statement may run, a lock may be waited for. Tables are
/// not scanned: prepared statements keep plans from when they were small, and every question here has its index. Whoever
/// waited for a lock reads what was committed meanwhile, whatever isolation the database prefers.
/// Nothing is compiled either: a plan that cannot do without a scan looks dear, and compiling it takes a third of a second.
fn session_settings(patience: Duration) -> String {
    let milliseconds = patience.as_millis().max(1);
    let for_locks = (patience / 2).as_millis().max(1);
    format!(
        "set idle_in_transaction_session_timeout = {milliseconds}; set statement_timeout = {milliseconds};
         set lock_timeout = {for_locks}; set enable_seqscan = off; set jit = off;
         set default_transaction_isolation = 'read committed'"
    )
}
/// What makes a connection one of the reading role.
const READER: &str = "set role clampward_reader";

/// How to connect.
pub struct StoreOptions {
    /// The service's sign-in, for example `postgres://clampward_service:…@host/clampward`.
    pub url: String,
    /// Most connections of each role; fitness has a few of its own besides.
    pub max_connections: u32,
    /// Where the time comes from.
    pub clock: Arc<dyn Clock>,
}

/// The database as the service sees it. Cheap to clone.
#[derive(Clone)]
pub struct Store {
    pub(crate) inner: Arc<Inner>,
    /// The transaction that its commands share; none: each has its own.
    pub(crate) shared: Option<Shared>,
}

pub(crate) struct Inner {
    pub(crate) door: PgPool,
    pub(crate) reader: PgPool,
    pub(crate) look_ups: Arc<LookUps>,
    pub(crate) together: Together,
    pub(crate) clock: Arc<dyn Clock>,
    pub(crate) reference: reference::Cache,
    pub(crate) stable: Stable,
    pub(crate) cursor_key: OnceLock<[u8; 32]>,
}

impl Store {
    /// Connects lazily: a database that is away shows at the first question, not here.
    pub fn connect_lazy(options: StoreOptions) -> Result<Self, StoreError> {
        Self::connect_lazy_within(options, PATIENCE)
    }
    /// The same for whoever waits no longer than this: no statement runs longer, and nobody waits more than half of it
    /// for a lock or for a free connection.
    pub fn connect_lazy_within(options: StoreOptions, patience: Duration) -> Result<Self, StoreError> {
        let connect: PgConnectOptions = options.url.parse()?;
        let settings: Arc<str> = session_settings(patience).into();
        let pool = |role: &'static str, connections: u32| {
            let settings = Arc::clone(&settings);
            PgPoolOptions::new()
                .max_connections(connections)
                .acquire_timeout(patience / 2)
                .test_before_acquire(false)
                .before_acquire(|connection, known| {
                    Box::pin(async move {
                        if known.idle_for >= IDLE_BEFORE_ASKED {
                            connection.ping().await?;
                        }
                        Ok(true)
                    })
                })
                .after_connect(move |connection, _| {
                    let settings = settings.to_string();
                    Box::pin(async move {
                        // Numbers and words of ours only.
                        sqlx::raw_sql(AssertSqlSafe(settings))
                            .execute(&mut *connection)
                            .await?;
                        connection.execute(role).await?;
                        Ok(())
                    })
                })
                .connect_lazy_with(connect.clone())
        };
        Ok(Self {
            inner: Arc::new(Inner {
                door: pool("set role clampward_door", options.max_connections),
                reader: pool(READER, options.max_connections),
                look_ups: Arc::new(LookUps::new(pool(READER, IN_FLIGHT))),
                together: Together::default(),
                clock: options.clock,
                reference: reference::Cache::default(),
                stable: Stable::default(),
                cursor_key: OnceLock::new(),
            }),
            shared: None,
        })
    }
    /// The same database with commands that share a transaction.
    pub(crate) fn sharing(&self, shared: Shared) -> Self {
        Self {
            inner: Arc::clone(&self.inner),
            shared: Some(shared),
        }
    }
    /// Connects and makes sure that the database answers.
    pub async fn connect(options: StoreOptions) -> Result<Self, StoreError> {
        let store = Self::connect_lazy(options)?;
        store.ping().await?;
        Ok(store)
    }
    /// Whether the database answers under both roles and is migrated.
    pub async fn ping(&self) -> Result<(), StoreError> {
        for pool in [&self.inner.door, &self.inner.reader] {
            sqlx::query_scalar::<_, i64>("-- store.ping\nselect position from ledger_head")
                .fetch_one(pool)
                .await?;
        }
        Ok(())
    }
    /// The highest position of the ledger: zero in an empty database.
    pub async fn position(&self) -> Result<u64, StoreError> {
        let position: i64 = sqlx::query_scalar("-- store.position\nselect position from ledger_head")
            .fetch_one(&self.inner.door)
            .await?;
        Ok(position.unsigned_abs())
    }
    /// The instant now, by the store's clock, in whole microseconds.
    pub fn now(&self) -> Timestamp {
        whole_microseconds(self.inner.clock.now())
    }
    /// Closes the pools and waits for what is running.
    pub async fn close(&self) {
        self.inner.door.close().await;
        self.inner.reader.close().await;
        self.inner.look_ups.close().await;
    }
}
