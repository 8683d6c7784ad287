//! Entries read back from the ledger. Bytes that are no entry mean a damaged database.

use crate::StoreError;
use clampward_domain::entry::Entry;
use clampward_domain::ids::ClampId;
use sqlx::PgConnection;
use uuid::Uuid;

/// Every entry of a clamp, in the order of recording.
pub(crate) async fn all(connection: &mut PgConnection, clamp: ClampId) -> Result<Vec<Entry>, StoreError> {
    let rows: Vec<(Uuid, Vec<u8>)> =
        sqlx::query_as("-- clamps.entries\nselect id, bytes from ledger where stream = $1 order by seq")
            .bind(clamp.uuid())
            .fetch_all(connection)
            .await?;
    rows.iter().map(|(id, bytes)| parse(*id, bytes)).collect()
}

/// The whole history of a clamp as far as a position of the ledger, for a reader: all of it or an error. Read at one
/// moment with the question whether the clamp is theirs.
pub(crate) async fn whole(
    connection: &mut PgConnection,
    clamp: ClampId,
    position: i64,
) -> Result<Vec<Entry>, StoreError> {
    let there: Option<i64> = sqlx::query_scalar(
        "-- clamps.length\nselect case when position <= $2 then seq end from stream_head where stream = $1",
    )
    .bind(clamp.uuid())
    .bind(position)
    .fetch_optional(&mut *connection)
    .await?
    .flatten();
    let rows: Vec<(Uuid, i64, Vec<u8>)> = sqlx::query_as(
        "-- clamps.whole\nselect id, seq, bytes from ledger where stream = $1 and position <= $2 order by seq",
    )
    .bind(clamp.uuid())
    .bind(position)
    .fetch_all(connection)
    .await?;
    let read = u64::try_from(rows.len()).unwrap_or(u64::MAX);
    let last = rows.last().map_or(0, |(_, seq, _)| *seq);
    let there = there.unwrap_or(last).max(last).unsigned_abs();
    if read != there {
        return Err(StoreError::PartialHistory {
            clamp: clamp.uuid(),
            read,
            there,
        });
    }
    rows.iter().map(|(id, _, bytes)| parse(*id, bytes)).collect()
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
