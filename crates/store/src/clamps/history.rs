//! A clamp's history, newest first.

use super::entries;
use crate::{Store, StoreError};
use clampward_domain::entry::Entry;
use clampward_domain::ids::{ClampId, PersonId};
use clampward_domain::judge::Outcome;
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use uuid::Uuid;

/// Most rows that are read at a time.
const MAX_READ: u32 = 2_000;

/// One entry with what the ledger adds to it.
#[derive(Clone, Debug, PartialEq)]
pub struct HistoryRow {
    /// The entry.
    pub entry: Entry,
    /// Number within the clamp's history.
    pub seq: u64,
    /// Position in the ledger.
    pub position: u64,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// Who handed it in.
    pub recorded_by: PersonId,
    /// What it counted for when it was recorded.
    pub outcome: Outcome,
    /// Its chained hash.
    pub hash: Vec<u8>,
}

type Row = (
    Uuid,
    Vec<u8>,
    i64,
    i64,
    jiff_sqlx::Timestamp,
    Uuid,
    Option<Vec<u8>>,
    Vec<u8>,
);

impl Store {
    /// A page of a clamp's history, newest first, below `before` (a `seq`); nothing if the clamp is not in these yards.
    pub async fn clamp_history(
        &self,
        clamp: ClampId,
        yards: &YardScope,
        before: Option<u64>,
        limit: u32,
    ) -> Result<Option<Vec<HistoryRow>>, StoreError> {
        let before = before.and_then(|seq| i64::try_from(seq).ok()).unwrap_or(i64::MAX);
        let mut tx = self.read(yards).await?;
        let there: bool =
            sqlx::query_scalar("-- clamps.is_there\nselect exists (select from clamp where id = $1)")
                .bind(clamp.uuid())
                .fetch_one(&mut *tx)
                .await?;
        if !there {
            return Ok(None);
        }
        let rows: Vec<Row> = sqlx::query_as(
            "-- clamps.history
             select id, bytes, seq, position, recorded_at, recorded_by, outcome, hash from ledger
             where stream = $1 and seq < $2 order by seq desc limit $3",
        )
        .bind(clamp.uuid())
        .bind(before)
        .bind(i64::from(limit.min(MAX_READ)))
        .fetch_all(&mut *tx)
        .await?;
        tx.finish().await?;
        rows.into_iter()
            .map(history_row)
            .collect::<Result<_, _>>()
            .map(Some)
    }
}

fn history_row(row: Row) -> Result<HistoryRow, StoreError> {
    let (id, bytes, seq, position, recorded_at, recorded_by, outcome, hash) = row;
    let outcome = match outcome {
        Some(outcome) => serde_json::from_slice(&outcome).map_err(|error| StoreError::Inconsistent {
            table: "ledger",
            column: "outcome",
            id,
            detail: error.to_string(),
        })?,
        None => Outcome::default(),
    };
    Ok(HistoryRow {
        entry: entries::parse(id, &bytes)?,
        seq: seq.unsigned_abs(),
        position: position.unsigned_abs(),
        recorded_at: recorded_at.to_jiff(),
        recorded_by: PersonId::new(recorded_by),
        outcome,
        hash,
    })
}
