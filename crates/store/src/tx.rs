//! Transactions: named, READ COMMITTED, repeated a bounded number of times, each attempt judged anew.
//!
//! READ COMMITTED with explicit locks in one order everywhere (numbers, clamps, streams, the ledger's head). Nothing
//! but the database is waited for inside one.

use crate::{Store, StoreError};
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use sqlx::{PgConnection, PgPool, Postgres, Transaction};
use std::hash::{BuildHasher, RandomState};
use std::ops::{Deref, DerefMut};
use std::time::Duration;

/// How often a transaction is tried.
pub const MAX_ATTEMPTS: u32 = 12;
/// The longest wait before the second attempt; doubles with each attempt up to [`MAX_BACKOFF`].
const FIRST_BACKOFF: Duration = Duration::from_millis(4);
/// The longest wait between two attempts.
const MAX_BACKOFF: Duration = Duration::from_millis(250);

/// An error of a command inside [`Store::run_tx`]: its own kinds, and the store's among them.
pub trait CommandError: From<StoreError> {
    /// The store's error inside, if it is one.
    fn store_error(&self) -> Option<&StoreError>;
}

impl CommandError for StoreError {
    fn store_error(&self) -> Option<&StoreError> {
        Some(self)
    }
}

/// A command as a type: what it needs is in its fields, and each attempt starts from them.
pub(crate) trait Command: Sync {
    /// What it answers.
    type Output;
    /// What can go wrong.
    type Error: CommandError;
    /// One attempt.
    fn attempt(&self, tx: &mut Tx) -> impl Future<Output = Result<Self::Output, Self::Error>> + Send;
}

/// One attempt of a writing transaction, under the door's role. Dereferences to the connection.
pub struct Tx {
    inner: Transaction<'static, Postgres>,
    now: Timestamp,
}

impl Tx {
    /// The instant of this attempt: every time that the attempt fixes is this one.
    pub fn now(&self) -> Timestamp {
        self.now
    }
    pub(crate) async fn commit(self) -> Result<(), StoreError> {
        Ok(self.inner.commit().await?)
    }
    /// Takes everything back and waits for it. Dropping does the same later; where even that fails, the connection goes.
    pub(crate) async fn rollback(self) {
        if let Err(error) = self.inner.rollback().await {
            tracing::warn!(%error, "rollback failed; the connection is dropped");
        }
    }
}
impl Deref for Tx {
    type Target = PgConnection;
    fn deref(&self) -> &PgConnection {
        &self.inner
    }
}
impl DerefMut for Tx {
    fn deref_mut(&mut self) -> &mut PgConnection {
        &mut self.inner
    }
}

/// A reading transaction under the reading role, which sees the yards it was opened with.
pub struct ReadTx {
    inner: Transaction<'static, Postgres>,
}

impl ReadTx {
    /// Ends it.
    pub async fn finish(self) -> Result<(), StoreError> {
        Ok(self.inner.commit().await?)
    }
}
impl Deref for ReadTx {
    type Target = PgConnection;
    fn deref(&self) -> &PgConnection {
        &self.inner
    }
}
impl DerefMut for ReadTx {
    fn deref_mut(&mut self) -> &mut PgConnection {
        &mut self.inner
    }
}

impl Store {
    /// Runs a writing transaction by name. The closure is called once per attempt and must start from nothing each time.
    ///
    /// Repeated on serialisation failure, deadlock, a moved reference version and an id that raced; any other error
    /// rolls back and is returned.
    pub async fn run_tx<T, E: CommandError>(
        &self,
        name: &'static str,
        mut command: impl AsyncFnMut(&mut Tx) -> Result<T, E>,
    ) -> Result<T, E> {
        if let Some(shared) = &self.shared {
            return shared.run(name, command).await;
        }
        let mut attempts = 0;
        loop {
            attempts += 1;
            let mut tx = self.begin().await?;
            let result = command(&mut tx).await;
            match end(name, tx, result).await {
                Ok(value) => return Ok(value),
                Err(error) => tokio::time::sleep(wait_after(name, attempts, error)?).await,
            }
        }
    }

    /// The same for a command whose future can go to another thread whatever it borrows, which the compiler cannot see
    /// through a closure.
    pub(crate) async fn run_command<C: Command>(
        &self,
        name: &'static str,
        command: &C,
    ) -> Result<C::Output, C::Error> {
        if let Some(shared) = &self.shared {
            return shared.run_command(name, command).await;
        }
        let mut attempts = 0;
        loop {
            attempts += 1;
            let mut tx = self.begin().await?;
            let result = command.attempt(&mut tx).await;
            match end(name, tx, result).await {
                Ok(value) => return Ok(value),
                Err(error) => tokio::time::sleep(wait_after(name, attempts, error)?).await,
            }
        }
    }

    pub(crate) async fn begin(&self) -> Result<Tx, StoreError> {
        let inner = begin_alive(&self.inner.door).await?;
        Ok(Tx {
            inner,
            now: self.now(),
        })
    }

    /// Opens a reading transaction that sees `yards` and nothing more.
    pub async fn read(&self, yards: &YardScope) -> Result<ReadTx, StoreError> {
        self.see(begin_alive(&self.inner.reader).await?, yards).await
    }

