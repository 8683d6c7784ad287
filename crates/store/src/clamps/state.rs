//! A clamp now: the hot path, one statement whatever the length of its history.

use super::entries;
use crate::tx::{is_dead, yards_setting};
use crate::{Store, StoreError};
use clampward_domain::entry::Entry;
use clampward_domain::fold::{ClampState, fold};
use clampward_domain::ids::ClampId;
use clampward_domain::reference::{Reference, YardScope};
use clampward_domain::standing::{Standing, standing};
use jiff::Timestamp;
use sqlx::types::Json;
use std::sync::Arc;

/// How often a clamp is read again because reference data moved on in between.
const MAX_READS: u32 = 5;

/// What an answer rests on. Every answer names it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Knowledge {
    /// Highest position of the ledger that was known.
    pub position: u64,
    /// When that was recorded; nothing after it is known.
    pub known_at: Timestamp,
    /// The reference version.
    pub reference_version: u64,
}

/// A clamp as it is known now.
#[derive(Clone, Debug)]
pub struct ClampNow {
    /// Its state; only open lock-outs are in it.
    pub state: ClampState,
    /// Number of its entries.
    pub seq: u64,
    /// Position of its last entry.
    pub position: u64,
    /// What this rests on.
    pub knowledge: Knowledge,
    /// The reference data to ask the state with.
    pub reference: Arc<Reference>,
}

impl ClampNow {
    /// Its standing at an instant, as far as is known now.
    pub fn standing(&self, at: Timestamp) -> Standing {
        standing(&self.state, &self.reference, at)
    }
}

#[derive(sqlx::FromRow)]
struct Row {
    state: Json<ClampState>,
    seq: i64,
    clamp_position: i64,
    known_position: i64,
    known_at: jiff_sqlx::Timestamp,
    reference_version: i64,
    pending: bool,
}

impl Store {
    /// A clamp as it is known now, if it is in one of these yards.
    pub async fn clamp_now(&self, clamp: ClampId, yards: &YardScope) -> Result<Option<ClampNow>, StoreError> {
        let setting = yards_setting(yards);
        let mut reads = 0;
        loop {
            reads += 1;
            let Some(row) = self.read_row(clamp, &setting).await? else {
                return Ok(None);
            };
            let reference = self
                .reference_at_least(row.reference_version.unsigned_abs())
                .await?;
            // A newer snapshot may go with clamps that this row does not call pending yet.
            let moved = i64::try_from(reference.version) != Ok(row.reference_version);
            if moved && reads < MAX_READS {
                continue;
            }
            let state = if row.pending || moved {
                self.refold(clamp, yards, &reference).await?
            } else {
                row.state.0
            };
            return Ok(Some(ClampNow {
                state,
                seq: row.seq.unsigned_abs(),
                position: row.clamp_position.unsigned_abs(),
                knowledge: Knowledge {
                    position: row.known_position.unsigned_abs(),
                    known_at: row.known_at.to_jiff(),
                    reference_version: row.reference_version.unsigned_abs(),
                },
                reference,
            }));
        }
    }

    /// A clamp as it is known now, with every entry of its history in the order of recording.
    pub async fn clamp_with_entries(
        &self,
        clamp: ClampId,
        yards: &YardScope,
    ) -> Result<Option<(ClampNow, Vec<Entry>)>, StoreError> {
        let Some(now) = self.clamp_now(clamp, yards).await? else {
            return Ok(None);
        };
        let mut tx = self.read(yards).await?;
        let entries = entries::all(&mut tx, clamp).await?;
        tx.finish().await?;
        Ok(Some((now, entries)))
    }

    async fn read_row(&self, clamp: ClampId, setting: &str) -> Result<Option<Row>, StoreError> {
        let mut dead = 0;
        loop {
            let row = sqlx::query_as(
                "-- clamps.state
                 select state, seq, clamp_position, known_position, known_at, reference_version, pending
                 from clamp_for_yards($1, $2)",
            )
            .bind(clamp.uuid())
            .bind(setting)
            .fetch_optional(&self.inner.reader)
            .await;
            match row {
                Ok(row) => return Ok(row),
                Err(error) if dead < self.inner.reader.options().get_max_connections() && is_dead(&error) => {
                    dead += 1;
                }
                Err(error) => return Err(error.into()),
            }
        }
    }

    /// The state from all entries, for a clamp whose projection waits to be reassessed.
    pub(super) async fn refold(
        &self,
        clamp: ClampId,
        yards: &YardScope,
        reference: &Reference,
    ) -> Result<ClampState, StoreError> {
        let mut tx = self.read(yards).await?;
        let entries = entries::all(&mut tx, clamp).await?;
        tx.finish().await?;
        let mut state = fold(clamp, &entries, reference);
        state.take_closed();
        Ok(state)
    }

    /// The reference data of a version, or newer ones.
    pub(super) async fn reference_at_least(&self, version: u64) -> Result<Arc<Reference>, StoreError> {
        if let Some(kept) = self.inner.reference.of(version) {
            return Ok(kept);
        }
        let mut connection = self.inner.door.acquire().await?;
        self.snapshot(&mut connection, version).await
    }
}
