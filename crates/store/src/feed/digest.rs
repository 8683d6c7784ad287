//! Count and checksum of a yard's clamps, by which a device notices that it has something else.

use super::clamps::{Row, of_yard};
use crate::{Store, StoreError};
use clampward_domain::canonical::{self, sha256};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::YardId;
use clampward_domain::reference::YardScope;
use uuid::Uuid;

/// Clamps read at a time.
const CHUNK: u32 = 500;

/// What a yard comes to at a position.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Digest {
    /// How many clamps.
    pub count: u64,
    /// Sum modulo 2^64 of the first eight bytes of SHA-256 over each state in canonical form.
    pub checksum: u64,
}

/// The answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Digested {
    /// At the position that was asked about.
    At(Digest),
    /// The yard has moved on from there, or the ledger does not reach so far.
    Elsewhere,
    /// There is no such yard.
    Nowhere,
    /// Clamps of the yard wait to be reassessed: what a device has of them may rest on other reference data.
    Reassessing,
}

impl Store {
    /// The digest of a yard, which is the reader's, at a position.
    pub async fn digest(&self, yard: YardId, position: u64) -> Result<Digested, StoreError> {
        let mut tx = self.read_moment(&YardScope::Some(vec![yard])).await?;
        let (exists, last, head, pending): (bool, i64, i64, bool) = sqlx::query_as(
            "-- feed.digest_at
             select exists (select from yard where id = $1),
                    coalesce((select d.position from delivered as d where d.yard_id = $1
                               order by d.position desc limit 1), 0),
                    (select h.position from ledger_head as h where h.one),
                    exists (select from pending_reassessment as p join clamp as c on c.id = p.clamp_id
                             where c.yards @> array[$1::uuid])",
        )
        .bind(yard.uuid())
        .fetch_one(&mut *tx)
        .await?;
        if !exists {
            return Ok(Digested::Nowhere);
        }
        if position < last.unsigned_abs() || position > head.unsigned_abs() {
            return Ok(Digested::Elsewhere);
        }
        if pending {
            return Ok(Digested::Reassessing);
        }
        let mut digest = Digest {
            count: 0,
            checksum: 0,
        };
        let mut after = Uuid::nil();
        loop {
            let rows = of_yard(&mut tx, yard, after, CHUNK).await?;
            let Some(last) = rows.last() else { break };
            after = last.id;
            // Where there is nothing else to do meanwhile: a chunk takes as long as several requests.
            let sum = tokio::task::spawn_blocking(move || sum(&rows)).await;
            let (count, checksum) = sum.map_err(|error| inconsistent(after, &error))??;
            digest.count += count;
            digest.checksum = digest.checksum.wrapping_add(checksum);
        }
        tx.finish().await?;
        Ok(Digested::At(digest))
    }
}

fn sum(rows: &[Row]) -> Result<(u64, u64), StoreError> {
    let (mut count, mut total) = (0, 0_u64);
    for row in rows {
        let state: ClampState =
            serde_json::from_str(&row.state).map_err(|error| inconsistent(row.id, &error))?;
        total = total.wrapping_add(of_state(&state)?);
        count += 1;
    }
    Ok((count, total))
}

fn inconsistent(id: Uuid, error: &dyn std::error::Error) -> StoreError {
    StoreError::Inconsistent {
        table: "clamp",
        column: "state",
        id,
        detail: error.to_string(),
    }
}

/// What one state adds to the sum.
fn of_state(state: &ClampState) -> Result<u64, StoreError> {
    let digest = sha256(&[&canonical::to_bytes(state)?]);
    let [a, b, c, d, e, f, g, h, ..] = digest;
    Ok(u64::from_be_bytes([a, b, c, d, e, f, g, h]))
}
