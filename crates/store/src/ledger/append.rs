//! Appending: the last statement of every writing transaction.

use super::chain::{GENESIS, Hash, link};
use crate::clock::whole_microseconds;
use crate::{StoreError, Tx};
use clampward_domain::ids::{DeviceId, PersonId, YardId};
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use std::collections::BTreeMap;
use uuid::Uuid;

/// A row to be appended.
#[derive(Clone, Debug)]
pub struct LedgerRow {
    /// The entry's id, or the id of a reference row; used once for ever.
    pub id: Uuid,
    /// What it is about: a clamp, a yard, a model, a person. Its rows are chained.
    pub stream: Uuid,
    /// Kind, in the trade's words.
    pub kind: &'static str,
    /// When it happened, as told.
    pub performed_at: Timestamp,
    /// When it counts as having happened.
    pub counted_at: Timestamp,
    /// Who did it.
    pub performed_by: PersonId,
    /// Who handed it in.
    pub recorded_by: PersonId,
    /// On which device.
    pub device_id: Option<DeviceId>,
    /// The record in canonical form, as it will always be read again.
    pub bytes: Vec<u8>,
    /// Digest of what its author wrote (see [`super::content_hash`]).
    pub content_hash: Hash,
    /// The first outcome in canonical form; reference rows have none.
    pub outcome: Option<Vec<u8>>,
    /// The yards it is delivered to.
    pub yards: Vec<YardId>,
}

/// Where a row went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Appended {
    /// Its id.
    pub id: Uuid,
    /// Number within its stream, from 1.
    pub seq: u64,
    /// Position in the ledger, from 1, gapless, in commit order.
    pub position: u64,
    /// When it was recorded; never before the row before it.
    pub recorded_at: Timestamp,
}

/// Appends rows in the order given and answers where each went.
///
/// The caller has locked what the streams are about and has judged by reference version `expected_reference_version`;
/// where that moved on meanwhile this is [`StoreError::ReferenceMoved`], and [`crate::Store::run_tx`] tries again.
/// `bumps_reference` says that the rows change reference data. Nothing but the commit (and what must be ordered after
/// the append) may follow in the transaction: the ledger's head is locked from here on.
pub async fn append(
    tx: &mut Tx,
    rows: Vec<LedgerRow>,
    expected_reference_version: u64,
    bumps_reference: bool,
) -> Result<Vec<Appended>, StoreError> {
    if rows.is_empty() {
        return Ok(Vec::new());
    }
    let mut heads = lock_streams(tx, &rows).await?;
    let mut columns = Columns::default();
    for row in rows {
        let head = heads.entry(row.stream).or_insert((0, GENESIS));
        let hash = link(&head.1, &row.bytes);
        columns.push(row, head.0 + 1, head.1, hash);
        *head = (head.0 + 1, hash);
    }
    let places = columns
        .write(tx, expected_reference_version, bumps_reference)
        .await?;
    columns.appended(places)
}

/// The number and hash of each stream's last row, under lock.
async fn lock_streams(tx: &mut Tx, rows: &[LedgerRow]) -> Result<BTreeMap<Uuid, (i64, Hash)>, StoreError> {
    let mut streams: Vec<Uuid> = rows.iter().map(|row| row.stream).collect();
    streams.sort_unstable();
    streams.dedup();
    let locked: Vec<(Uuid, i64, Vec<u8>)> =
        sqlx::query_as("-- ledger.lock_streams\nselect stream, seq, hash from lock_streams($1)")
            .bind(&streams)
            .fetch_all(&mut **tx)
            .await?;
    locked
        .into_iter()
        .map(|(stream, seq, hash)| {
            let hash = Hash::try_from(hash).map_err(|hash| StoreError::Inconsistent {
                table: "stream_head",
                column: "hash",
                id: stream,
                detail: format!("{} bytes instead of 32", hash.len()),
            })?;
            Ok((stream, (seq, hash)))
        })
        .collect()
}

/// The rows, column by column, as the database function takes them.
#[derive(Default)]
struct Columns {
    ids: Vec<Uuid>,
    streams: Vec<Uuid>,
    seqs: Vec<i64>,
    kinds: Vec<&'static str>,
    performed_at: Vec<SqlTimestamp>,
    counted_at: Vec<SqlTimestamp>,
    performed_by: Vec<Uuid>,
    recorded_by: Vec<Uuid>,
    device_ids: Vec<Option<Uuid>>,
    bytes: Vec<Vec<u8>>,
    content_hashes: Vec<Vec<u8>>,
    previous_hashes: Vec<Vec<u8>>,
    hashes: Vec<Vec<u8>>,
    outcomes: Vec<Option<Vec<u8>>>,
    yards: Vec<String>,
}

impl Columns {
    fn push(&mut self, row: LedgerRow, seq: i64, previous: Hash, hash: Hash) {
        let yards: Vec<String> = row.yards.iter().map(ToString::to_string).collect();
        self.ids.push(row.id);
        self.streams.push(row.stream);
        self.seqs.push(seq);
        self.kinds.push(row.kind);
        self.performed_at
            .push(whole_microseconds(row.performed_at).to_sqlx());
        self.counted_at.push(whole_microseconds(row.counted_at).to_sqlx());
        self.performed_by.push(row.performed_by.uuid());
        self.recorded_by.push(row.recorded_by.uuid());
        self.device_ids.push(row.device_id.map(DeviceId::uuid));
        self.bytes.push(row.bytes);
        self.content_hashes.push(row.content_hash.to_vec());
        self.previous_hashes.push(previous.to_vec());
        self.hashes.push(hash.to_vec());
        self.outcomes.push(row.outcome);
        self.yards.push(format!("{{{}}}", yards.join(",")));
    }

    async fn write(
        &self,
        tx: &mut Tx,
        expected_reference_version: u64,
        bumps_reference: bool,
    ) -> Result<Vec<(i64, SqlTimestamp)>, StoreError> {
        let expected = i64::try_from(expected_reference_version).map_err(|_| StoreError::ReferenceMoved)?;
        let now = tx.now().to_sqlx();
        let places = sqlx::query_as(
            "-- ledger.append\nselect appended_position, appended_at from append_entries(
             $1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18) order by 1",
        )
        .bind(now)
        .bind(expected)
        .bind(bumps_reference)
        .bind(&self.ids)
        .bind(&self.streams)
        .bind(&self.seqs)
        .bind(&self.kinds)
        .bind(&self.performed_at)
        .bind(&self.counted_at)
        .bind(&self.performed_by)
        .bind(&self.recorded_by)
        .bind(&self.device_ids)
        .bind(&self.bytes)
        .bind(&self.content_hashes)
        .bind(&self.previous_hashes)
        .bind(&self.hashes)
        .bind(&self.outcomes)
        .bind(&self.yards)
        .fetch_all(&mut **tx)
        .await?;
        Ok(places)
    }

    fn appended(&self, places: Vec<(i64, SqlTimestamp)>) -> Result<Vec<Appended>, StoreError> {
        if places.len() != self.ids.len() {
            let detail = format!("{} rows appended instead of {}", places.len(), self.ids.len());
            let id = self.ids.first().copied().unwrap_or_default();
            return Err(StoreError::Inconsistent {
                table: "ledger",
                column: "position",
                id,
                detail,
            });
        }
        let rows = self.ids.iter().zip(&self.seqs).zip(places);
        Ok(rows
            .map(|((id, seq), (position, recorded_at))| Appended {
                id: *id,
                seq: seq.unsigned_abs(),
                position: position.unsigned_abs(),
                recorded_at: recorded_at.to_jiff(),
            })
            .collect())
    }
}
