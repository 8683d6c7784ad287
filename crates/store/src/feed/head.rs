//! The ledger's head as a reader's transaction sees it: read first, so that everything read after it is at least as new.

use super::check::Seen;
use crate::StoreError;
use jiff::{Timestamp, ToSpan};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::PgConnection;

/// The head, at one moment.
#[derive(Clone, Copy, Debug)]
pub(super) struct Head {
    pub epoch: u32,
    pub position: u64,
    pub tag: i64,
    pub reference_version: u64,
    pub recorded_at: Timestamp,
    /// Whether this database follows another one.
    pub is_replica: bool,
    /// Cursors before it are too old.
    pub floor: u64,
}

#[derive(sqlx::FromRow)]
struct Row {
    epoch: i32,
    position: i64,
    tag: i64,
    reference_version: i64,
    recorded_at: SqlTimestamp,
    is_replica: bool,
    floor: i64,
    tags: Vec<Option<i64>>,
}

/// The head, and the tags of the rows at some positions.
pub(super) async fn read(
    connection: &mut PgConnection,
    positions: &[u64],
    now: Timestamp,
) -> Result<(Head, Vec<Option<i64>>), StoreError> {
    let positions: Vec<i64> = positions
        .iter()
        .map(|position| i64::try_from(*position).unwrap_or(i64::MAX))
        .collect();
    let retained = super::RETENTION_DAYS.saturating_mul(24).hours();
    let row: Row = sqlx::query_as(
        "-- feed.head
         select epoch, position, tag, reference_version, recorded_at, is_replica, floor, tags from feed_head($1, $2)",
    )
    .bind(&positions)
    .bind(now.checked_sub(retained).unwrap_or(Timestamp::UNIX_EPOCH).to_sqlx())
    .fetch_one(connection)
    .await?;
    let head = Head {
        epoch: row.epoch.unsigned_abs(),
        position: row.position.unsigned_abs(),
        tag: row.tag,
        reference_version: row.reference_version.unsigned_abs(),
        recorded_at: row.recorded_at.to_jiff(),
        is_replica: row.is_replica,
        floor: row.floor.unsigned_abs(),
    };
    Ok((head, row.tags))
}

impl Head {
    /// How far states go that are read in this moment.
    pub fn seen(&self) -> Seen {
        Seen {
            position: self.position,
            tag: self.tag,
        }
    }
    /// Since when nothing more is known, where everything up to the head was read: the reader's own instant before it
    /// read. A follower knows only what it was sent.
    pub fn known_at(&self, before: Timestamp) -> Timestamp {
        if self.is_replica { self.recorded_at } else { before }
    }
}
