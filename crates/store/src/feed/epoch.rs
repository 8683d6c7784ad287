//! Epochs: raised by whoever owns the database, where every reader shall begin anew.

use crate::StoreError;
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use sqlx::{Connection, PgConnection};

/// Raises the epoch, for a reason, and answers the new one. `owner_url` names the role that owns the tables.
pub async fn raise_epoch(owner_url: &str, reason: &str, now: Timestamp) -> Result<u32, StoreError> {
    let mut connection = PgConnection::connect(owner_url).await?;
    let mut tx = connection.begin().await?;
    let (epoch, position): (i32, i64) = sqlx::query_as(
        "-- feed.raise_epoch\nupdate ledger_head set epoch = epoch + 1 where one returning epoch, position",
    )
    .fetch_one(&mut *tx)
    .await?;
    sqlx::query(
        "-- feed.note_epoch\ninsert into ledger_epoch (epoch, started_at, position, reason) values ($1, $2, $3, $4)",
    )
    .bind(epoch)
    .bind(now.to_sqlx())
    .bind(position)
    .bind(reason)
    .execute(&mut *tx)
    .await?;
    tx.commit().await?;
    connection.close().await?;
    Ok(epoch.unsigned_abs())
}

impl crate::Store {
    /// The key by which cursors are authenticated: the same in every process, for as long as the ledger lives.
    pub async fn cursor_key(&self) -> Result<[u8; 32], StoreError> {
        if let Some(key) = self.inner.cursor_key.get() {
            return Ok(*key);
        }
        let read: Vec<u8> = sqlx::query_scalar("-- feed.cursor_key\nselect key from cursor_key")
            .fetch_one(&self.inner.door)
            .await?;
        let key = <[u8; 32]>::try_from(read).map_err(|key| StoreError::Inconsistent {
            table: "cursor_key",
            column: "key",
            id: uuid::Uuid::nil(),
            detail: format!("{} bytes instead of 32", key.len()),
        })?;
        Ok(*self.inner.cursor_key.get_or_init(|| key))
    }
}
