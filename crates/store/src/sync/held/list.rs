//! Held entries as people see them: those of their yards, oldest first.

use super::{HeldReason, HeldState};
use crate::reference::word;
use crate::{Store, StoreError};
use clampward_domain::ids::{ClampId, DeviceId, EntryId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use uuid::Uuid;

/// A held entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeldEntry {
    /// Its own id.
    pub id: EntryId,
    /// The device that wrote it.
    pub device: DeviceId,
    /// The entry's id, if it can be read.
    pub entry: Option<EntryId>,
    /// Why it is held.
    pub reason: HeldReason,
    /// In words.
    pub detail: String,
    /// Its kind, in its own word.
    pub kind: Option<String>,
    /// The clamp that it names.
    pub clamp: Option<ClampId>,
    /// The mark that it names.
    pub mark: Option<String>,
    /// Whether it may restrict: by its words, by what it comes to on a clamp, or because it cannot be read.
    pub restricts: bool,
    /// The clamps that it bars.
    pub bars: Vec<ClampId>,
    /// Who did it, as told.
    pub performed_by: Option<PersonId>,
    /// When it happened, as told.
    pub performed_at: Option<Timestamp>,
    /// When it arrived.
    pub received_at: Timestamp,
    /// What became of it.
    pub state: HeldState,
    /// When it was settled.
    pub settled_at: Option<Timestamp>,
    /// By whom.
    pub settled_by: Option<PersonId>,
    /// The clamp that it was recorded of.
    pub settled_clamp: Option<ClampId>,
    /// Why it was dismissed.
    pub settled_reason: Option<String>,
    /// As it came; at most the first 64 KiB.
    pub raw: Vec<u8>,
}

/// Which of them.
#[derive(Clone, Debug, Default)]
pub struct HeldFilter {
    /// Seen by the leads of this yard.
    pub yard: Option<YardId>,
    /// In this state.
    pub state: Option<HeldState>,
    /// Held for this reason.
    pub reason: Option<HeldReason>,
    /// Of this device.
    pub device: Option<DeviceId>,
}

#[derive(sqlx::FromRow)]
pub(super) struct Row {
    pub(super) id: Uuid,
    pub(super) device_id: Uuid,
    pub(super) entry_id: Option<Uuid>,
    reason: String,
    detail: String,
    kind: Option<String>,
    clamp_id: Option<Uuid>,
    mark: Option<String>,
    restricts: bool,
    bars: Vec<Uuid>,
    performed_by: Option<Uuid>,
    performed_at: Option<SqlTimestamp>,
    received_at: SqlTimestamp,
    state: String,
    settled_at: Option<SqlTimestamp>,
    settled_by: Option<Uuid>,
    settled_clamp: Option<Uuid>,
    settled_reason: Option<String>,
    raw: Vec<u8>,
}

impl Row {
    pub(super) fn read(self) -> Result<HeldEntry, StoreError> {
        let reason: HeldReason = word("held_entry", "reason", self.id, &self.reason)?;
        let instant = |instant: Option<SqlTimestamp>| instant.map(|instant| instant.to_jiff());
        Ok(HeldEntry {
            id: EntryId::new(self.id),
            device: DeviceId::new(self.device_id),
            entry: self.entry_id.map(EntryId::new),
            reason,
            detail: reason.detail().map_or(self.detail, str::to_owned),
            kind: self.kind,
            clamp: self.clamp_id.map(ClampId::new),
            mark: self.mark,
            restricts: self.restricts,
            bars: self.bars.into_iter().map(ClampId::new).collect(),
            performed_by: self.performed_by.map(PersonId::new),
            performed_at: instant(self.performed_at),
            received_at: self.received_at.to_jiff(),
            state: word("held_entry", "state", self.id, &self.state)?,
            settled_at: instant(self.settled_at),
            settled_by: self.settled_by.map(PersonId::new),
            settled_clamp: self.settled_clamp.map(ClampId::new),
            settled_reason: self.settled_reason,
            raw: self.raw,
        })
    }
}

pub(super) const COLUMNS: &str = "select id, device_id, entry_id,
   coalesce(stays_because, reason) as reason, detail, kind, clamp_id, mark, restricts, bars, performed_by,
   performed_at, received_at, state, settled_at, settled_by, settled_clamp, settled_reason, raw from held_entry";

impl Store {
    /// Held entries of these yards in the order of their arrival, after one of them.
    pub async fn held_entries(
        &self,
        yards: &YardScope,
        filter: &HeldFilter,
        after: Option<(Timestamp, EntryId)>,
        limit: u32,
    ) -> Result<Vec<HeldEntry>, StoreError> {
        let mut tx = self.read(yards).await?;
        let sql = sqlx::AssertSqlSafe(format!(
            "-- held.list\n{COLUMNS}
             where ($1::timestamptz is null or (received_at, id) > ($1, $2))
               and ($3::uuid is null or yards @> array[$3])
               and ($4::text is null or state = $4) and ($5::text is null or coalesce(stays_because, reason) = $5)
               and ($6::uuid is null or device_id = $6)
             order by received_at, id limit $7"
        ));
        let rows: Vec<Row> = sqlx::query_as(sql)
            .bind(after.map(|(at, _)| at.to_sqlx()))
            .bind(after.map(|(_, id)| id.uuid()))
            .bind(filter.yard.map(YardId::uuid))
            .bind(filter.state.map(HeldState::code))
            .bind(filter.reason.map(HeldReason::code))
            .bind(filter.device.map(DeviceId::uuid))
            .bind(i64::from(limit))
            .fetch_all(&mut *tx)
            .await?;
        tx.finish().await?;
        rows.into_iter().map(Row::read).collect()
    }

    /// A held entry of these yards.
    pub async fn held_entry(&self, yards: &YardScope, id: EntryId) -> Result<Option<HeldEntry>, StoreError> {
        let mut tx = self.read(yards).await?;
        let sql = sqlx::AssertSqlSafe(format!("-- held.read\n{COLUMNS} where id = $1"));
        let row: Option<Row> = sqlx::query_as(sql)
            .bind(id.uuid())
            .fetch_optional(&mut *tx)
            .await?;
        tx.finish().await?;
        row.map(Row::read).transpose()
    }
}
