//! A clamp now: the hot path, one statement whatever the length of its history.

use super::entries;
use crate::tx::{is_dead, yards_setting};
use crate::{Store, StoreError};
use clampward_domain::entry::Entry;
use clampward_domain::fold::{ClampState, fold};
use clampward_domain::ids::ClampId;
use clampward_domain::reference::{Reference, YardScope};
use clampward_domain::standing::{Standing, standing_now};
use jiff::Timestamp;
use sqlx::types::Json;
use std::sync::Arc;

/// How often a clamp is read again because reference data moved on in between.
pub(super) const MAX_READS: u32 = 5;

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
    /// Its standing at an instant, as far as is known now; never from before its last entry.
    pub fn standing(&self, at: Timestamp) -> Standing {
        standing_now(&self.state, &self.reference, self.state.latest(at))
    }
}

/// What a state that was read is worth.
pub(super) enum Reading {
    /// It goes with these reference data.
    Holds(Arc<Reference>),
    /// The clamp waits to be reassessed, or reference data move too fast: its entries say what it is.
    Outdated,
    /// Reference data moved on in between.
    Again,
}

/// The hot path in one statement.
const ROW: &str = "-- clamps.state
     select state, seq, clamp_position, known_position, known_at, reference_version, pending
     from clamp_for_yards($1, $2)";

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

impl Row {
    /// The clamp in this state.
    fn now(&self, state: ClampState, reference: Arc<Reference>) -> ClampNow {
        ClampNow {
            state,
            seq: self.seq.unsigned_abs(),
            position: self.clamp_position.unsigned_abs(),
            knowledge: Knowledge {
                position: self.known_position.unsigned_abs(),
                known_at: self.known_at.to_jiff(),
                reference_version: self.reference_version.unsigned_abs(),
            },
            reference,
        }
    }
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
            let version = row.reference_version.unsigned_abs();
            match self.reading(version, row.pending, reads).await? {
                Reading::Holds(reference) => {
                    let state = row.state.0.clone();
                    return Ok(Some(row.now(state, reference)));
                }
                Reading::Outdated => {
                    let folded = self.clamp_with_entries(clamp, yards).await?;
                    return Ok(folded.map(|(now, _)| now));
                }
                Reading::Again => {}
            }
        }
    }

    /// A clamp as it is known now, with every entry of its history in the order of recording: both of one moment.
    pub async fn clamp_with_entries(
        &self,
        clamp: ClampId,
        yards: &YardScope,
    ) -> Result<Option<(ClampNow, Vec<Entry>)>, StoreError> {
        let mut reads = 0;
        loop {
            reads += 1;
            let Some((row, entries)) = self.read_whole(clamp, yards).await? else {
                return Ok(None);
            };
            let reference = self
                .reference_at_least(row.reference_version.unsigned_abs())
                .await?;
            let moved = reference.version != row.reference_version.unsigned_abs();
            if moved && reads < MAX_READS {
                continue;
            }
            let state = if row.pending || moved {
                let mut folded = fold(clamp, &entries, &reference);
                folded.take_closed();
                folded
            } else {
                row.state.0.clone()
            };
            return Ok(Some((row.now(state, reference), entries)));
        }
    }

    /// The row and all entries of a clamp, read at one moment, so that it cannot move away in between.
    async fn read_whole(
        &self,
        clamp: ClampId,
        yards: &YardScope,
    ) -> Result<Option<(Row, Vec<Entry>)>, StoreError> {
        let mut tx = self.read_moment(yards).await?;
        let row: Option<Row> = sqlx::query_as(ROW)
            .bind(clamp.uuid())
            .bind(yards_setting(yards))
            .fetch_optional(&mut *tx)
            .await?;
        let Some(row) = row else { return Ok(None) };
        let entries = entries::whole(&mut tx, clamp, i64::MAX).await?;
        tx.finish().await?;
        Ok(Some((row, entries)))
    }

    async fn read_row(&self, clamp: ClampId, setting: &str) -> Result<Option<Row>, StoreError> {
        let mut dead = 0;
        loop {
            let row = sqlx::query_as(ROW)
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

    /// What a state that was read beside a reference version is worth, the so-manieth time that it was read.
    pub(super) async fn reading(
        &self,
        version: u64,
        pending: bool,
        reads: u32,
    ) -> Result<Reading, StoreError> {
        let reference = self.reference_at_least(version).await?;
        // A newer snapshot may go with clamps that were not called pending yet.
        Ok(if reference.version == version && !pending {
            Reading::Holds(reference)
        } else if pending || reads >= MAX_READS {
            Reading::Outdated
        } else {
            Reading::Again
        })
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