    /// The same of one moment: every statement sees the database as it was at the first one.
    pub(crate) async fn read_moment(&self, yards: &YardScope) -> Result<ReadTx, StoreError> {
        let mut inner = begin_alive(&self.inner.reader).await?;
        sqlx::query("-- store.read_moment\nset transaction isolation level repeatable read, read only")
            .execute(&mut *inner)
            .await?;
        self.see(inner, yards).await
    }

    async fn see(
        &self,
        mut inner: Transaction<'static, Postgres>,
        yards: &YardScope,
    ) -> Result<ReadTx, StoreError> {
        sqlx::query("-- store.read\nselect set_config('clampward.yards', $1, true)")
            .bind(yards_setting(yards))
            .execute(&mut *inner)
            .await?;
        Ok(ReadTx { inner })
    }
}

/// Begins on a connection that is alive. Connections are not tried before use, so that one which died while it was idle
/// shows here; nothing has happened on it yet.
pub(crate) async fn begin_alive(pool: &PgPool) -> Result<Transaction<'static, Postgres>, StoreError> {
    let mut dead = 0;
    loop {
        match begin(pool).await {
            Ok(begun) => return Ok(begun),
            Err(error) if dead < pool.options().get_max_connections() && is_dead(&error) => dead += 1,
            Err(error) => return Err(error.into()),
        }
    }
}

/// Begins, whether whoever asked waits for it or gives up. What is given up while its BEGIN is on the way goes back to the
/// pool inside a transaction of which sqlx 0.9.0 does not know (its issue 4393): what others did next on that connection
/// would be locked, and lost with it. As a task of its own BEGIN is always answered, and then rolled back.
async fn begin(pool: &PgPool) -> Result<Transaction<'static, Postgres>, sqlx::Error> {
    let connection = pool.acquire().await?;
    tokio::spawn(Transaction::begin(connection, None))
        .await
        .map_err(|_| sqlx::Error::WorkerCrashed)?
}

/// Whether the connection was closed from the other side.
pub(crate) fn is_dead(error: &sqlx::Error) -> bool {
    let by_the_server = error
        .as_database_error()
        .and_then(|error| error.code())
        .is_some_and(|code| code == "57P01");
    by_the_server || matches!(error, sqlx::Error::Io(_))
}

/// Commits what went well and rolls back what did not.
async fn end<T, E: CommandError>(name: &'static str, tx: Tx, result: Result<T, E>) -> Result<T, E> {
    match result {
        Ok(value) => {
            tx.inner.commit().await.map_err(StoreError::from)?;
            Ok(value)
        }
        Err(error) => {
            if let Err(rollback) = tx.inner.rollback().await {
                tracing::warn!(transaction = name, error = %rollback, "rollback failed; the connection is dropped");
            }
            Err(error)
        }
    }
}

/// How long to wait before the next attempt, if there is to be one.
pub(crate) fn wait_after<E: CommandError>(
    name: &'static str,
    attempts: u32,
    error: E,
) -> Result<Duration, E> {
    if !error.store_error().is_some_and(StoreError::is_repeatable) {
        return Err(error);
    }
    if attempts >= MAX_ATTEMPTS {
        return Err(gave_up(name, attempts, error));
    }
    tracing::debug!(transaction = name, attempts, "transaction is repeated");
    Ok(backoff(attempts))
}

/// The value of the setting `clampward.yards`: `all`, or an array literal of ids.
pub(crate) fn yards_setting(yards: &YardScope) -> String {
    match yards {
        YardScope::All => "all".to_owned(),
        YardScope::Some(yards) => {
            let ids: Vec<String> = yards.iter().map(ToString::to_string).collect();
            format!("{{{}}}", ids.join(","))
        }
    }
}

fn gave_up<E: CommandError>(name: &'static str, attempts: u32, error: E) -> E {
    tracing::warn!(transaction = name, attempts, "transaction gave up");
    let last = match error.store_error() {
        Some(StoreError::ReferenceMoved) => StoreError::ReferenceMoved,
        Some(StoreError::IdRaced) => StoreError::IdRaced,
        Some(StoreError::NumberMoved) => StoreError::NumberMoved,
        Some(_) | None => return error,
    };
    StoreError::GaveUp {
        name,
        attempts,
        last: Box::new(last),
    }
    .into()
}

// Somewhere between nothing and the limit, so that those who collided once do not collide again. The randomness is
// that of the standard library's hash maps.
fn backoff(attempts: u32) -> Duration {
    let longest = FIRST_BACKOFF
        .saturating_mul(1 << attempts.min(8))
        .min(MAX_BACKOFF);
    let random = RandomState::new().hash_one(attempts) % 1000;
    longest.saturating_mul(u32::try_from(random).unwrap_or(0)) / 1000
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_setting_for_no_yard_is_an_empty_list_and_never_everything() {
        assert_eq!(yards_setting(&YardScope::Some(vec![])), "{}");
        assert_eq!(yards_setting(&YardScope::All), "all");
    }

    #[test]
    fn a_transaction_can_be_handed_to_another_thread() {
        fn is_send<T: Send>(value: T) -> T {
            value
        }
        fn check(store: &Store) {
            drop(is_send(store.run_tx("test", async |tx| {
                let version = crate::reference::current_version(tx).await?;
                Ok::<_, StoreError>(version)
            })));
        }
        let _ = check;
    }

    #[test]
    fn the_wait_between_attempts_has_a_limit() {
        for attempt in 1..=MAX_ATTEMPTS {
            assert!(backoff(attempt) <= MAX_BACKOFF);
        }
    }
}
