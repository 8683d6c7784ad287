//! Doing something once: a transaction that several commands share, and the first answer kept in it.
//!
//! [`Store::once`] takes the key's lock and looks for a kept answer. Where there is none, every command of the
//! [`Unit`]'s store runs in one transaction, which [`Unit::keep`] commits together with the answer. This module knows
//! neither requests nor answers: bytes, and digests of them.

use crate::tx::{Command, CommandError, Tx, wait_after};
use crate::{Store, StoreError};
use jiff::{Timestamp, ToSpan};
use jiff_sqlx::ToSqlx;
use std::sync::Arc;
use tokio::sync::Mutex;

/// How long answers are kept, in hours: a tablet may be without network over a weekend.
pub const KEPT_HOURS: i64 = 72;
/// Expired answers that are deleted at a time.
const FORGOTTEN: i64 = 1_000;

/// A first answer as it is kept.
#[derive(Clone, Debug, PartialEq, Eq, sqlx::FromRow)]
pub struct KeptAnswer {
    /// Digest of what was asked.
    pub fingerprint: Vec<u8>,
    /// The answer, sealed.
    pub sealed: Vec<u8>,
}

/// What became of a key.
#[derive(Debug)]
pub enum Once {
    /// Somebody is doing it right now.
    UnderWay,
    /// It was done; this was answered.
    Done(KeptAnswer),
    /// It is to be done now.
    Now(Unit),
}

/// A transaction that every command of its store shares. Dropped, it leaves nothing behind.
pub struct Unit {
    store: Store,
    shared: Shared,
    id: [u8; 32],
}

/// The transaction of a unit; none once it is over.
#[derive(Clone)]
pub(crate) struct Shared(Arc<Mutex<Option<Tx>>>);

impl std::fmt::Debug for Unit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Unit")
    }
}

impl Store {
    /// Begins to do something once: under this id, which stands for who asks, for what, and under which key.
    pub async fn once(&self, id: [u8; 32]) -> Result<Once, StoreError> {
        let mut tx = self.begin().await?;
        let mine: bool = sqlx::query_scalar(
            "-- once.lock\nselect pg_try_advisory_xact_lock(hashtextextended(encode($1, 'hex'), 30))",
        )
        .bind(id.as_slice())
        .fetch_one(&mut *tx)
        .await?;
        if !mine {
            tx.rollback().await;
            return Ok(Once::UnderWay);
        }
        let now = tx.now().to_sqlx();
        sqlx::query("-- once.forget_this\ndelete from kept_answer where id = $1 and expires_at <= $2")
            .bind(id.as_slice())
            .bind(now)
            .execute(&mut *tx)
            .await?;
        let kept: Option<KeptAnswer> =
            sqlx::query_as("-- once.kept\nselect fingerprint, sealed from kept_answer where id = $1")
                .bind(id.as_slice())
                .fetch_optional(&mut *tx)
                .await?;
        if let Some(kept) = kept {
            // At once: the lock must be free before the answer is out.
            tx.rollback().await;
            return Ok(Once::Done(kept));
        }
        let shared = Shared(Arc::new(Mutex::new(Some(tx))));
        let store = self.sharing(shared.clone());
        Ok(Once::Now(Unit { store, shared, id }))
    }

    /// Deletes answers that are kept no longer; answers how many.
    pub async fn forget_kept_answers(&self) -> Result<u64, StoreError> {
        let deleted = sqlx::query(
            "-- once.forget
             delete from kept_answer where id in
               (select id from kept_answer where expires_at <= $1 order by expires_at limit $2)",
        )
        .bind(self.now().to_sqlx())
        .bind(FORGOTTEN)
        .execute(&self.inner.door)
        .await?;
        Ok(deleted.rows_affected())
    }
}

impl Unit {
    /// The store whose commands belong to this unit.
    pub fn store(&self) -> &Store {
        &self.store
    }
    /// Takes everything back, before whoever asked is answered: they may ask again at once.
    pub async fn take_back(self) {
        if let Some(tx) = self.shared.0.lock().await.take() {
            tx.rollback().await;
        }
    }
    /// Commits everything together with the answer.
    pub async fn keep(self, answer: &KeptAnswer) -> Result<(), StoreError> {
        let mut tx = self.shared.0.lock().await.take().ok_or(StoreError::UnitOver)?;
        let kept_at = tx.now();
        let expires_at = kept_at.checked_add(KEPT_HOURS.hours()).unwrap_or(Timestamp::MAX);
        sqlx::query(
            "-- once.keep
             insert into kept_answer (id, fingerprint, sealed, kept_at, expires_at) values ($1, $2, $3, $4, $5)",
        )
        .bind(self.id.as_slice())
        .bind(&answer.fingerprint)
        .bind(&answer.sealed)
        .bind(kept_at.to_sqlx())
        .bind(expires_at.to_sqlx())
        .execute(&mut *tx)
        .await?;
        tx.commit().await
    }
}

impl Shared {
    /// Runs a command inside, repeated as in a transaction of its own: what a failed attempt did is taken back.
    pub async fn run<T, E: CommandError>(
        &self,
        name: &'static str,
        mut command: impl AsyncFnMut(&mut Tx) -> Result<T, E>,
    ) -> Result<T, E> {
        let mut held = self.0.lock().await;
        let tx = held.as_mut().ok_or(StoreError::UnitOver)?;
        let mut attempts = 0;
        loop {
            attempts += 1;
            step(tx, "savepoint command").await?;
            let attempt = command(tx).await;
            if let Some(value) = end(tx, name, attempts, attempt).await? {
                return Ok(value);
            }
        }
    }

    /// The same for a command as a type.
    pub async fn run_command<C: Command>(
        &self,
        name: &'static str,
        command: &C,
    ) -> Result<C::Output, C::Error> {
        let mut held = self.0.lock().await;
        let tx = held.as_mut().ok_or(StoreError::UnitOver)?;
        let mut attempts = 0;
        loop {
            attempts += 1;
            step(tx, "savepoint command").await?;
            let attempt = command.attempt(tx).await;
            if let Some(value) = end(tx, name, attempts, attempt).await? {
                return Ok(value);
            }
        }
    }
}

/// Ends an attempt: what went well is kept. `None`: taken back, and to be tried again.
async fn end<T, E: CommandError>(
    tx: &mut Tx,
    name: &'static str,
    attempts: u32,
    attempt: Result<T, E>,
) -> Result<Option<T>, E> {
    match attempt {
        Ok(value) => {
            step(tx, "release savepoint command").await?;
            Ok(Some(value))
        }
        Err(error) => {
            step(tx, "rollback to savepoint command").await?;
            tokio::time::sleep(wait_after(name, attempts, error)?).await;
            Ok(None)
        }
    }
}

async fn step(tx: &mut Tx, statement: &'static str) -> Result<(), StoreError> {
    sqlx::raw_sql(statement).execute(&mut **tx).await?;
    Ok(())
}
