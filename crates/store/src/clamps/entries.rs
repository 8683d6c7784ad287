//! Entries read back from the ledger. Bytes that are no entry mean a damaged database.

use crate::StoreError;
use clampward_domain::entry::Entry;
use clampward_domain::ids::ClampId;
use sqlx::PgConnection;
use uuid::Uuid;

/// Every entry of a clamp, in the order of recording.
pub(crate) async fn all(connection: &mut PgConnection, clamp: ClampId) -> Result<Vec<Entry>, StoreError> {
    up_to(connection, clamp, i64::MAX).await
}

/// Every entry of a clamp up to a position of the ledger, in the order of recording.
pub(crate) async fn up_to(
    connection: &mut PgConnection,
    clamp: ClampId,
    position: i64,
) -> Result<Vec<Entry>, StoreError> {
    let rows: Vec<(Uuid, Vec<u8>)> = sqlx::query_as(
        "-- clamps.entries\nselect id, bytes from ledger where stream = $1 and position <= $2 order by seq",
    )
    .bind(clamp.uuid())
    .bind(position)
    .fetch_all(connection)
    .await?;
    rows.iter().map(|(id, bytes)| parse(*id, bytes)).collect()
}

/// Some entries of a clamp.
pub(crate) async fn by_id(
    connection: &mut PgConnection,
    clamp: ClampId,
    ids: &[Uuid],
) -> Result<Vec<Entry>, StoreError> {
    let rows: Vec<(Uuid, Vec<u8>)> = sqlx::query_as(
        "-- clamps.entries_by_id\nselect id, bytes from ledger where stream = $1 and id = any($2) order by seq",
    )
    .bind(clamp.uuid())
    .bind(ids)
    .fetch_all(connection)
    .await?;
    rows.iter().map(|(id, bytes)| parse(*id, bytes)).collect()
}

/// An entry from its stored bytes.
pub(crate) fn parse(id: Uuid, bytes: &[u8]) -> Result<Entry, StoreError> {
    serde_json::from_slice(bytes).map_err(|error| StoreError::Inconsistent {
        table: "ledger",
        column: "bytes",
        id,
        detail: error.to_string(),
    })
}
